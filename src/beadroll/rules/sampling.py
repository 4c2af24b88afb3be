"""How many welds are examined, how often one is repaired, and what a regulation says of a length."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator
from datetime import date
from typing import Final

from beadroll.findings import Finding, finding
from beadroll.record.interpretation import DispositionKind, Result
from beadroll.record.weld import EventKind, WeldRecord
from beadroll.rules.table import table
from beadroll.rules.week import Week, weld_name

CRACK_SHARE: Final = 0.08
"""A weld with a crack longer than eight per cent of its length is removed (49 CFR 192.245(a))."""
CFR_192: Final = "49 CFR 192"
CFR_195: Final = "49 CFR 195"


def sample_size(population: int, percent: int) -> int:
    """Return the least number of welds to examine: percent of the population, rounded up, in whole numbers.

    49 CFR 192.243(d). Whole-number arithmetic, since floats overshoot (100 x 0.07 rounds up to 8).
    """
    return -(-population * percent // 100)


def weld_length_mm(outside_diameter_mm: float) -> float:
    """Return the length of a girth weld, pi x OD, in mm."""
    return math.pi * outside_diameter_mm


def crack_limit_mm(outside_diameter_mm: float) -> float:
    """Return the crack length in mm beyond which a weld must be removed (49 CFR 192.245(a))."""
    return CRACK_SHARE * weld_length_mm(outside_diameter_mm)


def _made(weld: WeldRecord) -> tuple[date, tuple[str, ...]] | None:
    for event in weld.events:
        if event.kind in (EventKind.WELDED, EventKind.REWELD) and event.on:
            return event.on, event.stencils
    return None


def percentage(week: Week) -> Iterator[Finding]:
    """Count the examined welds of each line and day (or welder and day under part 195) against the line's percentage.

    Only welds made within the handover's period are counted: of earlier ones the record may hold a part only.
    """
    job, period = week.record.job, week.record.handover.period
    by_welder = job.regulation.startswith(CFR_195)
    percents = {line.id: line.examination_percent for line in job.lines}
    groups: dict[tuple[str, date, str], list[WeldRecord]] = defaultdict(list)
    for weld in week.record.welds:
        made = _made(weld)
        if made is None or not period.first <= made[0] <= period.last:
            continue
        for welder in sorted(set(made[1])) if by_welder and made[1] else [""]:
            groups[weld.weld.id.line, made[0], welder].append(weld)
    for (line, day, welder), welds in sorted(groups.items()):
        need = sample_size(len(welds), int(week.limit("RULE-PERCENTAGE", percents.get(line, 100))))
        examined = sum(1 for weld in welds if weld.interpretations)
        if examined < need:
            who = f" by welder {welder}" if welder else ""
            yield finding(
                "RULE-PERCENTAGE",
                f"{line} on {day}{who}",
                clause=table("sampling").citation if job.regulation else "",
                made=len(welds),
                examined=examined,
                need=need,
                percent=percents.get(line, 100),
            )


def each_welder(week: Week) -> Iterator[Finding]:
    """Check that a sample of each welder's work of each day was examined (49 CFR 192.243(e))."""
    if not week.record.job.regulation.startswith(CFR_192):
        return
    period = week.record.handover.period
    work: dict[tuple[str, date], list[WeldRecord]] = defaultdict(list)
    for weld in week.record.welds:
        made = _made(weld)
        if made and period.first <= made[0] <= period.last:
            for stencil in made[1]:
                work[stencil, made[0]].append(weld)
    for (stencil, day), welds in sorted(work.items()):
        if not any(weld.interpretations for weld in welds):
            yield finding("RULE-EACH-WELDER", stencil, clause="49 CFR 192.243(e)", day=str(day), made=len(welds))


def crack_length(week: Week) -> Iterator[Finding]:
    """Find cracks longer than the limit that were not answered by a cut-out (49 CFR 192.245(a))."""
    if not week.record.job.regulation.startswith(CFR_192):
        return
    for weld in week.record.welds:
        diameter = week.diameter_mm(weld)
        if diameter is None:
            continue
        answers = {d.interpretation: d.kind for d in weld.dispositions}
        limit = week.limit("RULE-CRACK", crack_limit_mm(diameter))
        for reading in weld.interpretations:
            length = sum(i.length_mm or 0.0 for i in reading.indications if i.iso6520.startswith("10"))
            if length > limit and answers.get(reading.id) is not DispositionKind.CUT_OUT:
                yield finding(
                    "RULE-CRACK",
                    weld_name(weld, reading.event, reading.segment),
                    clause="49 CFR 192.245(a)",
                    length_mm=length,
                    limit_mm=round(limit, 2),
                    diameter_mm=diameter,
                )


def crack_accepted(week: Week) -> Iterator[Finding]:
    """Ask about a radiograph marked ACC that reports a crack."""
    for weld, reading, _, _ in week.readings():
        if reading.result is Result.ACC and any(i.iso6520.startswith("10") for i in reading.indications):
            yield finding("RULE-CRACK-ACC", weld_name(weld, reading.event, reading.segment))


def accepted_length(week: Week) -> Iterator[Finding]:
    """Ask about an indication marked ACC whose stated length exceeds API 1104's longest single length."""
    if not week.record.job.code.standard.casefold().startswith("api 1104"):
        return
    limits = table("api1104_lengths")
    longest = {row["iso6520"]: row for row in limits.rows}
    for weld, reading, _, _ in week.readings():
        for item in reading.indications:
            row = longest.get(item.iso6520)
            if row is None or item.length_mm is None or reading.result is not Result.ACC:
                continue
            limit = week.limit("RULE-LENGTH-ACC", row["longest_mm"])
            if item.length_mm > limit:
                yield finding(
                    "RULE-LENGTH-ACC",
                    weld_name(weld, reading.event, reading.segment),
                    clause=limits.citation,
                    name=row["name"],
                    length_mm=item.length_mm,
                    limit_mm=limit,
                )


def retention(week: Week) -> Iterator[Finding]:
    """Ask where the job's retention is shorter than a regulation's (49 CFR 192.243(f), 195.266)."""
    job = week.record.job
    if job.regulation.startswith((CFR_192, CFR_195)) and not job.retention.casefold().startswith("life"):
        clause = "49 CFR 192.243(f)" if job.regulation.startswith(CFR_192) else "49 CFR 195.266"
        yield finding("RULE-RETENTION", job.id, clause=clause, retention=job.retention)
