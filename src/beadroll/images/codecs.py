"""Lossless codecs one frame at a time, and the decoders for what crews deliver.

Knows bitstreams. Refuses to know files, attributes and people. Every call hands whole frames to a library that
releases the interpreter lock, so that two threads keep two cores busy; every decoder writes into an array of the
shape the attributes promised, so that a bitstream that claims another size is refused before it is decoded.
"""

from __future__ import annotations

import functools
import hashlib
import struct
from collections.abc import Callable
from enum import StrEnum
from itertools import pairwise
from typing import Any, Final

import imagecodecs
import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
Buffer = bytes | memoryview
"""Bytes handed on without a copy."""


class Codec(StrEnum):
    """How pixels are kept in the package. All of them give back every bit."""

    JPEG_LS = "jpeg-ls"
    HTJ2K = "htj2k"
    JPEG_XL = "jpeg-xl"
    RLE = "rle"
    UNCOMPRESSED = "uncompressed"


SYNTAX: Final = {
    Codec.JPEG_LS: "1.2.840.10008.1.2.4.80",
    Codec.HTJ2K: "1.2.840.10008.1.2.4.201",
    Codec.JPEG_XL: "1.2.840.10008.1.2.4.110",
    Codec.RLE: "1.2.840.10008.1.2.5",
    Codec.UNCOMPRESSED: "1.2.840.10008.1.2.1",
}

_RLE: Final = SYNTAX[Codec.RLE]
_JPEG_TURBO: Final = frozenset({f"1.2.840.10008.1.2.4.{tail}" for tail in (50, 51, 57, 70)})
"""Lossy and lossless JPEG. libjpeg-turbo reads both; the library's other decoder of the lossless kind ends the process
on a damaged stream (imagecodecs 2026.3.6)."""
_DECODERS: Final[dict[str, Callable[..., Array]]] = {
    "1.2.840.10008.1.2.4.80": imagecodecs.jpegls_decode,
    "1.2.840.10008.1.2.4.81": imagecodecs.jpegls_decode,
    "1.2.840.10008.1.2.4.90": imagecodecs.jpeg2k_decode,
    "1.2.840.10008.1.2.4.91": imagecodecs.jpeg2k_decode,
    "1.2.840.10008.1.2.4.201": imagecodecs.htj2k_decode,
    "1.2.840.10008.1.2.4.202": imagecodecs.htj2k_decode,
    "1.2.840.10008.1.2.4.203": imagecodecs.htj2k_decode,
    "1.2.840.10008.1.2.4.110": imagecodecs.jpegxl_decode,
    "1.2.840.10008.1.2.4.111": imagecodecs.jpegxl_decode,
    "1.2.840.10008.1.2.4.112": imagecodecs.jpegxl_decode,
}
_RLE_HEADER: Final = 64
LOSSY: Final = frozenset(
    {
        "1.2.840.10008.1.2.4.50",
        "1.2.840.10008.1.2.4.51",
        "1.2.840.10008.1.2.4.81",
        "1.2.840.10008.1.2.4.91",
        "1.2.840.10008.1.2.4.203",
        "1.2.840.10008.1.2.4.111",
        "1.2.840.10008.1.2.4.112",
    }
)
"""Transfer syntaxes that may carry lossy pixels (PS3.6, table A-1)."""

FAULTS: Final = (RuntimeError, ValueError, TypeError, ArithmeticError, LookupError, OSError, struct.error)
"""What the codec library raises on a damaged bitstream; its own errors derive from ``RuntimeError``."""

_SMALL_PIXELS: Final = 64 << 20
_MAX_RATIO: Final = 2_000


class BitstreamError(Exception):
    """A bitstream does not decode to the frame its attributes promise. Stays inside ``images``."""


def usable(codec: Codec, *, signed: bool) -> Codec:
    """Return the codec, or JPEG-LS where the asked one cannot hold the sign (JPEG XL has no signed samples)."""
    return Codec.JPEG_LS if codec is Codec.JPEG_XL and signed else codec


