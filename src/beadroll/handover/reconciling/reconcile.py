"""One weld, one story: every delivered radiograph on one weld, event and segment, or a discrepancy with its reason.

The model, in the order in which it is applied. Each step is a module that can be read by itself:

1. ``decisions``: what people have decided comes first; a decision that no longer applies is reported.
2. ``expected``: weld log and reader sheets are read by the contract's number pattern into places for radiographs.
3. ``witnesses``: each radiograph is heard: header, file name, folder, crew and date, and its time among the others.
4. ``resolve`` and ``ripples``: it is assigned where all witnesses agree and nothing speaks against it, by seven
   stated conditions; otherwise it is held. No score takes part in this: no sum of weak hints can move a radiograph.
5. ``suggest``: for what is held, the places it may belong are ranked by points and explained in words.
6. ``compose``: the welds' records are built from what was assigned, each assignment with its testimonies.
7. ``filmcount`` and ``chain``: counts are held against what was delivered, and the records against one another.

What leaves no trace in the evidence is not found: a radiograph that header, name, folder, sheet, log and order all
place at the wrong weld looks like a right one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from beadroll.findings import Finding, Value, finding
from beadroll.handover.decisions import Digest, Standing, digest_in, standing
from beadroll.handover.reconciling import chain, filmcount
from beadroll.handover.reconciling.compose import Settled, compose, weeks_welds
from beadroll.handover.reconciling.corrections import corrected
from beadroll.handover.reconciling.expected import Expected, PlaceKey, WeldKey, expect, line_named, name_of
from beadroll.handover.reconciling.resolve import Held, Resolution, resolve
from beadroll.handover.reconciling.ripples import hold_ripples
from beadroll.handover.reconciling.same import same_bytes
from beadroll.handover.reconciling.suggest import Suggesting
from beadroll.handover.reconciling.witnesses import Hearing, hear
from beadroll.handover.stages import DeliveredFile, Discrepancy, Gathered, Reconciled, Suggestion
from beadroll.record.handover import Decision, HandoverRecord
from beadroll.record.number import parse

Same = Callable[[Iterable[DeliveredFile]], Sequence[tuple[str, ...]]]
"""Files -> groups that hold the same bytes."""

_CLEAR = 2.0
"""Points by which a first suggestion leads before an empty place is reported with it and not by itself."""


def reconcile(gathered: Gathered, *, digest: Digest | None = None, same: Same | None = None) -> Reconciled:
    """Put every delivered radiograph on its weld, event and segment, or say why not; build the welds' records.

    ``digest`` and ``same`` read files of the job folder unless others are given. Raises ``MachineError`` where a file
    must be read and cannot be; never for what the papers or headers say.
    """
    digest = digest or digest_in(gathered.folder)
    stand = standing(gathered.decisions, _files(gathered), digest)
    log, fixed_log, faults_log = corrected(gathered.weld_log, stand.corrections)
    lines, fixed_lines, faults_lines = corrected(gathered.reader_lines, stand.corrections)
    expected = expect(gathered.job, log, lines)
    aside = tuple(r.file for r in gathered.radiographs if r.file.path in stand.set_aside)
    heard = [r for r in gathered.radiographs if r.file.path not in stand.set_aside]
    hearings = [hear(r, gathered.job.numbers, expected.line_names) for r in heard]
    decided, faults_decided = _decided(stand.assigned, expected)
    groups = (same or (lambda files: same_bytes(gathered.folder, files)))(r.file for r in heard)
    found = resolve(expected, hearings, decided, groups, stand.answers)
    hold_ripples(found, expected, [h for h in hearings if h.path not in decided], stand.answers)
    welds = weeks_welds(expected, gathered.period, _confirmed_welds(stand, expected))
    settled = Settled(
        gathered=gathered,
        expected=expected,
        found=found,
        hearings={h.path: h for h in hearings},
        decided={path: d for path, d in stand.assigned.items() if path in decided},
        welds=welds,
    )
    records = compose(settled)
    record = HandoverRecord(
        job=gathered.job,
        handover=gathered.handover,
        welds=records,
        techniques=gathered.techniques,
        people=gathered.people,
        equipment=gathered.equipment,
        decisions=gathered.decisions,
    )
    missed = [
        (d.id, finding("REC-DECISION-GONE", d.id, kind=d.kind.value, file=d.subject))
        for d in stand.corrections
        if d.id not in fixed_log | fixed_lines
    ]
    plain = [*stand.findings, *faults_log, *faults_lines, *faults_decided, *missed, *expected.findings]
    held = list(_held(expected, found, hearings))
    return Reconciled(
        gathered=gathered,
        record=record,
        discrepancies=(
            *(Discrepancy(finding=each, subject=subject) for subject, each in plain),
            *held,
            *_places_without(expected, found, held),
            *_welds_without(expected),
            *(
                Discrepancy(finding=each, subject=subject)
                for subject, each in filmcount.check(expected, found, hearings)
            ),
            *(Discrepancy(finding=each, subject=subject) for subject, each in chain.check(record, expected, hearings)),
        ),
        set_aside=aside,
    )


def _files(gathered: Gathered) -> frozenset[str]:
    return frozenset(r.file.path for r in gathered.radiographs) | frozenset(f.path for f in gathered.sheets)


def _decided(
    assigned: Mapping[str, Decision], expected: Expected
) -> tuple[dict[str, PlaceKey], list[tuple[str, Finding]]]:
    """Return the places that people gave, and decisions whose place this job does not have."""
    places: dict[str, PlaceKey] = {}
    findings: list[tuple[str, Finding]] = []
    pattern = expected.job.numbers
    for path, decision in assigned.items():
        read = parse(decision.number, pattern, expected.line_names)
        line = line_named(decision.line, expected.job, expected.line_names) or read.line
        if not line and len(expected.lines_of.get(read.number, ())) == 1:
            line = expected.lines_of[read.number][0]
        if not read.number or read.others or line not in expected.line_names:
            said = " ".join(p for p in (decision.line, decision.number) if p)
            findings.append((decision.id, finding("REC-DECISION-PLACE", decision.id, file=path, place=said)))
            continue
        places[path] = (line, read.number, decision.event or read.event, decision.segment or read.segment)
    return places, findings


def _confirmed_welds(stand: Standing, expected: Expected) -> frozenset[WeldKey]:
    """Return welds that are not in the log and that people have confirmed to exist."""
    answered = {subject for subject, code in stand.confirmed if code == "REC-WELD-NOT-IN-LOG"}
    return frozenset(weld for weld, places in expected.by_weld.items() if answered & {str(p.stated_at) for p in places})


# --- discrepancies ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Told:
    """A finding about a held radiograph with its suggestions."""

    finding: Finding
    suggestions: tuple[Suggestion, ...]


def _held(expected: Expected, found: Resolution, hearings: Sequence[Hearing]) -> Iterable[Discrepancy]:
    if not found.held:
        return
    suggesting = Suggesting(expected, found, hearings)
    for hearing in hearings:
        held = found.held.get(hearing.path)
        if held:
            told = _tell(hearing, held, suggesting)
            yield Discrepancy(finding=told.finding, subject=hearing.path, suggestions=told.suggestions)


def _tell(hearing: Hearing, held: Held, suggesting: Suggesting) -> _Told:
    suggestions = suggesting.of(hearing)
    hint = ""
    if suggestions:
        first = suggestions[0]
        place = name_of((first.line, first.number, first.event, first.segment))
        hint = f" Most likely {place}: {first.reason}."
    values: dict[str, Value] = {**held.values, "hint": hint}
    return _Told(finding(held.code, hearing.path, clause="", **values), suggestions)


def _places_without(expected: Expected, found: Resolution, held: Sequence[Discrepancy]) -> Iterable[Discrepancy]:
    """Report sheet lines without a radiograph, but for those that a held radiograph clearly belongs to."""
    filled = found.filled()
    spoken: set[PlaceKey] = set()
    for each in held:
        best = each.suggestions[:2]
        if best and (len(best) == 1 or best[0].score - best[1].score >= _CLEAR):
            spoken.add((best[0].line, best[0].number, best[0].event, best[0].segment))
    spoken |= {h.claimed for h in found.held.values() if h.claimed}
    for place in expected.places.values():
        if place.key in filled or place.key in spoken:
            continue
        if expected.has_log and place.weld not in expected.logged:
            continue
        subject = str(place.stated_at)
        yield Discrepancy(finding=finding("REC-NO-RADIOGRAPH", subject, place=place.name), subject=subject)


def _welds_without(expected: Expected) -> Iterable[Discrepancy]:
    """Report welds of the reader sheets that the weld log does not list, with the logged ones they may be."""
    if not expected.has_log:
        if expected.places:
            yield Discrepancy(finding=finding("REC-NO-LOG", "the weld log"), subject="weld-log")
        return
    for weld, places in expected.by_weld.items():
        if weld in expected.logged:
            continue
        subject = str(places[0].stated_at)
        elsewhere = [line for line, number in expected.logged if number == weld[1]]
        hint = f" It is in the log for line {', '.join(elsewhere)}." if elsewhere else ""
        yield Discrepancy(
            finding=finding("REC-WELD-NOT-IN-LOG", subject, weld=" ".join(weld), lines=len(places), hint=hint),
            subject=subject,
        )
