"""Numbers, lengths, activities, times and dates as offices write them, read or refused, never guessed.

Knows units, fractions, decimal commas, the orders dates are written in and spreadsheet serials. Refuses what can be
read in two ways unless the office or the column has settled it: the caller then asks.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import Final

from beadroll.tables import Raw, text_of


class NotUnderstood(Exception):  # noqa: N818 - says what the text was, as the office would
    """A cell that cannot be read as what its column holds. ``expected`` says what would have been understood."""

    def __init__(self, expected: str) -> None:
        """Say what was expected, as the tail of 'expected …'."""
        super().__init__(expected)
        self.expected = expected


class TwoWays(NotUnderstood):
    """A cell that can be read in two ways, neither of which is settled. ``readings`` are both, for the question."""

    def __init__(self, expected: str, readings: tuple[str, str]) -> None:
        """Keep both readings, so that a person can choose."""
        super().__init__(expected)
        self.readings = readings


@dataclass(frozen=True, slots=True, kw_only=True)
class Manner:
    """How an office or a column writes: empty means not settled.

    ``date_order`` is ``dmy``, ``mdy`` or ``ymd``; ``decimal`` is ``comma`` or ``point``; ``indication_codes`` is
    ``letters`` (the old IIW letters) or ``api`` (abbreviations after API 1104), which use the same letters otherwise.
    ``units`` are those of columns that state none, by kind of quantity.
    """

    date_order: str = ""
    decimal: str = ""
    indication_codes: str = ""
    units: Mapping[str, str] = field(default_factory=dict)

    def settled_by(self, other: Manner) -> Manner:
        """Return this manner with what it leaves open taken from another."""
        return Manner(
            date_order=self.date_order or other.date_order,
            decimal=self.decimal or other.decimal,
            indication_codes=self.indication_codes or other.indication_codes,
            units={**other.units, **self.units},
        )


UNITS: Final = {
    "length": {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "ft": 304.8, "um": 0.001},
    "pitch": {"um": 1.0, "mm": 1000.0},
    "activity": {"Ci": 1.0, "mCi": 0.001, "MBq": 1 / 37_000, "GBq": 1 / 37, "TBq": 1000 / 37},
    "voltage": {"kV": 1.0, "V": 0.001, "MV": 1000.0},
    "duration": {"s": 1.0, "min": 60.0, "h": 3600.0},
    "plain": {"": 1.0},
}
"""Units by quantity, each with its factor to the record's unit: mm, um, Ci, kV, s.

Factors are definitions: 1 in = 25.4 mm exactly; 1 Ci = 37 GBq exactly (SI Brochure, 8th edition, table 8).
"""

_SPELLINGS: Final = {
    "millimetre": "mm", "millimeter": "mm", "centimetre": "cm", "inch": "in", "inches": "in", '"': "in", "″": "in",
    "”": "in", "''": "in", "feet": "ft", "foot": "ft", "'": "ft", "zoll": "in", "ins": "in",
    "µm": "um", "μm": "um", "micron": "um", "microns": "um", "micrometre": "um",
    "ci": "Ci", "curie": "Ci", "curies": "Ci", "mci": "mCi", "gbq": "GBq", "tbq": "TBq", "mbq": "MBq",
    "kv": "kV", "kvp": "kV", "v": "V", "volt": "V", "mev": "MV",
    "sec": "s", "secs": "s", "second": "s", "seconds": "s", "sek": "s",
    "mins": "min", "minute": "min", "minutes": "min", "m": "m", "mm": "mm", "cm": "cm", "in": "in", "ft": "ft",
    "um": "um", "s": "s", "min": "min", "h": "h", "hr": "h", "hrs": "h", "hour": "h", "hours": "h", "std": "h",
}  # fmt: skip


def unit_of(text: str) -> str:
    """Return the record's spelling of a unit (``mm``, ``GBq``), empty where it is none we know."""
    bare = text.strip().rstrip(".")
    if bare in {"MV", "mV"}:  # the one pair that only case tells apart, and nobody shoots with millivolts
        return "MV" if bare == "MV" else ""
    return _SPELLINGS.get(bare.lower(), "")