def encode(codec: Codec, frame: Array, *, bits: int) -> tuple[Buffer, ...]:
    """Encode one grayscale frame of 8 or 16-bit words; return the parts of the bitstream in order.

    JPEG-LS carries signed words as the bit pattern they are stored in, as DICOM has it (PS3.5, 8.2.3); HTJ2K knows a
    sign. ``bits`` is the number of bits in use and only informs JPEG XL, whose range check makes it safe.
    """
    if codec is Codec.JPEG_LS:
        return _without_spiff(bytes(imagecodecs.jpegls_encode(_unsigned(frame))))
    if codec is Codec.HTJ2K:
        return (bytes(imagecodecs.htj2k_encode(frame, reversible=True)),)
    if codec is Codec.JPEG_XL:
        stream = imagecodecs.jpegxl_encode(
            frame, lossless=True, effort=1, bitspersample=bits, usecontainer=False, numthreads=1
        )
        return (bytes(stream),)
    if codec is Codec.RLE:
        return _rle(_unsigned(frame))
    return (as_bytes(frame),)


def as_bytes(frame: Array) -> memoryview:
    """Return the words of a contiguous frame as bytes, without a copy."""
    return frame.data.cast("B")


def _unsigned(frame: Array) -> Array:
    return frame.view(np.dtype(f"u{frame.dtype.itemsize}"))


def _without_spiff(stream: bytes) -> tuple[Buffer, ...]:
    """Drop the SPIFF file header, which DICOM does not ask for: the bare stream starts at the second SOI."""
    if stream[6:12] == b"SPIFF\x00" and stream[36:38] == b"\xff\xe8" and stream[44:46] == b"\xff\xd8":
        return (memoryview(stream)[44:],)
    return (stream,)


def _rle(frame: Array) -> tuple[Buffer, ...]:
    """RLE as PS3.5 annex G: byte planes, most significant first, each row packed by itself."""
    planes = frame.view(np.uint8).reshape(*frame.shape, frame.dtype.itemsize)
    segments = [
        bytes(imagecodecs.packbits_encode(planes[..., plane].copy(), axis=-1))
        for plane in reversed(range(frame.dtype.itemsize))
    ]
    segments = [segment + b"\x00" * (len(segment) % 2) for segment in segments]
    starts = [64]
    for segment in segments[:-1]:
        starts.append(starts[-1] + len(segment))
    header = struct.pack("<16I", len(segments), *starts, *[0] * (15 - len(segments)))
    return (header, *segments)


def decode(syntax: str, stream: Buffer, out: Array, *, photometric: str) -> None:
    """Decode one frame into ``out`` (rows, columns[, samples]).

    Raises ``BitstreamError`` where the stream is damaged, is of another size, or grows beyond all proportion.
    """
    if out.nbytes > _SMALL_PIXELS and out.nbytes > _MAX_RATIO * len(stream):
        raise BitstreamError(f"{len(stream)} bytes claim to hold {out.nbytes >> 20} MiB of pixels")
    _same_size(stream, out)
    try:
        decoded = _decode_marked(syntax, stream, out, photometric)
    except FAULTS as fault:
        raise BitstreamError(f"the bitstream is damaged ({type(fault).__name__})") from fault
    if decoded is out:
        return
    if decoded.shape != out.shape or decoded.dtype.itemsize != out.dtype.itemsize:
        raise BitstreamError(f"the bitstream holds {decoded.shape} where the attributes promise {out.shape}")
    out[...] = decoded.view(out.dtype)


def _decode_marked(syntax: str, stream: Any, out: Array, photometric: str) -> Array:
    """Decode, and tell whether the last row was written at all.

    The HTJ2K binding drops an error raised half-way and returns the rest of the array as it was (imagecodecs
    2026.3.6), so that a damaged stream would pass with whatever lay in memory. A marked last row shows it; a row that
    happens to equal the mark is decoded once more over the opposite mark.
    """
    row = out.reshape(-1)[-out.shape[1] :].view(np.uint8)
    mark = _mark(row.size)
    for chosen in (mark, ~mark):
        row[:] = chosen
        decoded = _decode(syntax, stream, out, photometric)
        if decoded is not out or not np.array_equal(row, chosen):
            return decoded
    raise BitstreamError("the bitstream is damaged (it ends before its last row)")


@functools.lru_cache(maxsize=8)
def _mark(size: int) -> NDArray[np.uint8]:
    return np.frombuffer(hashlib.shake_128(b"not written").digest(size), np.uint8)


