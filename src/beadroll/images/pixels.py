"""Decoded pixels, and the digest that is the same whatever container they came in.

Knows sample words. Refuses to know what they show: no photometric interpretation, window or look-up table is applied.
"""

from __future__ import annotations

import hashlib
from bisect import bisect_left
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from beadroll.errors import InputError
from beadroll.images import codecs
from beadroll.images.codecs import Array, BitstreamError
from beadroll.images.source import HeldBytes
from beadroll.images.walk import PIXEL_DATA, Geometry, Layout, walk

_NO_PIXELS: Final = "Check that the file is a radiograph and not a report or a directory."
_DAMAGED: Final = "Ask for the file again from the machine that made it."


@dataclass(frozen=True, slots=True, kw_only=True)
class Pixels:
    """Sample words as delivered.

    ``array`` is (frames, rows, columns) or (frames, rows, columns, samples), 8, 16 or 32-bit words, read-only where
    it is a view of the delivered bytes. ``pixel_pitch_mm`` is (between rows, between columns); None is unknown.
    """

    array: Array
    photometric: str
    bits_stored: int
    signed: bool
    pixel_pitch_mm: tuple[float, float] | None = None

    @property
    def frames(self) -> int:
        """Number of frames."""
        return int(self.array.shape[0])

    @property
    def rows(self) -> int:
        """Rows of a frame."""
        return int(self.array.shape[1])

    @property
    def columns(self) -> int:
        """Columns of a frame."""
        return int(self.array.shape[2])

    @property
    def samples(self) -> int:
        """Samples a pixel: 1 for a radiograph."""
        return int(self.array.shape[3]) if self.array.ndim == 4 else 1  # noqa: PLR2004

    @property
    def bits_allocated(self) -> int:
        """Bits of a word."""
        return int(self.array.dtype.itemsize) * 8

    @property
    def grayscale(self) -> bool:
        """True for one sample a pixel of at most 16 bits: what the lossless codecs here take."""
        return self.samples == 1 and self.array.dtype.itemsize in (1, 2)


def pixel_digest(pixels: Pixels) -> str:
    r"""Return the SHA-512 of the canonical form of decoded pixels, lower-case hex.

    The canonical form, so that anyone can compute it:

    1. one ASCII line, fields in this order, single blanks, ended by one line feed::

         beadroll-pixels 1 frames=F rows=R columns=C samples=S bits=B signed=G

       with decimal numbers without leading zeros; B is the size of a word in bits (8, 16 or 32: DICOM's Bits
       Allocated; TIFF's and PNG's bit depth rounded up to one of these), G is 1 for two's complement words, else 0;
    2. every sample word, frame by frame, row by row from the top, column by column from the left, samples of a pixel
       side by side, little-endian, with all B bits as they were stored.

    Photometric interpretation, pitch, rescale and windows are not applied and not included. A bilevel image has one
    8-bit word of 0 or 1 a pixel.
    """
    digest = hashlib.sha512(
        f"beadroll-pixels 1 frames={pixels.frames} rows={pixels.rows} columns={pixels.columns} "
        f"samples={pixels.samples} bits={pixels.bits_allocated} signed={int(pixels.signed)}\n".encode("ascii")
    )
    for frame in pixels.array:
        digest.update(np.ascontiguousarray(frame, dtype=frame.dtype.newbyteorder("<")).data)
    return digest.hexdigest()


def digest_of_object(data: bytes, *, name: str = "the object") -> str:
    """Decode a DICOM object and return its pixel digest. Raises ``InputError`` where it is damaged."""
    return pixel_digest(decode_dicom(walk(HeldBytes(data, name=name))))


def pitch_of(layout: Layout) -> tuple[float, float] | None:
    """Return the pixel pitch in mm (row, column): Pixel Spacing, Imager Pixel Spacing, Nominal Scanned Pixel Spacing.

    The first that holds two positive numbers counts; none means unknown.
    """
    for tag in (0x00280030, 0x00181164, 0x00182010):
        try:
            row, column = (float(part) for part in layout.text(tag).split("\\"))
        except ValueError:
            continue
        if 0 < row < 1000 and 0 < column < 1000:  # noqa: PLR2004 - a pitch above a metre is not one
            return row, column
    return None


def geometry_of(layout: Layout) -> Geometry:
    """Return the geometry, or raise ``InputError`` for a file without pixels."""
    if layout.geometry is None:
        raise InputError("it holds no image", path=layout.source.name, remedy=_NO_PIXELS)
    return layout.geometry


