"""XLSX, XLSM and ODS workbooks as sheets, read by calamine behind bounds of our own.

Knows the containers. Formulas are never evaluated: the value the office's program saved is read, and a cell without
one is named. Refuses macros by not knowing them.
"""

from __future__ import annotations

import io
import re
import zipfile
import zlib
from collections.abc import Iterator
from typing import Final

import python_calamine as calamine

from beadroll.errors import InputError
from beadroll.findings import Finding, finding
from beadroll.record.evidence import Address
from beadroll.tables.book import Book, Raw, Sheet, position_of
from beadroll.tables.bounds import MAX_ROWS, check_span, check_unpacked, ods_span, ooxml_span

_SAVE_AGAIN: Final = "Open it in a spreadsheet program and save it again as XLSX, or ask for the file again."
_NAMED_ERRORS: Final = 50
"""Most broken cells named one by one in a sheet; beyond that something else is wrong with it."""

_CELL_NAME = re.compile(rb"""\sr\s*=\s*["']([A-Za-z]{1,3}\d{1,7})["']""")


def read_workbook(data: bytes, name: str) -> Book:
    """Return every sheet of an XLSX, XLSM or ODS file; ``name`` is what messages call it.

    Raises ``InputError`` for a damaged, encrypted, oversized or unknown workbook.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            check_unpacked(archive, len(data), name)
            names = set(archive.namelist())
            if len({n.casefold().replace("\\", "/").lstrip("/") for n in names}) != len(archive.namelist()):
                raise InputError("holds two parts of one name", path=name, remedy=_SAVE_AGAIN)
            if "xl/workbook.xml" in names:
                return _ooxml(data, archive, name)
            if "content.xml" in names:
                return _opendocument(data, archive, name)
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError, NotImplementedError, RuntimeError, ValueError) as fault:
        raise InputError(f"is damaged and cannot be unpacked: {fault}", path=name, remedy=_SAVE_AGAIN) from fault
    if "xl/workbook.bin" in names:
        raise InputError("is a binary workbook (XLSB), which is not read", path=name, remedy=_SAVE_AGAIN)
    raise InputError("is a ZIP, but not a workbook (XLSX, XLSM or ODS)", path=name, remedy=_SAVE_AGAIN)


def _ooxml(data: bytes, archive: zipfile.ZipFile, name: str) -> Book:
    broken_by_part: dict[str, dict[tuple[int, int], str]] = {}
    for part in archive.namelist():
        # Every part is looked at, whatever it is called: the workbook alone says which of them are sheets.
        xml = archive.read(part)
        if b"sheetData" in xml:
            rows, columns = ooxml_span(xml)
            check_span(rows, columns, name, part)
            broken_by_part[part] = _broken_cells(xml)
    targets = _sheet_parts(archive)
    sheets, findings = [], []
    for sheet in _read(data, name):
        broken = broken_by_part.get(targets.get(sheet.name, ""), {})
        findings += _broken_findings(sheet, broken)
        sheets.append(
            Sheet(file=name, name=sheet.name, rows=sheet.rows, hidden=sheet.hidden, broken=broken, merged=sheet.merged)
        )
    return Book(file=name, sheets=tuple(sheets), findings=tuple(findings))


def _opendocument(data: bytes, archive: zipfile.ZipFile, name: str) -> Book:
    xml = archive.read("content.xml")
    check_span(*ods_span(xml), name, "")
    return Book(file=name, sheets=tuple(_read(data, name)))


def _read(data: bytes, name: str) -> Iterator[Sheet]:
    try:
        with calamine.CalamineWorkbook.from_filelike(io.BytesIO(data)) as book:
            for meta in book.sheets_metadata:
                if meta.typ is calamine.SheetTypeEnum.WorkSheet:
                    yield _sheet(book.get_sheet_by_name(meta.name), meta, name)
    except calamine.PasswordError as locked:
        raise InputError(
            "is protected by a password", path=name, remedy="Save it without a password and deliver it again."
        ) from locked
    except (calamine.CalamineError, OSError, ValueError) as fault:
        raise InputError(f"cannot be read as a workbook: {fault}", path=name, remedy=_SAVE_AGAIN) from fault
    except BaseException as fault:
        # calamine is Rust; where it gives up it raises a class of its own that is no Exception.
        if type(fault).__name__ != "PanicException":
            raise
        raise InputError("is damaged: the reader gave up on it", path=name, remedy=_SAVE_AGAIN) from fault


def _sheet(sheet: calamine.CalamineSheet, meta: calamine.SheetMetadata, name: str) -> Sheet:
    rows: list[list[Raw]] = sheet.to_python(skip_empty_area=False)
    merged = tuple((r1, c1, r2, c2) for (r1, c1), (r2, c2) in sheet.merged_cell_ranges or ())
    if sum(last - first for first, _, last, _ in merged) > MAX_ROWS:
        raise InputError(
            "merges more cells than a sheet can hold", path=name, place=f"sheet {sheet.name}", remedy=_SAVE_AGAIN
        )
    for first, left, last, _ in merged:
        # A weld number merged over its three segments is the number of each of them.
        value = rows[first][left] if first < len(rows) and left < len(rows[first]) else ""
        for row in rows[first + 1 : last + 1]:
            if left < len(row):
                row[left] = value
    hidden = meta.visible is not calamine.SheetVisibleEnum.Visible
    return Sheet(file=name, name=sheet.name, rows=rows, hidden=hidden, merged=merged)


def _broken_cells(xml: bytes) -> dict[tuple[int, int], str]:
    """Return the cells in error and the formulas without a saved value, which read as nothing or as zero."""
    if b't="e"' not in xml and b"<f" not in xml:
        return {}
    broken: dict[tuple[int, int], str] = {}
    for cell in xml.split(b"<c ")[1:]:
        attributes, _, inner = cell.partition(b">")
        reference = _CELL_NAME.search(b" " + attributes)
        if reference is None or (b't="e"' not in attributes and b"<f" not in inner):
            continue
        value = re.search(rb"<v>([^<]{1,40})", inner)
        if b't="e"' in attributes:
            broken[position_of(reference[1].decode())] = value[1].decode("utf-8", "replace") if value else "an error"
        elif value is None:
            broken[position_of(reference[1].decode())] = "a formula that was never calculated"
    return broken


def _broken_findings(sheet: Sheet, broken: dict[tuple[int, int], str]) -> list[Finding]:
    found = [
        finding("INT-CELL-ERROR", str(sheet.at(row, column)), found=text)
        for (row, column), text in sorted(broken.items())[:_NAMED_ERRORS]
    ]
    if len(broken) > _NAMED_ERRORS:
        found.append(
            finding(
                "INT-CELL-ERRORS-MORE",
                str(Address(file=sheet.file, sheet=sheet.name)),
                count=len(broken) - _NAMED_ERRORS,
            )
        )
    return found


_RELATION = re.compile(rb"<Relationship\b[^<>]*>")
_SHEET_TAG = re.compile(rb"<(?:\w{1,20}:)?sheet\b[^<>]*>")


def _attribute(tag: bytes, key: bytes) -> str:
    found = re.search(rb"\s" + key + rb"""\s*=\s*(?:"([^"]*)"|'([^']*)')""", tag)
    text = (found[1] or found[2] or b"").decode("utf-8", "replace") if found else ""
    for entity, letter in (("&lt;", "<"), ("&gt;", ">"), ("&quot;", '"'), ("&apos;", "'"), ("&amp;", "&")):
        text = text.replace(entity, letter)
    return text


def _sheet_parts(archive: zipfile.ZipFile) -> dict[str, str]:
    """Return the part of the ZIP that holds each sheet, by sheet name."""
    try:
        relations = archive.read("xl/_rels/workbook.xml.rels")
    except KeyError:
        return {}
    targets = {_attribute(tag, b"Id"): _attribute(tag, b"Target") for tag in _RELATION.findall(relations)}
    parts = {}
    for tag in _SHEET_TAG.findall(archive.read("xl/workbook.xml")):
        target = targets.get(_attribute(tag, rb"r:id"), "")
        parts[_attribute(tag, b"name")] = target.lstrip("/") if target.startswith("/") else f"xl/{target}"
    return parts
