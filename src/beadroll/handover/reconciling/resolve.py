"""Which radiograph goes where: assigned where every witness agrees, held and asked about where one does not.

A radiograph is assigned without asking only when all of this holds:

1. what it says of itself (header, file name, folders) names one weld and contradicts itself in nothing;
2. the weld is in the weld log, and one place on the reader sheets is left when line, event and segment are compared;
3. the day of its folder is the day the sheet gives, or the next to it with no other place of that segment in question;
4. no more radiographs claim the place than belong there, and none that contradicts itself names it too, unless header
   and file name both or the order speak for the one that claims it;
5. no other delivered file holds the same bytes;
6. the order in which the images were made does not speak for another place;
7. no empty place of that day carries its number with two digits changed round, unless the order speaks for it; and
   (``ripples``) no held radiograph may belong in its place.

Everything else is held, with the reason. Knows no scores: ranking what a held radiograph may be is for suggestions.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Final

from beadroll.findings import Value
from beadroll.handover.reconciling.expected import Expected, Place, PlaceKey, WeldKey, listed, name_of
from beadroll.handover.reconciling.nearness import NearNumbers, Slip
from beadroll.handover.reconciling.order import AMONG, Shooting
from beadroll.handover.reconciling.witnesses import Hearing
from beadroll.record.radiograph import Witness

_NEXT_DAY = timedelta(days=1)
_OWN: Final = frozenset({Witness.HEADER, Witness.FILE_NAME})
"""Witnesses of a radiograph's own that are written apart from each other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """Why a radiograph is not assigned: the finding's code and values, and the place it claimed, if one."""

    code: str
    values: Mapping[str, Value] = field(default_factory=dict)
    claimed: PlaceKey | None = None


@dataclass(slots=True, kw_only=True)
class Resolution:
    """The outcome: places by file, and what is held. ``claims`` are all places claimed, held or not."""

    assigned: dict[str, PlaceKey]
    held: dict[str, Held]
    claims: dict[str, PlaceKey]
    shooting: Shooting
    near: NearNumbers

    def filled(self) -> Mapping[PlaceKey, list[str]]:
        """Return the files assigned to each place."""
        found: dict[PlaceKey, list[str]] = defaultdict(list)
        for path, key in self.assigned.items():
            found[key].append(path)
        return found

    def hold(self, path: str, code: str, **values: Value) -> None:
        """Take a radiograph back from its place and say why. The first reason stands."""
        claimed = self.assigned.pop(path, None)
        self.held.setdefault(path, Held(code=code, values=values, claimed=claimed))


def resolve(
    expected: Expected,
    hearings: Sequence[Hearing],
    decided: Mapping[str, PlaceKey],
    same: Iterable[tuple[str, ...]],
    confirmed: Mapping[str, frozenset[str]],
) -> Resolution:
    """Assign what all evidence agrees on, hold the rest.

    ``decided`` are the places that people gave; ``same`` groups of files with the same bytes; ``confirmed`` the
    finding codes that people have answered for a file with 'the records stand as they are'.
    """
    numbers = {number for _, number in expected.logged} | set(expected.by_number)
    near = NearNumbers(numbers, expected.job.numbers)
    found = Resolution(assigned={}, held={}, claims={}, shooting=Shooting.of((), {}), near=near)
    for hearing in hearings:
        answered = confirmed.get(hearing.path, frozenset())
        outcome: PlaceKey | Held = decided.get(hearing.path) or _claim(hearing, expected, answered)
        if isinstance(outcome, Held):
            found.held[hearing.path] = outcome
        else:
            found.assigned[hearing.path] = found.claims[hearing.path] = outcome
    found.shooting = Shooting.of(hearings, found.claims)
    asked = [h for h in hearings if h.path not in decided]
    _contested(found, expected, decided, confirmed)
    _also_named(found, expected, asked, confirmed)
    _same_bytes(found, same, decided, confirmed)
    _swapped(found, expected, decided, confirmed)
    _empty_neighbours(found, expected, asked, confirmed)
    return found


# --- one radiograph against the papers -------------------------------------------------------------------------


def _claim(hearing: Hearing, expected: Expected, answered: frozenset[str]) -> PlaceKey | Held:
    """Return the one place a radiograph claims without contradiction, or why there is none."""
    if unclear := _unclear(hearing, answered):
        return unclear
    number = hearing.numbers[0]
    places = [p for p in expected.by_number.get(number, ()) if not hearing.lines or p.key[0] in hearing.lines]
    unlogged = _not_logged(hearing, expected, answered)
    if unlogged:
        return unlogged
    if not places:
        return Held(code="REC-NO-SHEET-LINE", values={"place": _stated(hearing)})
    return _among(hearing, places, answered)


def _unclear(hearing: Hearing, answered: frozenset[str]) -> Held | None:
    """Return why what a radiograph says of itself names no one weld; None where it does."""
    if hearing.radiograph.facts is None:
        return Held(code="REC-UNREADABLE", values={"why": hearing.radiograph.fault or "its header cannot be read"})
    if not hearing.numbers:
        return Held(code="REC-NO-NUMBER")
    if not hearing.agreed:
        return Held(code="REC-WITNESSES-DISAGREE", values={"said": _said(hearing)})
    if hearing.doubts and "REC-NUMBER-DOUBT" not in answered:
        return Held(code="REC-NUMBER-DOUBT", values={"why": "; ".join(hearing.doubts)})
    return None


def _not_logged(hearing: Hearing, expected: Expected, answered: frozenset[str]) -> Held | None:
    if not expected.has_log or "REC-WELD-UNKNOWN" in answered:
        return None
    number = hearing.numbers[0]
    lines = {line for line, n in expected.logged if n == number} if number in expected.lines_of else set()
    if lines and (not hearing.lines or lines & set(hearing.lines)):
        return None
    on = f" for line {hearing.lines[0]}" if hearing.lines else ""
    return Held(code="REC-WELD-UNKNOWN", values={"number": number, "on": on})


def _among(hearing: Hearing, places: list[Place], answered: frozenset[str]) -> PlaceKey | Held:
    """Choose among the places of one number: by segment, event, line, day. More than one left: ask."""
    segment = hearing.segments[0] if hearing.segments else ""
    event = hearing.events[0] if hearing.events else ""
    fitting = [p for p in places if not segment or p.segment == segment]
    if not fitting:
        return Held(code="REC-NO-SHEET-LINE", values={"place": _stated(hearing)})
    exact = [p for p in fitting if p.event == event]
    if not exact or (not event and _event_in_question(hearing, fitting)):
        names = sorted({p.name for p in fitting})
        return Held(code="REC-SUFFIX", values={"said": _stated(hearing), "listed": listed(names)})
    if len({p.key[0] for p in exact}) > 1:
        here = [p for p in exact if same_day(hearing, p) and same_crew(hearing, p)]
        if len({p.key[0] for p in here}) != 1:
            lines = " and ".join(sorted({p.key[0] for p in exact}))
            return Held(code="REC-LINE-UNSAID", values={"number": hearing.numbers[0], "lines": lines})
        exact = here
    if len(exact) > 1:
        segments = listed(sorted(p.segment for p in exact))
        return Held(code="REC-SEGMENT-UNSAID", values={"weld": " ".join(exact[0].weld), "listed": segments})
    if len(exact[0].days) > 1:
        days = " and ".join(str(day) for day in exact[0].days)
        return Held(code="REC-PLACE-TWICE", values={"place": exact[0].name, "days": days}, claimed=exact[0].key)
    return exact[0].key if "REC-DAY" in answered else _on_its_day(hearing, exact[0], fitting)


def _event_in_question(hearing: Hearing, fitting: list[Place]) -> bool:
    """Say whether a radiograph without a suffix lies with the day of a repair or reshoot and not of the first shot."""
    first = [p for p in fitting if not p.event]
    later = [p for p in fitting if p.event and same_day(hearing, p)]
    return bool(later) and not any(same_day(hearing, p) for p in first)


def _on_its_day(hearing: Hearing, place: Place, rivals: list[Place]) -> PlaceKey | Held:
    if hearing.on is None or not place.days or hearing.on in place.days:
        return place.key
    close = any(abs(day - hearing.on) <= _NEXT_DAY for day in place.days)
    if close and all(p.key == place.key for p in rivals):
        return place.key
    days = ", ".join(str(day) for day in place.days)
    return Held(code="REC-DAY", values={"place": place.name, "day": str(hearing.on), "days": days}, claimed=place.key)


def same_day(hearing: Hearing, place: Place) -> bool:
    """Say whether nothing speaks against a radiograph having been shot on a place's day."""
    return hearing.on is None or not place.days or hearing.on in place.days


