"""What happened in the invented week: who welded, shot, read and repaired what, and when.

Pure: days, numbers and names, no files. The week is clean but for its honest mess, which ``Mess`` names. Every person,
firm and number is invented.
"""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from beadroll.demo.bead import Flaw, FlawKind

WEEK: Final = "2031-W14"
MONDAY: Final = date(2031, 3, 31)
ZONE: Final = "Europe/Vienna"
JOB: Final = "VTH-2031-07"
SEGMENTS: Final = ("0-1", "1-2", "2-0")
FEWEST_WELDS: Final = 6
SE75_HALF_LIFE_DAYS: Final = 119.779
"""Half-life of selenium-75 (NUBASE2020)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PipeLine:
    """One line of the contract with the crew that shoots it. Sizes in mm."""

    id: str
    crew: str
    description: str
    nps: str
    outside_diameter_mm: float
    wall_mm: float
    schedule: str
    material: str
    technique: str
    sfd_mm: float
    iqi_required: str
    iqi_seen: str
    first_number: int
    welders: tuple[str, ...]
    radiographer: str
    interpreter: str
    source: str
    activity_ci: float
    activity_on: date
    scanner: str
    densitometer: str
    density: float
    """Optical density of the wall in the middle of a film that is exposed as the technique says."""

    @property
    def circumference_mm(self) -> float:
        """Length of a girth weld."""
        return math.pi * self.outside_diameter_mm

    def activity(self, on: date) -> float:
        """Return the source's activity that day in Ci."""
        return self.activity_ci * 2 ** (-(on - self.activity_on).days / SE75_HALF_LIFE_DAYS)


LINES: Final = (
    PipeLine(
        id="LN-204",
        crew="A",
        description="Ring main, east leg, supply",
        nps="12",
        outside_diameter_mm=323.8,
        wall_mm=9.53,
        schedule="STD",
        material="P265GH",
        technique="T-204",
        sfd_mm=450.0,
        iqi_required="W13",
        iqi_seen="W14",
        first_number=115,
        welders=("7K", "4M"),
        radiographer="IVA",
        interpreter="OLI",
        source="SE-4471",
        activity_ci=62.0,
        activity_on=date(2031, 3, 3),
        scanner="FD-118",
        densitometer="DM-33",
        density=3.75,
    ),
    PipeLine(
        id="LN-207",
        crew="B",
        description="Ring main, bath house branch",
        nps="8",
        outside_diameter_mm=219.1,
        wall_mm=8.18,
        schedule="40",
        material="P265GH",
        technique="T-207",
        sfd_mm=350.0,
        iqi_required="W14",
        iqi_seen="W14",
        first_number=211,
        welders=("2F", "9C"),
        radiographer="TRE",
        interpreter="PSA",
        source="SE-4508",
        activity_ci=48.5,
        activity_on=date(2031, 2, 17),
        scanner="FD-121",
        densitometer="DM-35",
        density=4.0,
    ),
)

REVIEWER: Final = "MDU"
REPAIR_WELDER: Final = "9C"


@dataclass(frozen=True, slots=True, kw_only=True)
class StoryWeld:
    """One row of the weld log."""

    line: PipeLine
    number: str
    welded_on: date
    welder: str
    flaws: tuple[Flaw, ...] = ()
    repaired_on: date | None = None
    repair_welder: str = ""
    repair_mm: tuple[float, float] = (0.0, 0.0)
    cut_out_on: date | None = None
    replaces: str = ""
    remark: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One line of a reader sheet."""

    report: str
    result: str
    read_on: date
    reviewed_on: date
    flaw: Flaw | None = None
    disposition: str = ""
    remark: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoryShot:
    """One film. ``label`` is R1, RS1 or empty; ``header_number`` is what the scanner's operator typed."""

    weld: StoryWeld
    label: str
    segment: int
    exposed_at: datetime
    file: str
    header_number: str
    density: float
    reading: Reading | None

    @property
    def on(self) -> date:
        """The day it was shot."""
        return self.exposed_at.date()

    @property
    def marks(self) -> tuple[str, str]:
        """The location markers."""
        first, last = SEGMENTS[self.segment].split("-")
        return first, last

    @property
    def span_mm(self) -> tuple[float, float]:
        """Where the markers stand, from the datum along the weld."""
        part = self.weld.line.circumference_mm / len(SEGMENTS)
        return self.segment * part, (self.segment + 1) * part


