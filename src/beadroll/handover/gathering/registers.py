"""Registers of the job: technique sheets, people and equipment, from TOML files or tables, each with its address.

Knows the two forms they come in. A person or a piece of equipment that stands in several rows, one for each
certificate, is put together. Refuses to check any date or level; that is for the rules.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any, Final, TypeVar

from beadroll.findings import Finding, finding
from beadroll.handover.gathering.headings import TableKind
from beadroll.handover.gathering.rows import Row, Rows
from beadroll.handover.gathering.sheets import Habits, read_sheets
from beadroll.handover.gathering.tomlfields import convert, parse
from beadroll.record.equipment import Calibration, Equipment
from beadroll.record.evidence import Address
from beadroll.record.people import Certificate, Person
from beadroll.record.technique import TechniqueSheet
from beadroll.tables import Book, Sheet

R = TypeVar("R", TechniqueSheet, Person, Equipment)
_SKIP: Final = frozenset({"stated_at"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Register:
    """One kind of register: its class, its key field and the array its TOML files use."""

    kind: TableKind
    record: type[Any]
    key: str
    folder: str


REGISTERS: Final = (
    Register(kind=TableKind.TECHNIQUES, record=TechniqueSheet, key="number", folder="techniques"),
    Register(kind=TableKind.PEOPLE, record=Person, key="id", folder="people"),
    Register(kind=TableKind.EQUIPMENT, record=Equipment, key="serial", folder="equipment"),
)


def from_toml(data: bytes, name: str, register: Register) -> tuple[list[Any], list[Finding]]:
    """Return the records of a TOML file: an array ``[[people]]``, or one record whose keys stand at the top.

    Raises ``InputError`` where the file is not TOML; every other fault is a finding.
    """
    toml = parse(data, name)
    array = toml.data.get(register.folder)
    if isinstance(array, list):
        entries: list[tuple[tuple[str | int, ...], Any]] = [((register.folder, n), e) for n, e in enumerate(array)]
        for key in toml.data:
            if key != register.folder:
                toml.faults.append(finding("INT-KEY-UNKNOWN", toml.place((key,)), known=register.folder))
    else:
        entries = [((), toml.data)]
    made = []
    for path, entry in entries:
        record = convert(toml, register.record, entry, path, skip=_SKIP)
        if record is not None:
            line = toml.line((*path, register.key)) or toml.line(path)
            made.append(replace(record, stated_at=(Address(file=name, row=line),)))
    return made, toml.faults


def from_table(book: Book, register: Register, habits: Habits) -> tuple[list[Any], list[Finding]]:
    """Return the records of a table and every message about it."""
    made: list[Any] = []

    def take(_sheet: Sheet, rows: Rows) -> list[Finding]:
        found = []
        for row in rows.rows:
            record, missing = _record(row, register)
            if record is not None:
                made.append(record)
            elif missing:
                found.append(finding("INT-ROW-INCOMPLETE", str(_row_address(row)), field=" and ".join(missing)))
        return found

    return made, read_sheets(book, register.kind, habits, take)


def _row_address(row: Row) -> Address:
    first = next(iter(row.at.values()))
    return replace(first, cell="")


def _record(row: Row, register: Register) -> tuple[Any, list[str]]:
    names = {f.name for f in fields(register.record)}
    values = {name: value for name, value in row.values.items() if name in names}
    required = [
        f.name
        for f in fields(register.record)
        if f.default is dataclasses.MISSING and f.default_factory is dataclasses.MISSING
    ]
    missing = [name for name in required if name not in values]
    if missing:
        return None, missing if row.values else []
    if register.record is Person:
        values["certificates"] = _nested(Certificate, "number", row.values, exclude=())
    elif register.record is Equipment:
        values["calibrations"] = _nested(Calibration, "certificate", row.values, exclude=())
    return register.record(**values, stated_at=(_row_address(row),)), []


def _nested(kind: type[Any], key: str, values: Mapping[str, Any], *, exclude: tuple[str, ...]) -> tuple[Any, ...]:
    """Return the certificate or calibration of a row, if it states one by number."""
    if not values.get("certificate"):
        return ()
    names = {f.name for f in fields(kind)} - {key, *exclude}
    return (kind(**{key: values["certificate"], **{n: v for n, v in values.items() if n in names}}),)


def together(records: list[Any], register: Register) -> tuple[list[Any], list[Finding]]:
    """Put rows of the same person or equipment together; what they state differently is a finding.

    Technique sheets are told apart by number and revision.
    """
    made: dict[tuple[str, ...], Any] = {}
    found = []
    for record in records:
        key = (getattr(record, register.key), getattr(record, "revision", ""))
        if key not in made:
            made[key] = record
            continue
        made[key], differs = _joined(made[key], record)
        found += [
            finding(
                "INT-RECORD-DIFFERS",
                f"{register.kind.words}, {key[0]}",
                field=name.replace("_", " "),
                first=str(getattr(made[key], name)),
                first_at=str(made[key].stated_at[0]),
                second=str(getattr(record, name)),
                second_at=str(record.stated_at[0]),
            )
            for name in differs
        ]
    return list(made.values()), found


def _joined(first: Any, second: Any) -> tuple[Any, list[str]]:
    changed: dict[str, Any] = {}
    differs = []
    for declared in fields(first):
        one, two = getattr(first, declared.name), getattr(second, declared.name)
        if isinstance(one, tuple):
            changed[declared.name] = tuple(dict.fromkeys(one + two))
        elif one in (None, ""):
            changed[declared.name] = two
        elif two not in (None, "") and one != two:
            differs.append(declared.name)
    return replace(first, **changed), differs