def same_crew(hearing: Hearing, place: Place) -> bool:
    """Say whether nothing speaks against a radiograph having been shot by a place's crew."""
    return not hearing.crew or not place.crews or hearing.crew in place.crews


def _stated(hearing: Hearing) -> str:
    return name_of(
        (
            hearing.lines[0] if hearing.lines else "",
            hearing.numbers[0] if hearing.numbers else "",
            hearing.events[0] if hearing.events else "",
            hearing.segments[0] if hearing.segments else "",
        )
    )


def _said(hearing: Hearing) -> str:
    """Return who says what, in words: ``the header says W-0117, the file name says W-0171``."""
    names = {"header": "the header", "file_name": "the file name", "folder": "the folder"}
    said: dict[str, dict[str, None]] = defaultdict(dict)
    for statement in hearing.statements:
        if name_of(statement.read.key):
            said[names[statement.witness]][name_of(statement.read.key)] = None
    return "; ".join(f"{who} says {' and '.join(what)}" for who, what in said.items())


# --- radiographs against one another ---------------------------------------------------------------------------


def _contested(
    found: Resolution,
    expected: Expected,
    decided: Mapping[str, PlaceKey],
    confirmed: Mapping[str, frozenset[str]],
) -> None:
    for key, paths in found.filled().items():
        place = expected.places.get(key)
        films = place.films if place else 1
        if len(paths) <= films:
            continue
        for path in paths:
            if path not in decided and "REC-CONTESTED" not in confirmed.get(path, ()):
                others = listed(p for p in paths if p != path)
                found.hold(path, "REC-CONTESTED", place=name_of(key), count=len(paths), films=films, others=others)


