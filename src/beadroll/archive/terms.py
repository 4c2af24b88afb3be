"""What a person means by an indication: a name, a number of ISO 6520-1, a letter or an abbreviation.

Knows the published table of codes and that a number stands for its sub-groups too. Refuses to choose where letters of
two systems mean different things: a search then looks for both.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class Meaning:
    """What a term may stand for: numbers of ISO 6520-1 with their names; empty where the table does not have it."""

    term: str
    numbers: tuple[tuple[str, str], ...]


@cache
def _rows() -> tuple[dict[str, Any], ...]:
    table = resources.files("beadroll.rules") / "tables" / "indications.json"
    return tuple(json.loads(table.read_bytes())["codes"]["rows"])


def meaning_of(term: str) -> Meaning:
    """Return every meaning of a term; letter case counts only where two meanings differ by nothing else."""
    wanted = " ".join(term.casefold().split())
    found = []
    for row in _rows():
        ways = [row["iso6520"], row["name"], *row["words"], *row["letters"], *row["api"]]
        if wanted in (way.casefold() for way in ways):
            found.append((row["iso6520"], row["name"]))
    if not found and wanted.isdigit():
        found = [(wanted, "")]
    return Meaning(term=term, numbers=tuple(found))


def stem_of(number: str) -> str:
    """Return the digits by which a number's sub-groups begin: 401 for 4011 to 4013, and 1 for 100, all cracks.

    ISO 6520-1 numbers imperfections by groups, of which the first digit is the main one.
    """
    return number.removesuffix("00") if number.endswith("00") else number


@cache
def name_of(number: str) -> str:
    """Return the name of a number of ISO 6520-1, empty where the table does not have it."""
    return next((row["name"] for row in _rows() if row["iso6520"] == number), "")