def _decode(syntax: str, stream: Any, out: Array, photometric: str) -> Array:
    """Choose the decoder; the library takes any buffer, though it is typed for three."""
    if syntax == _RLE:
        return _unrle(stream, out)
    if syntax in _JPEG_TURBO:
        space = None if out.ndim == 2 else "YCBCR" if photometric.startswith("YBR") else "RGB"  # noqa: PLR2004
        return np.asarray(imagecodecs.jpeg8_decode(stream, colorspace=space, outcolorspace=space))
    decoder = _DECODERS.get(syntax)
    if decoder is None:
        raise BitstreamError(f"transfer syntax {syntax} is not one that can be read here")
    if decoder in (imagecodecs.jpegls_decode, imagecodecs.jpegxl_decode):
        decoder(stream, out=_unsigned(out))
        return out
    return _into(decoder, stream, out)


def _into(decoder: Callable[..., Array], stream: Any, out: Array) -> Array:
    """JPEG 2000 streams carry their own sign; where Pixel Representation contradicts it, the attribute counts."""
    component = bytes(stream[:48])
    plain = component[:4] == _SIZ
    claims_sign = bool(component[42] & 0x80) if plain else out.dtype.kind == "i"
    if claims_sign == (out.dtype.kind == "i"):
        decoder(stream, out=out)
        return out
    decoded = np.asarray(decoder(stream))
    if claims_sign or decoded.dtype.itemsize != out.dtype.itemsize:
        return decoded
    spare = out.dtype.itemsize * 8 - ((component[42] & 0x7F) + 1)
    return np.asarray((decoded << spare).view(out.dtype) >> spare)


def _unrle(stream: Any, out: Array) -> Array:
    """Undo RLE, one byte plane at a time (PS3.5, annex G).

    The library's own decoder for the whole stream ends the process on a segment offset beyond it (imagecodecs
    2026.3.6), so that the header is checked here and only single segments are handed on.
    """
    samples = 1 if out.ndim == 2 else out.shape[2]  # noqa: PLR2004
    width = out.dtype.itemsize
    if len(stream) < _RLE_HEADER:
        raise BitstreamError("the run-length data are cut short")
    count, *starts = struct.unpack_from("<16I", stream)
    if count != samples * width:
        raise BitstreamError(f"{count} run-length segments where {samples * width} are needed")
    bounds = [*starts[:count], len(stream)]
    if bounds[0] < _RLE_HEADER or any(a > b for a, b in pairwise(bounds)):
        raise BitstreamError("the run-length segments lie outside the data")
    planes = np.empty((*out.shape[:2], samples, width), np.uint8)
    for index, (start, end) in enumerate(pairwise(bounds)):
        plane = np.frombuffer(imagecodecs.packbits_decode(stream[start:end]), np.uint8)
        if plane.size < out.shape[0] * out.shape[1]:
            raise BitstreamError("the run-length data are cut short")
        sample, byte = divmod(index, width)
        planes[..., sample, width - 1 - byte] = plane[: out.shape[0] * out.shape[1]].reshape(out.shape[:2])
    return planes.reshape(*out.shape[:2], -1).view(out.dtype).reshape(out.shape)


def _same_size(stream: Buffer, out: Array) -> None:
    """Hold the size a JPEG family header claims against the attributes, before any decoder allocates for it."""
    claimed = claimed_size(bytes(stream[:65_536]))
    if claimed is not None and claimed != out.shape[:2]:
        raise BitstreamError(f"the bitstream claims {claimed} where the attributes promise {out.shape[:2]}")


def claimed_size(start: bytes) -> tuple[int, int] | None:
    """Return (rows, columns) that the header of a JPEG family stream claims, None where it claims none."""
    if start[:4] == _SIZ and len(start) >= 24:  # noqa: PLR2004 - up to the image's origin
        width, height, left, top = struct.unpack_from(">4I", start, 8)
        return height - top, width - left
    if start[:2] != b"\xff\xd8":
        return None
    offset = 2
    while offset + 9 <= len(start) and start[offset] == 0xFF:  # noqa: PLR2004 - marker prefix
        marker, length = start[offset + 1], int.from_bytes(start[offset + 2 : offset + 4], "big")
        if marker in _FRAME_MARKERS:
            rows, columns = struct.unpack_from(">HH", start, offset + 5)
            return (rows, columns)
        offset += 2 + length
    return None


_SIZ: Final = b"\xff\x4f\xff\x51"
"""Start of codestream and image size (ISO 15444-1, A.5.1); byte 42 holds the first component's sign and depth."""
_FRAME_MARKERS: Final = frozenset({0xC0, 0xC1, 0xC2, 0xC3, 0xF7})
"""Start of frame: baseline, extended, progressive, lossless (ISO 10918-1), JPEG-LS (ISO 14495-1)."""
