"""What a radiograph's header says, without its pixels: hundreds of files a second.

Knows which attributes and tags identify an image. Refuses to believe them: they are witnesses, which reconciliation
weighs against the weld log and the reader sheet.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from beadroll.errors import InputError
from beadroll.images import png, tiff
from beadroll.images.source import FileBytes, HeldBytes, Source
from beadroll.images.walk import Layout, looks_like_dicom, walk

MAX_TEXT: Final = 4_096

DICOM_KEYS: Final = {
    "component_name": 0x00100010,
    "component_id": 0x00100020,
    "component_notes": 0x00104000,
    "study_description": 0x00081030,
    "series_description": 0x0008103E,
    "protocol_name": 0x00181030,
    "accession_number": 0x00080050,
    "study_id": 0x00200010,
    "series_number": 0x00200011,
    "acquisition_number": 0x00200012,
    "instance_number": 0x00200013,
    "modality": 0x00080060,
    "conversion_type": 0x00080064,
    "image_type": 0x00080008,
    "study_date": 0x00080020,
    "study_time": 0x00080030,
    "series_date": 0x00080021,
    "series_time": 0x00080031,
    "acquisition_date": 0x00080022,
    "acquisition_time": 0x00080032,
    "acquisition_date_time": 0x0008002A,
    "content_date": 0x00080023,
    "content_time": 0x00080033,
    "timezone_offset": 0x00080201,
    "operator": 0x00081070,
    "institution": 0x00080080,
    "station_name": 0x00081010,
    "make": 0x00080070,
    "model": 0x00081090,
    "device_serial": 0x00181000,
    "detector_id": 0x0018700A,
    "plate_id": 0x00181004,
    "cassette_id": 0x00181007,
    "software": 0x00181020,
    "image_comments": 0x00204000,
    "derivation_description": 0x00082111,
    "sfd_mm": 0x00181110,
    "tube_kv": 0x00180060,
    "exposure_time_ms": 0x00181150,
    "thickness_mm": 0x00140030,
    "outside_diameter_mm": 0x00140032,
    "material": 0x00140042,
    "welders": 0x00140100,
    "repair_id": 0x00140105,
    "approval_status": 0x300E0002,
    "reviewer": 0x300E0008,
    "burned_in_annotation": 0x00280301,
    "lossy": 0x00282110,
    "sop_class_uid": 0x00080016,
    "sop_instance_uid": 0x00080018,
    "study_uid": 0x0020000D,
    "series_uid": 0x0020000E,
}
"""Stable names of the DICOM attributes in ``ImageFacts.header``; several values are joined by a backslash."""

_CHARACTER_SETS: Final = {
    "": "ascii", "ISO_IR 6": "ascii", "ISO_IR 100": "latin-1", "ISO_IR 101": "iso8859-2", "ISO_IR 109": "iso8859-3",
    "ISO_IR 110": "iso8859-4", "ISO_IR 144": "iso8859-5", "ISO_IR 127": "iso8859-6", "ISO_IR 126": "iso8859-7",
    "ISO_IR 138": "iso8859-8", "ISO_IR 148": "iso8859-9", "ISO_IR 203": "iso8859-15", "ISO_IR 166": "tis-620",
    "ISO_IR 13": "shift_jis", "ISO_IR 192": "utf-8", "GB18030": "gb18030", "GBK": "gbk",
    "ISO 2022 IR 87": "iso2022_jp_2", "ISO 2022 IR 159": "iso2022_jp_2", "ISO 2022 IR 149": "euc_kr",
    "ISO 2022 IR 58": "gb2312",
}  # fmt: skip
"""Specific Character Set (PS3.3, C.12.1.1.2) to the codec that reads it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ImageFacts:
    """What one file says of itself.

    ``container`` is ``dicom``, ``tiff`` or ``png``. ``transfer_syntax`` is DICOM's UID, else empty. ``signed`` is two's
    complement. ``pixel_pitch_mm`` is (row, column), None is unknown: for DICOM the first of Pixel Spacing, Imager Pixel
    Spacing, Nominal Scanned Pixel Spacing; for TIFF the resolution where it has a unit; for PNG pHYs in metres.

    ``header`` holds the identifying texts that are there and not empty, under stable names: for DICOM the keys of
    ``DICOM_KEYS`` (``component_name``, ``component_id``, ``accession_number``, ``acquisition_date``,
    ``timezone_offset``, ``instance_number``, ``operator``, ``device_serial``, ``image_comments`` …); for TIFF
    ``image_description``, ``date_time``, ``make``, ``model``, ``software``, ``artist``, ``host_computer``,
    ``document_name``, ``page_name``, ``copyright``; for PNG ``date_time`` and ``text_<keyword>``. Dates and times are
    as written in the file: DICOM's ``YYYYMMDD`` and ``HHMMSS.FFFFFF``, TIFF's ``YYYY:MM:DD HH:MM:SS`` without a zone.
    """

    container: str
    rows: int
    columns: int
    frames: int
    samples: int
    bits_allocated: int
    bits_stored: int
    signed: bool
    photometric: str
    transfer_syntax: str
    pixel_pitch_mm: tuple[float, float] | None
    size_bytes: int
    header: Mapping[str, str] = field(default_factory=dict)


