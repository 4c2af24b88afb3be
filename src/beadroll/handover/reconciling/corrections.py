"""Corrections of cells: a value on a sheet is read as another, by a recorded decision. The sheet is not altered.

Knows how a correction's text becomes the field's own type. Refuses to correct a cell that no longer says what it said
when the decision was made.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime
from typing import Any, Final, TypeVar, get_type_hints

from beadroll.findings import Finding, finding
from beadroll.handover.stages import ReaderLine, WeldLogRow
from beadroll.record.handover import Decision
from beadroll.record.interpretation import Result

Row = TypeVar("Row", ReaderLine, WeldLogRow)

_READERS: Final[Mapping[Any, Callable[[str], Any]]] = {
    str: str,
    date | None: date.fromisoformat,
    datetime | None: datetime.fromisoformat,
    float | None: float,
    int | None: int,
    Result | None: lambda text: Result(text.strip().upper()),
    tuple[str, ...]: lambda text: tuple(part.strip() for part in text.split(",") if part.strip()),
}


def corrected(
    rows: Sequence[Row], corrections: Sequence[Decision]
) -> tuple[tuple[Row, ...], frozenset[str], tuple[tuple[str, Finding], ...]]:
    """Return the rows with the corrections applied, the ids of those that found their cell, and what does not apply."""
    if not corrections:
        return tuple(rows), frozenset(), ()
    at = {str(address): (n, name) for n, row in enumerate(rows) for name, address in row.at.items()}
    made = list(rows)
    found: set[str] = set()
    findings: list[tuple[str, Finding]] = []
    for decision in corrections:
        if decision.subject not in at:
            continue
        found.add(decision.id)
        n, _ = at[decision.subject]
        fault = _apply(made, n, decision)
        if fault:
            findings.append((decision.id, fault))
    return tuple(made), frozenset(found), tuple(findings)


def _apply(made: list[Row], n: int, decision: Decision) -> Finding | None:
    row = made[n]
    reader = _READERS.get(get_type_hints(type(row)).get(decision.field))
    if reader is None:
        return finding(
            "REC-DECISION-FIELD", decision.id, field=decision.field, cell=decision.subject, reads=decision.reads
        )
    now = as_text(getattr(row, decision.field))
    if now != decision.stands:
        return finding(
            "REC-DECISION-CELL", decision.id, cell=decision.subject, stands=decision.stands, found=now or "nothing"
        )
    try:
        made[n] = replace(row, **{decision.field: reader(decision.reads)})
    except ValueError:
        return finding(
            "REC-DECISION-FIELD", decision.id, field=decision.field, cell=decision.subject, reads=decision.reads
        )
    return None


def as_text(value: object) -> str:
    """Return a field's value as a correction writes it in ``stands``."""
    if value is None:
        return ""
    if isinstance(value, tuple):
        return ", ".join(str(part) for part in value)
    return str(value)
