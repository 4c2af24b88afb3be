"""What happened to a weld, as the weld log tells it: welded, repaired, cut out, made anew.

Knows the two ways in which logs tell it, columns beside the weld and rows of their own. Repairs that only reader sheets
know of are events without a date. Refuses to conclude anything from a result.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date

from beadroll.handover.reconciling.expected import LoggedWeld, Place, cell_of
from beadroll.handover.stages import ReaderLine, WeldLogRow
from beadroll.record.evidence import Address
from beadroll.record.job import NumberPattern, SuffixMeaning
from beadroll.record.number import repair_of, split_event, state_of
from beadroll.record.weld import EventKind, WeldEvent


def events_of(
    logged: LoggedWeld | None, places: Sequence[Place], pattern: NumberPattern, *, reweld: bool
) -> tuple[WeldEvent, ...]:
    """Return what the log says happened to the weld, and repairs that only the reader sheets know of."""
    made: dict[str, WeldEvent] = {}
    if logged:
        row = logged.row
        kind = EventKind.REWELD if reweld else EventKind.WELDED
        stated = addresses([row])
        made[""] = WeldEvent(kind=kind, on=row.welded_on, stencils=row.stencils, wps=row.wps, stated_at=stated)
        for label, other in logged.events:
            made |= _event_of_row(label, other, pattern)
        if row.repaired_on and not any(e.kind is EventKind.REPAIR for e in made.values()):
            label = _label(SuffixMeaning.REPAIR, pattern)
            made[label] = _repair(label, row, row.repaired_on, row.repair_stencils)
        if row.cut_out_on and not any(e.kind is EventKind.CUT_OUT for e in made.values()):
            label = _label(SuffixMeaning.CUT_OUT, pattern)
            made[label] = WeldEvent(kind=EventKind.CUT_OUT, label=label, on=row.cut_out_on, stated_at=stated)
    for place in places:
        state = state_of(place.event, pattern)
        if repair_of(state, pattern) and state not in made:
            made[state] = WeldEvent(kind=EventKind.REPAIR, label=state, stated_at=addresses(place.lines))
    kinds = list(EventKind)
    return tuple(
        sorted(
            made.values(), key=lambda e: (e.kind is EventKind.CUT_OUT, repair_of(e.label, pattern), kinds.index(e.kind))
        )
    )


def _event_of_row(label: str, row: WeldLogRow, pattern: NumberPattern) -> dict[str, WeldEvent]:
    """Read a log row of its own for a repair or a cut-out: ``W-0117R1``, ``W-0117CO``."""
    parts = split_event(label, pattern)
    if any(meaning is SuffixMeaning.CUT_OUT for _, meaning, _ in parts):
        on = row.cut_out_on or row.welded_on
        return {label: WeldEvent(kind=EventKind.CUT_OUT, label=label, on=on, stated_at=addresses([row]))}
    state = state_of(label, pattern)
    if not state:
        return {}
    return {state: _repair(state, row, row.repaired_on or row.welded_on, row.repair_stencils or row.stencils)}


def _repair(label: str, row: WeldLogRow, on: date | None, stencils: tuple[str, ...]) -> WeldEvent:
    return WeldEvent(
        kind=EventKind.REPAIR,
        label=label,
        on=on,
        stencils=stencils,
        wps=row.wps,
        remark=row.remark,
        stated_at=addresses([row]),
    )


def _label(meaning: SuffixMeaning, pattern: NumberPattern) -> str:
    suffix = next((s for s in pattern.suffixes if s.meaning is meaning), None)
    if suffix is None:
        return "R1" if meaning is SuffixMeaning.REPAIR else "CO"
    return suffix.letters.upper() + ("1" if suffix.counted else "")


def addresses(rows: Iterable[WeldLogRow | ReaderLine]) -> tuple[Address, ...]:
    """Return the cells that name the weld on these rows."""
    return tuple(dict.fromkeys(cell_of(row, "number") for row in rows if row.at))


# --- shots and images ------------------------------------------------------------------------------------------
