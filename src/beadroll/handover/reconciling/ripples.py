"""One mistake often covers another: radiographs that look right until a held one is seen to belong in their place.

A number mistyped into that of a second weld, whose own radiograph is mistyped too, leaves the second weld with one
radiograph that nobody contests. Knows what is held already and looks who may be sitting in its place. Refuses to
move anybody: it only holds.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from beadroll.handover.reconciling.expected import Expected, Place, PlaceKey, name_of
from beadroll.handover.reconciling.nearness import Slip
from beadroll.handover.reconciling.order import AMONG
from beadroll.handover.reconciling.resolve import Resolution, same_crew, same_day
from beadroll.handover.reconciling.witnesses import Hearing

_ROUNDS = 3
"""How often a newly held radiograph is followed up; chains of mistakes longer than this were never seen."""


def hold_ripples(
    found: Resolution,
    expected: Expected,
    asked: Sequence[Hearing],
    confirmed: Mapping[str, frozenset[str]],
) -> None:
    """Hold what sits where a held radiograph may belong, when the order or an empty place speaks for it."""
    hearings = {h.path: h for h in asked}
    for _ in range(_ROUNDS):
        moved = _out_of_order(found, expected, hearings, confirmed)
        moved |= _covered(found, expected, hearings, confirmed)
        if not moved:
            return


def _out_of_order(
    found: Resolution,
    expected: Expected,
    hearings: Mapping[str, Hearing],
    confirmed: Mapping[str, frozenset[str]],
) -> bool:
    """Hold radiographs that the order speaks against and that lie where a held one's weld would."""
    # Repairs and reshoots are single images made between other work: order says little of them.
    claimed = [(path, h.claimed) for path, h in found.held.items() if h.claimed and not h.claimed[2]]
    changed = False
    for path, key in list(found.assigned.items()):
        if path not in hearings or key[2] or found.shooting.fit(path, key[:2], expected.order) != 0:
            continue
        for other, theirs in claimed:
            if (
                theirs[3] == key[3]
                and theirs[:2] != key[:2]
                and found.shooting.lies_at(path, theirs[:2], expected.order)
            ):
                changed |= _hold(found, path, other, confirmed)
                break
    return changed


def _covered(
    found: Resolution,
    expected: Expected,
    hearings: Mapping[str, Hearing],
    confirmed: Mapping[str, frozenset[str]],
) -> bool:
    """Hold a radiograph in the place that a held one was a slip for, when an empty place is near its own number."""
    filled = found.filled()
    changed = False
    for other in _strangers(found, expected, hearings):
        if _near_places(found, expected, other, filled, empty=True):
            continue
        for place in _near_places(found, expected, other, filled, empty=False):
            for path in filled[place.key]:
                mine = hearings.get(path)
                if mine is None or found.shooting.fit(path, place.weld, expected.order) == AMONG:
                    continue
                if _near_places(found, expected, mine, filled, empty=True, slips=tuple(Slip)):
                    changed |= _hold(found, path, other.path, confirmed)
    return changed


def _strangers(found: Resolution, expected: Expected, hearings: Mapping[str, Hearing]) -> list[Hearing]:
    """Return held radiographs that no place is listed for, alone with their number: slips, and not a forgotten weld."""
    codes = ("REC-WELD-UNKNOWN", "REC-NO-SHEET-LINE")
    strangers = [hearings[path] for path, h in found.held.items() if h.code in codes and path in hearings]
    alone = Counter(number for h in strangers for number in h.numbers)
    return [h for h in strangers if h.agreed and alone[h.numbers[0]] == 1 and h.numbers[0] not in expected.by_number]


def _near_places(
    found: Resolution,
    expected: Expected,
    hearing: Hearing,
    filled: Mapping[PlaceKey, Sequence[str]],
    *,
    empty: bool,
    slips: tuple[Slip, ...] = (Slip.TRANSPOSED,),
) -> list[Place]:
    """Return the places of that day, empty or filled, whose number a radiograph's own may be a slip for."""
    return [
        place
        for near in found.near.of(hearing.numbers[0])
        for place in expected.by_number.get(near.number, ())
        if near.slip in slips
        and (place.key not in filled) is empty
        and (not hearing.lines or place.key[0] in hearing.lines)
        and place.segment in (hearing.segments or ("",))
        and place.event in (hearing.events or ("",))
        and same_day(hearing, place)
        and same_crew(hearing, place)
    ]


def _hold(found: Resolution, path: str, other: str, confirmed: Mapping[str, frozenset[str]]) -> bool:
    if path not in found.assigned or "REC-IN-QUESTION" in confirmed.get(path, ()):
        return False
    found.hold(path, "REC-IN-QUESTION", place=name_of(found.assigned[path]), other=other)
    return True
