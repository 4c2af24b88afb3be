"""Rows of a table as values of its fields, cell by cell, with an addressed message for every cell not understood.

Knows layouts and how each kind of field reads. A fault in one cell leaves that field empty and never touches another.
Refuses to know what the fields are for.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Final

from beadroll.findings import Finding, finding
from beadroll.handover.gathering.cells import read_cell
from beadroll.handover.gathering.columns import Column, Layout
from beadroll.handover.gathering.headings import Field, How, Meaning, key_of, meaning_of, vocabulary
from beadroll.handover.gathering.quantities import (
    Manner,
    NotUnderstood,
    TwoWays,
    settled_date_order,
    settled_decimal,
)
from beadroll.record.evidence import Address
from beadroll.tables import Raw, Sheet, text_of

_SHOWN: Final = 80
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


def read_rows(sheet: Sheet, layout: Layout, manner: Manner) -> Rows:
    """Return the rows below a table's heading and the labels around it.

    A row counts when its needed fields are there; a blank one, a repeated heading and a line of totals do not, and a
    row with other values but none of the needed ones is a finding.
    """
    faults = _Faults(sheet)
    if layout.profile is not None:
        manner = layout.profile.manner.settled_by(manner)
    table, outside, carried = _divide(sheet, layout, faults)
    if carried and not (layout.profile and layout.profile.number_as_above):
        faults.found.append(_carried_finding(sheet, layout, carried))
    fields = vocabulary(layout.kind).fields
    columns = []
    for column in layout.used:
        settled = _settle(sheet, table, column, fields[column.meaning.field], manner, faults)
        columns.append((column, fields[column.meaning.field], settled))
    rows = tuple(_row(sheet, index, columns, carried.get(index, index), faults) for index in table)
    labels = _labels(sheet, layout, outside, manner, faults)
    return Rows(rows=rows, labels=labels, findings=faults.close())


def _carried_finding(sheet: Sheet, layout: Layout, carried: Mapping[int, int]) -> Finding:
    column = next(c.index for c in layout.used if c.meaning.field == "number")
    rows = [str(index + 1) for index in carried]
    return finding(
        "INT-NUMBER-ABOVE",
        str(sheet.at(next(iter(carried)))),
        rows=", ".join(rows[:_ROWS_NAMED]) + (" and on" if len(rows) > _ROWS_NAMED else ""),
        number=sheet.text(next(iter(carried.values())), column)[:_SHOWN],
    )


def _divide(sheet: Sheet, layout: Layout, faults: _Faults) -> tuple[list[int], list[int], dict[int, int]]:
    """Return the table's rows, the rows outside it that may hold labels, and whose number a row without one carries.

    On reader sheets a weld's number often stands only at the first of its segments.
    """
    fields = vocabulary(layout.kind).fields
    needed = [c.index for c in layout.used if fields[c.meaning.field].needed]
    used = {c.index for c in layout.used}
    heading = [sheet.text(layout.first_row, c) for c in range(len(sheet.rows[layout.first_row]))]
    segments = [c.index for c in layout.used if c.meaning.field == "segment"]
    table: list[int] = []
    carried: dict[int, int] = {}
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
        elif table and table[-1] == index - 1 and any(c in filled for c in segments):
            carried[index] = carried.get(index - 1, index - 1)
            table.append(index)
        elif used.intersection(filled):
            shown = "; ".join(sheet.text(index, c) for c in filled)[:_SHOWN]
            words = " and ".join(f.words for f in fields.values() if f.needed)
            faults.found.append(finding("INT-ROW-NO-NUMBER", str(sheet.at(index)), found=shown, field=words))
    return table, outside, carried


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


_DITTO: Final = frozenset({'"', "''", "\N{DITTO MARK}", "\N{DOUBLE PRIME}", '-"-', "ditto", "do.", "dto."})


def _same_as(sheet: Sheet, index: int, column: int) -> int:
    """Return the row whose value a cell repeats: its own, or the one above a ditto mark."""
    while index > 0 and sheet.text(index, column).lower() in _DITTO:
        index -= 1
    return index


def _row(
    sheet: Sheet, index: int, columns: list[tuple[Column, Field, Manner]], number_row: int, faults: _Faults
) -> Row:
    values: dict[str, Any] = {}
    at: dict[str, Address] = {}
    for column, kind, manner in columns:
        where = _same_as(sheet, number_row if kind.needed else index, column.index)
        row = sheet.rows[where]
        raw = row[column.index] if column.index < len(row) else ""
        if raw == "" or (where, column.index) in sheet.broken:
            continue
        name = column.meaning.field
        try:
            read = read_cell(kind.reads, raw, column.meaning.unit, manner)
        except NotUnderstood as fault:
            faults.cell(index, column.index, raw, fault, kind)
            continue
        values[name] = values[name] + read if name in values and isinstance(read, tuple) else read
        at.setdefault(name, sheet.at(where, column.index))
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
            values[meaning.field] = read_cell(kind.reads, raw, meaning.unit, manner)
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
