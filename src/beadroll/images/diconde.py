"""The attributes of a DICONDE object made for a TIFF or PNG: what the record and the file know, and no more.

Component for patient, as DICONDE reads the DICOM model (ASTM E2339 for the terms, E2738 for CR, E2699 for DR; the
assignment of component name and number to (0010,0010) and (0010,0020) is common practice, from memory). Group 0014
attributes by their names in the DICOM data dictionary (PS3.6). What is not known is left empty or left out: nothing
is filled in to please a checker.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from datetime import datetime
from typing import Final

from beadroll.images import write
from beadroll.images.identity import Identity, Origin, replaces_film
from beadroll.images.pixels import Pixels

CR: Final = "1.2.840.10008.5.1.4.1.1.1"
DX_FOR_PROCESSING: Final = "1.2.840.10008.5.1.4.1.1.1.1.1"
SECONDARY_CAPTURE: Final = "1.2.840.10008.5.1.4.1.1.7"
GRAYSCALE_BYTE_SC: Final = "1.2.840.10008.5.1.4.1.1.7.2"
GRAYSCALE_WORD_SC: Final = "1.2.840.10008.5.1.4.1.1.7.3"
_MODALITY: Final = {Origin.CR: "CR", Origin.DR: "DX", Origin.FILM_DIGITISED: "RG"}


def sop_class(identity: Identity, pixels: Pixels) -> str:
    """Return the SOP class by origin.

    Digitised film is multi-frame grayscale secondary capture; that class knows only MONOCHROME2 and unsigned words
    (PS3.3, C.8.6.3), so that a single MONOCHROME1 or signed image is plain secondary capture rather than inverted.
    """
    if identity.origin is Origin.CR:
        return CR
    if identity.origin is Origin.DR:
        return DX_FOR_PROCESSING
    if pixels.frames == 1 and (pixels.photometric == "MONOCHROME1" or pixels.signed):
        return SECONDARY_CAPTURE
    return GRAYSCALE_BYTE_SC if pixels.bits_allocated == 8 else GRAYSCALE_WORD_SC  # noqa: PLR2004


def uids(identity: Identity, delivered_sha512: str) -> tuple[str, str, str]:
    """Return study, series and instance UID: the same record and the same file give the same three."""
    weld = ("weld", identity.job, identity.line, identity.weld)
    event = (*weld, identity.event)
    exposure = (*event, identity.exposure_id, identity.origin.value)
    instance = (*exposure, identity.segment, delivered_sha512)
    return write.uid("study", *event), write.uid("series", *exposure), write.uid("instance", *instance)


class _Attributes:
    """Gathers elements by tag and writes them in order."""

    __slots__ = ("made",)

    def __init__(self) -> None:
        self.made: dict[int, bytes] = {}

    def text(self, tag: int, vr: bytes, value: str, *, limit: int = 64) -> None:
        """Add a text, without the characters that would make it several, cut to its VR's limit."""
        clean = " ".join(value.replace("\\", "/").split()) if vr not in (b"LT", b"ST", b"UT") else value
        self.made[tag] = write.element(tag, vr, clean[:limit].encode("utf-8"))

    def known(self, tag: int, vr: bytes, value: str, *, limit: int = 64) -> None:
        """Add a text where there is one."""
        if value:
            self.text(tag, vr, value, limit=limit)

    def person(self, tag: int, value: str) -> None:
        """Add a name; the caret closes the family name, so that no part of it is taken for another."""
        clean = " ".join(value.replace("\\", "/").replace("=", " ").replace("^", " ").split())[:62]
        self.made[tag] = write.element(tag, b"PN", f"{clean}^".encode() if clean else b"")

    def word(self, tag: int, value: int) -> None:
        """Add an unsigned 16-bit value."""
        self.made[tag] = write.element(tag, b"US", struct.pack("<H", value))

    def number(self, tag: int, value: float | None) -> None:
        """Add a decimal string where the value is known."""
        if value is not None:
            self.made[tag] = write.element(tag, b"DS", decimal(value).encode("ascii"))

    def several(self, tag: int, vr: bytes, values: tuple[str, ...]) -> None:
        """Add several texts as one value."""
        if values:
            clean = "\\".join(value.replace("\\", "/")[:64] for value in values)
            self.made[tag] = write.element(tag, vr, clean.encode("utf-8"))

    def moment(self, date: int, time: int, at: datetime | None) -> None:
        """Add a date and a time, empty where unknown."""
        self.made[date] = write.element(date, b"DA", f"{at:%Y%m%d}".encode() if at else b"")
        self.made[time] = write.element(time, b"TM", f"{at:%H%M%S}".encode() if at else b"")

    def sequence(self, tag: int, items: tuple[_Attributes, ...]) -> None:
        """Add a sequence."""
        self.made[tag] = write.sequence(tag, [one.written() for one in items])

    def written(self) -> bytes:
        """Return all elements in ascending order."""
        return b"".join(one for _, one in sorted(self.made.items()))


