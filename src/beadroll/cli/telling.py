"""A weld's history as the terminal tells it: one entry a day and deed, with the files behind it.

Knows which steps may share a line. Refuses to leave anything out: what is folded together is the same deed on several
segments, and every file stands under it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import groupby
from typing import TYPE_CHECKING, Any, Final

from beadroll.cli.screen import Part, shown
from beadroll.cli.visible import count

if TYPE_CHECKING:
    from beadroll.archive.history import Evidence, History, Step
    from beadroll.archive.history_steps import SeenIndication
    from beadroll.cli.session import Session

_COLOURS: Final = {"rejected": "bold red", "accepted": "bold green", "cut out": "bold red"}
_SAID: Final = {
    "wps": "procedure {}",
    "technique": "technique {}",
    "source": "source {}",
    "activity_ci": "{} Ci",
    "tube_kv": "{} kV",
    "exposure_s": "{} s",
    "sfd_mm": "{} mm source to film",
    "detector": "scanned on {}",
    "in_place_of": "in place of {}",
    "report": "report {}",
    "document": "on {}",
    "iqi_seen": "IQI {} seen",
    "decision": "{}",
    "leads_to": "leads to {}",
    "remark": "“{}”",
    "result": "{}",
    "reasons": "{}",
    "handover": "{}",
    "revision": "revision {}",
    "reference": "see {}",
    "reason": "{}",
    "amends": "amends {}",
}
"""How a fact beside a step is said, in this order; facts not listed are left to --json."""
_USUAL: Final = tuple(name for name in _SAID if name not in ("result", "handover", "revision"))
_ONLY: Final[dict[str, tuple[str, ...]]] = {
    "answered": ("result", "reasons"),
    "handed over": ("handover", "revision"),
    "received": ("handover", "revision"),
    "decided": ("decision", "leads_to", "reference"),
}


def show_history(session: Session, story: History, *, on_disk: bool = False) -> None:
    """Print a weld's history; ``on_disk`` shows where each file lies in the archive instead of in its package."""
    screen = session.screen
    facts = story.facts
    standing = story.standing.value.replace("_", " ")
    screen.say(f"{story.weld}: {standing}, says {story.standing_by}", _COLOURS.get(standing, "bold"))
    size = " x ".join(facts[name] for name in ("outside_diameter_mm", "wall_mm") if name in facts)
    screen.fields(
        {
            name: value
            for name, value in {
                "pipe": ", ".join(part for part in (f"{size} mm" if size else "", facts.get("material", "")) if part),
                "place": _joined(facts, ("spool", "drawing", "location")),
                "in place of": story.replaces,
                "replaced by": story.replaced_by,
                "told by": [f"{told.handover} revision {told.revision}" for told in story.handovers if told.current],
            }.items()
            if value
        }
    )
    screen.say()
    for day, steps in groupby(_merged(story.steps), key=lambda step: step[0].day):
        for number, same in enumerate(steps):
            screen.entry(shown(day) if number == 0 else "", _step(same, on_disk=on_disk))
    for note in story.notes:
        screen.say(note)
    if story.gaps:
        from beadroll.findings import Report

        screen.heading("What this history does not tell")
        screen.report(Report(findings=story.gaps))
    screen.result(
        {
            "ok": True,
            "weld": story.weld,
            "standing": story.standing,
            "facts": story.facts,
            "handovers": story.handovers,
            "steps": story.steps,
            "gaps": story.gaps,
        }
    )


def _joined(facts: Any, names: Iterable[str]) -> str:
    return ", ".join(facts[name] for name in names if name in facts)


def _merged(steps: Sequence[Step]) -> list[list[Step]]:
    """Put together what is one deed on several segments of a day; one with an indication stands by itself."""
    made: list[list[Step]] = []
    places: dict[Any, int] = {}
    for step in steps:
        deed = _deed(step)
        if deed in places:
            made[places[deed]].append(step)
        else:
            places[deed] = len(made)
            made.append([step])
    return made


