"""The order of a weld's steps: by day, and where days are missing or equal, by what must come before what.

Knows that welding comes before a shot, a shot before its reading, a reading before what is decided, a decision before
the repair, and all that before the handover. Refuses to invent days: a step without one keeps none.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, date, datetime
from typing import Final

from beadroll.archive.history_steps import Step, StepKind

_RANK: Final = {
    StepKind.WELDED: 0,
    StepKind.REWELDED: 0,
    StepKind.REPAIRED: 0,
    StepKind.SHOT: 1,
    StepKind.RESHOT: 1,
    StepKind.READ: 2,
    StepKind.ACCEPTED: 2,
    StepKind.REJECTED: 2,
    StepKind.UNUSABLE: 2,
    StepKind.DECIDED: 3,
    StepKind.CUT_OUT: 4,
    StepKind.SIGNED: 5,
    StepKind.AMENDED: 6,
    StepKind.HANDED_OVER: 7,
    StepKind.RECEIVED: 8,
    StepKind.ANSWERED: 9,
}
_AFTER_THE_WELD: Final = 5
_LONG_AGO: Final = datetime(1, 1, 1, tzinfo=UTC)


def in_order(steps: Iterable[Step]) -> tuple[Step, ...]:
    """Return the steps in the order they happened, as far as it is known."""
    known = sorted(steps, key=lambda step: (step.kind, step.subject, step.segment, repr(step.told_by)))
    states = _states(known)
    causal = sorted(known, key=lambda step: (_phase(step, states), step.day or date.max, _RANK[step.kind]))
    days: dict[int, date] = {}
    last = min((step.day for step in known if step.day), default=date.min)
    for step in causal:
        # A step without a day stands behind what must have come before it.
        last = step.day or last
        days[id(step)] = last
    ordered = sorted(
        causal,
        key=lambda step: (
            days[id(step)],
            _phase(step, states),
            _RANK[step.kind],
            step.at or _LONG_AGO,
            step.subject,
        ),
    )
    return tuple(ordered)


def _states(steps: Iterable[Step]) -> dict[str, int]:
    """Return the number of each state of the weld, in the order its events brought them: as first made, R1, R2."""
    made = [step for step in steps if step.kind in (StepKind.WELDED, StepKind.REPAIRED, StepKind.REWELDED)]
    made.sort(key=lambda step: (bool(step.event), step.day or date.max, step.event))
    states = {"": 0}
    for step in made:
        states.setdefault(step.event, len(states))
    return states


def _phase(step: Step, states: dict[str, int]) -> int:
    if _RANK[step.kind] >= _AFTER_THE_WELD:
        return len(states) + 1
    label = step.event
    while label and label not in states:
        label = label[:-1]  # R1RS2 is a reshoot of the state R1
    return states.get(label, 0)
