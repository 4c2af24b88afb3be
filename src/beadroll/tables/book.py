"""A spreadsheet as rows with addresses, whatever file it came from.

Knows where every value stands, so that a message can name file, sheet and cell. Refuses to know what a column means,
which row is the heading and what a text like 03/04/2031 says: that is for whoever knows the office.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta

from beadroll.findings import Finding
from beadroll.record.evidence import Address

Raw = str | int | float | bool | date | datetime | time | timedelta
"""A cell as the file holds it; an empty cell is the empty text."""


def column_letters(column: int) -> str:
    """Return the letters of a column counted from 0: 0 is ``A``, 26 is ``AA``."""
    letters = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def cell_name(row: int, column: int) -> str:
    """Return the name of a cell from its row and column, both counted from 0: (13, 2) is ``C14``."""
    return f"{column_letters(column)}{row + 1}"


def position_of(name: str) -> tuple[int, int]:
    """Return row and column, counted from 0, of a cell name such as ``C14``. Raises ``ValueError``."""
    letters = name.rstrip("0123456789")
    digits = name[len(letters) :]
    if not letters.isascii() or not letters.isalpha() or not digits:
        raise ValueError(f"{name!r} is not the name of a cell")
    column = 0
    for letter in letters.upper():
        column = column * 26 + ord(letter) - 64
    return int(digits) - 1, column - 1


def text_of(value: Raw) -> str:
    """Return a cell as the text a person sees: 117.0 is ``117``, a date is written year first, blanks are trimmed.

    >>> text_of(117.0), text_of(" W-0117 "), text_of(date(2031, 4, 3))
    ('117', 'W-0117', '2031-04-03')
    """
    if isinstance(value, str):
        return value.strip()
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)  # noqa: PLR2004 - exact in a float
    if isinstance(value, datetime):
        return value.isoformat(sep=" ")
    return str(value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """One sheet: ``rows[0]`` is row 1 of the spreadsheet, blank rows included, so that addresses are what people see.

    ``name`` is empty for CSV. ``broken`` says of cells, by (row, column), why their value cannot be relied on (an
    error value, a formula that was never calculated). ``merged`` are (first row, first column, last row, last
    column); a merged value already stands in every row of its first column.
    """

    file: str
    name: str
    rows: list[list[Raw]]
    hidden: bool = False
    broken: Mapping[tuple[int, int], str] = field(default_factory=dict)
    merged: tuple[tuple[int, int, int, int], ...] = ()

    def at(self, row: int, column: int | None = None) -> Address:
        """Return the address of a cell, or of a whole row, both counted from 0."""
        cell = "" if column is None else cell_name(row, column)
        return Address(file=self.file, sheet=self.name, row=row + 1, cell=cell)

    def text(self, row: int, column: int) -> str:
        """Return the text in a cell, empty beyond the edge of the sheet."""
        if row >= len(self.rows) or column >= len(self.rows[row]):
            return ""
        return text_of(self.rows[row][column])

    @property
    def blank(self) -> bool:
        """True when no cell holds anything."""
        return not any(value != "" for row in self.rows for value in row)


@dataclass(frozen=True, slots=True, kw_only=True)
class Book:
    """All sheets of one file, with what the reading itself found (an encoding to be asked about, cells in error)."""

    file: str
    sheets: tuple[Sheet, ...]
    findings: tuple[Finding, ...] = ()

    def __iter__(self) -> Iterator[Sheet]:
        return iter(self.sheets)