_NUMBER = re.compile(r"[+-]?(?:\d[\d.,]*|[.,]\d+)")
_SPACED = re.compile(r"[+-]?\d{1,3}(?:[ '\u00a0\u202f]\d{3})+(?:[.,]\d+)?")
_WHOLE_AND_FRACTION = re.compile(r"(?:(\d+)[\s-]+)?(\d+)\s*/\s*(\d+)")
_GROUPED = re.compile(r"\d{1,3}([.,])\d{3}")
_VULGAR: Final = {"½": "1/2", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8"}


def number(value: Raw, manner: Manner = Manner()) -> float:
    """Return a number written with a decimal point or comma, or as a fraction such as ``1 1/2``.

    Raises ``NotUnderstood``; ``TwoWays`` for ``1,234`` where nothing settles whether the comma groups thousands.
    """
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise NotUnderstood("a number")
    if not isinstance(value, str):
        return float(value)
    text = value.strip()
    for sign, fraction in _VULGAR.items():
        text = text.replace(sign, f" {fraction}").strip()
    if parts := _WHOLE_AND_FRACTION.fullmatch(text):
        whole, above, below = int(parts[1] or 0), int(parts[2]), int(parts[3])
        if below == 0:
            raise NotUnderstood("a number; a fraction has no zero below the line")
        return whole + above / below
    if _SPACED.fullmatch(text):
        text = re.sub(r"[ '\u00a0\u202f]", "", text)
    if not _NUMBER.fullmatch(text):
        raise NotUnderstood("a number")
    return float(_plain(text, manner))


def _plain(text: str, manner: Manner) -> str:
    """Return digits with a decimal point, once it is settled what comma and point mean in them."""
    commas, points = text.count(","), text.count(".")
    if commas and points:
        decimal = "," if text.rfind(",") > text.rfind(".") else "."
        if (commas if decimal == "," else points) > 1:
            raise NotUnderstood("a number with one decimal mark")
        return text.replace("." if decimal == "," else ",", "").replace(",", ".")
    mark = "," if commas else "."
    if commas + points == 0:
        return text
    if commas + points > 1:
        raise NotUnderstood("a number with one decimal mark")
    settled = {"comma": ",", "point": "."}.get(manner.decimal, "")
    if _GROUPED.fullmatch(text.lstrip("+-")) and not text.lstrip("+-").startswith("0"):
        if not settled and mark == ".":
            return text
        if settled != mark:
            if not settled or mark == ".":
                whole = text.replace(mark, "")
                raise TwoWays("a number that can be read one way only", (text.replace(",", "."), whole))
            return text.replace(mark, "")
    return text.replace(",", ".")


def settled_decimal(values: Iterable[Raw]) -> str:
    """Return ``comma`` or ``point`` where some text of a column can be read one way only and none the other."""
    marks = set()
    for value in values:
        if isinstance(value, str):
            for found in re.finditer(r"\d+([.,])(\d+)(?![.,\d])", value):
                if len(found[2]) != 3 or found[0].startswith("0"):  # noqa: PLR2004 - three digits may be thousands
                    marks.add({",": "comma", ".": "point"}[found[1]])
    return marks.pop() if len(marks) == 1 else ""


_WITH_UNIT = re.compile(r"(.*?[\d½¼¾⅛⅜⅝⅞])\s*([^\d\s.,/][^\d]*)?")


def quantity(value: Raw, kind: str, unit: str = "", manner: Manner = Manner()) -> float:
    """Return a quantity in the record's unit: ``kind`` is a key of ``UNITS``, ``unit`` the column's own.

    A unit in the cell wins over the column's. Raises ``NotUnderstood``, also where no unit is stated anywhere.
    """
    known = UNITS[kind]
    names = ", ".join(u for u in known if u)
    expected = f"a number with a unit ({names})" if names else "a number"
    if kind == "duration" and (seconds := _clock_duration(value)) is not None:
        return seconds
    own = ""
    if isinstance(value, str):
        parts = _WITH_UNIT.fullmatch(value.strip())
        if parts is None:
            raise NotUnderstood(expected)
        value, own = parts[1], (parts[2] or "").strip()
    if own and unit_of(own) not in known:
        raise NotUnderstood(expected)
    # Tube voltages are stated in kV and nothing else (common practice, no published source).
    used = unit_of(own) or unit or manner.units.get(kind, "kV" if kind == "voltage" else "")
    if used not in known:
        raise NotUnderstood(f"{expected}; neither the heading nor the cell states the unit")
    try:
        return round(number(value, manner) * known[used], 6)
    except TwoWays:
        raise
    except NotUnderstood as fault:
        raise NotUnderstood(expected) from fault


def _clock_duration(value: Raw) -> float | None:
    """Return seconds of ``2 min 30 s``, ``2:30`` (minutes and seconds) or a spreadsheet's own duration."""
    if isinstance(value, timedelta):
        return value.total_seconds()
    if isinstance(value, str):
        if found := re.fullmatch(r"(\d+)\s*(?:min|m|')\s*(\d+)\s*(?:s|sec|\")?", value.strip(), re.IGNORECASE):
            return int(found[1]) * 60.0 + int(found[2])
        if found := re.fullmatch(r"(\d{1,3}):([0-5]\d)", value.strip()):
            return int(found[1]) * 60.0 + int(found[2])
    return None


_MONTHS: Final = {
    name: month
    for month, names in enumerate(
        (
            "january jan janvier januar jänner", "february feb février februar feber", "march mar mars märz",
            "april apr avril", "may mai", "june jun juin juni", "july jul juillet juli", "august aug août",
            "september sep sept septembre", "october oct octobre oktober okt", "november nov novembre",
            "december dec décembre dezember dez",
        ),
        start=1,
    )
    for name in names.split()
}  # fmt: skip
_THREE = re.compile(r"(\d{1,4})\s*([-/. ])\s*(\d{1,2})\s*\2\s*(\d{1,4})")
_NAMED_DAY_FIRST = re.compile(r"(\d{1,2})[\s.\-/]*([^\W\d_]+)[\s.,\-/]*(\d{4}|\d{2})")
_NAMED_MONTH_FIRST = re.compile(r"([^\W\d_]+)[\s.\-]*(\d{1,2})(?:st|nd|rd|th)?[\s,.\-]+(\d{4})")
_WEEKDAY = re.compile(
    r"^(?:mon|tue|wed|thu|fri|sat|sun|mo|di|mi|do|fr|sa|so|lun|mar|mer|jeu|ven|sam|dim)[a-z]{0,8}[.,]?\s+(?=\d)",
    re.IGNORECASE,
)
_COMPACT = re.compile(r"(\d{4})(\d{2})(\d{2})")
_EXPECTED_DATE: Final = "a date such as 2031-04-03 or 3 Apr 2031"
_SERIALS: Final = range(29_000, 74_000)
"""Serial days of a spreadsheet that fall in 1979 to 2102; outside them a number in a date column is a mistake."""


def day(value: Raw, manner: Manner = Manner()) -> date:
    """Return a date. Raises ``NotUnderstood``; ``TwoWays`` where day and month could change places."""
    if isinstance(value, datetime):
        return value.date()
    if isinstance(value, date):
        return value
    if isinstance(value, int | float) and not isinstance(value, bool):
        return _serial(float(value))
    if not isinstance(value, str):
        raise NotUnderstood(_EXPECTED_DATE)
    text = _WEEKDAY.sub("", value.strip())
    text = re.sub(r"[T ]\d{1,2}:\d{2}(:\d{2})?.*$", "", text)
    try:
        return _named(text) or _numeric(text, manner)
    except ValueError as fault:
        raise NotUnderstood(f"{_EXPECTED_DATE}; there is no such day") from fault


def _serial(value: float) -> date:
    """Return the day of a serial number of the 1900 system, in which day 60 is an invented 29 February 1900."""
    if int(value) not in _SERIALS:
        raise NotUnderstood(_EXPECTED_DATE)
    return date(1899, 12, 30) + timedelta(days=int(value))


def _named(text: str) -> date | None:
    if found := _NAMED_DAY_FIRST.fullmatch(text):
        month, years = _MONTHS.get(found[2].lower()), found[3]
        if month:
            return date(_year(years), month, int(found[1]))
    if found := _NAMED_MONTH_FIRST.fullmatch(text):
        month = _MONTHS.get(found[1].lower())
        if month:
            return date(int(found[3]), month, int(found[2]))
    return None


def _year(text: str) -> int:
    """Return a year; two digits are of this century, since no radiograph kept this way is older."""
    return int(text) + 2000 if len(text) == 2 else int(text)  # noqa: PLR2004 - two digits


def _numeric(text: str, manner: Manner) -> date:
    if compact := _COMPACT.fullmatch(text):
        return date(int(compact[1]), int(compact[2]), int(compact[3]))
    found = _THREE.fullmatch(text)
    if found is None:
        raise NotUnderstood(_EXPECTED_DATE)
    first, mark, second, last = found[1], found[2], int(found[3]), found[4]
    if len(first) == 4:  # noqa: PLR2004 - a year in front is followed by the month
        return date(int(first), second, int(last))
    if len(first) > 2 or len(last) not in (2, 4):  # noqa: PLR2004 - digits of a day, of a year
        raise NotUnderstood(_EXPECTED_DATE)
    return _ordered(int(first), second, last, manner.date_order or ("dmy" if mark == "." and len(last) == 4 else ""))  # noqa: PLR2004


def _ordered(first: int, second: int, last: str, order: str) -> date:
    """Return the date of three numbers once their order is settled; a point as mark is day first (common practice)."""
    if order == "ymd":
        return date(_year(f"{first:02d}"), second, int(last))
    readings = {"dmy": (second, first), "mdy": (first, second)}
    if order:
        month, dom = readings[order]
        return date(_year(last), month, dom)
    possible = {key: (m, d) for key, (m, d) in readings.items() if m <= 12}  # noqa: PLR2004 - months
    if len(set(possible.values())) == 1:
        month, dom = next(iter(possible.values()))
        return date(_year(last), month, dom)
    if not possible:
        raise NotUnderstood(f"{_EXPECTED_DATE}; there is no such day")
    shown = tuple(date(_year(last), m, d).strftime("%d %b %Y") for m, d in possible.values())
    raise TwoWays("a date that can be read one way only, such as 2031-04-03", (shown[0], shown[1]))


def settled_date_order(values: Iterable[Raw]) -> str:
    """Return ``dmy`` or ``mdy`` where some text date of a column can be read one way only and none the other."""
    orders = set()
    for value in values:
        if isinstance(value, str) and (found := _THREE.match(value.strip())) and len(found[1]) <= 2:  # noqa: PLR2004
            first, second = int(found[1]), int(found[3])
            if first > 12 >= second:  # noqa: PLR2004 - months
                orders.add("dmy")
            elif second > 12 >= first:  # noqa: PLR2004
                orders.add("mdy")
    return orders.pop() if len(orders) == 1 else ""


def clock(value: Raw) -> time:
    """Return a time of day: ``14:05``, ``2:05 pm``, or a spreadsheet's fraction of a day. Raises ``NotUnderstood``."""
    if isinstance(value, datetime):
        return value.time()
    if isinstance(value, time):
        return value
    if isinstance(value, float) and 0 <= value < 1:
        seconds = min(round(value * 86_400), 86_399)
        return time(seconds // 3600, seconds // 60 % 60, seconds % 60)
    found = re.search(r"(\d{1,2})[:.h](\d{2})(?:[:.](\d{2}))?\s*([ap]m)?$", text_of(value), re.IGNORECASE)
    if found is None:
        raise NotUnderstood("a time of day such as 14:05")
    hour = int(found[1])
    if found[4]:
        hour = hour % 12 + (12 if found[4].lower() == "pm" else 0)
    try:
        return time(hour, int(found[2]), int(found[3] or 0))
    except ValueError as fault:
        raise NotUnderstood("a time of day such as 14:05") from fault
