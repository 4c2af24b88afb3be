"""Rows of a table as values of its fields, cell by cell, with an addressed message for every cell not understood.

Knows layouts and how each kind of field reads. A fault in one cell leaves that field empty and never touches another.
Refuses to know what the fields are for.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import Any, Final

from beadroll.findings import Finding, finding
from beadroll.handover.columns import Column, Layout
from beadroll.handover.headings import Field, How, Meaning, key_of, meaning_of, vocabulary
from beadroll.handover.indications import result_of, split_lengths
from beadroll.handover.pipes import nps_of_dn
from beadroll.handover.quantities import (
    Manner,
    NotUnderstood,
    TwoWays,
    clock,
    day,
    number,
    quantity,
    settled_date_order,
    settled_decimal,
)
from beadroll.handover.registers_words import arrangement, equipment_kind, level, roles
from beadroll.record.evidence import Address
from beadroll.tables import Raw, Sheet, text_of

_TEXT_LIMIT: Final = 2000
"""Longest text kept of a cell; the record's schemas allow no more."""
_SHOWN: Final = 80
_LONGEST_VALUE: Final = 300
"""Longest text read as anything but text: no number, date or code is longer."""
_APART: Final = 2
"""Up to this many unclear cells of a column are told of one by one."""
_ROWS_NAMED: Final = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row: its index in the sheet counted from 0, its values by field, the address of each."""

    index: int
    values: Mapping[str, Any]
    at: Mapping[str, Address]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rows:
    """The rows of one table, the values of the labels around it, and everything not understood."""

    rows: tuple[Row, ...]
    labels: Row
    findings: tuple[Finding, ...] = ()


@dataclass(slots=True)
class _Faults:
    """The messages about one table, as they come up."""

    sheet: Sheet
    found: list[Finding] = field(default_factory=list)
    unclear: dict[tuple[int, str], list[tuple[int, Raw, TwoWays]]] = field(default_factory=dict)

    def cell(self, row: int, column: int, raw: Raw, fault: NotUnderstood, kind: Field) -> None:
        """Note a cell; those of one column that leave the same question open are told of together by ``close``."""
        if isinstance(fault, TwoWays):
            self.unclear.setdefault((column, kind.words), []).append((row, raw, fault))
        else:
            code = "INT-CELL-NEEDED" if kind.needed else "INT-CELL"
            self._add(code, (row, column), raw, kind.words, fault.expected)

    def _add(self, code: str, cell: tuple[int, int], raw: Raw, words: str, expected: str) -> None:
        subject = str(self.sheet.at(*cell))
        self.found.append(finding(code, subject, field=words, found=text_of(raw)[:_SHOWN], expected=expected))

    def close(self) -> tuple[Finding, ...]:
        """Return every message, with one for each column whose cells leave the same question open."""
        for (column, words), cells in self.unclear.items():
            if len(cells) <= _APART or len({fault.expected for _, _, fault in cells}) > 1:
                for row, raw, fault in cells:
                    self._add("INT-CELL-UNCLEAR", (row, column), raw, words, _with_readings(fault))
            else:
                self._together(column, words, cells)
        return tuple(self.found)

    def _together(self, column: int, words: str, cells: list[tuple[int, Raw, TwoWays]]) -> None:
        row, raw, fault = cells[0]
        more = [str(other + 1) for other, _, _ in cells[1:]]
        self.found.append(
            finding(
                "INT-CELLS-UNCLEAR",
                str(self.sheet.at(row, column)),
                others=len(more),
                rows=", ".join(more[:_ROWS_NAMED]) + (" and on" if len(more) > _ROWS_NAMED else ""),
                field=words,
                found=text_of(raw)[:_SHOWN],
                expected=_with_readings(fault),
            )
        )


def _with_readings(fault: TwoWays) -> str:
    readings = [r for r in fault.readings if r]
    return f"{fault.expected} ({' or '.join(readings)}?)" if len(readings) > 1 else fault.expected


Reader = Callable[[Raw, str, Manner], Any]


def _text(value: Raw, _unit: str, _manner: Manner) -> str:
    if isinstance(value, date | datetime | time) and not isinstance(value, str):
        raise TwoWays(
            "text; the spreadsheet has turned what was typed (such as 1-2) into a date or time", (str(value), "")
        )
    text = text_of(value)
    if len(text) > _TEXT_LIMIT:
        raise NotUnderstood(f"a text of at most {_TEXT_LIMIT} letters")
    return " ".join(text.split())


def _list(value: Raw, unit: str, manner: Manner) -> tuple[str, ...]:
    return tuple(p.strip() for p in re.split(r"[,;\n&]|\s/\s", _raw_text(value, unit, manner)) if p.strip())


def _stencils(value: Raw, unit: str, manner: Manner) -> tuple[str, ...]:
    return tuple(p.strip() for p in re.split(r"[,;\n&/+]", _raw_text(value, unit, manner)) if p.strip())


def _raw_text(value: Raw, unit: str, manner: Manner) -> str:
    return value if isinstance(value, str) else _text(value, unit, manner)


def _count(value: Raw, _unit: str, manner: Manner) -> int:
    read = number(value, manner)
    if not read.is_integer() or not 0 <= read < 1_000_000:  # noqa: PLR2004 - more than any week has
        raise NotUnderstood("a whole number")
    return int(read)


def _density(value: Raw, _unit: str, manner: Manner) -> tuple[float, float]:
    parts: list[Raw] = [value]
    if isinstance(value, str):
        parts = [*re.split(r"\s*(?:[-\N{EN DASH}\N{EM DASH}]|/|to|bis|\.\.+|…)\s*", value.strip())]
    if len(parts) > 2:  # noqa: PLR2004 - a range has two ends
        raise NotUnderstood("a density or a range such as 2.1-3.0")
    read = [_optical(number(part, manner)) for part in parts]
    return min(read), max(read)


def _optical(value: float) -> float:
    """Return an optical density. Films of industrial radiography reach about 4.5 (ISO 14096-1's measured range)."""
    if not 0 <= value <= 6:  # noqa: PLR2004 - beyond any densitometer
        raise NotUnderstood("an optical density between 0 and 6")
    return value


def _moment(value: Raw, _unit: str, manner: Manner) -> datetime:
    if isinstance(value, datetime):
        return value
    return datetime.combine(day(value, manner), clock(value))


def _quantity(kind: str) -> Reader:
    return lambda value, unit, manner: _positive(quantity(value, kind, unit, manner))


def _positive(value: float) -> float:
    if value < 0:
        raise NotUnderstood("a value that is not negative")
    return value


READERS: Final[Mapping[str, Reader]] = {
    "text": _text,
    "code": _text,
    "list": _list,
    "stencils": _stencils,
    "date": lambda value, _unit, manner: day(value, manner),
    "time": lambda value, _unit, _manner: clock(value),
    "moment": _moment,
    "length": _quantity("length"),
    "pitch": _quantity("pitch"),
    "activity": _quantity("activity"),
    "voltage": _quantity("voltage"),
    "duration": _quantity("duration"),
    "number": lambda value, _unit, manner: _positive(number(value, manner)),
    "count": _count,
    "optical": lambda value, _unit, manner: _optical(number(value, manner)),
    "density": _density,
    "dn": lambda value, _unit, _manner: nps_of_dn(text_of(value)),
    "result": lambda value, _unit, _manner: result_of(text_of(value)),
    "lengths": split_lengths,
    "arrangement": lambda value, _unit, _manner: arrangement(text_of(value)),
    "roles": lambda value, _unit, _manner: roles(text_of(value)),
    "level": lambda value, _unit, _manner: level(text_of(value)),
    "equipment_kind": lambda value, _unit, _manner: equipment_kind(text_of(value)),
}
"""How each kind of field reads, after ``reads`` in ``tables/headings.json``."""


def _read(kind: Field, raw: Raw, unit: str, manner: Manner) -> Any:
    if isinstance(raw, str) and len(raw) > _LONGEST_VALUE and kind.reads not in {"text", "list", "stencils"}:
        raise NotUnderstood(f"a value of at most {_LONGEST_VALUE} letters")
    return READERS[kind.reads](raw, unit, manner)


def read_rows(sheet: Sheet, layout: Layout, manner: Manner) -> Rows:
    """Return the rows below a table's heading and the labels around it.

    A row counts when its needed fields are there; a blank one, a repeated heading and a line of totals do not, and a
    row with other values but none of the needed ones is a finding.
    """
    faults = _Faults(sheet)
    if layout.profile is not None:
        manner = layout.profile.manner.settled_by(manner)
    table, outside = _divide(sheet, layout, faults)
    fields = vocabulary(layout.kind).fields
    columns = []
    for column in layout.used:
        settled = _settle(sheet, table, column, fields[column.meaning.field], manner, faults)
        columns.append((column, fields[column.meaning.field], settled))
    rows = tuple(_row(sheet, index, columns, faults) for index in table)
    labels = _labels(sheet, layout, outside, manner, faults)
    return Rows(rows=rows, labels=labels, findings=faults.close())


def _divide(sheet: Sheet, layout: Layout, faults: _Faults) -> tuple[list[int], list[int]]:
    """Return the indices of the table's rows and of those outside it that may hold labels."""
    fields = vocabulary(layout.kind).fields
    needed = [c.index for c in layout.used if fields[c.meaning.field].needed]
    used = {c.index for c in layout.used}
    heading = [sheet.text(layout.first_row, c) for c in range(len(sheet.rows[layout.first_row]))]
    table: list[int] = []
    outside = list(range(layout.first_row))
    for index in range(layout.last_row + 1, len(sheet.rows)):
        row = sheet.rows[index]
        filled = [c for c, value in enumerate(row) if value != "" and str(value).strip()]
        if (
            not filled
            or _is_total(sheet.text(index, filled[0]))
            or [sheet.text(index, c) for c in range(len(row))] == heading
        ):
            continue
        if _is_label_row(sheet, index, filled, layout):
            outside.append(index)
        elif any(c in filled or (index, c) in sheet.broken for c in needed):
            table.append(index)
        elif used.intersection(filled):
            shown = "; ".join(sheet.text(index, c) for c in filled)[:_SHOWN]
            words = " and ".join(f.words for f in fields.values() if f.needed)
            faults.found.append(finding("INT-ROW-NO-NUMBER", str(sheet.at(index)), found=shown, field=words))
    return table, outside


def _is_total(text: str) -> bool:
    return key_of(text).split(" ")[0] in {"total", "totals", "sum", "summe", "subtotal", "gesamt"}


def _is_label_row(sheet: Sheet, index: int, filled: list[int], layout: Layout) -> bool:
    """Tell whether a row below the heading is a label with its value, such as ``Interpreter: K. Brand``."""
    first = sheet.text(index, filled[0])
    label, mark, _ = first.partition(":")
    if not mark:
        return False
    return meaning_of(label, layout.kind, closely=False).how is not How.UNKNOWN


def _settle(sheet: Sheet, table: Iterable[int], column: Column, kind: Field, manner: Manner, faults: _Faults) -> Manner:
    """Return how a column writes dates and decimals, from the values that can be read one way only."""
    if kind.reads in {"text", "code", "list", "stencils", "result", "dn"}:
        return manner
    values = [sheet.rows[r][column.index] for r in table if column.index < len(sheet.rows[r])]
    if kind.reads not in {"date", "moment"}:
        return manner if manner.decimal else manner.settled_by(Manner(decimal=settled_decimal(values)))
    order = manner.date_order or settled_date_order(values)
    if _swapped(values, order):
        faults.found.append(
            finding("INT-DATES-MIXED", str(sheet.at(next(iter(table), 0), column.index)), field=kind.words)
        )
    return manner.settled_by(Manner(date_order=order))


def _swapped(values: Iterable[Raw], order: str) -> bool:
    """Tell the marks of a program that took day for month: real dates up to the 12th beside texts it could not read."""
    texts, real = [], []
    for value in values:
        if isinstance(value, str) and re.match(r"\d{1,2}[/.-]\d{1,2}[/.-]\d{2,4}$", value.strip()):
            texts.append(value)
        elif isinstance(value, date):
            real.append(value)
    late = [t for t in texts if max(int(n) for n in re.split(r"[/.-]", t.strip())[:2]) > 12]  # noqa: PLR2004 - months
    return bool(order and real and late and len(late) == len(texts) and all(d.day <= 12 for d in real))  # noqa: PLR2004


def _row(sheet: Sheet, index: int, columns: list[tuple[Column, Field, Manner]], faults: _Faults) -> Row:
    values: dict[str, Any] = {}
    at: dict[str, Address] = {}
    row = sheet.rows[index]
    for column, kind, manner in columns:
        raw = row[column.index] if column.index < len(row) else ""
        if raw == "" or (index, column.index) in sheet.broken:
            continue
        name = column.meaning.field
        try:
            read = _read(kind, raw, column.meaning.unit, manner)
        except NotUnderstood as fault:
            faults.cell(index, column.index, raw, fault, kind)
            continue
        values[name] = values[name] + read if name in values and isinstance(read, tuple) else read
        at.setdefault(name, sheet.at(index, column.index))
    return Row(index=index, values=values, at=at)


def _labels(sheet: Sheet, layout: Layout, outside: Iterable[int], manner: Manner, faults: _Faults) -> Row:
    """Return the values that stand beside labels outside the table; the first of a field counts."""
    fields = vocabulary(layout.kind).fields
    values: dict[str, Any] = {}
    at: dict[str, Address] = {}
    for index, column, label, where, raw in _labelled(sheet, outside):
        meaning = _label_meaning(label, layout)
        if meaning.how is How.UNCLEAR:
            choices = " or ".join(fields[c].words for c in meaning.choices)
            subject = str(sheet.at(index, column))
            faults.found.append(finding("INT-COLUMN-UNCLEAR", subject, found=label, choices=choices))
        if not meaning.field or meaning.field in values:
            continue
        kind = fields[meaning.field]
        try:
            values[meaning.field] = _read(kind, raw, meaning.unit, manner)
        except NotUnderstood as fault:
            faults.cell(index, where, raw, fault, kind)
            continue
        at[meaning.field] = sheet.at(index, where)
    return Row(index=0, values=values, at=at)


def _label_meaning(label: str, layout: Layout) -> Meaning:
    own = meaning_of(label, layout.kind, closely=False)
    if layout.profile is not None and (meant := layout.profile.columns.get(key_of(label))):
        return Meaning(field=meant.field, unit=meant.unit or own.unit, how=How.PROFILE)
    return own


def _labelled(sheet: Sheet, outside: Iterable[int]) -> Iterator[tuple[int, int, str, int, Raw]]:
    """Yield row, column, label, column of the value, value: ``Report: 31`` in one cell, or the value to its right."""
    for index in outside:
        row = sheet.rows[index]
        taken = -1
        for column, raw in enumerate(row):
            if column <= taken or not isinstance(raw, str) or not raw.strip():
                continue
            label, mark, rest = raw.partition(":")
            if mark and rest.strip():
                yield index, column, label, column, rest.strip()
                continue
            beside = next((c for c in range(column + 1, len(row)) if row[c] != ""), None)
            # The next filled cell is the value, unless it is a label itself: then this one was left blank.
            if beside is not None and (beside == column + 1 or not str(row[beside]).rstrip().endswith(":")):
                taken = beside
                yield index, column, label, beside, row[beside]
