"""The words of pages and sheets in four languages, and numbers, dates and foreign text as these show them.

Knows the string tables under ``words/``. Refuses to know layouts, and to translate what crews wrote: remarks, codes
and names stand as they were delivered. Dates are ISO 8601 in every language, so that no reader takes a day for a month.
"""

from __future__ import annotations

import json
import string
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from functools import cache
from importlib import resources
from typing import Final

LANGUAGES: Final = ("de", "en", "es", "fr")


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """One language's texts; called with a key and the values of its blanks."""

    language: str
    texts: Mapping[str, str]

    def __call__(self, key: str, **values: object) -> str:
        """Return the text of ``key`` with its blanks filled. Raises ``KeyError``, a fault of the caller."""
        return self.texts[key].format(**values)

    def number(self, value: float) -> str:
        """Return a number with the language's decimal sign and no more digits than it has."""
        shown = f"{value:.10g}"
        return shown.replace(".", self.texts["number.decimal"])

    def day(self, value: date | None) -> str:
        """Return a date as ISO 8601, or the word for a date that is not stated."""
        return value.isoformat() if value else self.texts["date.missing"]

    def moment(self, value: datetime) -> str:
        """Return a moment to the minute with its offset from UTC."""
        return value.isoformat(sep=" ", timespec="minutes")


@cache
def _table(language: str) -> Mapping[str, str]:
    data = (resources.files("beadroll.report") / "words" / f"{language}.json").read_bytes()
    texts: dict[str, str] = json.loads(data)
    return texts


def words(language: str = "en", labels: Mapping[str, str] | None = None) -> Words:
    """Return the words of a language, with a template's own ``labels`` in place of some of them.

    Raises ``KeyError`` for a language there is no table for; labels are checked where the template is read.
    """
    if language not in LANGUAGES:
        raise KeyError(language)
    return Words(language=language, texts={**_table(language), **(labels or {})})


def blanks(text: str) -> frozenset[str]:
    """Return the names of a text's blanks. Raises ``ValueError`` for one that is more than a plain name."""
    found = set()
    for _, name, spec, conversion in string.Formatter().parse(text):
        if name is None:
            continue
        if not name.isidentifier() or spec or conversion:
            raise ValueError(f"the blank {name!r} is not a plain name")
        found.add(name)
    return frozenset(found)


def legible(text: str) -> str:
    r"""Return foreign text fit to be shown in one line: composed, white space as blanks, hidden characters spelled out.

    A control or formatting character (such as one that turns the direction of writing) shows as ``\u202e``: a name
    must not look like another. Nothing is cut.
    """
    composed = unicodedata.normalize("NFC", text)
    if composed.isprintable():
        return composed
    return "".join(
        c if c.isprintable() else " " if c.isspace() else c.encode("unicode_escape", "surrogatepass").decode("ascii")
        for c in composed
    )
