"""The source on the day of the shot: its decay, its exposures against the technique's others, two places at once."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from datetime import date, datetime
from itertools import pairwise
from statistics import median
from typing import Final

from beadroll.findings import Finding, finding
from beadroll.record.radiograph import Exposure
from beadroll.record.weld import WeldRecord
from beadroll.rules.table import table
from beadroll.rules.week import Week, isotope_of, weld_name

CI_GBQ: Final = 37.0
"""1 Ci = 37 GBq exactly."""
DECAY_TOLERANCE: Final = 0.02
"""Share by which a stated activity may differ: trade charts round half-lives (common practice, no published source)."""
EXPOSURE_TOLERANCE: Final = 0.5
"""Share by which a shot may differ from the median of its technique (common practice, no published source)."""
SAME_SOURCE_MINUTES: Final = 2.0
"""Two shots of one source on two lines within this time cannot both be right (common practice, no published source)."""


def decayed_ci(activity_ci: float, isotope: str, days: float) -> float:
    """Return the activity after ``days``: A = A0 2^(-t / T). Raises ``KeyError`` for an unknown isotope."""
    half_life = {row["isotope"]: row["half_life_d"] for row in table("half_life").rows}[isotope]
    return float(activity_ci * 2 ** (-days / half_life))


def decay(week: Week) -> Iterator[Finding]:
    """Compare the activity stated for a shot with the certificate's, decayed to that day."""
    for weld, exposure, sheet in week.shots():
        item, on = week.equipment.get(exposure.source), exposure.day
        isotope = isotope_of(week, exposure, sheet)
        if item is None or on is None or not isotope or item.activity_ci is None or item.activity_on is None:
            continue
        name = weld_name(weld, exposure.event)
        days = (on - item.activity_on).days
        if days < 0:
            yield finding("RULE-SOURCE-BEFORE", name, serial=item.serial, reference=str(item.activity_on), shot=str(on))
        elif exposure.activity_ci is not None:
            expected = decayed_ci(item.activity_ci, isotope, days)
            allowed = week.limit("RULE-DECAY", DECAY_TOLERANCE)
            if abs(exposure.activity_ci - expected) > allowed * expected:
                yield finding(
                    "RULE-DECAY",
                    name,
                    clause=table("half_life").citation,
                    stated_ci=round(exposure.activity_ci, 2),
                    expected_ci=round(expected, 2),
                    certificate_ci=item.activity_ci,
                    days=days,
                    isotope=isotope,
                    serial=item.serial,
                    percent=round(100 * allowed, 1),
                )


def source_unknown(week: Week) -> Iterator[Finding]:
    """Ask about a source serial number that no certificate of the week carries."""
    for weld, exposure, _ in week.shots():
        if exposure.source and exposure.source not in week.equipment:
            yield finding("RULE-SOURCE-UNKNOWN", weld_name(weld, exposure.event), serial=exposure.source)


def plausible_exposure(week: Week) -> Iterator[Finding]:
    """Compare activity x time / distance^2 of each shot with the median of the same technique, wall and source kind.

    Only groups of at least five shots are compared; a smaller one has no median worth the name.
    """
    groups: dict[tuple[str, float | None], list[tuple[WeldRecord, Exposure, float]]] = defaultdict(list)
    for weld, exposure, sheet in week.shots():
        sfd = exposure.sfd_mm if exposure.sfd_mm is not None else (sheet.sfd_mm if sheet else None)
        if exposure.activity_ci and exposure.exposure_s and sfd:
            given = exposure.activity_ci * exposure.exposure_s / sfd**2
            groups[exposure.technique, weld.weld.wall_mm].append((weld, exposure, given))
    allowed = week.limit("RULE-EXPOSURE", EXPOSURE_TOLERANCE)
    for (technique, _), shots in groups.items():
        if len(shots) < 5:  # noqa: PLR2004 - see above
            continue
        usual = median(given for _, _, given in shots)
        for weld, exposure, given in shots:
            if abs(given / usual - 1) > allowed:
                yield finding(
                    "RULE-EXPOSURE",
                    weld_name(weld, exposure.event),
                    technique=technique,
                    percent=round(100 * given / usual),
                    others=len(shots) - 1,
                )


def two_places(week: Week) -> Iterator[Finding]:
    """Find one source shot on two lines at the same time."""
    shots: dict[str, list[tuple[datetime, WeldRecord, Exposure]]] = defaultdict(list)
    for weld, exposure, _ in week.shots():
        if exposure.source and exposure.exposed_at:
            shots[exposure.source].append((exposure.exposed_at, weld, exposure))
    apart = week.limit("RULE-TWO-PLACES", SAME_SOURCE_MINUTES) * 60
    for serial, made in shots.items():
        made.sort(key=lambda shot: (shot[0], shot[1].weld.id))
        for (first, one, a), (second, other, b) in pairwise(made):
            different = one.weld.id.line != other.weld.id.line or (a.crew and b.crew and a.crew != b.crew)
            if different and (second - first).total_seconds() < apart:
                yield finding(
                    "RULE-TWO-PLACES",
                    weld_name(other, b.event),
                    serial=serial,
                    other=weld_name(one, a.event),
                    time=second.isoformat(timespec="minutes"),
                )


def shots_per_shift(week: Week) -> Iterator[Finding]:
    """Count the welds one crew shot on one day against what a shift can do.

    The default of 60 is deliberately wide (common practice, no published source): a public court case turned on 104
    welds claimed where 10 to 20 a shift were usual.
    """
    done: dict[tuple[str, date], set[str]] = defaultdict(set)
    for weld, exposure, _ in week.shots():
        on = exposure.day
        if exposure.crew and on:
            done[exposure.crew, on].add(weld_name(weld, exposure.event))
    most = week.limit("RULE-SHIFT", 60)
    for (crew, on), welds in sorted(done.items()):
        if len(welds) > most:
            yield finding("RULE-SHIFT", f"crew {crew} on {on}", welds=len(welds), most=int(most))
