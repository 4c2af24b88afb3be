"""CSV and TSV as one sheet: encoding and delimiter found from the bytes, or asked about.

Knows byte order marks, UTF-8, UTF-16 and Windows-1252, and how delimiters show themselves. A byte that is not UTF-8
is never quietly turned into a letter: the text is read as Windows-1252 and a finding says where that mattered.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections import Counter
from dataclasses import dataclass
from typing import Final

from beadroll.errors import InputError
from beadroll.findings import Finding, finding
from beadroll.tables.book import Book, Raw, Sheet, cell_name
from beadroll.tables.bounds import MAX_COLUMNS, MAX_ROWS, check_span

_MARKS: Final = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_DELIMITERS: Final = (",", ";", "\t", "|")
_SAMPLE_LINES: Final = 60
_MAX_FIELD: Final = 100_000
_CONTROL = frozenset(chr(n) for n in range(32)) - set("\t\n\r\f")
_TEXT_FORMULA = re.compile(r'^="([^"]*)"$')
"""How spreadsheet programs are told that ="0117" is a text and keeps its zero."""
_SAVE_UTF8: Final = "Save the file as CSV UTF-8 or as XLSX and deliver it again."


@dataclass(frozen=True, slots=True)
class _Decoded:
    text: str
    assumed: str = ""


def read_text(data: bytes, name: str, *, encoding: str = "", delimiter: str = "") -> Book:
    """Return a CSV or TSV file as a book of one sheet without a name.

    ``encoding`` and ``delimiter`` are what the office has confirmed for such files; empty means they are found out.
    Raises ``InputError`` for binary data, text that is not in the stated encoding, and files beyond the bounds.
    """
    decoded = _decode(data, name, encoding)
    text = decoded.text
    declared = ""
    if text[:4].lower() == "sep=" and len(text) > 4:  # noqa: PLR2004 - Excel's own first line names the delimiter
        declared = text[4]
    chosen = delimiter or declared or _delimiter(text)
    rows: list[list[Raw]] = []
    try:
        # Field size is a limit of the csv module itself, the same for every reader in the process.
        csv.field_size_limit(_MAX_FIELD)
        for row in csv.reader(io.StringIO(text, newline=""), delimiter=chosen, strict=False):
            rows.append([_TEXT_FORMULA.sub(r"\1", value.strip()) for value in row])
            if len(rows) > MAX_ROWS or len(row) > MAX_COLUMNS:
                check_span(len(rows), len(row), name, "")
    except csv.Error as fault:
        raise InputError(f"cannot be read as a table: {fault}", path=name, remedy=_SAVE_UTF8) from fault
    if declared and rows:
        rows[0] = []
    check_span(len(rows), max((len(r) for r in rows), default=0), name, "")
    sheet = Sheet(file=name, name="", rows=rows)
    return Book(file=name, sheets=(sheet,), findings=tuple(_asked(sheet, decoded)))


def _asked(sheet: Sheet, decoded: _Decoded) -> list[Finding]:
    if not decoded.assumed:
        return []
    changed = [
        (cell_name(r, c), value)
        for r, row in enumerate(sheet.rows)
        for c, value in enumerate(row)
        if isinstance(value, str) and not value.isascii()
    ]
    if not changed:
        return []
    cell, value = changed[0]
    return [
        finding(
            "INT-ENCODING",
            sheet.file,
            encoding=decoded.assumed,
            count=len(changed),
            cell=cell,
            text=value[:60],
        )
    ]


def _decode(data: bytes, name: str, encoding: str) -> _Decoded:
    if encoding:
        return _Decoded(_strictly(data, encoding, name))
    for mark, meant in _MARKS:
        if data.startswith(mark):
            return _Decoded(_strictly(data[len(mark) :], meant, name))
    if b"\0" in data[:4096]:
        return _without_mark(data, name)
    try:
        return _Decoded(_checked(data.decode("utf-8"), name))
    except UnicodeDecodeError:
        # Windows-1252 leaves five bytes without a letter; such a file is something else again.
        return _Decoded(_strictly(data, "cp1252", name), assumed="Windows-1252")


def _without_mark(data: bytes, name: str) -> _Decoded:
    """UTF-16 without its mark: every other byte of Latin text is zero, which decides the order of the two."""
    even, odd = data[0:4096:2].count(0), data[1:4096:2].count(0)
    half = min(len(data), 4096) // 2
    for zeros, others, encoding in ((odd, even, "utf-16-le"), (even, odd, "utf-16-be")):
        if zeros > 0.6 * half and others < 0.05 * half:
            return _Decoded(_strictly(data, encoding, name))
    raise InputError("holds binary data, not text", path=name, remedy=_SAVE_UTF8)


def _strictly(data: bytes, encoding: str, name: str) -> str:
    try:
        return _checked(data.decode(encoding), name)
    except (UnicodeDecodeError, LookupError) as fault:
        raise InputError(f"is not text in {encoding}: {fault}", path=name, remedy=_SAVE_UTF8) from fault


def _checked(text: str, name: str) -> str:
    text = text.removeprefix("\ufeff")
    if _CONTROL.intersection(text):
        raise InputError("holds control characters, as binary data does", path=name, remedy=_SAVE_UTF8)
    return text


def _delimiter(text: str) -> str:
    """Return the delimiter that cuts the first lines into the most cells of the same number per line."""
    sample = text[:200_000].splitlines(keepends=True)[:_SAMPLE_LINES]
    best, best_score = ",", 0
    for delimiter in _DELIMITERS:
        try:
            widths = Counter(len(row) for row in csv.reader(sample, delimiter=delimiter))
        except csv.Error:
            continue
        score = max(((width - 1) * count for width, count in widths.items()), default=0)
        if score > best_score:
            best, best_score = delimiter, score
    return best
