"""The chain of each weld's record: what must hold between welding, shots, readings, dispositions and signatures.

Each rule is one function: a weld's record in, findings out, with the row each is about. They are rules of order and
completeness that need no code's tables (common practice of auditors, no published source, but for T-285 of ASME V,
which wants evaluation after the shot). The contract may switch a rule off by its code. Refuses to judge a weld.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from typing import Final

from beadroll.findings import Finding, finding
from beadroll.handover.reconciling.compose import latest_readings, ordering
from beadroll.handover.reconciling.coverage import gaps, overlaps
from beadroll.handover.reconciling.dispositions import kind_in
from beadroll.handover.reconciling.expected import Expected, WeldKey
from beadroll.handover.reconciling.witnesses import Hearing, moment_of
from beadroll.record.handover import HandoverRecord
from beadroll.record.interpretation import DispositionKind, Interpretation, Result
from beadroll.record.number import repair_of, reshoot_of, state_of
from beadroll.record.people import Role
from beadroll.record.radiograph import Origin
from beadroll.record.weld import EventKind, WeldEvent, WeldId, WeldRecord

Told = tuple[str, Finding]
"""The row or weld a finding is about, and the finding."""
_LISTED: Final = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Context:
    """The week around a weld's record."""

    record: HandoverRecord
    expected: Expected
    hearings: Mapping[str, Hearing]
    welds: Mapping[WeldId, WeldRecord]
    spoken: Mapping[WeldKey, Sequence[str]]
    """Segments that radiographs name, by weld: a held one is asked about already, and not missed here."""


Rule = Callable[[WeldRecord, Context], Iterable[Told]]


def check(record: HandoverRecord, expected: Expected, hearings: Sequence[Hearing]) -> list[Told]:
    """Return what the chain's rules find, weld by weld, without those that the job switches off."""
    context = Context(
        record=record,
        expected=expected,
        hearings={h.path: h for h in hearings},
        welds={w.weld.id: w for w in record.welds},
        spoken=_spoken(hearings, expected),
    )
    found = [told for weld in record.welds for rule in RULES for told in rule(weld, context)]
    found += _not_shot(context)
    return [told for told in found if told[1].code not in record.job.rules_off]


def _spoken(hearings: Sequence[Hearing], expected: Expected) -> Mapping[WeldKey, Sequence[str]]:
    found: dict[WeldKey, list[str]] = defaultdict(list)
    for hearing in hearings:
        if not hearing.events:
            for number in hearing.numbers:
                for line in hearing.lines or _one(expected.lines_of.get(number, ())):
                    found[line, number] += hearing.segments
    return found


def _one(lines: tuple[str, ...]) -> tuple[str, ...]:
    """Return the line of a number that stands on one line only."""
    return lines if len(lines) == 1 else ()


def _row(reading: Interpretation, weld: WeldRecord) -> str:
    return str(reading.stated_at[0]) if reading.stated_at else str(weld.weld.id)


def _name(weld: WeldRecord, reading: Interpretation) -> str:
    return " ".join(part for part in (str(weld.weld.id), reading.event, reading.segment) if part)


def _event(weld: WeldRecord, state: str) -> WeldEvent | None:
    return next((e for e in weld.events if e.label == state and e.kind is not EventKind.CUT_OUT), None)


# --- dates -----------------------------------------------------------------------------------------------------


def chronology(weld: WeldRecord, context: Context) -> Iterable[Told]:
    """Welded <= shot <= read <= reviewed <= handed over, for each reading of each state."""
    pattern = context.record.job.numbers
    images = {r.id: r for r in weld.radiographs}
    shots = {e.id: e for e in weld.exposures}
    for reading in weld.interpretations:
        image = images.get(reading.radiograph)
        shot = shots.get(image.exposure) if image else None
        event = _event(weld, state_of(reading.event, pattern))
        made = "repaired" if event and event.kind is EventKind.REPAIR else "welded"
        shot_on = (shot.exposed_on or (shot.exposed_at.date() if shot.exposed_at else None)) if shot else None
        steps = [
            (made, event.on if event else None),
            ("shot", shot_on),
            ("read", reading.read_on),
            ("reviewed", _reviewed_on(weld, reading)),
            ("handed over", context.record.handover.dated),
        ]
        yield from _disorder([(what, on) for what, on in steps if on], _name(weld, reading), _row(reading, weld))