def read_facts(path: Path) -> ImageFacts:
    """Read the header of one radiograph file.

    Raises ``InputError`` for a file that is empty, cut short, encrypted, hostile, without an image, or of another
    format; ``MachineError`` where it cannot be read.
    """
    with FileBytes(path) as source:
        return facts_of(source)


def facts_of_bytes(data: bytes, *, name: str) -> ImageFacts:
    """Read the header of a radiograph held in memory. Raises as ``read_facts`` does."""
    return facts_of(HeldBytes(data, name=name))


def facts_of(source: Source) -> ImageFacts:
    """Read the header from a source."""
    if not source.size:
        raise InputError("the file is empty", path=source.name, remedy="Ask for the file again.")
    start = source.read(0, 132)
    if looks_like_dicom(start):
        return _dicom(source)
    if tiff.looks_like_tiff(start):
        return _tiff(source)
    if start[:8] == png.SIGNATURE:
        return _png(source)
    raise InputError(
        "it is neither DICOM, TIFF nor PNG, or it is encrypted",
        path=source.name,
        remedy="Deliver the radiograph in one of these formats, without a password.",
    )


def _dicom(source: Source) -> ImageFacts:
    from beadroll.images.pixels import geometry_of, pitch_of  # noqa: PLC0415 - numpy is not needed for the other two

    layout = walk(source)
    geometry = geometry_of(layout)
    return ImageFacts(
        container="dicom",
        rows=geometry.rows,
        columns=geometry.columns,
        frames=geometry.frames,
        samples=geometry.samples,
        bits_allocated=geometry.bits_allocated,
        bits_stored=geometry.bits_stored,
        signed=geometry.signed,
        photometric=geometry.photometric,
        transfer_syntax=layout.transfer_syntax,
        pixel_pitch_mm=pitch_of(layout),
        size_bytes=source.size,
        header=_header(layout),
    )


def _header(layout: Layout) -> dict[str, str]:
    character_sets = [part.strip() for part in layout.text(0x00080005).split("\\")]
    encoding = _CHARACTER_SETS.get(character_sets[-1], "ascii")
    found = {}
    for key, tag in DICOM_KEYS.items():
        element = layout.elements.get(tag)
        if element is None or not element.defined or not element.length:
            continue
        raw = layout.source.read(element.value, min(element.length, MAX_TEXT))
        text = raw.decode(encoding, "replace").strip(" \x00\r\n\t")
        if text:
            found[key] = text
    return found


def _tiff(source: Source) -> ImageFacts:
    walked = tiff.walk(source)
    first = walked.first
    gray = "MONOCHROME1" if first.min_is_white else "MONOCHROME2"
    return ImageFacts(
        container="tiff",
        rows=first.rows,
        columns=first.columns,
        frames=len(walked.pages),
        samples=first.samples,
        bits_allocated=_word_bits(first.bits),
        bits_stored=first.bits,
        signed=first.signed,
        photometric=gray if first.grayscale else "RGB",
        transfer_syntax="",
        pixel_pitch_mm=first.pixel_pitch_mm,
        size_bytes=source.size,
        header={key: text for key, text in first.texts.items() if text},
    )


def _word_bits(bits: int) -> int:
    return next((size for size in (8, 16, 32) if bits <= size), 64)


def _png(source: Source) -> ImageFacts:
    seen = png.walk(source)
    return ImageFacts(
        container="png",
        rows=seen.rows,
        columns=seen.columns,
        frames=1,
        samples=seen.samples,
        bits_allocated=_word_bits(seen.bits),
        bits_stored=seen.bits,
        signed=False,
        photometric={0: "MONOCHROME2", 3: "PALETTE COLOR"}.get(seen.colour, "RGB"),
        transfer_syntax="",
        pixel_pitch_mm=seen.pixel_pitch_mm,
        size_bytes=source.size,
        header={key: text for key, text in seen.texts.items() if text},
    )
