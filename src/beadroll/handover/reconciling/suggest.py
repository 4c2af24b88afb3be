"""Where a held radiograph may belong, best first, each suggestion with its reasons in words.

A suggestion's score is the sum of what each witness adds or takes, in the points of ``POINTS``; a reason stands beside
every point that counts. The points order suggestions and nothing else: no score assigns a radiograph.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from types import MappingProxyType
from typing import Final

from beadroll.handover.reconciling.coverage import gaps
from beadroll.handover.reconciling.expected import Expected, Place, PlaceKey, WeldKey
from beadroll.handover.reconciling.nearness import Near, Slip
from beadroll.handover.reconciling.order import AMONG
from beadroll.handover.reconciling.resolve import Resolution
from beadroll.handover.reconciling.witnesses import Hearing
from beadroll.handover.stages import Suggestion
from beadroll.record.radiograph import Witness

POINTS: Final = MappingProxyType(
    {
        "stated": 4.0,  # a witness of the radiograph names this weld
        "header": 0.5,  # the header does: it is written when the image is made, a file name often later by hand
        "company": 2.5,  # other held radiographs name other segments of the same weld: no slip of one keystroke
        "transposed": 2.6,
        "one_digit": 1.6,
        "length": 1.6,
        "prefix": 1.6,
        "unnamed": -3.0,  # nothing the radiograph says is near this number
        "segment": 1.5,
        "segment_other": -2.5,
        "event": 1.0,
        "event_other": -1.5,
        "line_other": -2.0,
        "day": 1.5,
        "day_other": -2.5,
        "empty": 2.0,  # the place has no radiograph
        "filled": -4.0,  # the place has all it needs from others
        "order_among": 2.5,
        "order_between": 3.0,
        "order_against": -2.0,
        "unlogged": -4.0,
        "listed": 2.0,  # a sheet line says the same, and no other radiograph claims it
        "no_line": -1.0,  # no sheet line lists it
        "gap": 3.0,  # the sheets list the other segments of that weld and state, and not this one
        "slip": 3.0,  # a sheet line without a radiograph may be a slip for it
        "exchange": 12.0,  # exchanging names with the other of a swapped pair puts both among their own welds
        "alone": -2.0,  # no sheet line lists another segment of that weld and state
    }
)
"""What each kind of evidence adds to a suggestion; set on synthetic weeks, not on those used to report."""
MOST: Final = 5
_SLIPS: Final = {
    Slip.TRANSPOSED: "transposed",
    Slip.ONE_DIGIT: "one_digit",
    Slip.LENGTH: "length",
    Slip.PREFIX: "prefix",
}


@dataclass(slots=True)
class _Tally:
    """The points and words gathered for one place."""

    score: float = 0.0
    words: list[str] = field(default_factory=list)

    def add(self, kind: str, words: str = "") -> None:
        self.score += POINTS[kind]
        if words:
            self.words.append(words)


class Suggesting:
    """Ranks places for held radiographs. Made once a week; each radiograph costs a few dozen look-ups."""

    def __init__(self, expected: Expected, found: Resolution, hearings: Iterable[Hearing]) -> None:
        """Look up once which places are filled, which stand empty on each day, and what held radiographs name."""
        self._expected = expected
        self._found = found
        self._filled = found.filled()
        self._named: dict[str, set[str]] = defaultdict(set)
        for hearing in hearings:
            if hearing.path in found.held:
                for number in hearing.numbers:
                    self._named[number].update(hearing.segments)
        self._claims_on: dict[PlaceKey, int] = defaultdict(int)
        for key in found.claims.values():
            self._claims_on[key] += 1
        self._empty_on: dict[tuple[str, date], list[Place]] = defaultdict(list)
        for place in expected.places.values():
            if not self._taken(place):
                for day in place.days:
                    for crew in place.crews or ("",):
                        self._empty_on[crew, day].append(place)

    def _taken(self, place: Place) -> bool:
        return len(self._filled.get(place.key, ())) >= place.films

    def of(self, hearing: Hearing) -> tuple[Suggestion, ...]:
        """Return the suggestions for one radiograph, best first."""
        numbers = hearing.numbers
        near = {n.number: n for number in numbers for n in self._found.near.of(number) if n.number not in numbers}
        made = []
        for key in self._candidates(hearing, near):
            tally = self._weigh(hearing, key, near.get(key[1]))
            made.append((tally.score, key, tally.words))
        made.sort(key=lambda item: (-item[0], item[1]))
        return tuple(
            Suggestion(
                line=key[0],
                number=key[1],
                event=key[2],
                segment=key[3],
                reason="; ".join(words) or "nothing speaks against it",
                score=round(score, 2),
            )
            for score, key, words in made[:MOST]
        )

    # --- which places come into question ---------------------------------------------------------------------

    def _candidates(self, hearing: Hearing, near: Mapping[str, Near]) -> Iterable[PlaceKey]:
        keys: dict[PlaceKey, None] = {}
        for number in (*hearing.numbers, *near):
            for place in self._expected.by_number.get(number, ()):
                keys[place.key] = None
        if hearing.on is not None:
            for place in self._empty_on.get((hearing.crew, hearing.on), ()):
                keys[place.key] = None
        for weld in self._found.shooting.neighbours(hearing.path):
            for place in self._expected.by_weld.get(weld, ()) if weld else ():
                if not self._taken(place):
                    keys[place.key] = None
        if partner := self._partner_place(hearing):
            keys[partner] = None
        for key in self._as_stated(hearing, near):
            keys.setdefault(key)
        return keys

    def _as_stated(self, hearing: Hearing, near: Mapping[str, Near]) -> Iterable[PlaceKey]:
        """Yield what the radiograph says it is, and what the log has near that, where no sheet lists them."""
        segment = hearing.segments[0] if hearing.segments else ""
        event = hearing.events[0] if hearing.events else ""
        for number in hearing.numbers:
            for line in hearing.lines or self._expected.lines_of.get(number, ()) or self._only_line():
                yield line, number, event, segment
        for number in near:
            if number not in self._expected.by_number:
                for line in self._expected.lines_of.get(number, ()):
                    yield line, number, event, segment

    def _only_line(self) -> tuple[str, ...]:
        return self._expected.line_names if len(self._expected.line_names) == 1 else ()

    def _partner_place(self, hearing: Hearing) -> PlaceKey | None:
        held = self._found.held.get(hearing.path)
        if held is None or held.code != "REC-SWAPPED":
            return None
        return self._found.claims.get(str(held.values["other"]))

    # --- what speaks for and against one place ------------------------------------------------------------------

    def _weigh(self, hearing: Hearing, key: PlaceKey, near: Near | None) -> _Tally:
        tally = _Tally()
        place = self._expected.places.get(key)
        self._weigh_number(tally, hearing, key, near)
        self._weigh_parts(tally, hearing, key)
        self._weigh_order(tally, hearing, key[:2])
        if key == self._partner_place(hearing):
            tally.add("exchange", "exchanged with the other, both lie among their own welds")
        if place is None:
            self._weigh_unlisted(tally, hearing, key)
        else:
            self._weigh_place(tally, hearing, place)
        if self._expected.has_log and key[:2] not in self._expected.logged:
            tally.add("unlogged", f"{key[1]} is not in the weld log for line {key[0]}")
        return tally

    def _weigh_number(self, tally: _Tally, hearing: Hearing, key: PlaceKey, near: Near | None) -> None:
        saying = {s.witness for s in hearing.statements if s.read.number == key[1]}
        if key[1] in hearing.numbers:
            who = " and ".join(sorted(_WORDS[w] for w in saying))
            tally.add("stated", f"{who} says {key[1]}" if len(hearing.numbers) > 1 and who else "")
            if self._named[key[1]] - set(hearing.segments):
                tally.add("company")
            if Witness.HEADER in saying and len(hearing.numbers) > 1:
                tally.add("header")
        elif near is not None:
            theirs = next(n for n in hearing.numbers if any(x.number == key[1] for x in self._found.near.of(n)))
            tally.add(_SLIPS[near.slip], f"{near.words}: {self._about(theirs, key[0])}")
        else:
            tally.add("unnamed")

    def _about(self, number: str, line: str) -> str:
        """Return what the papers say of a number that may be a slip."""
        if self._expected.has_log and (line, number) not in self._expected.logged:
            return f"{number} is not in the weld log for this line"
        if (line, number) not in self._expected.by_weld:
            return f"{number} is on no reader sheet for this line"
        return f"{number} has a radiograph of its own" if self._crowded(line, number) else f"it says {number}"

    def _crowded(self, line: str, number: str) -> bool:
        return any(self._claims_on[p.key] > p.films for p in self._expected.by_weld.get((line, number), ()))

    def _weigh_parts(self, tally: _Tally, hearing: Hearing, key: PlaceKey) -> None:
        if hearing.segments:
            tally.add(
                *(("segment",) if key[3] in hearing.segments else ("segment_other", f"it says {hearing.segments[0]}"))
            )
        if key[2] in (hearing.events or ("",)):
            tally.add("event")
        else:
            said = f"its suffix is {hearing.events[0]}" if hearing.events else "it carries no suffix"
            tally.add("event_other", said)
        if hearing.lines and key[0] not in hearing.lines:
            tally.add("line_other", f"it says line {hearing.lines[0]}")

    def _weigh_place(self, tally: _Tally, hearing: Hearing, place: Place) -> None:
        if hearing.on is not None and place.days:
            same = hearing.on in place.days and (not hearing.crew or not place.crews or hearing.crew in place.crews)
            tally.add(*(("day",) if same else ("day_other", "the sheet has it with another day or crew")))
        others = [p for p in self._filled.get(place.key, ()) if p != hearing.path]
        if len(others) >= place.films:
            tally.add("filled", "that place has its radiograph")
        elif self._others_claim(hearing, place):
            tally.words.append("another radiograph says the same")
        else:
            tally.add("empty", "that sheet line has no other radiograph")
            if place.key[1] in hearing.numbers and len(hearing.numbers) == 1:
                tally.add("listed")
        siblings = [p for p in self._expected.by_weld[place.weld] if p.event == place.event]
        if len(siblings) == 1 and not place.event and gaps([place.segment]):
            tally.add("alone", "no other segment of it is on a sheet")

    def _weigh_unlisted(self, tally: _Tally, hearing: Hearing, key: PlaceKey) -> None:
        """Weigh a place that no sheet line lists: the line may be missing, or written with a slip."""
        tally.add("no_line", "no reader-sheet line lists it")
        segments = [p.segment for p in self._expected.by_weld.get(key[:2], ()) if p.event == key[2]]
        if segments and gaps([*segments, key[3]]) != gaps(segments) and not gaps([*segments, key[3]]):
            tally.add("gap", f"the sheets list {', '.join(segments)} of that weld, and {key[3]} is missing there")
        if key[1] not in hearing.numbers:
            return
        for near in self._found.near.of(key[1]):
            place = self._expected.places.get((key[0], near.number, key[2], key[3]))
            if place and self._a_slip(hearing, place):
                tally.add("slip", f"{place.stated_at} says {near.number}: {near.words} there")
                return

    def _a_slip(self, hearing: Hearing, place: Place) -> bool:
        """Say whether a sheet line may be the slip: of this day, without a radiograph or listed once too often."""
        if hearing.on is not None and place.days and hearing.on not in place.days:
            return False
        return not self._claims_on[place.key] or len(place.lines) > place.films

    def _others_claim(self, hearing: Hearing, place: Place) -> bool:
        mine = self._found.claims.get(hearing.path) == place.key
        return self._claims_on[place.key] - mine >= place.films

    def _weigh_order(self, tally: _Tally, hearing: Hearing, weld: WeldKey) -> None:
        fit = self._found.shooting.fit(hearing.path, weld, self._expected.order)
        if fit is None:
            return
        before, after = self._found.shooting.neighbours(hearing.path)
        names = " and ".join(dict.fromkeys(w[1] for w in (before, after) if w))
        if fit:
            words = (
                f"its neighbours in shooting order are {names}" if " and " in names else f"it was shot beside {names}"
            )
            tally.add("order_among" if fit == AMONG else "order_between", words)
        else:
            tally.add("order_against", f"it was shot beside {names}")


_WORDS: Final = {
    Witness.HEADER: "the header",
    Witness.FILE_NAME: "the file name",
    Witness.FOLDER: "the folder",
}
