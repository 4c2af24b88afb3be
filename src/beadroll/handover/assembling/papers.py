"""The records of a package: documents, schemas, tables, METS and the index, in the order in which each needs the last.

Knows which document lies where and what the label of the bag says. Refuses to know images and delivered bytes: their
rows of the index are handed in.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, fields, is_dataclass, replace
from enum import StrEnum
from importlib import resources
from typing import Any, Final, TypeVar, cast

from beadroll import __version__, documents
from beadroll.findings import Report
from beadroll.handover.assembling import places
from beadroll.handover.assembling.radiographs import indexed
from beadroll.package import layout, mets
from beadroll.package.index import INDEX, FileRole, Index, IndexedFile, IndexedWeld, Segment, indexed_weld, make_index
from beadroll.package.manifest import BagInfo
from beadroll.package.write import PackageWriter
from beadroll.record.handover import HandoverRecord

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Packaged:
    """What the package holds when pages are made: ``index()`` of it so far, and ``read(path)`` of any of its files."""

    index: Callable[[], Index]
    read: Callable[[str], bytes]


Pages = Callable[[HandoverRecord, Report, Packaged], Iterable[tuple[str, bytes]]]
"""Makes what people read: takes the record as packaged, the findings and what the package holds so far; gives paths
under ``data/`` and bytes, which may come one by one: what came before is in the index then."""

WRITTEN_BY: Final = f"beadroll {__version__}"


def composed(value: T) -> T:
    """Return a value of the record with every text in Unicode normal form C, as documents are written.

    Names from other systems come decomposed; documents, tables and index must all say the same.
    """
    made: Any = value
    if isinstance(value, StrEnum):
        return value
    if isinstance(value, str):
        made = unicodedata.normalize("NFC", value)
    elif isinstance(value, tuple):
        made = tuple(composed(each) for each in value)
    elif isinstance(value, Mapping):
        made = {composed(key): composed(each) for key, each in value.items()}
    elif is_dataclass(value) and not isinstance(value, type):
        made = replace(value, **{field.name: composed(getattr(value, field.name)) for field in fields(value)})
    return cast("T", made)


def write_records(
    writer: PackageWriter,
    record: HandoverRecord,
    report: Report,
    files: Iterable[IndexedFile],
    pages: Pages | None = None,
) -> Index:
    """Write everything that is made from the record, the index last, and return the index.

    ``files`` are the rows of what the package holds already. The tables know all files but themselves, METS all but
    itself and the index, the index all but itself.
    """
    welds: list[IndexedWeld] = []
    rows = [*files]
    for weld in record.welds:
        path = layout.weld_record(weld.weld.id.line, weld.weld.id.number)
        entry = writer.add(path, documents.write(weld, documents.WELD))
        rows.append(replace(indexed(entry, FileRole.WELD_RECORD), weld=weld.weld.id))
        welds.append(indexed_weld(weld, path))
    for path, role, data in (*_lists(record, report), *_schemas()):
        rows.append(indexed(writer.add(path, data), role))

    def index_so_far(segments: Iterable[Segment] = ()) -> Index:
        return make_index(
            written_by=WRITTEN_BY,
            job=record.job,
            handover=record.handover,
            welds=welds,
            files=rows,
            segments=segments,
        )

    for path, data in pages(record, report, Packaged(index=index_so_far, read=writer.read)) if pages else ():
        role = FileRole.PAGE if path == layout.PAGE else FileRole.REPORT
        rows.append(indexed(writer.add(path, data), role))

    from beadroll.package.segments import tables, write_segment  # noqa: PLC0415 - 28 MB that need not lie beside pixels

    segments = []
    for table, content in tables(record, index_so_far(), report.ordered()).items():
        path = layout.catalog_table(table)
        segments.append((path, write_segment(content), Segment(table=table, path=path, rows=content.num_rows)))
    rows += [indexed(writer.add(path, data), FileRole.SEGMENT) for path, data, _ in segments]
    rows.append(indexed(writer.add(layout.METS, mets.write_mets(record, index_so_far())), FileRole.METS))
    index = index_so_far(each for _, _, each in segments)
    writer.add(layout.INDEX, documents.write(index, INDEX))
    return index


def _lists(record: HandoverRecord, report: Report) -> Iterator[tuple[str, FileRole, bytes]]:
    made = (
        (
            layout.TECHNIQUES_LIST,
            FileRole.TECHNIQUES,
            documents.write(record.techniques, documents.TECHNIQUES),
        ),
        (layout.PEOPLE_LIST, FileRole.PEOPLE, documents.write(record.people, documents.PEOPLE)),
        (
            layout.EQUIPMENT_LIST,
            FileRole.EQUIPMENT,
            documents.write(record.equipment, documents.EQUIPMENT),
        ),
        (layout.DECISIONS, FileRole.DECISIONS, documents.write(record.decisions, documents.DECISIONS)),
        (layout.FINDINGS, FileRole.FINDINGS, documents.write(tuple(report.ordered()), documents.FINDINGS)),
    )
    yield from made


def _schemas() -> Iterator[tuple[str, FileRole, bytes]]:
    """Yield the schemas, the catalogue of findings and the description of the format, as published."""
    for name, data in documents.schema_files().items():
        yield f"{layout.SCHEMAS}/{name}", FileRole.SCHEMA, data
    published = resources.files("beadroll") / "schemas"
    yield f"{layout.SCHEMAS}/FORMAT.md", FileRole.SCHEMA, (published / "FORMAT.md").read_bytes()
    for file in sorted((published / "findings").iterdir(), key=lambda each: each.name):
        if file.name.endswith(".json"):
            yield f"{layout.SCHEMAS}/findings/{file.name}", FileRole.SCHEMA, file.read_bytes()


def bag_info(record: HandoverRecord, index: Index) -> BagInfo:
    """Return the label of the bag (RFC 8493 section 2.2.2); what the record leaves empty is left out."""
    job, handover = record.job, record.handover
    period = f"{handover.period.first.isoformat()} to {handover.period.last.isoformat()}"
    fields = (
        ("Source-Organization", job.contractor),
        ("External-Identifier", places.package_name(handover)),
        ("External-Description", f"Weld radiographs and records, {job.title}, contract {job.contract}, {period}"),
        ("Internal-Sender-Identifier", job.id),
        ("Internal-Sender-Description", f"Handover {handover.number}, revision {handover.revision}, for {job.client}"),
        ("Bagging-Date", handover.dated.isoformat()),
        ("Bag-Size", _size(index.totals.size_bytes)),
        ("Bag-Software-Agent", WRITTEN_BY),
    )
    tidy = ((label, " ".join("".join(c if c.isprintable() else " " for c in text).split())) for label, text in fields)
    return BagInfo(fields=tuple((label, text) for label, text in tidy if text))


def _size(count: int) -> str:
    """Return a size as people say it, in decimal units."""
    size = float(count)
    for unit in ("bytes", "kB", "MB", "GB"):
        if size < 1000:  # noqa: PLR2004 - the next decimal unit
            return f"{size:.0f} {unit}" if unit == "bytes" else f"{size:.1f} {unit}"
        size /= 1000
    return f"{size:.1f} TB"