def _deed(step: Step) -> tuple[Any, ...]:
    if step.kind.value == "signed":
        return step.kind, step.day, step.event, step.current, step.what.get("document", "")
    alone = step.subject if step.indications or "in_place_of" in step.what else ""
    return step.kind, step.day, step.event, step.who, step.current, alone, _facts(step)


def _facts(step: Step) -> str:
    """Return what is said beside a step."""
    chosen = _ONLY.get(step.kind.value, _USUAL)
    return ", ".join(_SAID[name].format(step.what[name]) for name in chosen if step.what.get(name))


def _beside(same: Sequence[Step]) -> str:
    """Return who did it and the facts: ``by 7K, procedure WPS-111-02``."""
    step = same[0]
    if step.kind.value == "signed":
        signed = [f"{', '.join(each.who)} as {each.what.get('role', 'unknown')}" for each in same]
        on = [f"on {step.what['document']}"] if step.what.get("document") else []
        return ", ".join(dict.fromkeys([*signed, *on]))
    return ", ".join(part for part in (f"by {', '.join(step.who)}" if step.who else "", _facts(step)) if part)


def _step(same: Sequence[Step], *, on_disk: bool) -> list[list[Part]]:
    """Return the lines of one entry."""
    step = same[0]
    kind = step.kind.value
    where = ", ".join(dict.fromkeys(each.segment for each in same if each.segment))
    title = " ".join(part for part in (kind, step.event, where) if part)
    beside = _beside(same)
    lines: list[list[Part]] = [[(title, _COLOURS.get(kind, "bold")), (f"  {beside}" if beside else "", "")]]
    lines += [[(_indication(seen), "yellow")] for each in same for seen in each.indications]
    lines += [[(_seal(seal), "")] for seal in step.seals]
    if not step.current:
        lines.append([(f"no longer holds: replaced by {step.superseded_by}", "yellow")])
    lines += [[(text, "dim")] for text in _files([e for each in same for e in each.evidence], on_disk=on_disk)]
    return lines


def _indication(seen: SeenIndication) -> str:
    """Return an indication with its place: ``incomplete root penetration (4021), 452 to 486 mm from the datum``."""
    named = f"{seen.name} ({seen.code})" if seen.name else seen.code
    parts = [named]
    if seen.position_mm is not None and seen.length_mm is not None:
        parts.append(f"{seen.position_mm:g} to {seen.position_mm + seen.length_mm:g} mm from the datum")
    elif seen.position_mm is not None:
        parts.append(f"{seen.position_mm:g} mm from the datum")
    elif seen.length_mm is not None:
        parts.append(f"{seen.length_mm:g} mm long")
    if seen.size_mm is not None:
        parts.append(f"size {seen.size_mm:g} mm")
    return ", ".join([*parts, *([seen.remark] if seen.remark else [])])


def _seal(seal: Any) -> str:
    made = f"{shown(seal.made_at)} ({seal.time_kind})" if seal.made_at else "at an unknown time"
    demo = "  [DEMONSTRATION KEY]" if seal.demo else ""
    return f"sealed as {seal.role} by {seal.signer}, {seal.organisation}, {made}{demo}"


def _files(evidence: Iterable[Evidence], *, on_disk: bool) -> list[str]:
    """Return each file once, with the places in it."""
    places: dict[str, list[str]] = {}
    for each in evidence:
        name = str(each.stored) if on_disk and each.stored else each.path
        gone = "" if each.stored else "  (not in the store!)"
        found = places.setdefault(name + gone, [])
        if each.place and each.place not in found:
            found.append(each.place)
    return [f"{name}: {'; '.join(where)}" if where else name for name, where in places.items()]


def summary(story: History) -> str:
    """Return a history in a line: ``13 steps told by 1 handover``."""
    return f"{count(len(story.steps), 'step')} told by {count(len(story.handovers), 'handover')}"
