"""Checking a reconciled week: everything found so far and what the rules find, less what a person has answered.

Knows which findings a decision answers, and that every delivered radiograph must have a place. Refuses to know the
rules themselves: they are handed in, a record in and a report out.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace

from beadroll.findings import Finding, Report, Severity, finding
from beadroll.handover.stages import Checked, Reconciled
from beadroll.record.handover import Decision, DecisionKind, HandoverRecord

Rules = Callable[[HandoverRecord], Report]
"""Takes the record of a handover and reports what it finds; ``beadroll.rules.check`` is one."""


def check(reconciled: Reconciled, *, rules: Sequence[Rules] = ()) -> Checked:
    """Return the week with everything found in it.

    A finding that a ``confirm`` decision answers is kept as a note that names the decision. A radiograph without a
    place in the record is never answered by a confirmation: it would be lost.
    """
    gathered, record = reconciled.gathered, reconciled.record
    found = [*gathered.findings]
    subjects: dict[int, str] = {}
    for discrepancy in reconciled.discrepancies:
        subjects[len(found)] = discrepancy.subject
        found.append(discrepancy.finding)
    for rule in rules:
        found.extend(rule(record).findings)
    decisions = record.decisions or gathered.decisions
    answered = [
        answer(each, decisions, also=(subjects[number],) if number in subjects else ())
        for number, each in enumerate(found)
    ]
    waiting = {each.subject for each in answered if each.severity is Severity.STOP}
    waiting |= {text for number, text in subjects.items() if answered[number].severity is Severity.STOP}
    answered += [each for each in _places(reconciled) if each.subject not in waiting]
    return Checked(reconciled=reconciled, report=Report(findings=tuple(answered)))


def answer(found: Finding, decisions: Iterable[Decision], *, also: Sequence[str] = ()) -> Finding:
    """Return the finding as it stands after the decisions: a note naming the confirmation, or unchanged.

    A confirmation names the finding's code and its subject; ``also`` are other names of that subject.
    """
    if found.severity is Severity.NOTE:
        return found
    for decision in in_force(decisions):
        same = decision.finding == found.code and decision.subject in (found.subject, *also)
        if decision.kind is DecisionKind.CONFIRM and same:
            values = {**found.values, "confirmed_by": decision.by, "decision": decision.id}
            return replace(found, severity=Severity.NOTE, values=values)
    return found


def in_force(decisions: Iterable[Decision]) -> tuple[Decision, ...]:
    """Return the decisions that were not undone, in their order; an undo can itself be undone by a later one."""
    undone: set[str] = set()
    kept: list[Decision] = []
    for decision in reversed(tuple(decisions)):
        if decision.id in undone:
            continue
        if decision.kind is DecisionKind.UNDO:
            undone.add(decision.undoes)
        else:
            kept.append(decision)
    return tuple(reversed(kept))


def _places(reconciled: Reconciled) -> Iterator[Finding]:
    """Hold what was delivered against what the record carries: nothing lost, nothing twice, nothing invented."""
    delivered = {each.file.path for each in reconciled.gathered.radiographs}
    aside = {each.path for each in reconciled.set_aside}
    used = Counter(each.delivered_as for weld in reconciled.record.welds for each in weld.radiographs)
    for path in sorted(delivered - used.keys() - aside):
        yield finding("ASM-NOT-PLACED", path)
    for path in sorted(used.keys() - delivered):
        yield finding("ASM-NOT-DELIVERED", path or "a radiograph without a file")
    for path, times in sorted(used.items()):
        if times > 1 or path in aside:
            yield finding("ASM-PLACED-TWICE", path)