def decimal(value: float) -> str:
    """Return a decimal string of at most 16 characters (PS3.5, 6.2, VR DS)."""
    for digits in range(15, 5, -1):
        text = f"{value:.{digits}g}"
        if len(text) <= 16:  # noqa: PLR2004
            return text
    return f"{value:.5e}"[:16]


def data_set(
    identity: Identity,
    pixels: Pixels,
    *,
    sop_class_uid: str,
    uid_triple: tuple[str, str, str],
    texts: Mapping[str, str],
    lossy: bool,
) -> bytes:
    """Return the attributes before the pixel data, explicit little-endian; the same input gives the same bytes.

    ``texts`` are the delivered file's own (description, maker, software …); they are kept in Image Comments and, for
    make, model and software, in their attributes. ``lossy`` says that the delivered file's compression may have altered
    the samples.
    """
    made = _Attributes()
    _general(made, identity, sop_class_uid, uid_triple, texts)
    _component(made, identity)
    _image(made, identity, pixels, lossy=lossy)
    if identity.origin is Origin.FILM_DIGITISED:
        _film(made, pixels, sop_class_uid)
    elif identity.origin is Origin.CR:
        for tag in (0x00185101, 0x00180015, 0x00200060):
            made.text(tag, b"CS", "")
    else:
        _detector(made, pixels)
    _exposure(made, identity)
    _interpretation(made, identity)
    made.known(0x00204000, b"LT", _comments(identity, texts), limit=10_240)
    return made.written()


def _general(
    made: _Attributes,
    identity: Identity,
    sop_class_uid: str,
    uid_triple: tuple[str, str, str],
    texts: Mapping[str, str],
) -> None:
    study, series, instance = uid_triple
    derived = "ORIGINAL" if identity.origin is not Origin.FILM_DIGITISED else "DERIVED"
    made.several(0x00080008, b"CS", (derived, "PRIMARY" if derived == "ORIGINAL" else "SECONDARY"))
    made.text(0x00080005, b"CS", "ISO_IR 192")
    for tag, value in ((0x00080016, sop_class_uid), (0x00080018, instance), (0x0020000D, study), (0x0020000E, series)):
        made.made[tag] = write.element(tag, b"UI", value.encode("ascii"))
    at = identity.exposed_at
    made.moment(0x00080020, 0x00080030, at)
    made.moment(0x00080023, 0x00080033, at)
    if at is not None:
        made.moment(0x00080022, 0x00080032, at)
        if at.utcoffset() is not None:
            made.text(0x00080201, b"SH", f"{at:%z}"[:5])
    made.text(0x00080050, b"SH", identity.exposure_id, limit=16)
    made.text(0x00080060, b"CS", _MODALITY[identity.origin])
    made.text(0x00080070, b"LO", texts.get("make", ""))
    made.known(0x00081090, b"LO", texts.get("model", ""))
    made.known(0x00181020, b"LO", texts.get("software", ""))
    made.known(0x00080080, b"LO", identity.contractor)
    made.person(0x00080090, "")
    made.known(0x00081030, b"LO", " ".join(filter(None, ("Weld", identity.label, "line", identity.line))))
    made.known(0x0008103E, b"LO", " ".join(filter(None, (identity.technique, identity.exposure_id))))
    if identity.radiographer:
        made.person(0x00081070, identity.radiographer)
    made.text(0x00200010, b"SH", identity.job, limit=16)
    made.text(0x00200011, b"IS", "1")
    made.text(0x00200013, b"IS", "1")
    made.known(0x00181030, b"LO", identity.technique)


def _component(made: _Attributes, identity: Identity) -> None:
    made.person(0x00100010, identity.label)
    made.text(0x00100020, b"LO", f"{identity.job}/{identity.line}/{identity.weld}")
    made.text(0x00100030, b"DA", "")
    made.text(0x00100040, b"CS", "")
    made.known(0x00104000, b"LT", identity.component, limit=10_240)
    made.number(0x00140030, identity.thickness_mm)
    made.number(0x00140032, identity.outside_diameter_mm)
    made.known(0x00140042, b"ST", identity.material, limit=1_024)
    made.several(0x00140100, b"LO", identity.welders)
    made.known(0x00140105, b"ST", identity.event, limit=1_024)


