"""Checking a reconciled week: everything found so far and what the rules find, less what a person has answered.

Knows which findings a confirmation answers, and that every delivered radiograph must have a place. Refuses to know the
rules themselves: they are handed in, a record in and a report out.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace

from beadroll.findings import Finding, Report, Severity, finding
from beadroll.handover.decisions import Standing, digest_in, standing
from beadroll.handover.stages import Checked, Reconciled
from beadroll.record.handover import Decision, HandoverRecord

Rules = Callable[[HandoverRecord], Report]
"""Takes the record of a handover and reports what it finds; ``beadroll.rules.check`` is one."""


def check(reconciled: Reconciled, *, rules: Sequence[Rules] = ()) -> Checked:
    """Return the week with everything found in it.

    A finding that a confirmation answers is kept as a note that names the decision; a confirmation whose file has
    changed since answers nothing. A radiograph without a place in the record is never answered by a confirmation: it
    would be lost.
    """
    found = [(each, "") for each in reconciled.gathered.findings]
    found += [(each.finding, each.subject) for each in reconciled.discrepancies]
    found += [(each, "") for rule in rules for each in rule(reconciled.record).findings]
    decisions = in_force(reconciled)
    answered = [(answer(each, decisions, also=(subject,)), subject) for each, subject in found]
    stopped = {name for each, subject in answered if each.severity is Severity.STOP for name in (each.subject, subject)}
    unplaced = [each for each in _places(reconciled) if each.subject not in stopped]
    return Checked(reconciled=reconciled, report=Report(findings=(*(each for each, _ in answered), *unplaced)))


def in_force(reconciled: Reconciled) -> Standing:
    """Return the decisions of a week that hold: not undone, and about files that are still as they were."""
    gathered = reconciled.gathered
    files = (*(each.file for each in gathered.radiographs), *gathered.sheets)
    return standing(reconciled.record.decisions, frozenset(f.path for f in files), digest_in(gathered.folder))


def answer(found: Finding, decisions: Standing, *, also: Iterable[str] = (), code: str = "") -> Finding:
    """Return the finding as it stands after the decisions: a note naming the confirmation, or unchanged.

    A confirmation names the finding's code and its subject. ``also`` are other names of that subject; ``code`` is a
    finding of an earlier stage that asks the same question.
    """
    if found.severity is Severity.NOTE:
        return found
    asked = ((subject, said) for subject in (found.subject, *also) for said in (found.code, code) if said)
    decision = next((decisions.confirmed[each] for each in asked if each in decisions.confirmed), None)
    return found if decision is None else answered_by(found, decision)


def answered_by(found: Finding, decision: Decision) -> Finding:
    """Return the finding as a note that names the decision."""
    values = {**found.values, "decided_by": decision.by, "decision": decision.id}
    return replace(found, severity=Severity.NOTE, values=values)


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
