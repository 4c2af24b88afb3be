"""Spreadsheets made to hurt: they end in a sentence, never in a crash, a hang or a full memory."""

from __future__ import annotations

import io
import random
import struct
import time
import zipfile

import pytest
import xlsxwriter

from beadroll.errors import InputError
from beadroll.tables import read_bytes

CONTENT = (
    '<?xml version="1.0"?><worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
    "<sheetData>{rows}</sheetData>{after}</worksheet>"
)


def workbook(rows="", after="", sheet=None):
    """A workbook whose one sheet holds exactly this XML."""
    made = io.BytesIO()
    with xlsxwriter.Workbook(made, {"in_memory": True}) as book:
        book.add_worksheet("Log").write("A1", "Weld")
    changed = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(made.getvalue())) as source,
        zipfile.ZipFile(changed, "w", zipfile.ZIP_DEFLATED) as target,
    ):
        for info in source.infolist():
            data = source.read(info)
            if info.filename == "xl/worksheets/sheet1.xml":
                data = (sheet or CONTENT.format(rows=rows, after=after)).encode()
            target.writestr(info.filename, data)
    return changed.getvalue()


def refused(data, said, name="log.xlsx"):
    start = time.monotonic()
    with pytest.raises(InputError, match=said):
        read_bytes(data, name=name)
    assert time.monotonic() - start < 20


def outcome(data):
    """``read``, or ``refused`` with a sentence and a remedy; anything else escapes and fails the test."""
    try:
        read_bytes(data, name="log.xlsx")
    except InputError as fault:
        return "refused" if fault.remedy and fault.path == "log.xlsx" else "refused without a word"
    return "read"


def test_two_cells_cannot_claim_seventeen_billion_between_them():
    rows = '<row r="1"><c r="A1"><v>1</v></c></row><row r="1048576"><c r="XFD1048576"><v>1</v></c></row>'
    refused(workbook(rows), "spans")


def test_cells_without_references_cannot_grow_a_sheet_either():
    wide = "<row>" + "<c><v>1</v></c>" * 5000 + "</row>"
    refused(workbook(wide + "<row/>" * 150_000), "spans")


def test_a_part_that_unpacks_to_gigabytes_is_not_unpacked():
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", "<workbook/>")
        with archive.open("xl/worksheets/sheet1.xml", "w") as part:
            for _ in range(300):
                part.write(bytes(1 << 20))
    refused(made.getvalue(), "unpacks to more")


def test_a_part_that_lies_about_its_size_is_counted_not_believed():
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", "<workbook/>")
        with archive.open("xl/worksheets/sheet1.xml", "w") as part:
            for _ in range(300):
                part.write(bytes(1 << 20))
    data = bytearray(made.getvalue())
    size = struct.pack("<I", 300 << 20)
    assert data.count(size) >= 1
    while (at := data.find(size)) >= 0:
        data[at : at + 4] = struct.pack("<I", 1000)
    refused(bytes(data), "unpacks to more")


def test_merged_ranges_cannot_keep_the_reader_busy():
    merges = '<mergeCells count="1">' + '<mergeCell ref="A1:A100000"/>' * 500 + "</mergeCells>"
    rows = '<row r="1"><c r="A1"><v>1</v></c></row><row r="100000"><c r="A100000"><v>1</v></c></row>'
    refused(workbook(rows, merges), "merges more")


def test_tags_that_never_end_cannot_keep_the_reader_busy():
    for text in ("<c <f" * 400_000, '<c r="A1"><f>' * 200_000, "<row" * 400_000):
        start = time.monotonic()
        assert outcome(workbook(text)) in {"read", "refused"}
        assert time.monotonic() - start < 20


TEXT_CELL = '<table:table-cell office:value-type="string"><text:p>x</text:p></table:table-cell>'
FORMULA_CELL = '<table:table-cell table:formula="of:=A1>2" office:value="1" table:number-columns-repeated="16384"/>'
REPEATS = {
    "empty cells before a value": '<table:table-row><table:table-cell table:number-columns-repeated="4000000000"/>'
    f"{TEXT_CELL}</table:table-row>",
    "a row with a value": f'<table:table-row table:number-rows-repeated="1048576">{TEXT_CELL}</table:table-row>',
    "empty rows before a value": '<table:table-row table:number-rows-repeated="1000000"><table:table-cell/>'
    f"</table:table-row><table:table-row>{TEXT_CELL}</table:table-row>",
    "a value behind a formula": f"<table:table-row>{FORMULA_CELL}</table:table-row>",
}


@pytest.mark.parametrize("row", REPEATS.values(), ids=REPEATS)
def test_repeats_in_an_opendocument_sheet_are_counted_before_they_are_written_out(tmp_path, row):
    from tests.unit.test_tables import ods

    refused(ods(tmp_path / "x.ods", row).read_bytes(), "spans", "x.ods")


def test_two_parts_of_one_name_are_refused():
    made = io.BytesIO(workbook())
    with zipfile.ZipFile(made, "a") as archive, pytest.warns(UserWarning, match="Duplicate"):
        archive.writestr("xl/worksheets/sheet1.xml", "<x/>")
    refused(made.getvalue(), "two parts")


def test_a_damaged_workbook_is_refused_or_read_but_never_more():
    rows = "".join(f'<row r="{r}"><c r="A{r}"><v>{r}</v></c></row>' for r in range(1, 200))
    whole = workbook(rows)
    chance = random.Random(7)  # noqa: S311 - damage, not secrets
    for _ in range(200):
        data = bytearray(whole)
        if chance.random() < 0.5:
            del data[chance.randrange(len(data)) :]
        for _ in range(chance.randrange(1, 8)):
            if data:
                data[chance.randrange(len(data))] = chance.randrange(256)
        assert outcome(bytes(data)) in {"read", "refused"}


def test_a_text_table_cannot_be_endless_in_width_or_length():
    refused(b"a," * 2000 + b"\n", "spans", "x.csv")
    refused(b"a,b\n" * 250_000, "spans", "x.csv")
    refused(b'"' + b"x" * 200_000 + b'",y\n', "cannot be read as a table", "x.csv")
