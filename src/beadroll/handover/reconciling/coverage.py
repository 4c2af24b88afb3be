"""Whether the segments of a weld go all round it: by their labels, or by positions along the circumference.

Labels that count markers (0-1, 1-2, 2-0) must close back to the datum. Labels that are positions (0-340, 320-680 …)
must cover pi x OD with overlaps, reckoned modulo the circumference. Knows labels and lengths, never images.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Final

_MOST_MARKERS: Final = 24
"""Markers counted round one weld; greater numbers are positions on a belt (common practice, no published source)."""
_UNITS_MM: Final = (1.0, 10.0, 25.4)
"""Belts count in mm, cm or inches."""
_SLACK_MM: Final = 1.0


def gaps(segments: Iterable[str], circumference_mm: float | None = None) -> list[str]:
    """Return what is missing of the way round, as ``2-0`` or ``340 to 360 mm``; empty when the segments go all round.

    Segments that are not two markers are left out of account. ``circumference_mm`` is pi x OD; without it positions
    are compared as labels.
    """
    pairs = [tuple(s.split("-")) for s in dict.fromkeys(segments) if s.count("-") == 1]
    pairs = [p for p in pairs if all(p)]
    if not pairs or any(a == b for a, b in pairs):
        return []
    if circumference_mm and all(a.isdigit() and b.isdigit() for a, b in pairs):
        numbers = [(int(a), int(b)) for a, b in pairs]
        if max(max(p) for p in numbers) > _MOST_MARKERS:
            return _position_gaps(numbers, circumference_mm)
    return _label_gaps([(a, b) for a, b in pairs])


def _label_gaps(pairs: Sequence[tuple[str, str]]) -> list[str]:
    """Match ends that nothing starts from with starts that nothing ends at, in the order of the markers."""
    starts, ends = [a for a, _ in pairs], [b for _, b in pairs]
    loose_ends = sorted({e for e in ends if e not in starts}, key=_marker)
    loose_starts = sorted({s for s in starts if s not in ends}, key=_marker)
    found = []
    for end in loose_ends:
        after = next((s for s in loose_starts if _marker(s) > _marker(end)), loose_starts[0] if loose_starts else "")
        if after:
            loose_starts.remove(after)
        found.append(f"{end}-{after}" if after else f"{end}-?")
    return found + [f"?-{start}" for start in loose_starts]


def _marker(label: str) -> tuple[int, str]:
    return (int(label), "") if label.isdigit() else (0, label)


def _position_gaps(pairs: Sequence[tuple[int, int]], circumference_mm: float) -> list[str]:
    highest = max(max(p) for p in pairs)
    unit = min(_UNITS_MM, key=lambda u: abs(math.log(max(highest * u, 1.0) / circumference_mm)))
    spans: list[tuple[float, float]] = []
    for a, b in pairs:
        start, end = a * unit, b * unit
        if end <= start:
            spans += [(start, circumference_mm), (0.0, end)]
        else:
            spans.append((start, end))
    spans.sort()
    found = []
    reached = 0.0
    for start, end in (*spans, (circumference_mm, circumference_mm)):
        if start > reached + _SLACK_MM:
            found.append(f"{reached:.0f} to {start:.0f} mm")
        reached = max(reached, end)
    return found


def overlaps(first: str, second: str) -> bool:
    """Say whether two segments share part of the weld; equal labels do, and counted markers when they meet inside."""
    if first == second:
        return True
    a, b = first.split("-"), second.split("-")
    if len(a) != 2 or len(b) != 2 or not all(x.isdigit() for x in (*a, *b)):  # noqa: PLR2004 - two markers
        return False
    one, other = _steps(a), _steps(b)
    return bool(one & other)


def _steps(marks: Sequence[str]) -> set[int]:
    """Return the steps between markers that a segment runs over; one back to the datum runs to the end."""
    start, end = int(marks[0]), int(marks[1])
    return set(range(start, end)) if end > start else set(range(start, max(start + 1, _MOST_MARKERS)))
