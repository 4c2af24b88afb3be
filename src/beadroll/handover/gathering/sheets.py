"""Weld logs and reader sheets: the rows of a table as rows of the record's stage types.

Knows which fields belong together: pipe size with wall, date with time, code with place. Refuses to resolve weld
numbers or to compare sheets with each other; that is reconciliation.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime
from pathlib import PurePosixPath
from typing import Any, Final
from zoneinfo import ZoneInfo

from beadroll.findings import Finding, finding
from beadroll.handover.gathering.columns import find_layout, layout_findings
from beadroll.handover.gathering.headings import TableKind, key_of
from beadroll.handover.gathering.indications import indications_of, read_code, split_codes
from beadroll.handover.gathering.pipes import OUTSIDE_TOLERANCE, WALL_TOLERANCE, size_of, wall_of
from beadroll.handover.gathering.profiles import Profile
from beadroll.handover.gathering.quantities import Manner, NotUnderstood, TwoWays
from beadroll.handover.gathering.rows import Row, Rows, read_rows
from beadroll.handover.stages import DeliveredFile, ReaderLine, WeldLogRow
from beadroll.record.evidence import Address
from beadroll.record.interpretation import Indication, Result
from beadroll.tables import Book, Sheet


@dataclass(frozen=True, slots=True, kw_only=True)
class Habits:
    """What the office has settled for all its tables: how it writes, confirmed profiles, time zone, lines."""

    manner: Manner
    profiles: tuple[Profile, ...]
    zone: ZoneInfo
    lines: tuple[str, ...] = ()


_LOG_FIELDS: Final = frozenset(f.name for f in fields(WeldLogRow)) - {"at"}
_LINE_FIELDS: Final = frozenset(f.name for f in fields(ReaderLine)) - {"at"}


@dataclass(slots=True)
class _Messages:
    """Messages about one sheet, in the order they come up."""

    found: list[Finding]

    def cell(self, address: Address, words: str, text: str, fault: NotUnderstood) -> None:
        code = "INT-CELL-UNCLEAR" if isinstance(fault, TwoWays) else "INT-CELL"
        self.found.append(finding(code, str(address), field=words, found=text[:80], expected=fault.expected))


def read_sheets(
    book: Book, kind: TableKind, habits: Habits, take: Callable[[Sheet, Rows], list[Finding]]
) -> list[Finding]:
    """Hand the rows of every sheet of a book that is a table of ``kind`` to ``take``; return every message.

    A hidden sheet is not read, a sheet without a heading we know is named, and a book without any readable table
    is itself a message.
    """
    found = list(book.findings)
    read = 0
    for sheet in book:
        if sheet.blank:
            continue
        subject = str(Address(file=sheet.file, sheet=sheet.name))
        if sheet.hidden:
            found.append(finding("INT-SHEET-HIDDEN", subject))
            continue
        layout = find_layout(sheet, kind, habits.profiles)
        if layout is None:
            found.append(finding("INT-SHEET-UNKNOWN", subject, kind=kind.words))
            continue
        found += layout_findings(sheet, layout)
        read += 1
        if not layout.missing:
            rows = read_rows(sheet, layout, habits.manner)
            found += rows.findings
            if kind in _OF_LINES and not any(c.meaning.field == "line" for c in layout.columns):
                rows, told = _of_the_sheets_line(sheet, rows, habits)
                found += told
            found += take(sheet, rows)
    if not read:
        found.append(finding("INT-FILE-NO-TABLE", book.file, kind=kind.words))
    return found


_OF_LINES: Final = frozenset({TableKind.WELD_LOG, TableKind.READER_SHEET})


def _of_the_sheets_line(sheet: Sheet, rows: Rows, habits: Habits) -> tuple[Rows, list[Finding]]:
    """Return the rows with the line after which the sheet is called, where nothing else states one."""
    line = next((name for name in habits.lines if key_of(name) == key_of(sheet.name)), "")
    if not line or "line" in rows.labels.values or not rows.rows:
        return rows, []
    address = Address(file=sheet.file, sheet=sheet.name)
    labels = replace(rows.labels, values={**rows.labels.values, "line": line}, at={**rows.labels.at, "line": address})
    return replace(rows, labels=labels), [finding("INT-LINE-FROM-SHEET", str(address), line=line)]


def weld_log_rows(book: Book, habits: Habits) -> tuple[list[WeldLogRow], list[Finding]]:
    """Return the rows of a weld log and every message about it."""
    made: list[WeldLogRow] = []

    def take(_sheet: Sheet, rows: Rows) -> list[Finding]:
        messages = _Messages([])
        for row in rows.rows:
            values, at = {**rows.labels.values, **row.values}, {**rows.labels.at, **row.at}
            _join_lists(values, at, "heats", ("heat_a", "heat_b"))
            _join_lists(values, at, "stencils", ("stencils_root", "stencils_hot", "stencils_fill", "stencils_cap"))
            _pipe(values, at, messages)
            if "number" in values:
                made.append(WeldLogRow(**_only(values, _LOG_FIELDS), at=_only(at, _LOG_FIELDS)))
        return messages.found

    return made, read_sheets(book, TableKind.WELD_LOG, habits, take)


def reader_lines(book: Book, file: DeliveredFile, habits: Habits) -> tuple[list[ReaderLine], list[Finding]]:
    """Return the lines of a reader sheet and every message about it; labels around a table count for all its lines."""
    made: list[ReaderLine] = []

    def take(sheet: Sheet, rows: Rows) -> list[Finding]:
        messages = _Messages([])
        made.extend(
            line for row in rows.rows if (line := _reader_line(row, rows.labels, file, habits, messages)) is not None
        )
        if rows.rows and not any("report" in row.values for row in (*rows.rows, rows.labels)):
            stem = PurePosixPath(file.path).stem
            messages.found.append(finding("INT-NO-REPORT", str(Address(file=sheet.file, sheet=sheet.name)), name=stem))
        return messages.found

    return made, read_sheets(book, TableKind.READER_SHEET, habits, take)


def _reader_line(row: Row, labels: Row, file: DeliveredFile, habits: Habits, messages: _Messages) -> ReaderLine | None:
    values, at = {**labels.values, **row.values}, {**labels.at, **row.at}
    if "number" not in row.values:
        return None
    values.setdefault("report", PurePosixPath(file.path).stem)
    values.setdefault("crew", file.crew)
    if "density" in values:
        low, high = values["density"]
        values.setdefault("density_min", low)
        values.setdefault("density_max", high)
        for name in ("density_min", "density_max"):
            at.setdefault(name, at["density"])
    _moment(values, at, habits.zone, messages)
    _pipe(values, at, messages, wall_only=True)
    _ticked(values, at, messages)
    values["indications"] = _indications(values, at, habits.manner, messages)
    if "code" in at:
        at["indications"] = at["code"]
    return ReaderLine(**_only(values, _LINE_FIELDS), at=_only(at, _LINE_FIELDS))


def _ticked(values: dict[str, Any], at: dict[str, Address], messages: _Messages) -> None:
    """Read the result from the columns a reader ticks, where a sheet has one for each result."""
    ticked = [result for result in Result if values.get(result.value.lower())]
    if not ticked or "result" in values:
        return
    address = at[ticked[0].value.lower()]
    if len(ticked) > 1:
        messages.cell(address, "result", " and ".join(ticked), NotUnderstood("one tick in a row"))
    else:
        values["result"], at["result"] = ticked[0], address


def _only(values: Mapping[str, Any], names: frozenset[str]) -> dict[str, Any]:
    return {name: value for name, value in values.items() if name in names}


def _join_lists(values: dict[str, Any], at: dict[str, Address], name: str, parts: Iterable[str]) -> None:
    """Join what stands in several columns (root, hot, fill and cap welder) into one list without repeats."""
    joined = list(values.get(name, ()))
    for part in parts:
        joined += values.pop(part, ())
        if part in at:
            at.setdefault(name, at[part])
    if joined:
        values[name] = tuple(dict.fromkeys(joined))


def _pipe(values: dict[str, Any], at: dict[str, Address], messages: _Messages, *, wall_only: bool = False) -> None:
    """Fill in diameter and wall from size and schedule where the sheet does not state them; compare where it does."""
    if "dn" in values:
        values.setdefault("nps", values["dn"])
        at.setdefault("nps", at["dn"])
    if not values.get("nps"):
        return
    try:
        size = size_of(values["nps"])
    except NotUnderstood as fault:
        messages.cell(at["nps"], "nominal pipe size", values["nps"], fault)
        return
    if not wall_only:
        _agree(values, at, "outside_diameter_mm", size.outside_diameter_mm, OUTSIDE_TOLERANCE, messages)
    if values.get("schedule"):
        try:
            wall = wall_of(size, values["schedule"])
        except NotUnderstood as fault:
            messages.cell(at["schedule"], "schedule", values["schedule"], fault)
            return
        _agree(values, at, "wall_mm", wall, WALL_TOLERANCE, messages)


def _agree(
    values: dict[str, Any], at: dict[str, Address], name: str, table: float, tolerance: float, messages: _Messages
) -> None:
    stated = values.get(name)
    if stated is None:
        values[name] = table
        at[name] = at["schedule"] if name == "wall_mm" else at["nps"]
    elif abs(stated - table) > tolerance * table:
        words = "wall" if name == "wall_mm" else "outside diameter"
        size = f"NPS {values['nps']}" + (f" schedule {values['schedule']}" if name == "wall_mm" else "")
        messages.found.append(
            finding(
                "INT-PIPE-DISAGREES", str(at[name]), field=words, stated_mm=round(stated, 3), size=size, table_mm=table
            )
        )


def _moment(values: dict[str, Any], at: dict[str, Address], zone: ZoneInfo, messages: _Messages) -> None:
    """Put date and time of an exposure together in the job's time zone; ask where the clock was set back or forward."""
    stated = values.pop("exposed_at", None)
    clock = values.get("exposed_time")
    if stated is None and clock is not None and "exposed_on" in values:
        stated = datetime.combine(values["exposed_on"], clock)
        at["exposed_at"] = at["exposed_time"]
    if stated is None:
        return
    values.setdefault("exposed_on", stated.date())
    at.setdefault("exposed_on", at["exposed_at"])
    first, second = (stated.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if first.utcoffset() == second.utcoffset():
        values["exposed_at"] = first
        return
    exists = first.astimezone(UTC).astimezone(zone).replace(tzinfo=None) == stated
    expected = "a time that there was once that night" if exists else "a time that there was that night"
    messages.cell(
        at["exposed_at"],
        "exposed at",
        stated.isoformat(sep=" "),
        NotUnderstood(f"{expected}; the clocks in {zone.key} were changed"),
    )


def _indications(
    values: dict[str, Any], at: dict[str, Address], manner: Manner, messages: _Messages
) -> tuple[Indication, ...]:
    parts: list[Indication] = []
    for part in split_codes(values.get("code", "")):
        try:
            parts.append(read_code(part, manner))
        except NotUnderstood as fault:
            # The code stays as written: a term this tool does not know is still what the reader saw.
            messages.cell(at["code"], "indication", part, fault)
            parts.append(Indication(code=part))
    columns = [values.get(name, []) for name in ("position_mm", "length_mm", "size_mm")]
    if not parts and not any(v is not None for column in columns for v in column):
        return ()
    try:
        return indications_of(parts, *columns)
    except NotUnderstood as fault:
        address = next(at[name] for name in ("position_mm", "length_mm", "size_mm") if name in at)
        messages.cell(address, "indications", values.get("code", ""), fault)
        return tuple(parts)