@dataclass(frozen=True, slots=True, kw_only=True)
class Story:
    """The week: welds in the order of the log, films in the order of exposure."""

    welds: tuple[StoryWeld, ...]
    shots: tuple[StoryShot, ...]


@dataclass(frozen=True, slots=True)
class Mess:
    """The week's honest mess, by weld number."""

    repaired: str = "W-0117"
    reshot: str = "W-0116"
    doubled: str = "W-0115"
    cut_out: str = "W-0212"
    reweld: str = "W-0212RW1"
    transposed: str = "W-0213"
    transposed_to: str = "W-0231"


MESS: Final = Mess()
_LOW_DENSITY: Final = 2.0


def tell(welds: int, seed: int) -> Story:
    """Return the week's story with so many welds, half of them on either line. Raises ``ValueError`` below six."""
    if welds < FEWEST_WELDS:
        raise ValueError(f"the demo week needs at least {FEWEST_WELDS} welds for its story, not {welds}")
    log: list[StoryWeld] = []
    shots: list[StoryShot] = []
    for line, count in zip(LINES, (welds - welds // 2, welds // 2), strict=True):
        made = _welds(line, count, seed)
        log += made
        shots += _Crew(line=line, welds=made).week()
    return Story(welds=tuple(log), shots=tuple(shots))


def _welds(line: PipeLine, count: int, seed: int) -> list[StoryWeld]:
    made = []
    for place in range(count):
        number = f"W-{line.first_number + place:04d}"
        # A weld whose story takes the whole week is welded early; the others are spread from Monday to Wednesday.
        day = {MESS.repaired: 1, MESS.reshot: 0, MESS.cut_out: 0}.get(number, place * 3 // count)
        weld = StoryWeld(
            line=line,
            number=number,
            welded_on=MONDAY + timedelta(days=day),
            welder=line.welders[place % 2],
            flaws=_small_flaws(line, number, seed),
        )
        made += _with_fate(weld)
    return made


def _small_flaws(line: PipeLine, number: str, seed: int) -> tuple[Flaw, ...]:
    """Return the small pores that many a sound weld has."""
    rng = np.random.default_rng([seed, zlib.crc32(f"{line.id} {number}".encode())])
    if rng.random() < 0.55:  # noqa: PLR2004 - somewhat more than half have none
        return ()
    part = line.circumference_mm / len(SEGMENTS)
    place = int(rng.integers(0, 3)) * part + rng.uniform(0.3, 0.85) * part
    size = round(float(rng.uniform(0.7, 1.3)), 1)
    return (Flaw(kind=FlawKind.PORE, position_mm=float(round(place)), length_mm=size, size_mm=size),)


def _with_fate(weld: StoryWeld) -> list[StoryWeld]:
    """Return the weld with what befell it; for the cut-out one also its reweld."""
    if weld.number == MESS.repaired:
        flaw = Flaw(kind=FlawKind.LACK_OF_PENETRATION, position_mm=452.0, length_mm=34.0, size_mm=1.2)
        return [
            replace(
                weld,
                flaws=(flaw,),
                repaired_on=weld.welded_on + timedelta(days=3),
                repair_welder=REPAIR_WELDER,
                repair_mm=(440.0, 498.0),
                remark="R1: 440 to 498 mm",
            )
        ]
    if weld.number == MESS.cut_out:
        flaws = (
            Flaw(kind=FlawKind.SLAG, position_mm=48.0, length_mm=96.0, size_mm=1.6),
            Flaw(kind=FlawKind.CLUSTER, position_mm=318.0, length_mm=16.0, size_mm=1.9),
        )
        cut = weld.welded_on + timedelta(days=2)
        new = StoryWeld(
            line=weld.line,
            number=MESS.reweld,
            welded_on=cut + timedelta(days=1),
            welder=weld.line.welders[1],
            replaces=MESS.cut_out,
        )
        return [replace(weld, flaws=flaws, cut_out_on=cut, remark="cut out, rewelded"), new]
    if weld.number in (MESS.reshot, MESS.doubled, MESS.transposed):
        return [replace(weld, flaws=())]
    return [weld]


@dataclass(slots=True, kw_only=True)
class _Crew:
    """One crew's week: shoots each weld the day after it was welded, reads the same day."""

    line: PipeLine
    welds: list[StoryWeld]
    wanted: dict[date, list[tuple[StoryWeld, str, int]]] = field(default_factory=dict)

    def week(self) -> list[StoryShot]:
        """Return the crew's films in the order they were shot."""
        for weld in self.welds:
            first = weld.welded_on + timedelta(days=1)
            for segment in range(len(SEGMENTS)):
                self._plan(first, weld, "", segment)
                if weld.number == MESS.doubled and segment == 0:
                    self._plan(first, weld, "again", segment)
            if weld.number == MESS.reshot:
                self._plan(first + timedelta(days=1), weld, "RS1", 1)
            if weld.repaired_on:
                self._plan(weld.repaired_on + timedelta(days=1), weld, "R1", 1)
        return [shot for day in sorted(self.wanted) for shot in self._day(day)]

    def _plan(self, day: date, weld: StoryWeld, label: str, segment: int) -> None:
        self.wanted.setdefault(day, []).append((weld, label, segment))

    def _day(self, day: date) -> list[StoryShot]:
        plan = self.wanted[day]
        # Eight minutes from film to film, closer in a week blown up for a trial of size.
        every = min(480, 54_000 // len(plan))
        start = datetime.combine(day, time(7, 10 if self.line.crew == "A" else 25), ZoneInfo(ZONE))
        return [
            self._shot(weld, label, segment, start + timedelta(seconds=every * place))
            for place, (weld, label, segment) in enumerate(plan)
        ]

    def _shot(self, weld: StoryWeld, label: str, segment: int, at: datetime) -> StoryShot:
        again = label == "again"
        label = "" if again else label
        low = weld.number == MESS.reshot and not label and segment == 1
        turned = weld.number == MESS.transposed and segment == 2  # noqa: PLR2004 - the last segment
        return StoryShot(
            weld=weld,
            label=label,
            segment=segment,
            exposed_at=at,
            file=self._file(weld, label, segment, at.date(), again=again),
            header_number=MESS.transposed_to if turned else weld.number + label,
            density=_LOW_DENSITY if low else self.line.density,
            reading=None if again else self._reading(weld, label, segment, at.date(), low=low),
        )

    def _file(self, weld: StoryWeld, label: str, segment: int, on: date, *, again: bool) -> str:
        folder = f"crews/{self.line.crew}/{on.isoformat()}"
        if self.line.crew == "A":
            name = f"{weld.line.id}_{weld.number}{label}_{SEGMENTS[segment]}".replace("LN-", "LN").replace("W-", "W")
            return f"{folder}/{name}{'_b' if again else ''}.tif"
        return f"{folder}/{weld.number}{label}_{SEGMENTS[segment]}.dcm"

    def _reading(self, weld: StoryWeld, label: str, segment: int, on: date, *, low: bool) -> Reading:
        part = weld.line.circumference_mm / len(SEGMENTS)
        flaw = next((f for f in weld.flaws if int(f.position_mm // part) == segment), None)
        sound = Reading(
            report=f"RS-{self.line.crew}-{on:%m%d}",
            result="ACC",
            read_on=on,
            reviewed_on=on + timedelta(days=1),
        )
        if low:
            return replace(sound, result="RS", disposition="reshoot", remark="film density too low")
        if label == "R1" or flaw is None:
            return sound
        if weld.number == MESS.repaired:
            return replace(sound, result="REJ", flaw=flaw, disposition="repair R1")
        if weld.number == MESS.cut_out:
            return replace(sound, result="REJ", flaw=flaw, disposition="cut out")
        return replace(sound, flaw=flaw)
