"""PNG: a bounded walk of the chunks, and the grayscale pixels.

Knows the chunks that identify an image. Refuses colour, a chunk longer than the file, sizes beyond DICOM's, and text
that inflates without end.
"""

from __future__ import annotations

import re
import struct
import zlib
from dataclasses import dataclass
from typing import Any, Final

import imagecodecs
import numpy as np

from beadroll.errors import InputError
from beadroll.images.codecs import FAULTS, Array
from beadroll.images.source import Source
from beadroll.images.walk import MAX_PIXEL_BYTES, MAX_SIDE

SIGNATURE: Final = b"\x89PNG\r\n\x1a\n"
MAX_CHUNKS: Final = 100_000
MAX_TEXT: Final = 4_096
_WHOLE_AGAIN: Final = "Ask for the file again, or open and save it once as a plain grayscale PNG."
_GRAY: Final = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Png:
    """A walked PNG."""

    source: Source
    rows: int
    columns: int
    bits: int
    colour: int
    samples: int
    pixel_pitch_mm: tuple[float, float] | None
    texts: dict[str, str]

    @property
    def word(self) -> np.dtype[np.generic]:
        """The little-endian word the samples are kept in."""
        return np.dtype("<u2" if self.bits == 16 else "u1")  # noqa: PLR2004


def walk(source: Source) -> Png:
    """Walk all chunks. Raises ``InputError`` for what is damaged or out of bounds."""
    header = source.read(8, 25)
    if len(header) < 25 or header[4:8] != b"IHDR" or header[:4] != b"\x00\x00\x00\x0d":  # noqa: PLR2004
        raise _broken(source, "it is cut short or damaged inside its header")
    columns, rows, bits, colour = struct.unpack_from(">IIBB", header, 8)
    samples = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}.get(colour, 0)
    if not 1 <= rows <= MAX_SIDE or not 1 <= columns <= MAX_SIDE or not samples or bits not in (1, 2, 4, 8, 16):
        raise _broken(source, f"it claims {rows} rows, {columns} columns, {bits} bits and colour type {colour}")
    if rows * columns * samples * max(bits // 8, 1) > MAX_PIXEL_BYTES:
        raise _broken(source, f"it claims more than the limit of {MAX_PIXEL_BYTES >> 20} MiB of pixels")
    texts: dict[str, str] = {}
    pitch, packed = None, 0
    for kind, at, length in _chunks(source):
        if kind in (b"tEXt", b"zTXt", b"iTXt"):
            texts |= _text(kind, source.read(at, min(length, 16 * MAX_TEXT)))
        elif kind == b"tIME" and length == 7:  # noqa: PLR2004
            year, *rest = struct.unpack(">H5B", source.read(at, 7))
            texts["date_time"] = "{:04}-{:02}-{:02}T{:02}:{:02}:{:02}".format(year, *rest)
        elif kind == b"pHYs" and length == 9:  # noqa: PLR2004
            pitch = _pitch(*struct.unpack(">IIB", source.read(at, 9)))
        packed += length if kind == b"IDAT" else 0
    need = rows * ((columns * samples * bits + 7) // 8 + 1)
    if packed * 1_040 + 1_024 < need:  # deflate cannot do better than 1,032 to 1
        raise _broken(source, f"{packed} compressed bytes cannot hold {rows} x {columns} pixels")
    return Png(
        source=source,
        rows=rows,
        columns=columns,
        bits=bits,
        colour=colour,
        samples=samples,
        pixel_pitch_mm=pitch,
        texts=texts,
    )


def _broken(source: Source, why: str) -> InputError:
    return InputError(why, path=source.name, remedy=_WHOLE_AGAIN)


def _chunks(source: Source) -> list[tuple[bytes, int, int]]:
    """Return (type, offset of the data, length) of every chunk; IEND ends where the file ends."""
    found: list[tuple[bytes, int, int]] = []
    offset = 8
    while offset < source.size:
        head = source.read(offset, 8)
        length = int.from_bytes(head[:4], "big")
        if len(head) < 8 or offset + 12 + length > source.size:  # noqa: PLR2004
            raise _broken(source, f"it is cut short: the chunk at byte {offset} runs past the end")
        if len(found) >= MAX_CHUNKS:
            raise _broken(source, f"it holds more than {MAX_CHUNKS} chunks")
        found.append((head[4:8], offset + 8, length))
        offset += 12 + length
        if head[4:8] == b"IEND":
            break
    if not found or found[-1][0] != b"IEND" or offset != source.size:
        raise _broken(source, "it does not end with its last chunk")
    return found


def _pitch(across: int, down: int, unit: int) -> tuple[float, float] | None:
    return (1000.0 / down, 1000.0 / across) if unit == 1 and across and down else None


def _text(kind: bytes, raw: bytes) -> dict[str, str]:
    """Return one text under the key ``text_<keyword>``; what does not decode within its bound is left out."""
    keyword, _, rest = raw.partition(b"\x00")
    encoding = "latin-1"
    try:
        if kind == b"zTXt":
            rest = zlib.decompressobj().decompress(rest[1:], MAX_TEXT)
        elif kind == b"iTXt":
            packed, rest = rest[:1] == b"\x01", rest[2:].split(b"\x00", 2)[2]
            rest = zlib.decompressobj().decompress(rest, MAX_TEXT) if packed else rest
            encoding = "utf-8"
    except (zlib.error, IndexError):
        return {}
    name = re.sub(r"[^a-z0-9]+", "_", keyword[:79].decode("latin-1").lower()).strip("_")
    return {f"text_{name}": rest[:MAX_TEXT].decode(encoding, "replace").strip(" \x00")}


def decode(png: Png) -> Array:
    """Return (1, rows, columns). Raises ``InputError`` for colour and for damage."""
    if png.colour != _GRAY or png.bits not in (8, 16):
        raise InputError(
            "it is not a grayscale image of 8 or 16 bits",
            path=png.source.name,
            remedy="Deliver the scanner's grayscale file; a photograph belongs with the documents.",
        )
    _check_sums(png.source)
    out: Array = np.empty((png.rows, png.columns), png.word)
    whole: Any = png.source.view(0, png.source.size)
    try:
        imagecodecs.png_decode(whole, out=out)
    except FAULTS as fault:
        raise _broken(png.source, f"its pixels cannot be decoded ({type(fault).__name__})") from fault
    return out.reshape(1, png.rows, png.columns)


def _check_sums(source: Source) -> None:
    """Check every chunk's CRC, which the decoder may only warn of."""
    for kind, at, length in _chunks(source):
        held = source.view(at - 4, length + 8)
        if zlib.crc32(held[: length + 4]) != int.from_bytes(held[length + 4 :], "big"):
            raise _broken(source, f"its chunk {kind.decode('latin-1')} is damaged")