def _also_named(
    found: Resolution, expected: Expected, asked: Sequence[Hearing], confirmed: Mapping[str, frozenset[str]]
) -> None:
    """Hold a radiograph with one witness of its own, where another that contradicts itself names the same place."""
    torn = [h for h in asked if (held := found.held.get(h.path)) and held.code == "REC-WITNESSES-DISAGREE"]
    if not torn:
        return
    hearings = {h.path: h for h in asked}
    filled = found.filled()
    for other in torn:
        for key in _named(other, expected):
            for path in filled.get(key, ()):
                mine = hearings.get(path)
                if mine is None or path in found.held or "REC-ALSO-NAMED" in confirmed.get(path, ()):
                    continue
                kinds = {s.witness for s in mine.statements if s.read.number == key[1]} & _OWN
                fit = found.shooting.fit(path, key[:2], expected.order)
                if len(kinds) < len(_OWN) and fit != AMONG:
                    found.hold(path, "REC-ALSO-NAMED", place=name_of(key), other=other.path)


def _named(hearing: Hearing, expected: Expected) -> Iterable[PlaceKey]:
    """Yield every place that any witness of a radiograph names; one that gives no segment names them all."""
    named: dict[PlaceKey, None] = {}
    for read in (s.read for s in hearing.statements if s.read.number):
        for place in expected.by_number.get(read.number, ()):
            if (not hearing.lines or place.key[0] in hearing.lines) and read.segment in ("", place.segment):
                named[place.key] = None
    return named


