"""Spreadsheets as rows with addresses: XLSX, XLSM, ODS, CSV, TSV. The only door foreign tables come in by.

Knows containers, encodings and bounds; every foreign fault becomes an ``InputError`` with file, sheet and cell. Refuses
to know weld logs and reader sheets: what a column means is settled in ``handover``.

>>> from beadroll.tables import read_book                       # doctest: +SKIP
>>> for sheet in read_book(Path("log.xlsx"), name="weld-log/log.xlsx"): ...
"""

from __future__ import annotations

from pathlib import Path

from beadroll.errors import InputError, MachineError
from beadroll.tables.book import Book, Raw, Sheet, cell_name, column_letters, position_of, text_of
from beadroll.tables.bounds import MAX_FILE_BYTES, check_size
from beadroll.tables.text import read_text
from beadroll.tables.workbook import read_workbook

__all__ = [
    "Book",
    "Raw",
    "Sheet",
    "cell_name",
    "column_letters",
    "position_of",
    "read_book",
    "read_bytes",
    "text_of",
]

_OLE = bytes.fromhex("d0cf11e0a1b11ae1")


def read_book(path: Path, *, name: str = "", encoding: str = "", delimiter: str = "") -> Book:
    """Return all sheets of a spreadsheet file; its kind is told from its content, not from its suffix.

    ``name`` is what messages and addresses call the file (the path inside the job folder); ``encoding`` and
    ``delimiter`` are what the office has confirmed for its CSV files. Raises ``InputError`` or ``MachineError``.
    """
    name = name or str(path)
    try:
        check_size(path.stat().st_size, name)
        with path.open("rb") as file:
            data = file.read(MAX_FILE_BYTES + 1)
    except FileNotFoundError as gone:
        raise InputError("the file is not there", path=name, remedy="Check the name and the folder.") from gone
    except OSError as refused:
        raise MachineError(
            f"{name}: could not be read: {refused.strerror}", remedy="Check the permissions."
        ) from refused
    return read_bytes(data, name=name, encoding=encoding, delimiter=delimiter)


def read_bytes(data: bytes, *, name: str, encoding: str = "", delimiter: str = "") -> Book:
    """Return all sheets of a spreadsheet held in memory. Raises ``InputError``."""
    check_size(len(data), name)
    if data.startswith(b"PK\x03\x04"):
        return read_workbook(data, name)
    if data.startswith(_OLE):
        raise InputError(
            "is an old (XLS) or password-protected workbook, which is not read",
            path=name,
            remedy="Open it in a spreadsheet program and save it as XLSX without a password.",
        )
    return read_text(data, name, encoding=encoding, delimiter=delimiter)
