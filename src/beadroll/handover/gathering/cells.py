"""How each kind of field reads a cell: one function a kind, each giving a value or saying what was expected.

Knows the kinds named ``reads`` in ``tables/headings.json``. Refuses to know where the cell stands.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Mapping
from datetime import date, datetime, time
from typing import Any, Final

from beadroll.handover.gathering.indications import result_of, split_lengths
from beadroll.handover.gathering.pipes import nps_of_dn
from beadroll.handover.gathering.quantities import Manner, NotUnderstood, TwoWays, clock, day, number, quantity
from beadroll.handover.gathering.registers_words import arrangement, equipment_kind, level, roles
from beadroll.tables import Raw, text_of

_TEXT_LIMIT: Final = 2000
"""Longest text kept of a cell; the record's schemas allow no more."""
_LONGEST_VALUE: Final = 300
"""Longest text read as anything but text: no number, date or code is longer."""

Reader = Callable[[Raw, str, Manner], Any]


def _text(value: Raw, _unit: str, _manner: Manner) -> str:
    if isinstance(value, date | datetime | time) and not isinstance(value, str):
        raise TwoWays(
            "text; the spreadsheet has turned what was typed (such as 1-2) into a date or time", (str(value), "")
        )
    text = text_of(value)
    if len(text) > _TEXT_LIMIT:
        raise NotUnderstood(f"a text of at most {_TEXT_LIMIT} letters")
    text = " ".join(text.split())
    return text if text.isascii() else unicodedata.normalize("NFC", text)


def _list(value: Raw, unit: str, manner: Manner) -> tuple[str, ...]:
    return tuple(p.strip() for p in re.split(r"[,;\n&]|\s/\s", _raw_text(value, unit, manner)) if p.strip())


def _stencils(value: Raw, unit: str, manner: Manner) -> tuple[str, ...]:
    return tuple(p.strip() for p in re.split(r"[,;\n&/+]", _raw_text(value, unit, manner)) if p.strip())


def _raw_text(value: Raw, unit: str, manner: Manner) -> str:
    return value if isinstance(value, str) else _text(value, unit, manner)


def _count(value: Raw, _unit: str, manner: Manner) -> int:
    read = number(value, manner)
    if not read.is_integer() or not 0 <= read < 1_000_000:  # noqa: PLR2004 - more than any week has
        raise NotUnderstood("a whole number")
    return int(read)


def _density(value: Raw, _unit: str, manner: Manner) -> tuple[float, float]:
    parts: list[Raw] = [value]
    if isinstance(value, str):
        parts = [*re.split(r"\s*(?:[-\N{EN DASH}\N{EM DASH}]|/|to|bis|\.\.+|…)\s*", value.strip())]
    if len(parts) > 2:  # noqa: PLR2004 - a range has two ends
        raise NotUnderstood("a density or a range such as 2.1-3.0")
    read = [_optical(number(part, manner)) for part in parts]
    return min(read), max(read)


def _optical(value: float) -> float:
    """Return an optical density. Films of industrial radiography reach about 4.5 (ISO 14096-1's measured range)."""
    if not 0 <= value <= 6:  # noqa: PLR2004 - beyond any densitometer
        raise NotUnderstood("an optical density between 0 and 6")
    return value


def _moment(value: Raw, _unit: str, manner: Manner) -> datetime:
    if isinstance(value, datetime):
        return value
    return datetime.combine(day(value, manner), clock(value))


_TICKS: Final = {
    **dict.fromkeys(("x", "xx", "yes", "y", "1", "true", "ja", "\N{CHECK MARK}", "\N{HEAVY CHECK MARK}"), True),
    **dict.fromkeys(("", "-", "no", "n", "0", "false", "nein"), False),
}


def _tick(value: Raw, _unit: str, _manner: Manner) -> bool:
    found = _TICKS.get(text_of(value).casefold())
    if found is None:
        raise NotUnderstood("a tick such as X, or nothing")
    return found


def _quantity(kind: str) -> Reader:
    return lambda value, unit, manner: _positive(quantity(value, kind, unit, manner))


def _positive(value: float) -> float:
    if value < 0:
        raise NotUnderstood("a value that is not negative")
    return value


READERS: Final[Mapping[str, Reader]] = {
    "text": _text,
    "code": _text,
    "list": _list,
    "stencils": _stencils,
    "date": lambda value, _unit, manner: day(value, manner),
    "time": lambda value, _unit, _manner: clock(value),
    "moment": _moment,
    "length": _quantity("length"),
    "pitch": _quantity("pitch"),
    "activity": _quantity("activity"),
    "voltage": _quantity("voltage"),
    "duration": _quantity("duration"),
    "number": lambda value, _unit, manner: _positive(number(value, manner)),
    "count": _count,
    "tick": _tick,
    "optical": lambda value, _unit, manner: _optical(number(value, manner)),
    "density": _density,
    "dn": lambda value, _unit, _manner: nps_of_dn(text_of(value)),
    "result": lambda value, _unit, _manner: result_of(text_of(value)),
    "lengths": split_lengths,
    "arrangement": lambda value, _unit, _manner: arrangement(text_of(value)),
    "roles": lambda value, _unit, _manner: roles(text_of(value)),
    "level": lambda value, _unit, _manner: level(text_of(value)),
    "equipment_kind": lambda value, _unit, _manner: equipment_kind(text_of(value)),
}
"""How each kind of field reads, after ``reads`` in ``tables/headings.json``."""


def read_cell(reads: str, raw: Raw, unit: str, manner: Manner) -> Any:
    """Return the value of a cell read as ``reads``, in the record's units; ``unit`` is the column's own.

    Raises ``NotUnderstood``.
    """
    if isinstance(raw, str) and len(raw) > _LONGEST_VALUE and reads not in {"text", "list", "stencils"}:
        raise NotUnderstood(f"a value of at most {_LONGEST_VALUE} letters")
    return READERS[reads](raw, unit, manner)
