"""What a column heading or a label may mean: the words offices use, and how close a word must come.

Knows ``tables/headings.json``. A heading is met exactly, or closely at a cutoff that never crossed two fields in our
tests; what can mean two things is returned as unclear. Refuses to decide an unclear one.
"""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cache, lru_cache
from importlib import resources
from typing import Final

from rapidfuzz import fuzz

from beadroll.handover.gathering.quantities import unit_of

CUTOFF: Final = 85
"""Least similarity, of 100, at which a heading counts as close."""
_MARGIN: Final = 10
"""A second field within this distance of the first makes a close heading unclear."""
_LONGEST: Final = 80
"""A longer text is no heading."""
_SHORTEST_CLOSE: Final = 5
"""Shorter headings are met exactly or not at all: between OD and ID lies one letter."""


class TableKind(StrEnum):
    """What a table is about."""

    WELD_LOG = "weld_log"
    READER_SHEET = "reader_sheet"
    TECHNIQUES = "techniques"
    PEOPLE = "people"
    EQUIPMENT = "equipment"

    @property
    def words(self) -> str:
        """What people call it."""
        return {
            "techniques": "list of technique sheets",
            "people": "list of people",
            "equipment": "equipment list",
        }.get(self.value, self.value.replace("_", " "))


class How(StrEnum):
    """How a heading came to its field."""

    PROFILE = "profile"
    EXACT = "exact"
    CLOSE = "close"
    UNCLEAR = "unclear"
    IGNORED = "ignored"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One field of a kind of table: how its cells read, whether a table is useless without it, its headings."""

    name: str
    reads: str = "text"
    needed: bool = False
    headings: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """What messages call the field."""
        return self.headings[0] if not self.name else re.sub(r"_(mm|um|ci|kv|s)$", "", self.name).replace("_", " ")


@dataclass(frozen=True, slots=True, kw_only=True)
class Meaning:
    """What a heading was read as. ``choices`` are the fields an unclear one may mean; ``score`` is of 100."""

    field: str = ""
    unit: str = ""
    how: How = How.UNKNOWN
    score: int = 100
    choices: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Vocabulary:
    """The headings of one kind of table."""

    fields: Mapping[str, Field]
    exact: Mapping[str, str]
    unclear: Mapping[str, tuple[str, ...]]


@cache
def vocabulary(kind: TableKind) -> Vocabulary:
    """Return the headings known for a kind of table."""
    data = json.loads((resources.files("beadroll.handover.gathering") / "tables" / "headings.json").read_bytes())
    entry = data["kinds"][kind.value]
    fields = {
        name: Field(name=name, reads=f["reads"], needed=f.get("needed", False), headings=tuple(f["headings"]))
        for name, f in entry["fields"].items()
    }
    # A field's own name is a heading too, unless offices use the word for something else: "No." counts rows.
    exact = {key_of(name.replace("_", " ")): name for name in fields if name}
    exact |= {key_of(heading): name for name, f in fields.items() for heading in f.headings}
    unclear = {key_of(heading): tuple(choices) for heading, choices in entry["unclear"].items()}
    return Vocabulary(fields=fields, exact={**exact, **dict.fromkeys(unclear, "")}, unclear=unclear)


def key_of(text: str) -> str:
    """Return a heading reduced to its words: no case, no punctuation, ``#`` and ``number`` as ``no``.

    >>> key_of("Weld  No."), key_of("WELD #"), key_of("Acc./Rej.")
    ('weld no', 'weld no', 'acc rej')
    """
    text = unicodedata.normalize("NFKC", text).casefold().replace("ß", "ss").replace("#", " no ").replace("№", " no ")
    text = re.sub(r"\b([^\W\d_])\.(?=[^\W\d_]\b)", r"\1", text)  # O.D. is OD
    words = re.sub(r"[^\w%]+|_", " ", text).split()
    return " ".join({"number": "no", "num": "no", "nummer": "nr"}.get(word, word) for word in words)


_BRACKETS = re.compile(r"[(\[{]([^)\]}]*)[)\]}]")
_TRAILING_UNIT = re.compile(r"^(.*?\S)(?:[\s,/]+in)?[\s,/]+([^\s,/]+?)\.?$", re.IGNORECASE)


def parts_of(text: str) -> list[tuple[str, str]]:
    """Return the ways a heading splits into words and unit, most literal first: ``Wall (mm)`` -> (``wall``, ``mm``)."""
    brackets = [b.strip() for b in _BRACKETS.findall(text)]
    unit = next((unit_of(b) for b in brackets if unit_of(b)), "")
    bare = _BRACKETS.sub(" ", text) if brackets else text
    ways = [(key_of(text), "")] if not unit else []
    ways.append((key_of(bare), unit))
    if not unit and (found := _TRAILING_UNIT.match(bare)) and unit_of(found[2]):
        ways.append((key_of(found[1]), unit_of(found[2])))
    return [way for way in dict.fromkeys(ways) if way[0]]


@lru_cache(maxsize=4096)
def meaning_of(heading: str, kind: TableKind, *, closely: bool = True) -> Meaning:
    """Return what a heading means in a kind of table; ``closely`` also takes words that are nearly right."""
    words = vocabulary(kind)
    if len(heading) > _LONGEST:
        return Meaning()
    ways = parts_of(heading)
    for key, unit in ways:
        if key in words.unclear:
            return Meaning(how=How.UNCLEAR, unit=unit, choices=words.unclear[key])
        if key in words.exact:
            field = words.exact[key]
            return Meaning(field=field, unit=unit, how=How.EXACT if field else How.IGNORED)
    if not closely:
        return Meaning()
    return next((m for key, unit in ways if (m := _close(key, unit, words)).how is not How.UNKNOWN), Meaning())


def _close(key: str, unit: str, words: Vocabulary) -> Meaning:
    if len(key) < _SHORTEST_CLOSE:
        return Meaning()
    best: dict[str, float] = {}
    for heading in words.exact:
        # Words in another order are close, and so are words run together or cut in the wrong place.
        score = max(
            fuzz.token_sort_ratio(key, heading, score_cutoff=CUTOFF - _MARGIN),
            fuzz.ratio(key.replace(" ", ""), heading.replace(" ", ""), score_cutoff=CUTOFF - _MARGIN),
        )
        if score:
            for field in words.unclear.get(heading) or (words.exact[heading],):
                best[field] = max(best.get(field, 0.0), score)
    if not best or max(best.values()) < CUTOFF:
        return Meaning()
    ranked = sorted(best, key=lambda f: (-best[f], f))
    near = tuple(f for f in ranked if best[ranked[0]] - best[f] < _MARGIN)
    if len(near) > 1:
        return Meaning(how=How.UNCLEAR, unit=unit, choices=tuple(f for f in near if f))
    how = How.CLOSE if near[0] else How.UNKNOWN
    return Meaning(field=near[0], unit=unit, how=how, score=int(best[near[0]]))