def word(geometry: Geometry) -> np.dtype[np.generic]:
    """Return the little-endian word the samples are kept in."""
    size = max(geometry.bits_allocated // 8, 1)
    return np.dtype(f"<{'i' if geometry.signed else 'u'}{size}")


def decode_dicom(layout: Layout) -> Pixels:
    """Decode all frames of a walked file. Native little-endian pixels are a view, without a copy."""
    geometry = geometry_of(layout)
    if geometry.bits_allocated > 32:  # noqa: PLR2004
        raise InputError(
            "pixels of 64 bits cannot be read here", path=layout.source.name, remedy="Export it with 16 bits."
        )
    array = _native(layout, geometry) if layout.native else _compressed(layout, geometry)
    return Pixels(
        array=array,
        photometric=geometry.photometric,
        bits_stored=geometry.bits_stored,
        signed=geometry.signed,
        pixel_pitch_mm=pitch_of(layout),
    )


def _native(layout: Layout, geometry: Geometry) -> Array:
    pixel = layout.elements[PIXEL_DATA]
    raw = layout.source.view(pixel.value, geometry.native_bytes)
    shape = (geometry.frames, geometry.rows, geometry.columns)
    if geometry.bits_allocated == 1:
        bits = np.unpackbits(np.frombuffer(raw, np.uint8), bitorder="little")
        return bits[: shape[0] * shape[1] * shape[2]].reshape(shape)
    if geometry.photometric == "YBR_FULL_422":
        return _full_422(np.frombuffer(raw, np.uint8), shape)
    kind = word(geometry)
    if not layout.little and geometry.bits_allocated == 8 and pixel.vr == b"OW":  # noqa: PLR2004
        padded = layout.source.view(pixel.value, pixel.length)
        array = np.frombuffer(padded, np.uint16).byteswap().view(kind)[: geometry.native_bytes]
    else:
        array = np.frombuffer(raw, kind if layout.little else kind.newbyteorder(">")).astype(kind, copy=False)
    if geometry.samples == 1:
        return array.reshape(shape)
    if geometry.planar:
        return np.moveaxis(array.reshape(shape[0], geometry.samples, *shape[1:]), 1, -1)
    return array.reshape(*shape, geometry.samples)


def _full_422(raw: Array, shape: tuple[int, int, int]) -> Array:
    """Spread the shared colour of two neighbours over both (PS3.3, C.7.6.3.1.2)."""
    pairs = raw.reshape(shape[0], shape[1], shape[2] // 2, 4)
    full = np.empty((*shape, 3), np.uint8)
    full[:, :, 0::2, 0], full[:, :, 1::2, 0] = pairs[..., 0], pairs[..., 1]
    for side in (0, 1):
        full[:, :, side::2, 1:] = pairs[..., 2:]
    return full


def _compressed(layout: Layout, geometry: Geometry) -> Array:
    shape: tuple[int, ...] = (geometry.frames, geometry.rows, geometry.columns)
    if geometry.samples > 1:
        shape = (*shape, geometry.samples)
    array: Array = np.empty(shape, word(geometry))
    for index, stream in enumerate(frame_streams(layout, geometry)):
        try:
            codecs.decode(layout.transfer_syntax, stream, array[index], photometric=geometry.photometric)
        except BitstreamError as fault:
            raise InputError(
                f"frame {index + 1} cannot be decoded: {fault}", path=layout.source.name, remedy=_DAMAGED
            ) from fault
    return array


def frame_streams(layout: Layout, geometry: Geometry) -> list[memoryview]:
    """Return the bitstream of each frame (PS3.5, A.4): a view where one fragment holds it."""
    fragments = layout.fragments
    if geometry.frames == 1:
        return [_joined(layout, fragments)]
    if len(fragments) == geometry.frames:
        return [layout.source.view(*fragment) for fragment in fragments]
    start, length = layout.offsets_table
    if length != 4 * geometry.frames:
        raise InputError("its frames cannot be told apart", path=layout.source.name, remedy=_DAMAGED)
    origin = start + length
    starts = [int(offset) + origin for offset in np.frombuffer(layout.source.view(start, length), "<u4")]
    items = [value - 8 for value, _ in fragments]
    bounds = [bisect_left(items, first) for first in starts] + [len(items)]
    if any(a >= b for a, b in pairwise(bounds)):
        raise InputError("its table of frames is damaged", path=layout.source.name, remedy=_DAMAGED)
    return [_joined(layout, fragments[a:b]) for a, b in pairwise(bounds)]


def _joined(layout: Layout, fragments: tuple[tuple[int, int], ...]) -> memoryview:
    if len(fragments) == 1:
        return layout.source.view(*fragments[0])
    return memoryview(b"".join(layout.source.view(*fragment) for fragment in fragments))
