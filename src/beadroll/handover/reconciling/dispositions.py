"""What answers each rejected or unusable segment: repair, cut-out, reshoot or concession.

Knows the words reader sheets use (common practice, no published source) and what later records show. Refuses to make up
an answer: a reject that nothing answers has none, and the chain's checks say so.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Final

from beadroll.record.interpretation import Disposition, DispositionKind, Interpretation, Result
from beadroll.record.job import NumberPattern, SuffixMeaning
from beadroll.record.number import letters_for, repair_of, reshoot_of, state_of
from beadroll.record.radiograph import Radiograph
from beadroll.record.weld import EventKind, WeldEvent

_WORDS: Final = (
    (DispositionKind.CUT_OUT, re.compile(r"\bcut[\s\-]*out\b|\bc/?o\b", re.IGNORECASE)),
    (
        DispositionKind.CONCESSION,
        re.compile(r"concession|use[\s\-]as[\s\-]is|accept[\s\-]as[\s\-]is|\bncr\b", re.IGNORECASE),
    ),
    (
        DispositionKind.RESHOOT,
        re.compile(r"re[\s\-]?shoot|re[\s\-]?take|re[\s\-]?shot|\brs\d*\b|\brx\d*\b", re.IGNORECASE),
    ),
    (DispositionKind.REPAIR, re.compile(r"repair|\br\d*\b", re.IGNORECASE)),
)


def kind_in(text: str) -> DispositionKind | None:
    """Return the disposition a cell states in words; None where it states none that is known."""
    return next((kind for kind, pattern in _WORDS if pattern.search(text)), None)


def dispositions_of(
    readings: Sequence[Interpretation],
    texts: Mapping[str, str],
    events: Sequence[WeldEvent],
    radiographs: Sequence[Radiograph],
    pattern: NumberPattern,
) -> tuple[Disposition, ...]:
    """Return one disposition for each REJ or RS that the sheet or the later records answer.

    ``texts`` are the sheets' own words by interpretation. Where the sheet is silent, what happened next answers: a
    later repair, a cut-out, a later shot of the segment.
    """
    made = []
    for reading in readings:
        if reading.result not in (Result.REJ, Result.RS):
            continue
        kind = kind_in(texts.get(reading.id, "")) or _what_followed(reading, readings, events, radiographs, pattern)
        if kind is None:
            continue
        label = _next_label(kind, reading.event, pattern)
        cut_out = kind is DispositionKind.CUT_OUT
        event = next((e for e in events if e.label == label or (cut_out and e.kind is EventKind.CUT_OUT)), None)
        made.append(
            Disposition(
                kind=kind,
                interpretation=reading.id,
                event=event.label if event and cut_out else label,
                on=event.on if event and kind is not DispositionKind.RESHOOT else None,
                by=reading.interpreter if texts.get(reading.id) else "",
                reference=reading.report,
                stated_at=reading.stated_at,
            )
        )
    return tuple(made)


def _what_followed(
    reading: Interpretation,
    readings: Sequence[Interpretation],
    events: Sequence[WeldEvent],
    radiographs: Sequence[Radiograph],
    pattern: NumberPattern,
) -> DispositionKind | None:
    if reading.result is Result.RS:
        state, count = state_of(reading.event, pattern), reshoot_of(reading.event, pattern)
        shown = [(r.segment, r.event) for r in readings] + [(r.segment, r.event) for r in radiographs]
        later = [
            event
            for segment, event in shown
            if segment == reading.segment and state_of(event, pattern) == state and reshoot_of(event, pattern) > count
        ]
        return DispositionKind.RESHOOT if later else None
    repaired = repair_of(reading.event, pattern)
    if any(e.kind is EventKind.REPAIR and repair_of(e.label, pattern) == repaired + 1 for e in events):
        return DispositionKind.REPAIR
    if any(e.kind is EventKind.CUT_OUT for e in events):
        return DispositionKind.CUT_OUT
    return None


def _next_label(kind: DispositionKind, event: str, pattern: NumberPattern) -> str:
    """Return the label of the state that follows: ``R2`` after ``R1``, ``R1RS1`` for a reshoot of ``R1``."""
    if kind is DispositionKind.REPAIR:
        return f"{letters_for(SuffixMeaning.REPAIR, pattern) or 'R'}{repair_of(event, pattern) + 1}"
    if kind is DispositionKind.RESHOOT:
        letters = letters_for(SuffixMeaning.RESHOOT, pattern) or "RS"
        return f"{state_of(event, pattern)}{letters}{reshoot_of(event, pattern) + 1}"
    if kind is DispositionKind.CUT_OUT:
        return letters_for(SuffixMeaning.CUT_OUT, pattern) or "CO"
    return ""