def _image(made: _Attributes, identity: Identity, pixels: Pixels, *, lossy: bool) -> None:
    made.word(0x00280002, 1)
    made.text(0x00280004, b"CS", pixels.photometric)
    made.word(0x00280010, pixels.rows)
    made.word(0x00280011, pixels.columns)
    made.word(0x00280100, pixels.bits_allocated)
    made.word(0x00280101, pixels.bits_stored)
    made.word(0x00280102, pixels.bits_stored - 1)
    made.word(0x00280103, int(pixels.signed))
    made.text(0x00282110, b"CS", "01" if lossy else "00")
    made.text(0x00280301, b"CS", "YES")
    pitch = pixels.pixel_pitch_mm
    made.text(0x00200020, b"CS", "")
    if pitch is not None:
        written = (decimal(pitch[0]), decimal(pitch[1]))
        tag = 0x00182010 if identity.origin is Origin.FILM_DIGITISED else 0x00181164
        made.several(tag, b"DS", written)
        made.several(0x00280030, b"DS", written)


def _film(made: _Attributes, pixels: Pixels, sop_class_uid: str) -> None:
    """Digitised film (PS3.3, C.8.6.1, C.8.6.3): the grey values are the scanner's, unspecified until calibrated."""
    made.text(0x00080064, b"CS", "DF")
    made.text(0x00200060, b"CS", "")
    if sop_class_uid == SECONDARY_CAPTURE:
        return
    made.text(0x00280008, b"IS", str(pixels.frames))
    made.text(0x20500020, b"CS", "IDENTITY")
    made.text(0x00281052, b"DS", "0")
    made.text(0x00281053, b"DS", "1")
    made.text(0x00281054, b"LO", "US")
    if pixels.frames > 1:
        made.made[0x00280009] = write.element(0x00280009, b"AT", struct.pack("<HH", 0x0018, 0x2001))
        made.several(0x00182001, b"IS", tuple(str(page + 1) for page in range(pixels.frames)))


def _detector(made: _Attributes, pixels: Pixels) -> None:
    """Digital detector (PS3.3, C.8.11): the file does not say how grey follows dose, so that stays empty."""
    made.text(0x00080068, b"CS", "FOR PROCESSING")
    made.text(0x00200062, b"CS", "U")
    made.text(0x00281040, b"CS", "")
    made.made[0x00281041] = write.element(
        0x00281041, b"SS", b"\xff\xff" if pixels.photometric.endswith("1") else b"\x01\x00"
    )
    made.text(0x00281052, b"DS", "0")
    made.text(0x00281053, b"DS", "1")
    made.text(0x00281054, b"LO", "US")
    made.text(0x00187004, b"CS", "")
    made.sequence(0x00400555, ())
    made.sequence(0x00082218, ())
    made.text(0x20500020, b"CS", "INVERSE" if pixels.photometric.endswith("1") else "IDENTITY")


def _exposure(made: _Attributes, identity: Identity) -> None:
    made.number(0x00181110, identity.sfd_mm)
    made.number(0x00180060, identity.tube_kv)
    if identity.exposure_s is not None:
        made.text(0x00181150, b"IS", str(round(identity.exposure_s * 1000)))
    made.several(0x001440A0, b"LO", (identity.iqi,) if identity.iqi else ())


def _interpretation(made: _Attributes, identity: Identity) -> None:
    """Add what the named interpreter recorded; nothing where nobody has."""
    status = {"accept": "APPROVED", "reject": "REJECTED"}.get(identity.result)
    if not identity.interpreter or status is None:
        return
    made.text(0x300E0002, b"CS", status)
    made.person(0x300E0008, identity.interpreter)
    if identity.interpreted_at is not None:
        made.moment(0x300E0004, 0x300E0005, identity.interpreted_at)
    evaluator = _Attributes()
    evaluator.text(0x00142004, b"IS", "1")
    evaluator.person(0x00142006, identity.interpreter)
    made.sequence(0x00142002, (evaluator,))


def _comments(identity: Identity, texts: Mapping[str, str]) -> str:
    """Return in plain lines what no attribute holds, so that any viewer shows it."""
    source = " ".join(filter(None, (identity.source_isotope, identity.source_serial)))
    lines = [
        ("Client", identity.client),
        ("Project", identity.project),
        ("Segment", identity.segment),
        ("Source", source),
        ("IQI", identity.iqi),
        ("Film digitised, ISO 14096 class", _film_class(identity)),
    ]
    lines += [(f"Delivered file, {key.replace('_', ' ')}", value) for key, value in sorted(texts.items())]
    return "\r\n".join(f"{name}: {value}" for name, value in lines if value)


def _film_class(identity: Identity) -> str:
    """Name the class, and what follows from it."""
    named = identity.iso14096_class
    if identity.origin is not Origin.FILM_DIGITISED or not named:
        return ""
    return named if replaces_film(identity) else f"{named} (does not replace the film)"