def _reviewed_on(weld: WeldRecord, reading: Interpretation) -> date | None:
    signed = [s for s in weld.sign_offs if s.role is Role.REVIEWER and set(s.stated_at) & set(reading.stated_at)]
    return signed[0].on if signed else None


def _disorder(steps: Sequence[tuple[str, date]], name: str, row: str) -> Iterable[Told]:
    for (what, on), (then, later) in pairwise(steps):
        if later < on:
            yield row, finding("CHN-ORDER", name, what=what, on=str(on), then=then, later=str(later))


def image_dates(weld: WeldRecord, context: Context) -> Iterable[Told]:
    """Hold that an image bears the day of its shot; a film is scanned on that day or later, never before."""
    shots = {e.id: e for e in weld.exposures}
    for image in weld.radiographs:
        hearing, shot = context.hearings.get(image.delivered_as), shots.get(image.exposure)
        moment = moment_of(hearing.radiograph.facts) if hearing else None
        if moment is None or shot is None or shot.exposed_on is None:
            continue
        days = (moment.date() - shot.exposed_on).days
        film = image.origin is Origin.FILM_DIGITISED
        # A night shift's images may bear the next day; a zone's difference may make it the day before.
        if days < -1 or (not film and days > 1):
            yield (
                image.delivered_as,
                finding(
                    "CHN-IMAGE-DATE",
                    image.delivered_as,
                    place=" ".join(p for p in (str(weld.weld.id), image.event, image.segment) if p),
                    image=str(moment.date()),
                    sheet=str(shot.exposed_on),
                ),
            )


# --- rejects, repairs, reshoots, cut-outs ----------------------------------------------------------------------


def rejects_answered(weld: WeldRecord, context: Context) -> Iterable[Told]:
    """Every REJ has exactly one disposition, and what was decided is what happened."""
    answered = {d.interpretation: d for d in weld.dispositions}
    cut_out = any(e.kind is EventKind.CUT_OUT for e in weld.events)
    pattern = context.record.job.numbers
    for reading in weld.interpretations:
        if reading.result is not Result.REJ:
            continue
        disposition = answered.get(reading.id)
        if disposition is None:
            yield _row(reading, weld), finding("CHN-REJECT-OPEN", _name(weld, reading))
        elif disposition.kind is DispositionKind.REPAIR and cut_out and not _repaired_after(weld, reading, context):
            yield _row(reading, weld), finding("CHN-REJECT-TWO-WAYS", _name(weld, reading), said=disposition.event)
        elif disposition.kind is DispositionKind.CUT_OUT and _event(weld, _next_repair(reading, context)):
            said = f"{repair_of(reading.event, pattern) + 1}"
            yield _row(reading, weld), finding("CHN-CUT-OUT-REPAIRED", _name(weld, reading), repair=said)


def _next_repair(reading: Interpretation, context: Context) -> str:
    pattern = context.record.job.numbers
    letters = next((s.letters.upper() for s in pattern.suffixes if s.meaning == "repair"), "R")
    return f"{letters}{repair_of(reading.event, pattern) + 1}"


def _repaired_after(weld: WeldRecord, reading: Interpretation, context: Context) -> bool:
    return _event(weld, _next_repair(reading, context)) is not None


