"""Nominal pipe sizes and schedules as outside diameter and wall.

Knows ``tables/pipe-sizes.json`` (ASME B36.10M). NPS 12 is not 12 inches across: the table is looked up, never
computed. Refuses a size or schedule that is not in it.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Final

from beadroll.handover.gathering.quantities import NotUnderstood, number

OUTSIDE_TOLERANCE: Final = 0.005
"""Share by which a stated outside diameter may differ: metric and inch tables round differently (610 or 609.6 mm)."""
WALL_TOLERANCE: Final = 0.125
"""Share by which a stated wall may differ from the nominal: the usual mill tolerance (from memory: ASTM A106, A53)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PipeSize:
    """One row of the table: ``nps`` as written there (``1 1/2``), ``dn``, diameter and walls in mm."""

    nps: str
    dn: int
    outside_diameter_mm: float
    walls_mm: Mapping[str, float]


@cache
def sizes() -> Mapping[float, PipeSize]:
    """Return the table by nominal size as a number of inches."""
    data = json.loads((resources.files("beadroll.handover.gathering") / "tables" / "pipe-sizes.json").read_bytes())
    return {number(row["nps"]): PipeSize(**row) for row in data["rows"]}


_EXPECTED: Final = "a nominal pipe size of ASME B36.10M such as 12, 1 1/2 or DN 300"


def size_of(text: str) -> PipeSize:
    """Return the row of a nominal pipe size written ``12``, ``NPS 12``, ``12"``, ``1 1/2`` or ``DN 300``.

    Raises ``NotUnderstood``.
    """
    bare = text.strip()
    if found := re.fullmatch(r"DN\s*(\d+)", bare, re.IGNORECASE):
        return _by_dn(int(found[1]))
    bare = re.sub(r"^NPS\s*|\s*(?:\"|″|''|in\.?|inch(?:es)?)$", "", bare, flags=re.IGNORECASE)
    try:
        return sizes()[number(re.sub(r"(?<=\d)-(?=\d)", " ", bare))]
    except (NotUnderstood, KeyError) as fault:
        raise NotUnderstood(_EXPECTED) from fault


def _by_dn(dn: int) -> PipeSize:
    found = next((size for size in sizes().values() if size.dn == dn), None)
    if found is None:
        raise NotUnderstood(_EXPECTED)
    return found


def nps_of_dn(text: str) -> str:
    """Return the NPS of a cell in a column of DN: ``300`` or ``DN 300`` is ``12``. Raises ``NotUnderstood``."""
    found = re.fullmatch(r"(?:DN)?\s*(\d+)(?:\.0+)?", text.strip(), re.IGNORECASE)
    if found is None:
        raise NotUnderstood("a nominal diameter such as 300 or DN 300")
    return _by_dn(int(found[1])).nps


def wall_of(size: PipeSize, schedule: str) -> float:
    """Return the wall in mm of a schedule written ``40``, ``Sch 40``, ``STD``, ``XS``. Raises ``NotUnderstood``."""
    key = re.sub(r"^S(?:CH(?:EDULE)?|CHED)?[\s.]*(?=\d)", "", schedule.strip().upper())
    key = {"XH": "XS", "XXH": "XXS", "EXTRA STRONG": "XS", "S": "STD", "STANDARD": "STD"}.get(key, key)
    if key not in size.walls_mm:
        known = ", ".join(size.walls_mm)
        raise NotUnderstood(f"a schedule of ASME B36.10M for NPS {size.nps}: {known}")
    return size.walls_mm[key]
