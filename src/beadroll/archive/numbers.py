"""Which weld number a person means: tolerant of spelling, never choosing between two welds.

Knows the search keys of the catalog. ``117``, ``w 117``, ``LN-204 W-0117`` and ``W-0117R1`` lead to W-0117; a number
nobody has leads to near misses. Refuses to know what is asked about the weld.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from beadroll.archive.catalog import CURRENT, Catalog, any_of, literal
from beadroll.record.search import search_key

_SUFFIX: Final = re.compile(r"(?P<weld>.*[0-9]{8})(?P<suffix>[A-Z]+(?:[0-9]{8})?)")
_SUFFIXES: Final = 4
"""So many suffixes are taken off a number, such as R1 and RS1 off W-0117R1RS1."""
_DIGITS: Final = 8
_OFFERED: Final = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbers:
    """The search keys a text stands for, the line it names beside them, and how it was taken."""

    keys: tuple[str, ...]
    line_key: str = ""
    notes: tuple[str, ...] = ()


def plain_number(text: str) -> Numbers | None:
    """Return the key of a text that is one word with its prefix, None where there are other ways to read it."""
    key = search_key(text)
    return Numbers(keys=(key,)) if key and not key[0].isdigit() and len(text.split()) == 1 else None


def numbers_meant(catalog: Catalog, text: str) -> Numbers:
    """Return the keys of the welds that a text may mean; none where nobody has such a number."""
    for reading in _readings(text):
        keys = _held(catalog, reading)
        if keys:
            return Numbers(keys=keys, line_key=reading.line_key, notes=reading.notes)
    return Numbers(keys=())


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reading:
    key: str
    line_key: str = ""
    notes: tuple[str, ...] = ()

    @property
    def bare(self) -> bool:
        """Whether it begins with digits, the prefix being left out."""
        return self.key[:1].isdigit()


def _readings(text: str) -> Iterator[_Reading]:
    """Give the ways to read a text, the plainest first."""
    parts = text.split()
    halves = [("", text)] + [(" ".join(parts[:cut]), " ".join(parts[cut:])) for cut in range(1, len(parts))]
    for line, number in halves:
        key, line_key = search_key(number), search_key(line)
        if not key:
            continue
        yield _Reading(key=key, line_key=line_key)
        event = ""
        for _ in range(_SUFFIXES):
            match = _SUFFIX.fullmatch(key)
            if match is None:
                break
            key, event = match["weld"], re.sub(r"0+(?=[0-9])", "", match["suffix"]) + event
            note = f"{event} is an event on the weld, not another weld; its whole history is one."
            yield _Reading(key=key, line_key=line_key, notes=(note,))


def _held(catalog: Catalog, reading: _Reading) -> tuple[str, ...]:
    key = literal(reading.key)
    same = f"w.weld_key = {key}"
    if reading.bare:
        same = f"(right(w.weld_key, {len(reading.key)}) = {key} AND regexp_like(w.weld_key, '^[^0-9]*[0-9]+.*$'))"
    if reading.line_key:
        same += f" AND w.line_key = {literal(reading.line_key)}"
    rows = catalog.rows(_distinct("w.weld_key AS weld_key", same), ["welds"])
    found = sorted(row["weld_key"] for row in rows)
    if reading.bare:
        found = [each for each in found if not any(c.isdigit() for c in each[: -len(reading.key)])]
    return tuple(found)


def near_misses(catalog: Catalog, text: str, *, line: str = "") -> tuple[str, ...]:
    """Return welds whose numbers differ from a text by a digit or by two exchanged, nearest first: line and number.

    A line that was given counts only where it has any such weld.
    """
    found: dict[str, None] = {}
    for reading in _readings(text):
        runs = list(re.finditer(rf"[0-9]{{{_DIGITS}}}", reading.key))
        if not runs:
            continue
        digits = runs[-1].group() if reading.line_key or len(runs) == 1 else runs[0].group()
        near = any_of(f"right(w.weld_key, {_DIGITS})", _variants(digits))
        rows = catalog.rows(
            _distinct("w.line AS line, w.number AS number, w.line_key AS line_key, w.weld_key AS weld_key", near),
            ["welds"],
        )
        wanted = reading.line_key or search_key(line)
        rows.sort(
            key=lambda row: (
                row["line_key"] != wanted,
                _apart(digits, row["weld_key"][-_DIGITS:]),
                row["line_key"],
                row["weld_key"],
            )
        )
        found.update(dict.fromkeys(f"{row['line']} {row['number']}" for row in rows))
    return tuple(found)[:_OFFERED]


def _distinct(columns: str, condition: str) -> str:
    return (
        f"SELECT DISTINCT {columns} FROM welds w JOIN ({CURRENT}) c"  # noqa: S608 - values are literals
        f" ON w.job = c.job AND w.handover = c.handover AND w.revision = c.revision WHERE {condition}"
    )


def _variants(digits: str) -> set[str]:
    """Return digits with one changed, two neighbours exchanged, one left out or one put in; and themselves."""
    made = {digits}
    for at in range(len(digits)):
        made |= {digits[:at] + other + digits[at + 1 :] for other in "0123456789"}
        made.add((digits[:at] + digits[at + 1 :]).zfill(_DIGITS))
        if at + 1 < len(digits):
            made.add(digits[:at] + digits[at + 1] + digits[at] + digits[at + 2 :])
    bare = digits.lstrip("0")
    if len(bare) < _DIGITS:
        made |= {
            (bare[:at] + other + bare[at:]).zfill(_DIGITS) for at in range(len(bare) + 1) for other in "0123456789"
        }
    return made


def _apart(one: str, other: str) -> int:
    """Return how far two texts of one length are apart: two digits exchanged are likelier than one mistaken."""
    places = [at for at, (a, b) in enumerate(zip(one, other, strict=False)) if a != b]
    exchanged = len(places) == 2 and one[places[0]] == other[places[1]] and one[places[1]] == other[places[0]]  # noqa: PLR2004 - two places
    return 1 if exchanged else 2 * len(places)