def repairs_shot(weld: WeldRecord, context: Context) -> Iterable[Told]:
    """Every repair made has a later reading of at least the segment that was rejected."""
    pattern = context.record.job.numbers
    answered = {d.interpretation: d for d in weld.dispositions if d.kind is DispositionKind.REPAIR}
    for reading in weld.interpretations:
        if reading.result is not Result.REJ or reading.id not in answered:
            continue
        label = answered[reading.id].event
        after = [r for r in weld.interpretations if repair_of(r.event, pattern) == repair_of(label, pattern)]
        if any(overlaps(r.segment, reading.segment) for r in after):
            continue
        event = _event(weld, label)
        if event is None and not after:
            yield _row(reading, weld), finding("CHN-REPAIR-PENDING", _name(weld, reading), label=label)
        else:
            on = str(event.on) if event and event.on else "a day not stated"
            yield _row(reading, weld), finding("CHN-REPAIR-UNSHOT", _name(weld, reading), label=label, on=on)


def repairs_explained(weld: WeldRecord, context: Context) -> Iterable[Told]:
    """Every repair follows a reject; none goes beyond the number that the contract allows."""
    pattern = context.record.job.numbers
    limit = context.record.job.repair_limit
    for event in weld.events:
        count = repair_of(event.label, pattern)
        if event.kind is not EventKind.REPAIR:
            continue
        row = str(event.stated_at[0]) if event.stated_at else str(weld.weld.id)
        if count > limit:
            yield row, finding("CHN-REPAIR-LIMIT", str(weld.weld.id), label=event.label, limit=limit)
        before = [r for r in weld.interpretations if repair_of(r.event, pattern) == count - 1]
        if not any(r.result is Result.REJ for r in before):
            code = "CHN-REPAIR-UNEXPLAINED" if before else "CHN-REPAIR-EARLIER"
            yield row, finding(code, str(weld.weld.id), label=event.label)


def _shown(weld: WeldRecord) -> list[tuple[str, str]]:
    """Return segment and event of everything read or delivered."""
    read = [(r.segment, r.event) for r in weld.interpretations]
    return read + [(r.segment, r.event) for r in weld.radiographs]


def reshoots(weld: WeldRecord, context: Context) -> Iterable[Told]:
    """Every RS has a later radiograph of the segment; every reshoot follows an RS, and the older image is kept."""
    pattern = context.record.job.numbers
    for reading in weld.interpretations:
        later = [
            segment
            for segment, event in _shown(weld)
            if overlaps(segment, reading.segment) and ordering(event, pattern) > ordering(reading.event, pattern)
        ]
        if reading.result is Result.RS and not later:
            yield _row(reading, weld), finding("CHN-RESHOOT-OWED", _name(weld, reading))
        count = reshoot_of(reading.event, pattern)
        if not count:
            continue
        state = state_of(reading.event, pattern)
        before = [
            r
            for r in weld.interpretations
            if overlaps(r.segment, reading.segment)
            and state_of(r.event, pattern) == state
            and reshoot_of(r.event, pattern) == count - 1
        ]
        if before and not any(r.result is Result.RS for r in before):
            yield _row(reading, weld), finding("CHN-RESHOOT-UNEXPLAINED", _name(weld, reading))


def cut_outs(weld: WeldRecord, context: Context) -> Iterable[Told]:
    """Hold that a cut-out ends a weld and names the one made in its place, and a reweld stands for one cut out."""
    old = weld.weld.replaces
    name = str(weld.weld.id)
    row = str(weld.weld.stated_at[0]) if weld.weld.stated_at else name
    if old is not None:
        replaced = context.welds.get(old)
        logged = context.expected.logged.get((old.line, old.number))
        if context.expected.has_log and logged is None and replaced is None:
            yield row, finding("CHN-REWELD-OF-NOTHING", name, old=str(old))
        elif (
            context.expected.has_log
            and replaced is not None
            and not any(e.kind is EventKind.CUT_OUT for e in replaced.events)
        ):
            yield row, finding("CHN-REWELD-NOT-CUT-OUT", name, old=str(old))
    gone = next((e for e in weld.events if e.kind is EventKind.CUT_OUT), None)
    if gone is None:
        return
    if weld.weld.replaced_by is None:
        yield row, finding("CHN-CUT-OUT-OPEN", name)
    late = [e for e in weld.exposures if gone.on and e.exposed_on and e.exposed_on > gone.on]
    if late and gone.on:
        yield row, finding("CHN-AFTER-CUT-OUT", name, on=str(gone.on), shot=str(late[0].exposed_on))


