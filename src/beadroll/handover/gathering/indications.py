"""Results and indications as reader sheets write them: ACC, REJ, RS; numbers of ISO 6520-1, letters, abbreviations.

Knows ``rules/tables/indications.json``. The code as written is always kept; a number of ISO 6520-1 is added where
the code means one thing. Refuses to weigh an indication, and asks where letters of two systems mean different things.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any, Final

from beadroll.handover.gathering.quantities import Manner, NotUnderstood, TwoWays, quantity
from beadroll.record.interpretation import Indication, Result

EXPECTED_RESULT: Final = "ACC, REJ or RS"
EXPECTED_CODE: Final = "a number of ISO 6520-1, its name, or an abbreviation such as P, ESI, IF, IP, BT"


@dataclass(frozen=True, slots=True, kw_only=True)
class Codes:
    """The table of codes, looked up by how a sheet writes them."""

    numbers: Mapping[str, str]
    letters: Mapping[str, str]
    api: Mapping[str, str]
    words: Mapping[str, str]
    none: frozenset[str]
    other: frozenset[str]
    results: Mapping[str, Result]
    unclear_results: Mapping[str, str]


@cache
def codes() -> Codes:
    """Return the table of codes and results."""
    data: Any = json.loads((resources.files("beadroll.rules") / "tables" / "indications.json").read_bytes())
    rows = data["codes"]["rows"]
    results = {word: Result(r) for r in ("ACC", "REJ", "RS") for word in data["results"][r]}
    return Codes(
        numbers={row["iso6520"]: row["name"] for row in rows},
        letters={letter: row["iso6520"] for row in rows for letter in row["letters"]},
        api={short: row["iso6520"] for row in rows for short in row["api"]},
        words={word: row["iso6520"] for row in rows for word in [row["name"], *row["words"]]},
        none=frozenset(data["none"]["words"]),
        other=frozenset(data["other"]["codes"]),
        results=results,
        unclear_results=data["results"]["unclear"],
    )


def result_of(text: str) -> Result:
    """Return a reader's result. Raises ``NotUnderstood``, ``TwoWays`` for one such as ``R`` that may mean two."""
    word = " ".join(text.casefold().replace(".", "").split())
    table = codes()
    for way in (word, text.strip().casefold()):
        if way in table.results:
            return table.results[way]
    if word in table.unclear_results:
        raise TwoWays(f"{EXPECTED_RESULT}; it may mean {table.unclear_results[word]}", (word.upper(), ""))
    raise NotUnderstood(EXPECTED_RESULT)


def number_of(code: str, manner: Manner) -> str:
    """Return the ISO 6520-1 number of a code, empty for a term that has none.

    Raises ``NotUnderstood`` for an unknown code, ``TwoWays`` where letters and abbreviations differ.
    """
    table = codes()
    if code in table.numbers:
        return code
    if code.upper() in table.other:
        return ""
    letter, short = table.letters.get(code, ""), table.api.get(code.upper(), "")
    if letter and short and letter != short:
        settled = {"letters": letter, "api": short}.get(manner.indication_codes)
        if settled is None:
            readings = (f"{letter} {table.numbers[letter]}", f"{short} {table.numbers[short]}")
            raise TwoWays(f"a code that means one thing; {code} may be {readings[0]} or {readings[1]}", readings)
        return settled
    found = letter or short or table.words.get(code.casefold(), "")
    if not found:
        raise NotUnderstood(EXPECTED_CODE)
    return found


_SEPARATORS = re.compile(r"\s*[;\n|]\s*|\s*,\s*(?=[^\d\s])|\s+(?:and|und)\s+|\s*\+\s*")
_WITH_PLACE = re.compile(
    r"""(?P<code>.*?[^\s@(])\s*\(?\s*(?:@|\bat\b|\bbei\b)\s*(?P<place>\d[\d.,]*)\s*(?P<unit>mm|cm|in)?
        (?:\s*[,x]?\s*(?:L|l|len|length)?\s*=?\s*(?P<length>\d[\d.,]*)\s*(?P<length_unit>mm|cm|in)?)?\s*\)?""",
    re.VERBOSE,
)


def split_codes(text: str) -> list[str]:
    """Return the codes of a cell one by one; none for ``NRI``, ``NAD``, ``NSD`` and other words for no indication."""
    if " ".join(text.casefold().split()) in codes().none:
        return []
    return [part for part in _SEPARATORS.split(text.strip()) if part and part.casefold() not in codes().none]


def read_code(part: str, manner: Manner) -> Indication:
    """Return one code as an indication, with the place it states itself (``2011 @ 120 mm L 4``); mm unless it says.

    Raises ``NotUnderstood`` as ``number_of`` does.
    """
    found = _WITH_PLACE.fullmatch(part)
    if found is None:
        return Indication(code=part, iso6520=number_of(part, manner))
    unit = found["unit"] or "mm"
    length = found["length"]
    return Indication(
        code=found["code"],
        iso6520=number_of(found["code"], manner),
        position_mm=quantity(found["place"], "length", unit, manner),
        length_mm=quantity(length, "length", found["length_unit"] or unit, manner) if length else None,
    )


def split_lengths(value: object, unit: str, manner: Manner) -> list[float | None]:
    """Return the lengths of a cell, one for each indication beside it: ``120; 455`` in the unit of the column, in mm.

    A blank or dash stands for one not stated. Raises ``NotUnderstood``.
    """
    if not isinstance(value, str):
        if isinstance(value, int | float):
            return [quantity(value, "length", unit, manner)]
        raise NotUnderstood("lengths with a unit, one for each indication")
    parts = [p.strip() for p in re.split(r"[;\n|/]", value)] if value.strip() else []
    return [None if p in {"", "-", "\N{EN DASH}"} else quantity(p, "length", unit, manner) for p in parts]


def indications_of(
    parts: Sequence[Indication],
    positions: Sequence[float | None],
    lengths: Sequence[float | None],
    sizes: Sequence[float | None],
) -> tuple[Indication, ...]:
    """Join codes with the positions, lengths and sizes of the columns beside them, in order.

    Raises ``NotUnderstood`` where a column states more or fewer than there are codes.
    """
    made = []
    for column, words in ((positions, "positions"), (lengths, "lengths"), (sizes, "sizes")):
        if len(column) not in (0, len(parts)):
            raise NotUnderstood(f"as many {words} as indications: {len(parts)} indications, {len(column)} {words}")
    for index, part in enumerate(parts):
        made.append(
            Indication(
                code=part.code,
                iso6520=part.iso6520,
                position_mm=part.position_mm if part.position_mm is not None else _nth(positions, index),
                length_mm=part.length_mm if part.length_mm is not None else _nth(lengths, index),
                size_mm=_nth(sizes, index),
            )
        )
    return tuple(made)


def _nth(values: Sequence[float | None], index: int) -> float | None:
    return values[index] if index < len(values) else None