def _same_bytes(
    found: Resolution,
    same: Iterable[tuple[str, ...]],
    decided: Mapping[str, PlaceKey],
    confirmed: Mapping[str, frozenset[str]],
) -> None:
    for group in same:
        for path in group:
            if path in decided or "REC-SAME-BYTES" in confirmed.get(path, ()):
                continue
            others = listed(p for p in group if p != path)
            held = found.held.pop(path, None)
            if held and held.claimed:
                found.assigned[path] = held.claimed
            found.hold(path, "REC-SAME-BYTES", others=others)


def _swapped(
    found: Resolution,
    expected: Expected,
    decided: Mapping[str, PlaceKey],
    confirmed: Mapping[str, frozenset[str]],
) -> None:
    """Hold two radiographs that stand in each other's place in the order they were made."""
    pairs = found.shooting.swapped(expected.order)
    taken = {path for pair in pairs for path in pair}
    pairs += [pair for pair in _misplaced(found, expected) if not taken & set(pair)]
    for one, other in pairs:
        for path, its_pair in ((one, other), (other, one)):
            if path in found.assigned and path not in decided and "REC-SWAPPED" not in confirmed.get(path, ()):
                place, theirs = name_of(found.claims[path]), name_of(found.claims[its_pair])
                found.hold(path, "REC-SWAPPED", place=place, other=its_pair, theirs=theirs)


def _misplaced(found: Resolution, expected: Expected) -> list[tuple[str, str]]:
    """Return pairs of lone images, of welds with several, out of order both and each in the other's place.

    Two that were made one after the other say nothing: each is beside the other's weld by being beside the other.
    """
    lone = [
        path
        for path, key in found.assigned.items()
        if not key[2]
        and len(expected.by_weld.get(key[:2], ())) > 1
        and found.shooting.fit(path, key[:2], expected.order) == 0
    ]
    pairs: list[tuple[str, str]] = []
    for n, one in enumerate(lone):
        for other in lone[n + 1 :]:
            here, there = found.claims[one], found.claims[other]
            fits = here[:2] != there[:2] and here[3] == there[3] and not found.shooting.adjacent(one, other)
            if fits and all(found.shooting.lies_at(p, w[:2], expected.order) for p, w in ((one, there), (other, here))):
                pairs.append((one, other))
    return pairs


def _empty_neighbours(
    found: Resolution, expected: Expected, asked: Iterable[Hearing], confirmed: Mapping[str, frozenset[str]]
) -> None:
    """Hold a radiograph whose number is an empty place's with digits changed round, unless order speaks for it."""
    filled = found.filled()
    by_weld: dict[WeldKey, list[Place]] = defaultdict(list)
    for place in expected.places.values():
        if place.key not in filled:
            by_weld[place.weld].append(place)
    if not by_weld:
        return
    hearings = {h.path: h for h in asked}
    suspects = [p for p in found.assigned if p in hearings and "REC-EMPTY-PLACE" not in confirmed.get(p, ())]
    numbers = NearNumbers((number for _, number in by_weld), expected.job.numbers)
    for path in suspects:
        key = found.assigned[path]
        for near in numbers.of(key[1]):
            rivals = [p for p in by_weld.get((key[0], near.number), ()) if p.segment == key[3] and p.event == key[2]]
            rivals = [p for p in rivals if same_day(hearings[path], p) and same_crew(hearings[path], p)]
            if rivals and _doubtful(found, expected, path, rivals[0], near.slip):
                found.hold(
                    path,
                    "REC-EMPTY-PLACE",
                    place=name_of(key),
                    empty=rivals[0].name,
                    cell=str(rivals[0].stated_at),
                    why=near.words,
                )
                break


def _doubtful(found: Resolution, expected: Expected, path: str, rival: Place, slip: Slip) -> bool:
    """Say whether ``path`` may show ``rival``: order speaks against its own weld, or is silent on changed digits."""
    here = found.shooting.fit(path, found.claims[path][:2], expected.order)
    there = found.shooting.fit(path, rival.weld, expected.order)
    if here is None or there is None:
        return slip is Slip.TRANSPOSED
    return here == 0 and there > 0