# --- coverage, stencils, what is still to come -----------------------------------------------------------------


def covered(weld: WeldRecord, context: Context) -> Iterable[Told]:
    """Hold that the segments of a weld as first made go all round it, where the line is examined in full."""
    line = next((x for x in context.record.job.lines if x.id == weld.weld.id.line), None)
    if line is not None and line.examination_percent < 100:  # noqa: PLR2004 - in full
        return
    pattern = context.record.job.numbers
    first = [r for r in weld.interpretations if not any(ordering(r.event, pattern))]
    images = [r for r in weld.radiographs if not any(ordering(r.event, pattern))]
    segments = [s for s in (*(r.segment for r in first), *(r.segment for r in images)) if s]
    segments += context.spoken.get((weld.weld.id.line, weld.weld.id.number), ())
    diameter = weld.weld.outside_diameter_mm
    missing = gaps(segments, math.pi * diameter if diameter else None)
    if missing and (first or images):
        row = _row(first[0], weld) if first else images[0].delivered_as
        listed = ", ".join(dict.fromkeys(segments))
        yield row, finding("CHN-COVERAGE", str(weld.weld.id), listed=listed, missing=", ".join(missing))


def stencils(weld: WeldRecord, context: Context) -> Iterable[Told]:
    """Hold that a welder's mark on the reader sheet is one of those the weld log gives for that weld."""
    pattern = context.record.job.numbers
    first = _event(weld, "")
    for reading in weld.interpretations:
        event = _event(weld, state_of(reading.event, pattern))
        known = {s.upper() for e in (first, event) if e for s in e.stencils}
        strange = sorted({s.upper() for s in reading.stencils} - known)
        if strange and event is not None and event.stencils:
            yield (
                _row(reading, weld),
                finding("CHN-STENCIL", _name(weld, reading), sheet=", ".join(strange), log=", ".join(sorted(known))),
            )


def standing_ends(weld: WeldRecord, context: Context) -> Iterable[Told]:
    """Hold that the words of a disposition cell can be read: what cannot be read answers nothing."""
    texts = {
        str(address): line.disposition
        for place in context.expected.by_weld.get((weld.weld.id.line, weld.weld.id.number), ())
        for line in place.lines
        for address in line.at.values()
        if line.disposition.strip()
    }
    latest = latest_readings(weld.interpretations, context.record.job.numbers).values()
    for reading in weld.interpretations:
        text = texts.get(_row(reading, weld), "")
        if text and reading.result in (Result.REJ, Result.RS) and kind_in(text) is None:
            open_still = "it is open" if reading in latest else "later records answer it"
            yield (
                _row(reading, weld),
                finding("CHN-DISPOSITION-WORDS", _name(weld, reading), said=text, standing=open_still),
            )


def _not_shot(context: Context) -> Iterable[Told]:
    """Tell in one note how many welds of the week are on no reader sheet yet."""
    period = context.record.handover.period
    waiting = [
        w
        for w in context.record.welds
        if not w.interpretations
        and not w.radiographs
        and any(e.on and period.first <= e.on <= period.last for e in w.events if e.kind is not EventKind.CUT_OUT)
        and not any(e.kind is EventKind.CUT_OUT for e in w.events)
    ]
    if waiting:
        names = ", ".join(str(w.weld.id) for w in waiting[:_LISTED])
        names += f" and {len(waiting) - _LISTED} more" if len(waiting) > _LISTED else ""
        yield "weld-log", finding("CHN-NOT-SHOT", "weld-log", count=len(waiting), welds=names)


RULES: Final[tuple[Rule, ...]] = (
    chronology,
    image_dates,
    rejects_answered,
    repairs_shot,
    repairs_explained,
    reshoots,
    cut_outs,
    covered,
    stencils,
    standing_ends,
)
