"""The typeface of the sheets: which characters it has, and a static cut of it with just those a document needs.

Knows Noto Sans (SIL Open Font License), which comes as one variable font file, or the fonts a template brings. Refuses
to print a character the font has no sign for, or one that needs shaping it does not do: the character is named.
"""

from __future__ import annotations

import io
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from enum import IntEnum
from functools import cached_property, lru_cache
from importlib import resources
from typing import Final

from fontTools import subset
from fontTools.ttLib import TTFont, TTLibError
from fontTools.varLib import instancer

from beadroll.errors import InputError

_SHAPED: Final = ((0x0590, 0x08FF), (0x0900, 0x109F), (0x1780, 0x18AF), (0x1CD0, 0x1CFF), (0xA8E0, 0xA8FF))
"""Blocks of scripts whose signs depend on their neighbours or run from right to left (Unicode, Blocks.txt)."""
_ALWAYS: Final = frozenset(range(0x20, 0x7F))


class Weight(IntEnum):
    """The two cuts used, as positions on the font's weight axis (OpenType, ``wght``)."""

    REGULAR = 400
    BOLD = 700


@dataclass(frozen=True, kw_only=True)
class Typeface:
    """Regular and bold font files as bytes; variable or static TrueType."""

    regular: bytes = field(repr=False)
    bold: bytes = field(repr=False)
    name: str = "Noto Sans"

    @cached_property
    def repertoire(self) -> frozenset[int]:
        """The code points both cuts have a sign for."""
        found = [frozenset(_open(data, self.name).getBestCmap() or ()) for data in {self.regular, self.bold}]
        return frozenset.intersection(*found)

    def missing(self, text: str) -> tuple[str, ...]:
        """Return the characters of a text that cannot be printed, each once, in the order they come."""
        return tuple(dict.fromkeys(char for char in text if ord(char) not in _ALWAYS and not self._prints(char)))

    def _prints(self, char: str) -> bool:
        code = ord(char)
        shaped = unicodedata.combining(char) or any(first <= code <= last for first, last in _SHAPED)
        return code in self.repertoire and not shaped

    def cut(self, weight: Weight, characters: Iterable[str]) -> bytes:
        """Return a static TrueType font of one weight with the signs for ``characters``; same input, same bytes.

        Raises ``InputError`` naming the characters the font lacks.
        """
        wanted = "".join(sorted(set(characters)))
        lacking = self.missing(wanted)
        if lacking:
            raise missing_signs(lacking, self.name)
        data = self.regular if weight is Weight.REGULAR else self.bold
        return _cut(data, weight, frozenset(map(ord, wanted)) | _ALWAYS, self.name)


def missing_signs(characters: Iterable[str], font: str) -> InputError:
    """Return the error that names characters a font cannot print."""
    return InputError(
        f"has no sign for {', '.join(name_of(char) for char in characters)}",
        path=f"font {font}",
        remedy="Name a font that has them in the report template ([fonts] regular and bold), or correct the text.",
    )


def name_of(char: str) -> str:
    """Return a character as a person can look it up: ``U+4E2D CJK UNIFIED IDEOGRAPH-4E2D``."""
    return f"U+{ord(char):04X} {unicodedata.name(char, 'without a name')}"


@lru_cache(maxsize=1)
def noto_sans() -> Typeface:
    """Return the typeface that the package ``fontpkg-noto-sans`` ships; one file holds both weights."""
    data = (resources.files("fontpkg_noto_sans") / "files" / "NotoSans[wdth,wght].ttf").read_bytes()
    return Typeface(regular=data, bold=data)


def texts_of(value: object) -> Iterator[str]:
    """Yield every text inside a record of dataclasses, mappings and tuples."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for key, item in value.items():
            yield from texts_of(key)
            yield from texts_of(item)
    elif isinstance(value, tuple | list):
        for item in value:
            yield from texts_of(item)
    elif hasattr(value, "__dataclass_fields__"):
        for name in value.__dataclass_fields__:
            yield from texts_of(getattr(value, name))


def _open(data: bytes, name: str) -> TTFont:
    try:
        font = TTFont(io.BytesIO(data), lazy=True, recalcTimestamp=False)
        if "glyf" not in font:
            raise _no_font(name)
        font.getBestCmap()
    except (TTLibError, KeyError, ValueError, AssertionError) as fault:
        raise _no_font(name) from fault
    return font


def _no_font(name: str) -> InputError:
    return InputError(
        "is not a font that can be embedded",
        path=f"font {name}",
        remedy="Use a TrueType font (.ttf) with outlines.",
    )


@lru_cache(maxsize=8)
def _cut(data: bytes, weight: Weight, codes: frozenset[int], name: str) -> bytes:
    font = _open(data, name)
    options = subset.Options(layout_features=[], notdef_outline=True, hinting=False, name_IDs=[0, 1, 2, 4, 6, 13, 14])
    options.drop_tables += ["GDEF", "GPOS", "GSUB"]
    cutter = subset.Subsetter(options)
    cutter.populate(unicodes=codes)
    cutter.subset(font)
    if "fvar" in font:
        # Cut first, then set the weight: the other way round takes seconds for the whole font.
        axes = {axis.axisTag: axis.defaultValue for axis in font["fvar"].axes} | {"wght": int(weight)}
        instancer.instantiateVariableFont(font, axes, inplace=True)
    style = "Regular" if weight is Weight.REGULAR else "Bold"
    for identifier, text in ((2, style), (4, f"{name} {style}"), (6, f"{name.replace(' ', '')}-{style}")):
        font["name"].setName(text, identifier, 3, 1, 0x409)
    made = io.BytesIO()
    font.save(made)
    return made.getvalue()
