"""What a weld's history does not tell: said plainly, one sentence each.

Knows what should follow what. Refuses to guess what the missing part was.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from beadroll.archive.history_evidence import Files
from beadroll.archive.history_steps import Handovers, Rows, Step, StepKind
from beadroll.findings import Finding, finding
from beadroll.record.weld import WeldId

_READINGS = (StepKind.ACCEPTED, StepKind.REJECTED, StepKind.UNUSABLE, StepKind.READ)
_SHOTS = (StepKind.SHOT, StepKind.RESHOT)
_STATES = (StepKind.WELDED, StepKind.REPAIRED, StepKind.REWELDED)


def gaps_of(weld: WeldId, rows: Rows, handovers: Handovers, files: Files, steps: Sequence[Step]) -> tuple[Finding, ...]:
    """Return what is missing or contradicts itself, in the order of a weld's life."""
    name = str(weld)
    holding = [step for step in steps if step.current]
    return (
        *_states(name, holding),
        *_images(name, holding, rows),
        *_unread(name, holding, rows, handovers),
        *_unanswered(name, holding),
        *_undated(name, holding),
        *_unsigned(name, holding),
        *_disagreeing(name, holding),
        *_handovers(name, handovers, files),
    )


def _states(name: str, steps: Sequence[Step]) -> Iterator[Finding]:
    made = [step for step in steps if step.kind in _STATES]
    if not any(step.event == "" for step in made):
        yield finding("HIS-NOT-WELDED", name)
    shot = {step.event for step in steps if step.kind in _SHOTS}
    for step in made:
        if not any(event == step.event or (step.event and event.startswith(step.event)) for event in shot):
            yield finding("HIS-NOT-SHOT", name, state=step.event or "the weld as first made")


def _images(name: str, steps: Sequence[Step], rows: Rows) -> Iterator[Finding]:
    held = {row["radiograph"] for row in rows["radiographs"]}
    for step in steps:
        if step.kind in _SHOTS and not any("/radiographs/" in each.path for each in step.evidence):
            yield finding("HIS-NO-IMAGE", name, exposure=step.subject or "one exposure")
        wanted = step.what.get("radiograph", "")
        if step.kind in _READINGS and wanted and wanted not in held:
            yield finding("HIS-READ-NO-IMAGE", name, reading=step.subject, radiograph=wanted)
        lost = [each.path for each in step.evidence if each.stored is None]
        if lost:
            yield finding("HIS-FILE-GONE", name, path=lost[0], count=len(lost))


def _unread(name: str, steps: Sequence[Step], rows: Rows, handovers: Handovers) -> Iterator[Finding]:
    read = {step.what.get("radiograph", "") for step in steps if step.kind in _READINGS}
    places = {(step.event, step.segment) for step in steps if step.kind in _READINGS if "radiograph" not in step.what}
    seen: set[str] = set()
    for row in rows["radiographs"]:
        image = row["radiograph"]
        current = handovers.current((row["handover"], row["revision"]))
        if current and image not in read | seen and (row["event"], row["segment"]) not in places:
            seen.add(image)
            yield finding("HIS-NOT-READ", name, radiograph=image)


def _unanswered(name: str, steps: Sequence[Step]) -> Iterator[Finding]:
    answered = {step.what.get("interpretation", "") for step in steps if step.kind is StepKind.DECIDED}
    for number, step in enumerate(steps):
        if step.kind is not StepKind.REJECTED or step.subject in answered:
            continue
        later = steps[number + 1 :]
        if not any(each.kind in (StepKind.REPAIRED, StepKind.CUT_OUT) for each in later):
            yield finding("HIS-REJECTED-OPEN", name, reading=step.subject)


def _undated(name: str, steps: Sequence[Step]) -> Iterator[Finding]:
    for step in steps:
        if step.day is None and step.kind is not StepKind.SIGNED:
            words = f"{step.kind} {step.event or step.subject}".strip()
            yield finding("HIS-NO-DAY", name, step=words)


def _unsigned(name: str, steps: Sequence[Step]) -> Iterator[Finding]:
    read = any(step.kind in _READINGS for step in steps)
    if read and not any(step.kind is StepKind.SIGNED and step.what.get("role") == "interpreter" for step in steps):
        yield finding("HIS-NOT-SIGNED", name)


def _disagreeing(name: str, steps: Sequence[Step]) -> Iterator[Finding]:
    seen: dict[tuple[str, str], Step] = {}
    for step in steps:
        if step.kind not in (*_READINGS, *_SHOTS) or not step.subject:
            continue
        family = "shot" if step.kind in _SHOTS else "read"
        other = seen.setdefault((family, step.subject), step)
        if other is not step and not set(other.told_by) & set(step.told_by):
            one, two = other.told_by[-1][0], step.told_by[-1][0]
            yield finding("HIS-DISAGREE", name, subject_record=step.subject, one=one, other=two)


def _handovers(name: str, handovers: Handovers, files: Files) -> Iterator[Finding]:
    known = {row["tagmanifest_sha512"] for row in handovers.every}
    for key, row in handovers.items():
        if not handovers.current(key):
            continue
        previous = row["previous_tagmanifest_sha512"]
        if previous and previous not in known:
            yield finding("HIS-PREVIOUS-GONE", name, handover=key[0], previous=row["previous_handover"])
        if not files.receipts(key):
            yield finding("HIS-NO-RECEIPT", name, handover=key[0])
