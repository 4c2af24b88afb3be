"""The index of a package: what it is about, every weld, every file, and totals that a reader can count again.

Knows what ``data/index.json`` says and how its totals follow from its rows. Refuses to know files and bytes: digests
and sizes are handed in by whoever wrote the files.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from beadroll.documents import Kind
from beadroll.record.handover import Handover
from beadroll.record.job import Job
from beadroll.record.weld import Standing, WeldId, WeldRecord

FORMAT_VERSION: Final = "1.0"
"""Version of the package format that ``schemas/FORMAT.md`` describes. A reader refuses another major version."""


class FileRole(StrEnum):
    """What a file of the package is there for."""

    RADIOGRAPH = "radiograph"
    """A DICOM object of a weld: the radiograph as the package keeps it."""
    DELIVERED_RADIOGRAPH = "delivered_radiograph"
    """A radiograph file exactly as delivered, kept because it cannot be made again from the packaged object."""
    SET_ASIDE = "set_aside"
    """A delivered file that a decision keeps out of the welds, as delivered."""
    SHEET = "sheet"
    """A weld log, reader sheet, certificate or other paper, as delivered."""
    WELD_RECORD = "weld_record"
    """One weld's ``weld.json``."""
    TECHNIQUES = "techniques"
    PEOPLE = "people"
    EQUIPMENT = "equipment"
    DECISIONS = "decisions"
    FINDINGS = "findings"
    SCHEMA = "schema"
    """A published schema, the description of the format, or the catalogue of findings."""
    SEGMENT = "segment"
    """One Parquet table."""
    METS = "mets"
    REPORT = "report"
    PAGE = "page"
    PREVIEW = "preview"


@dataclass(frozen=True, slots=True, kw_only=True)
class IndexedWeld:
    """One weld of the package: where its record lies, how it stands, and how much its record holds."""

    id: WeldId
    path: str
    standing: Standing
    events: int
    exposures: int
    radiographs: int
    interpretations: int
    indications: int
    dispositions: int
    sign_offs: int


@dataclass(frozen=True, slots=True, kw_only=True)
class IndexedFile:
    """One file of the package. Sizes in bytes, digests SHA-512 in lower-case hex.

    ``delivered_as`` is the crew's own path in the job folder. For a radiograph, ``delivered_sha512`` and
    ``delivered_size_bytes`` are of the file as delivered, ``pixel_sha512`` of its decoded pixels in canonical form;
    ``restorable`` says that the delivered file can be made again from this one byte for byte.
    """

    path: str
    role: FileRole
    size_bytes: int
    sha512: str
    media_type: str = ""
    weld: WeldId | None = None
    radiograph: str = ""
    delivered_as: str = ""
    delivered_size_bytes: int | None = None
    delivered_sha512: str = ""
    pixel_sha512: str = ""
    restorable: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """One Parquet table of the package and the number of its rows."""

    table: str
    path: str
    rows: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Totals:
    """What the package adds up to. ``files`` and ``size_bytes`` leave out the index itself."""

    welds: int
    accepted: int
    rejected: int
    reshoot_owed: int
    cut_out: int
    not_examined: int
    events: int
    exposures: int
    radiographs: int
    interpretations: int
    indications: int
    dispositions: int
    sign_offs: int
    files: int
    size_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Index:
    """The content of ``data/index.json``. ``written_by`` names the program and its version.

    ``files`` lists every file under ``data/`` but the index itself, sorted by path; ``welds`` is sorted by line and
    number.
    """

    format_version: str
    written_by: str
    job: Job
    handover: Handover
    welds: tuple[IndexedWeld, ...]
    files: tuple[IndexedFile, ...]
    segments: tuple[Segment, ...]
    totals: Totals


INDEX: Final[Kind[Index]] = Kind(name="index", content=Index)


def indexed_weld(record: WeldRecord, path: str) -> IndexedWeld:
    """Return the index's row of a weld record that lies at ``path``."""
    return IndexedWeld(
        id=record.weld.id,
        path=path,
        standing=record.standing,
        events=len(record.events),
        exposures=len(record.exposures),
        radiographs=len(record.radiographs),
        interpretations=len(record.interpretations),
        indications=sum(len(each.indications) for each in record.interpretations),
        dispositions=len(record.dispositions),
        sign_offs=len(record.sign_offs),
    )


def total(welds: Iterable[IndexedWeld], files: Iterable[IndexedFile]) -> Totals:
    """Add up the rows of an index."""
    welds, files = tuple(welds), tuple(files)
    standing = {each: sum(1 for weld in welds if weld.standing is each) for each in Standing}
    return Totals(
        welds=len(welds),
        accepted=standing[Standing.ACCEPTED],
        rejected=standing[Standing.REJECTED],
        reshoot_owed=standing[Standing.RESHOOT_OWED],
        cut_out=standing[Standing.CUT_OUT],
        not_examined=standing[Standing.NOT_EXAMINED],
        events=sum(weld.events for weld in welds),
        exposures=sum(weld.exposures for weld in welds),
        radiographs=sum(weld.radiographs for weld in welds),
        interpretations=sum(weld.interpretations for weld in welds),
        indications=sum(weld.indications for weld in welds),
        dispositions=sum(weld.dispositions for weld in welds),
        sign_offs=sum(weld.sign_offs for weld in welds),
        files=len(files),
        size_bytes=sum(file.size_bytes for file in files),
    )


def make_index(
    *,
    written_by: str,
    job: Job,
    handover: Handover,
    welds: Iterable[IndexedWeld],
    files: Iterable[IndexedFile],
    segments: Iterable[Segment] = (),
) -> Index:
    """Return the index over the rows given, sorted, with its totals."""
    welds = tuple(sorted(welds, key=lambda weld: weld.id))
    files = tuple(sorted(files, key=lambda file: file.path))
    return Index(
        format_version=FORMAT_VERSION,
        written_by=written_by,
        job=job,
        handover=handover,
        welds=welds,
        files=files,
        segments=tuple(sorted(segments, key=lambda segment: segment.table)),
        totals=total(welds, files),
    )
