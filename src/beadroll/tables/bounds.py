"""What a spreadsheet file may not do to the machine that reads it, checked before any reader sees it.

A workbook is a ZIP of XML: a small file may unpack to gigabytes, and a sheet of two cells may claim seventeen billion
between them. Knows sizes and counts only. Refuses to know what the cells say.
"""

from __future__ import annotations

import re
import zipfile
import zlib
from typing import Final

from beadroll.errors import InputError

MAX_FILE_BYTES: Final = 64 * 1024 * 1024
"""Largest spreadsheet file read. A weld log of 20,000 rows and 25 columns is about 3 MB."""
MAX_UNPACKED_BYTES: Final = 192 * 1024 * 1024
"""Most XML a workbook may unpack to."""
MAX_ROWS: Final = 200_000
MAX_COLUMNS: Final = 1_000
MAX_CELLS: Final = 6_000_000
"""Most cells in the rectangle a sheet spans, empty ones included, since readers make them all."""
_LONGEST_TAG: Final = 8192
"""Longest tag looked at; one of a cell with a long formula is about 1,000."""
_DEFLATE_MOST: Final = 1032
"""DEFLATE cannot expand a byte to more than this many (zlib's documentation, 'Maximum Compression Factor')."""
_CHUNK: Final = 1 << 20

REMEDY: Final = (
    "Open it in a spreadsheet program, copy the used cells into a new workbook and save that as XLSX or CSV."
)


def check_size(size: int, name: str) -> None:
    """Raise ``InputError`` for a file that is empty or larger than ``MAX_FILE_BYTES``."""
    if size == 0:
        raise InputError("the file is empty", path=name, remedy="Ask the crew or the office for the file again.")
    if size > MAX_FILE_BYTES:
        raise InputError(f"is {size:,} bytes long, more than the {MAX_FILE_BYTES:,} allowed", path=name, remedy=REMEDY)


def check_unpacked(archive: zipfile.ZipFile, packed_bytes: int, name: str) -> None:
    """Raise ``InputError`` where the parts of a workbook unpack to more than ``MAX_UNPACKED_BYTES``.

    The sizes a ZIP declares are the sender's word, so where they could matter every part is unpacked and counted.
    """
    if packed_bytes * _DEFLATE_MOST <= MAX_UNPACKED_BYTES:
        return
    total = 0
    for info in archive.infolist():
        if info.file_size > MAX_UNPACKED_BYTES:
            raise _too_much(name)
        total += _unpacked_size(archive, info, MAX_UNPACKED_BYTES - total, name)


def _unpacked_size(archive: zipfile.ZipFile, info: zipfile.ZipInfo, left: int, name: str) -> int:
    if info.compress_type != zipfile.ZIP_DEFLATED:
        if info.compress_type != zipfile.ZIP_STORED:
            raise InputError("is packed in a way spreadsheets are not", path=name, place=info.filename, remedy=REMEDY)
        return info.compress_size
    unpack, size = zlib.decompressobj(-15), 0
    with archive.open(_as_stored(info)) as packed:
        while not unpack.eof and (data := unpack.unconsumed_tail or packed.read(_CHUNK)):
            size += len(unpack.decompress(data, _CHUNK))
            if size > left:
                raise _too_much(name)
    return size


def _as_stored(info: zipfile.ZipInfo) -> zipfile.ZipInfo:
    """Return the entry described as stored, so that its packed bytes can be read as they are."""
    raw = zipfile.ZipInfo(info.filename)
    raw.orig_filename = info.orig_filename
    raw.header_offset = info.header_offset
    raw.flag_bits = info.flag_bits
    raw.compress_size = raw.file_size = info.compress_size
    return raw


def _too_much(name: str) -> InputError:
    return InputError(f"unpacks to more than {MAX_UNPACKED_BYTES:,} bytes", path=name, remedy=REMEDY)


def check_span(rows: int, columns: int, name: str, sheet: str) -> None:
    """Raise ``InputError`` where a sheet spans more rows, columns or cells than are read."""
    if rows > MAX_ROWS or columns > MAX_COLUMNS or rows * columns > MAX_CELLS:
        raise InputError(
            f"spans {rows:,} rows and {columns:,} columns, more than the {MAX_ROWS:,} rows, {MAX_COLUMNS:,} columns "
            f"and {MAX_CELLS:,} cells allowed",
            path=name,
            place=f"sheet {sheet}" if sheet else "",
            remedy=REMEDY,
        )


_ROW_START = re.compile(rb"<(?:\w{1,20}:)?row\b")
_REFERENCE = re.compile(rb"""\sr\s*=\s*["']\s*([A-Za-z]{1,7})?(\d{1,9})\s*["']""")


def ooxml_span(xml: bytes) -> tuple[int, int]:
    """Return an upper bound of the rows and columns an OOXML worksheet reaches, with and without cell references."""
    columns: set[bytes] = set()
    last = widest = 0
    for letters, digits in _REFERENCE.findall(xml):
        columns.add(letters)
        last = max(last, int(digits))
    rows = _ROW_START.split(xml[: xml.rfind(b"sheetData")])
    for row in rows:
        # Cells may come without a reference; then each stands beside the one before.
        widest = max(widest, row.count(b"<c") + row.count(b":c"))
    named = max((_column_number(c) for c in columns if c), default=0)
    return max(last, len(rows) - 1), max(named, widest)


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters.upper():
        number = number * 26 + letter - 64
    return number


_TAG_END = re.compile(rb"""(?:[^"'>]|"[^"]*"|'[^']*')*>""")
_COLUMNS = re.compile(rb"""number-columns-repeated\s*=\s*["']\s*(\d{1,12})""")
_ROWS = re.compile(rb"""number-rows-repeated\s*=\s*["']\s*(\d{1,12})""")
_ROW_CLOSE = re.compile(rb"\s*</table:table-row>")
_VALUE = re.compile(rb"<text:|office:[a-z-]*value")


def ods_span(xml: bytes) -> tuple[int, int]:
    """Return an upper bound of the rows and columns of the sheets in an OpenDocument ``content.xml``.

    Repeated rows and cells are counted as a reader writes them out. Empty runs that end a row or a table do not
    count: spreadsheet programs write them as a matter of course, and readers skip them.
    """
    rows = widest = 0
    for chunk in xml.split(b"<table:table-row")[1:]:
        end = _TAG_END.match(chunk, 0, _LONGEST_TAG)
        repeated = _ROWS.search(chunk[: end.end()] if end else chunk)
        if not (b"</table:table>" in chunk and not _VALUE.search(chunk)):
            rows += int(repeated[1]) if repeated else 1
        cells = chunk.count(b"table-cell")
        for found in _COLUMNS.finditer(chunk):
            if not _ends_row(chunk, found.start()):
                cells += int(found[1])
        widest = max(widest, cells)
    return rows, widest


def _ends_row(chunk: bytes, inside: int) -> bool:
    """Tell whether the cell tag around ``inside`` is empty and the last of its row."""
    start = chunk.rfind(b"<", 0, inside)
    end = _TAG_END.match(chunk, start + 1, start + _LONGEST_TAG)
    if end is None or _VALUE.search(end.group()):
        return False
    return end.group().endswith(b"/>") and _ROW_CLOSE.match(chunk, end.end()) is not None
