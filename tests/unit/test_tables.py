"""Spreadsheets become rows whose addresses are what a person sees in the spreadsheet program."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from datetime import date, datetime, time

import openpyxl
import pytest
import xlsxwriter

from beadroll.errors import InputError
from beadroll.tables import cell_name, column_letters, position_of, read_book, read_bytes, text_of


def written(path, cells, sheet="Welds"):
    with xlsxwriter.Workbook(path) as book:
        page = book.add_worksheet(sheet)
        for name, value in cells.items():
            page.write(name, value)
    return path


def test_a_cell_keeps_the_address_it_has_in_the_spreadsheet_program(tmp_path):
    path = written(tmp_path / "log.xlsx", {"C14": "W-0117"})
    (sheet,) = read_book(path, name="weld-log/log.xlsx")
    assert sheet.text(13, 2) == "W-0117"
    assert str(sheet.at(13, 2)) == "weld-log/log.xlsx, sheet Welds, cell C14"
    assert str(sheet.at(13)) == "weld-log/log.xlsx, sheet Welds, row 14"


@pytest.mark.parametrize(("column", "letters"), [(0, "A"), (25, "Z"), (26, "AA"), (701, "ZZ"), (702, "AAA")])
def test_column_letters_are_those_of_spreadsheets(column, letters):
    assert column_letters(column) == letters
    assert position_of(cell_name(9, column)) == (9, column)


def test_every_sheet_of_a_workbook_is_read_and_a_hidden_one_says_so(tmp_path):
    with xlsxwriter.Workbook(tmp_path / "two.xlsx") as book:
        book.add_worksheet("Cover").write("A1", "Report")
        hidden = book.add_worksheet("Old")
        hidden.write("A1", "x")
        hidden.hide()
        book.add_worksheet("Empty")
    sheets = list(read_book(tmp_path / "two.xlsx"))
    assert [(s.name, s.hidden, s.blank) for s in sheets] == [
        ("Cover", False, False),
        ("Old", True, False),
        ("Empty", False, True),
    ]


def test_a_value_merged_over_rows_stands_in_each_of_them(tmp_path):
    with xlsxwriter.Workbook(tmp_path / "merged.xlsx") as book:
        page = book.add_worksheet()
        page.merge_range("A2:A4", "W-0117")
        page.write_column("B2", ["0-1", "1-2", "2-0"])
    (sheet,) = read_book(tmp_path / "merged.xlsx")
    assert [(sheet.text(r, 0), sheet.text(r, 1)) for r in (1, 2, 3)] == [
        ("W-0117", "0-1"),
        ("W-0117", "1-2"),
        ("W-0117", "2-0"),
    ]


def test_dates_and_times_of_a_workbook_come_as_what_they_are(tmp_path):
    with xlsxwriter.Workbook(tmp_path / "dates.xlsx") as book:
        page = book.add_worksheet()
        page.write_datetime("A1", datetime(2031, 4, 3), book.add_format({"num_format": "dd/mm/yyyy"}))  # noqa: DTZ001
        page.write_number("B1", 0.5, book.add_format({"num_format": "hh:mm"}))
        page.write_number("C1", 117)
    (sheet,) = read_book(tmp_path / "dates.xlsx")
    assert sheet.rows[0] == [date(2031, 4, 3), time(12, 0), 117.0]
    assert [text_of(v) for v in sheet.rows[0]] == ["2031-04-03", "12:00:00", "117"]


def test_a_cell_in_error_and_a_formula_never_calculated_are_named(tmp_path):
    with xlsxwriter.Workbook(tmp_path / "f.xlsx") as book:
        page = book.add_worksheet("Log")
        page.write_formula("A1", "=1/0", None, "#DIV/0!")
        page.write_formula("B1", "=2+1", None, 3)
    book = openpyxl.load_workbook(tmp_path / "f.xlsx")
    book["Log"]["C1"] = "=A1"
    book["Log"]["A1"] = "#DIV/0!"
    book["Log"]["B1"] = 3
    book.save(tmp_path / "g.xlsx")
    read = read_book(tmp_path / "g.xlsx", name="g.xlsx")
    assert [(f.code, f.subject) for f in read.findings] == [
        ("INT-CELL-ERROR", "g.xlsx, sheet Log, cell A1"),
        ("INT-CELL-ERROR", "g.xlsx, sheet Log, cell C1"),
    ]
    assert "never calculated" in read.findings[1].text
    assert [f.subject for f in read_book(tmp_path / "f.xlsx", name="f").findings] == ["f, sheet Log, cell A1"]


ODS_ROW = (
    '<table:table-row><table:table-cell office:value-type="string"><text:p>W-0117</text:p></table:table-cell>'
    '<table:table-cell table:number-columns-repeated="{gap}"/>'
    '<table:table-cell office:value-type="float" office:value="9.53"><text:p>9.53</text:p></table:table-cell>'
    '<table:table-cell table:number-columns-repeated="16380"/></table:table-row>'
)
ODS_END = (
    '<table:table-row table:number-rows-repeated="1048570"><table:table-cell table:number-columns-repeated="16384"/>'
    "</table:table-row>"
)


def ods(path, rows):
    head = (
        '<?xml version="1.0" encoding="UTF-8"?><office:document-content '
        'xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0" '
        'xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" '
        'xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0" office:version="1.3">'
        '<office:body><office:spreadsheet><table:table table:name="Log">'
    )
    tail = "</table:table></office:spreadsheet></office:body></office:document-content>"
    kind = "application/vnd.oasis.opendocument.spreadsheet"
    manifest = (
        '<manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0">'
        f'<manifest:file-entry manifest:full-path="/" manifest:media-type="{kind}"/></manifest:manifest>'
    )
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("mimetype", kind, zipfile.ZIP_STORED)
        archive.writestr("META-INF/manifest.xml", manifest)
        archive.writestr("content.xml", head + rows + tail)
    return path


def test_an_opendocument_sheet_reads_the_same(tmp_path):
    (sheet,) = read_book(ods(tmp_path / "log.ods", ODS_ROW.format(gap=2) + ODS_END), name="log.ods")
    assert sheet.name == "Log"
    assert (sheet.text(0, 0), sheet.rows[0][3]) == ("W-0117", 9.53)
    assert len(sheet.rows) < 10


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"])
def test_a_text_table_is_read_in_every_encoding_that_shows_itself(encoding):
    data = "Weld;Bemerkung\r\nW-0117;Außen gerötet\r\n".encode(encoding)
    book = read_bytes(data, name="log.csv")
    (sheet,) = book
    assert sheet.rows == [["Weld", "Bemerkung"], ["W-0117", "Außen gerötet"]]
    assert book.findings == ()


def test_a_text_that_is_not_utf8_is_asked_about_where_it_matters():
    book = read_bytes("Weld,Note\nW-0117,Außen\n".encode("cp1252"), name="log.csv")
    (found,) = book.findings
    assert found.code == "INT-ENCODING"
    assert "B2: 'Außen'" in found.text
    settled = read_bytes("Weld,Note\nW-0117,Außen\n".encode("cp1252"), name="log.csv", encoding="cp1252")
    assert settled.findings == ()


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_the_delimiter_is_found_from_the_lines(delimiter):
    lines = [["Weld", "Wall", "Note"], ["W-0117", '"9,53"', "a"], ["W-0118", '"10,31"', "b"]]
    data = "\n".join(delimiter.join(line) for line in lines).encode()
    (sheet,) = read_bytes(data, name="x.csv")
    assert sheet.rows[1] == ["W-0117", "9,53", "a"]


def test_decimal_commas_do_not_pass_for_delimiters():
    data = b"Weld;Wall;OD\nW-0117;9,53;323,8\nW-0118;9,53;323,8\n"
    (sheet,) = read_bytes(data, name="x.csv")
    assert sheet.rows[1] == ["W-0117", "9,53", "323,8"]


def test_blank_lines_of_a_text_table_keep_the_row_numbers():
    (sheet,) = read_bytes(b"Title\n\nWeld,Wall\n\nW-0117,9.53\n", name="x.csv")
    assert sheet.text(4, 0) == "W-0117"
    assert sheet.at(4, 0).cell == "A5"


def test_a_formula_in_a_text_table_stays_text():
    (sheet,) = read_bytes(b"Weld,Note\nW-0117,=1+1\n", name="x.csv")
    assert sheet.rows[1][1] == "=1+1"


def test_twenty_thousand_rows_are_read_in_bounds(tmp_path):
    path = tmp_path / "big.xlsx"
    with xlsxwriter.Workbook(path, {"constant_memory": True}) as book:
        page = book.add_worksheet()
        for row in range(20_000):
            page.write_row(row, 0, [f"W-{row:05d}", "LN-204", row * 1.5, "x"])
    (sheet,) = read_book(path)
    assert (len(sheet.rows), sheet.text(19_999, 0)) == (20_000, "W-19999")


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "empty"),
        (bytes.fromhex("d0cf11e0a1b11ae1") + bytes(600), "password"),
        (b"PK\x03\x04" + bytes(100), "damaged"),
        (b"Weld,Note\x01\n", "control characters"),
        (bytes(range(256)) * 4, "binary"),
    ],
)
def test_what_is_no_table_is_refused_with_a_reason(data, said):
    with pytest.raises(InputError, match=said) as fault:
        read_bytes(data, name="crews/A/2031-04-01/sheet.xlsx")
    assert fault.value.path == "crews/A/2031-04-01/sheet.xlsx"
    assert fault.value.remedy


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(InputError, match="not there"):
        read_book(tmp_path / "gone.xlsx")


def test_reading_tables_costs_the_command_line_nothing():
    code = "import sys, beadroll.cli; sys.exit('python_calamine' in sys.modules or 'rapidfuzz' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
