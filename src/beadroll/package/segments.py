"""The Parquet tables of a package: one row per weld, event, exposure, radiograph, reading and so on.

Knows how rows follow from the record; ``columns`` has their names and types. Refuses to know files and the archive's
catalog: tables go out, bytes go out, and reading gives a table back. Every row carries ``job``, ``handover`` and
``revision``. The columns are described in ``schemas/FORMAT.md``.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import fields
from typing import Any, Final

import pyarrow as pa
import pyarrow.parquet as pq

from beadroll.errors import InputError
from beadroll.findings import Finding
from beadroll.package.columns import SCHEMAS, TEXT, search_key
from beadroll.package.index import Index
from beadroll.record.equipment import Calibration
from beadroll.record.evidence import Address
from beadroll.record.handover import HandoverRecord
from beadroll.record.people import Certificate
from beadroll.record.weld import EventKind, WeldRecord

Row = dict[str, Any]

MAX_TABLE_BYTES: Final = 1 << 30
"""Most bytes of rows read from one segment; a hundred thousand radiographs take about a tenth of it."""
_BATCH_ROWS: Final = 1_024


def tables(record: HandoverRecord, index: Index, findings: Iterable[Finding]) -> Mapping[str, pa.Table]:
    """Return every table of a handover, sorted, empty ones too.

    ``index`` gives the rows of ``files``: those it lists at this moment, which are all but the segments, METS and the
    index itself. Raises ``InputError`` for a number or a text that Parquet cannot hold.
    """
    sources: dict[str, Iterable[Row]] = {
        "handovers": _handovers(record, index),
        "amendments": _amendments(record),
        "people": _people(record),
        "equipment": _equipment(record),
        "findings": _findings(findings),
        "decisions": _decisions(record),
        "files": _files(index),
    }
    paths = {weld.id: weld.path for weld in index.welds}
    for table, rows in _OF_A_WELD.items():
        sources[table] = _of_welds(record, rows, paths)
    key = {"job": record.job.id, "handover": record.handover.number, "revision": record.handover.revision}
    return {table: _table(table, ({**key, **row} for row in sources[table])) for table in SCHEMAS}


def _table(name: str, rows: Iterable[Row]) -> pa.Table:
    schema = SCHEMAS[name]
    made = list(rows)
    for row in made:
        if row.keys() != set(schema.names):
            raise ValueError(f"a row of {name} differs in {sorted(row.keys() ^ set(schema.names))}")
    try:
        return pa.Table.from_pylist(made, schema=schema)
    except (pa.ArrowException, OverflowError, UnicodeError) as fault:
        raise InputError(
            f"holds a value that no table can hold: {str(fault)[:200]}",
            path=f"the records of table {name}",
            remedy="Look for a number beyond all measure, or a text that is no text.",
        ) from fault


def _of_welds(
    record: HandoverRecord, rows: Callable[[WeldRecord, str], Iterable[Row]], paths: Mapping[Any, str]
) -> Iterator[Row]:
    ordered = sorted(record.welds, key=lambda w: (search_key(w.weld.id.line), search_key(w.weld.id.number), w.weld.id))
    for weld in ordered:
        identity = weld.weld.id
        key = _weld_key(identity.line, identity.number)
        for row in rows(weld, paths.get(identity, "")):
            yield {**key, **row}


def _weld_key(line: str, number: str) -> Row:
    return {"line": line, "number": number, "line_key": search_key(line), "weld_key": search_key(number)}


def _places(stated_at: Iterable[Address]) -> list[str]:
    return [str(address) for address in stated_at]


def _same(value: Any, table: str) -> Row:
    """Take over every field that is a column of the table under its own name; a text that is not known is empty."""
    schema, made = SCHEMAS[table], {}
    for field in fields(value):
        if field.name in schema.names:
            found = getattr(value, field.name)
            if found is None and schema.field(field.name).type == TEXT:
                found = ""
            made[field.name] = list(found) if isinstance(found, tuple) else found
    return made


def _handovers(record: HandoverRecord, index: Index) -> Iterator[Row]:
    job, handover, previous = record.job, record.handover, record.handover.previous
    yield {
        **_same(job, "handovers"),
        "period_first": handover.period.first,
        "period_last": handover.period.last,
        "dated": handover.dated,
        "code": job.code.standard,
        "code_edition": job.code.edition,
        "testing_class": job.code.testing_class,
        "previous_handover": previous.number if previous else "",
        "previous_tagmanifest_sha512": previous.tagmanifest_sha512 if previous else "",
        "welds": len(record.welds),
        "radiographs": sum(len(weld.radiographs) for weld in record.welds),
        "format_version": index.format_version,
        "written_by": index.written_by,
    }


def _amendments(record: HandoverRecord) -> Iterator[Row]:
    for amendment in sorted(record.handover.amends, key=lambda a: (a.weld, a.handover)):
        key = _weld_key(amendment.weld.line, amendment.weld.number)
        yield {**key, "amended_handover": amendment.handover, "reason": amendment.reason}


def _welds(record: WeldRecord, path: str) -> Iterator[Row]:
    weld = record.weld
    made = [e.on for e in record.events if e.on and e.kind in (EventKind.WELDED, EventKind.REWELD)]
    yield {
        **_same(weld, "welds"),
        "standing": record.standing,
        "welded_on": min(made, default=None),
        "last_read_on": max((i.read_on for i in record.interpretations if i.read_on), default=None),
        "stencils": sorted({stencil for event in record.events for stencil in event.stencils}),
        "replaces_line": weld.replaces.line if weld.replaces else "",
        "replaces_number": weld.replaces.number if weld.replaces else "",
        "replaced_by_line": weld.replaced_by.line if weld.replaced_by else "",
        "replaced_by_number": weld.replaced_by.number if weld.replaced_by else "",
        "events": len(record.events),
        "repairs": sum(1 for event in record.events if event.kind is EventKind.REPAIR),
        "exposures": len(record.exposures),
        "radiographs": len(record.radiographs),
        "interpretations": len(record.interpretations),
        "rejections": sum(1 for each in record.interpretations if each.result == "REJ"),
        "path": path,
        "stated_at": _places(weld.stated_at),
    }


def _events(record: WeldRecord, _: str) -> Iterator[Row]:
    for sequence, event in enumerate(record.events):
        yield {
            "sequence": sequence,
            **_same(event, "events"),
            "happened_on": event.on,
            "stated_at": _places(event.stated_at),
        }


def _exposures(record: WeldRecord, _: str) -> Iterator[Row]:
    for each in sorted(record.exposures, key=lambda e: e.id):
        yield {"exposure": each.id, **_same(each, "exposures"), "stated_at": _places(each.stated_at)}


def _radiographs(record: WeldRecord, _: str) -> Iterator[Row]:
    for each in sorted(record.radiographs, key=lambda r: r.id):
        yield {
            **_same(each, "radiographs"),
            "radiograph": each.id,
            "pixel_rows": each.rows,
            "pixel_columns": each.columns,
        }


def _interpretations(record: WeldRecord, _: str) -> Iterator[Row]:
    for each in sorted(record.interpretations, key=lambda i: i.id):
        yield {
            **_same(each, "interpretations"),
            "interpretation": each.id,
            "indications": len(each.indications),
            "stated_at": _places(each.stated_at),
        }


def _indications(record: WeldRecord, _: str) -> Iterator[Row]:
    for reading in sorted(record.interpretations, key=lambda i: i.id):
        for sequence, each in enumerate(reading.indications):
            yield {
                **_same(reading, "indications"),
                **_same(each, "indications"),
                "interpretation": reading.id,
                "sequence": sequence,
            }


def _dispositions(record: WeldRecord, _: str) -> Iterator[Row]:
    for sequence, each in enumerate(record.dispositions):
        yield {
            "sequence": sequence,
            **_same(each, "dispositions"),
            "decided_on": each.on,
            "decided_by": each.by,
            "stated_at": _places(each.stated_at),
        }


def _signoffs(record: WeldRecord, _: str) -> Iterator[Row]:
    for sequence, each in enumerate(record.sign_offs):
        yield {
            "sequence": sequence,
            **_same(each, "signoffs"),
            "signed_on": each.on,
            "signed_at": each.at,
            "stated_at": _places(each.stated_at),
        }


_OF_A_WELD: Final[Mapping[str, Callable[[WeldRecord, str], Iterable[Row]]]] = {
    "welds": _welds,
    "events": _events,
    "exposures": _exposures,
    "radiographs": _radiographs,
    "interpretations": _interpretations,
    "indications": _indications,
    "dispositions": _dispositions,
    "signoffs": _signoffs,
}


def _people(record: HandoverRecord) -> Iterator[Row]:
    """One row per certificate; a person without any has one row that looks like an empty certificate."""
    for person in sorted(record.people, key=lambda p: p.id):
        for sequence, each in enumerate(person.certificates or (Certificate(number=""),)):
            own = {**_same(person, "people"), "person": person.id, "sequence": sequence}
            yield {**own, **_same(each, "people"), "certificate": each.number}


def _equipment(record: HandoverRecord) -> Iterator[Row]:
    """One row per calibration; equipment without any has one row that looks like an empty calibration."""
    for each in sorted(record.equipment, key=lambda e: (e.serial, e.kind)):
        for sequence, done in enumerate(each.calibrations or (Calibration(certificate=""),)):
            yield {**_same(each, "equipment"), "sequence": sequence, **_same(done, "equipment")}


def _findings(findings: Iterable[Finding]) -> Iterator[Row]:
    for sequence, each in enumerate(findings):
        values = json.dumps(dict(each.values), ensure_ascii=False, sort_keys=True)
        yield {"sequence": sequence, **_same(each, "findings"), "text": each.text, "values_json": values}


def _decisions(record: HandoverRecord) -> Iterator[Row]:
    for each in record.decisions:
        yield {**_same(each, "decisions"), "decision": each.id, "decided_by": each.by, "decided_at": each.at}


def _files(index: Index) -> Iterator[Row]:
    for each in sorted(index.files, key=lambda f: f.path):
        weld = {"line": each.weld.line if each.weld else "", "number": each.weld.number if each.weld else ""}
        yield {**_same(each, "files"), **weld}


def write_segment(table: pa.Table) -> bytes:
    """Return a table as plain Parquet, ZSTD; the same rows give the same bytes with the same library version."""
    sink = pa.BufferOutputStream()
    pq.write_table(table, sink, compression="zstd", version="2.6", store_schema=False)
    data: bytes = sink.getvalue().to_pybytes()
    return data


def read_segment(data: bytes, table: str, *, name: str, max_rows: int | None = None) -> pa.Table:
    """Return the rows of one segment under this version's columns; ``name`` is what messages call it.

    Columns this version does not know are left out, which is how a newer minor version stays readable. Raises
    ``InputError`` where it is not Parquet, a column is missing or of another type, it has more than ``max_rows`` rows,
    or it swells beyond ``MAX_TABLE_BYTES``: a few bytes of Parquet can claim any number of rows.
    """
    schema = SCHEMAS[table]
    try:
        with pq.ParquetFile(pa.BufferReader(data)) as file:
            fault = _columns_fault(file.schema_arrow, schema) or _rows_fault(file.metadata.num_rows, max_rows)
            if fault:
                raise _refused(fault, name)
            batches, size = [], 0
            for batch in file.iter_batches(batch_size=_BATCH_ROWS, columns=schema.names):
                size += batch.nbytes
                if size > MAX_TABLE_BYTES:
                    raise _refused(f"swells to more than {MAX_TABLE_BYTES >> 20} MiB", name)
                batches.append(batch.select(schema.names).replace_schema_metadata(None))
        return pa.Table.from_batches(batches, schema=schema)
    except (pa.ArrowException, OSError, ValueError) as error:
        raise _refused(f"is not a Parquet table: {str(error)[:200]}", name) from error


def _columns_fault(found: pa.Schema, schema: pa.Schema) -> str:
    for field in schema:
        if found.names.count(field.name) != 1:
            return f"has no column {field.name}, or has it twice"
        if found.field(field.name).type != field.type:
            return f"has column {field.name} as {found.field(field.name).type}, not {field.type}"
    return ""


def _rows_fault(found: int, most: int | None) -> str:
    return f"has {found} rows where {most} are expected" if most is not None and found > most else ""


def _refused(fault: str, name: str) -> InputError:
    return InputError(fault, path=name, remedy="Ask the sender for a new package.")
