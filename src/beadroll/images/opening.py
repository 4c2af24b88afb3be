"""Any delivered or packaged radiograph to pixels, for pages, measures and ``verify --pixels``.

Knows which reader a container needs. Refuses to scale, invert or window.
"""

from __future__ import annotations

from pathlib import Path

from beadroll.errors import InputError
from beadroll.images import png, tiff
from beadroll.images.pixels import Pixels, decode_dicom
from beadroll.images.source import FileBytes, HeldBytes
from beadroll.images.walk import looks_like_dicom, walk


def decode(data: bytes | Path, *, name: str = "") -> Pixels:
    """Decode a DICOM, TIFF or PNG file, given as bytes or as a path. Raises ``InputError`` where it is damaged."""
    if isinstance(data, Path):
        with FileBytes(data) as opened:
            whole = opened.read(0, opened.size)
        return decode(whole, name=name or str(data))
    source = HeldBytes(data, name=name or "the image")
    start = source.read(0, 132)
    if looks_like_dicom(start):
        return decode_dicom(walk(source))
    if tiff.looks_like_tiff(start):
        return decode_tiff(tiff.walk(source))
    if start[:8] == png.SIGNATURE:
        return decode_png(png.walk(source))
    raise InputError(
        "it is empty, encrypted, or neither DICOM, TIFF nor PNG",
        path=source.name,
        remedy="Deliver the radiograph in one of these formats, without a password.",
    )


def decode_tiff(walked: tiff.Tiff) -> Pixels:
    """Decode a walked TIFF; MinIsWhite becomes MONOCHROME1 with the values untouched."""
    first = walked.first
    return Pixels(
        array=tiff.decode(walked),
        photometric="MONOCHROME1" if first.min_is_white else "MONOCHROME2",
        bits_stored=first.bits,
        signed=first.signed,
        pixel_pitch_mm=first.pixel_pitch_mm,
    )


def decode_png(seen: png.Png) -> Pixels:
    """Decode a walked PNG."""
    return Pixels(
        array=png.decode(seen),
        photometric="MONOCHROME2",
        bits_stored=seen.bits,
        signed=False,
        pixel_pitch_mm=seen.pixel_pitch_mm,
    )
