"""The counts an operator must keep: girth welds made, examined, rejected, and what became of each reject.

49 CFR 192.243(f) asks for them by milepost, engineering station or geographic feature, 195.266(a) in total; both for
the life of the facility. Pure: works on welds from a week's record or from a catalog alike.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date
from typing import Final

from beadroll.record.handover import HandoverRecord
from beadroll.record.interpretation import DispositionKind, Result
from beadroll.record.weld import EventKind, WeldId, WeldRecord

Z_95: Final = 1.959963984540054
"""The 97.5 % point of the standard normal distribution, for a two-sided 95 % interval."""
NOWHERE: Final = "not stated"


@dataclass(frozen=True, slots=True, kw_only=True)
class CountedWeld:
    """What the counts need of one weld. ``answers`` are the dispositions of its rejects, in order of the readings."""

    id: WeldId
    location: str = ""
    made_on: date | None = None
    stencils: tuple[str, ...] = ()
    techniques: tuple[str, ...] = ()
    examined: bool = False
    rejected: bool = False
    answers: tuple[DispositionKind, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Count:
    """One row of the counts. A rejected weld is counted once, under the weightiest answer it was given.

    ``made >= examined >= rejected`` and ``rejected == repaired + cut_out + concession + open`` hold by construction.
    """

    group: str
    made: int = 0
    examined: int = 0
    rejected: int = 0
    repaired: int = 0
    cut_out: int = 0
    concession: int = 0
    open: int = 0

    @property
    def reject_rate(self) -> tuple[float, float, float] | None:
        """Share of the examined welds that were rejected, with its 95 % Wilson interval; None if none was."""
        if not self.examined:
            return None
        return (self.rejected / self.examined, *wilson(self.rejected, self.examined))


def wilson(hits: int, trials: int, z: float = Z_95) -> tuple[float, float]:
    """Return the Wilson score interval of a share (E. B. Wilson, 1927), so that three welds are not called a trend.

    Raises ``ValueError`` unless ``0 <= hits <= trials`` and ``trials > 0``.
    """
    if trials <= 0 or not 0 <= hits <= trials:
        raise ValueError(f"{hits} of {trials} is no share")
    share, spread = hits / trials, z * z / trials
    middle = (share + spread / 2) / (1 + spread)
    half = z / (1 + spread) * math.sqrt(share * (1 - share) / trials + spread / (4 * trials))
    return (0.0 if hits == 0 else max(0.0, middle - half), 1.0 if hits == trials else min(1.0, middle + half))


def counted(weld: WeldRecord) -> CountedWeld:
    """Return what the counts need of one weld record."""
    made = next((e for e in weld.events if e.kind in (EventKind.WELDED, EventKind.REWELD)), None)
    rejects = [reading.id for reading in weld.interpretations if reading.result is Result.REJ]
    answers = {d.interpretation: d.kind for d in weld.dispositions}
    return CountedWeld(
        id=weld.weld.id,
        location=weld.weld.location,
        made_on=made.on if made else None,
        stencils=made.stencils if made else (),
        techniques=tuple(sorted({e.technique for e in weld.exposures if e.technique})),
        examined=any(reading.result in (Result.ACC, Result.REJ) for reading in weld.interpretations),
        rejected=bool(rejects),
        answers=tuple(answers[reject] for reject in rejects if reject in answers),
    )


def counted_week(record: HandoverRecord) -> tuple[CountedWeld, ...]:
    """Return the countable welds of a week."""
    return tuple(counted(weld) for weld in record.welds)


GROUPS: Final[dict[str, Callable[[CountedWeld], tuple[str, ...]]]] = {
    "line": lambda weld: (weld.id.line or NOWHERE,),
    "location": lambda weld: (weld.location or NOWHERE,),
    "month": lambda weld: (weld.made_on.strftime("%Y-%m") if weld.made_on else NOWHERE,),
    "welder": lambda weld: weld.stencils or (NOWHERE,),
    "technique": lambda weld: weld.techniques or (NOWHERE,),
}
"""What welds may be grouped by. A weld of two welders or techniques stands in both groups, but once in the total."""


def _answer(weld: CountedWeld) -> str:
    for kind, field in (
        (DispositionKind.CUT_OUT, "cut_out"),
        (DispositionKind.REPAIR, "repaired"),
        (DispositionKind.CONCESSION, "concession"),
    ):
        if kind in weld.answers:
            return field
    return "open"


def _count(group: str, welds: Iterable[CountedWeld]) -> Count:
    tally = dict.fromkeys(("made", "examined", "rejected", "repaired", "cut_out", "concession", "open"), 0)
    for weld in welds:
        tally["made"] += 1
        tally["examined"] += weld.examined
        if weld.rejected:
            tally["rejected"] += 1
            tally[_answer(weld)] += 1
    return Count(group=group, **tally)


def count(welds: Iterable[CountedWeld], by: str = "line") -> tuple[tuple[Count, ...], Count]:
    """Return the counts per group, sorted by group, and the total over distinct welds.

    A weld that stands several times (in several handovers) must have been merged by the caller. Raises ``KeyError``
    for a group that ``GROUPS`` does not name.
    """
    groups: dict[str, list[CountedWeld]] = {}
    every = list(welds)
    for weld in every:
        for group in GROUPS[by](weld):
            groups.setdefault(group, []).append(weld)
    return tuple(_count(group, members) for group, members in sorted(groups.items())), _count("total", every)
