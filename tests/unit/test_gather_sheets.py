"""Rows of weld logs and reader sheets become values with addresses; every cell not understood is a message."""

from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest

from beadroll.handover.gathering.quantities import Manner
from beadroll.handover.gathering.sheets import Habits, reader_lines, weld_log_rows
from beadroll.handover.stages import DeliveredFile
from beadroll.record.interpretation import Result
from beadroll.tables import Book, Sheet, read_bytes

FILE = DeliveredFile(path="crews/A/2031-04-01/sheet.csv", size_bytes=1, modified_ns=1, crew="A", on=date(2031, 4, 1))


def habits(**manner):
    return Habits(manner=Manner(**manner), profiles=(), zone=ZoneInfo("Europe/Vienna"))


def read(text, **manner):
    return reader_lines(read_bytes(text.encode(), name=FILE.path), FILE, habits(**manner))


def log(text, **manner):
    return weld_log_rows(read_bytes(text.encode(), name="weld-log/log.csv"), habits(**manner))


def sheet_of(*rows):
    return Book(file=FILE.path, sheets=(Sheet(file=FILE.path, name="S", rows=[list(r) for r in rows]),))


def test_values_above_and_below_the_table_count_for_every_line():
    lines, found = read(
        "Radiographic inspection report\nReport No.:,R-31,,Client:,,Procedure:,P-1\n"
        "Line: LN-204\nActivity (GBq),1850\n\n"
        "Weld,Film,Result\nW-0117,0-1,ACC\nW-0117,1-2,REJ\n\nInterpreter: P. Sandmeer\nTotal,2\n"
    )
    assert [(x.report, x.line, x.segment, x.interpreter) for x in lines] == [
        ("R-31", "LN-204", "0-1", "P. Sandmeer"),
        ("R-31", "LN-204", "1-2", "P. Sandmeer"),
    ]
    assert lines[0].activity_ci == pytest.approx(50.0)
    assert lines[1].result is Result.REJ
    assert str(lines[1].at["result"]) == "crews/A/2031-04-01/sheet.csv, cell C8"
    assert str(lines[1].at["interpreter"]) == "crews/A/2031-04-01/sheet.csv, cell A10"
    assert found == []


def test_a_sheet_without_a_report_number_is_called_after_its_file_and_asked_about():
    lines, found = read("Weld,Film,Result\nW-0117,0-1,ACC\n")
    assert lines[0].report == "sheet"
    assert [f.code for f in found] == ["INT-NO-REPORT"]


def test_indications_with_their_places_are_joined_in_order():
    lines, found = read(
        "Report,Weld,Indication,Position (mm),Length (mm),Result\n"
        "R1,W-0117,2011; 301,120; 455,2; 14,REJ\n"
        "R1,W-0118,ESI @ 120 mm L 14,,,REJ\n"
        "R1,W-0119,NRI,,,ACC\n"
        "R1,W-0120,lack of root fusion,4 in,,REJ\n"
    )
    assert [(i.iso6520, i.position_mm, i.length_mm) for i in lines[0].indications] == [
        ("2011", 120.0, 2.0),
        ("301", 455.0, 14.0),
    ]
    (slag,) = lines[1].indications
    assert (slag.code, slag.iso6520, slag.position_mm, slag.length_mm) == ("ESI", "3011", 120.0, 14.0)
    assert lines[2].indications == ()
    assert (lines[3].indications[0].iso6520, lines[3].indications[0].position_mm) == ("4013", pytest.approx(101.6))
    assert found == []


def test_a_letter_that_two_systems_use_is_asked_about_until_the_job_says_which():
    text = "Report,Weld,Indication,Result\nR1,W-0117,C,REJ\n"
    lines, found = read(text)
    assert lines[0].indications[0].code == "C"
    assert lines[0].indications[0].iso6520 == ""
    assert [f.code for f in found] == ["INT-CELL-UNCLEAR"]
    assert "401 lack of fusion or 100 crack" in found[0].text
    assert read(text, indication_codes="api")[0][0].indications[0].iso6520 == "100"
    assert read(text, indication_codes="letters")[0][0].indications[0].iso6520 == "401"


def test_a_code_nobody_knows_stays_as_written():
    lines, found = read("Report,Weld,Indication,Result\nR1,W-0117,ZZ9,REJ\n")
    assert lines[0].indications[0].code == "ZZ9"
    assert [f.code for f in found] == ["INT-CELL"]


@pytest.mark.parametrize(
    ("text", "result"), [("acc", "ACC"), ("Accepted", "ACC"), ("REJECT", "REJ"), ("rs", "RS"), ("Re-shoot", "RS")]
)
def test_results_are_read_in_the_words_of_readers(text, result):
    assert read(f"Report,Weld,Result\nR1,W-0117,{text}\n")[0][0].result == result


@pytest.mark.parametrize("text", ["R", "Repair", "C"])
def test_a_result_that_may_mean_two_is_asked_about(text):
    lines, found = read(f"Report,Weld,Result\nR1,W-0117,{text}\n")
    assert lines[0].result is None
    assert [f.code for f in found] == ["INT-CELL-UNCLEAR"]


def test_a_segment_the_spreadsheet_turned_into_a_date_is_asked_about():
    book = sheet_of(["Report", "Weld", "Film", "Result"], ["R1", "W-0117", datetime(2031, 2, 1), "ACC"])  # noqa: DTZ001
    lines, found = reader_lines(book, FILE, habits())
    assert lines[0].segment == ""
    assert found[0].code == "INT-CELL-UNCLEAR"
    assert "1-2" in found[0].text


def test_a_column_of_dates_in_an_open_order_is_one_question():
    rows = "".join(f"R1,W-{n:04d},0{n}/04/2031,ACC\n" for n in (1, 2, 3, 5))
    lines, found = read("Report,Weld,Date exposed,Result\n" + rows)
    assert {x.exposed_on for x in lines} == {None}
    assert [(f.code, f.values["others"]) for f in found] == [("INT-CELLS-UNCLEAR", 3)]
    assert "crews/A/2031-04-01/sheet.csv, cell C2" in found[0].text
    lines, found = read("Report,Weld,Date exposed,Result\n" + rows + "R1,W-0009,25/03/2031,ACC\n")
    assert lines[0].exposed_on == date(2031, 4, 1)
    assert found == []


def test_dates_a_program_half_converted_are_asked_about():
    book = sheet_of(
        ["Report", "Weld", "Date exposed", "Result"],
        ["R1", "W-1", date(2031, 3, 4), "ACC"],
        ["R1", "W-2", "25/03/2031", "ACC"],
    )
    assert [f.code for f in reader_lines(book, FILE, habits())[1]] == ["INT-DATES-MIXED"]


def test_a_time_of_exposure_gets_the_zone_of_the_job():
    lines, found = read("Report,Weld,Date exposed,Time,Result\nR1,W-1,2031-04-01,14:05,ACC\n")
    assert lines[0].exposed_at.astimezone(UTC) == datetime(2031, 4, 1, 12, 5, tzinfo=UTC)
    assert found == []


@pytest.mark.parametrize(("on", "clock"), [("2031-03-30", "02:30"), ("2031-10-26", "02:30")])
def test_a_time_the_clocks_skipped_or_repeated_is_asked_about(on, clock):
    # Summer time begins on the last Sunday of March and ends on the last of October (Directive 2000/84/EC).
    lines, found = read(f"Report,Weld,Date exposed,Time,Result\nR1,W-1,{on},{clock},ACC\n")
    assert lines[0].exposed_at is None
    assert "clocks" in found[0].text


def test_a_density_range_is_split_and_impossible_densities_are_refused():
    lines, found = read('Report,Weld,Density,Result\nR1,W-1,"2,3-3,1",ACC\nR1,W-2,2.4,ACC\nR1,W-3,24,ACC\n')
    assert [(x.density_min, x.density_max) for x in lines] == [(2.3, 3.1), (2.4, 2.4), (None, None)]
    assert [f.code for f in found] == ["INT-CELL"]


def test_a_weld_log_gives_diameter_and_wall_from_size_and_schedule():
    rows, found = log("Weld,Line,NPS,Sch\nW-1,L,12,STD\nW-2,L,DN 200,40\n")
    assert [(r.outside_diameter_mm, r.wall_mm) for r in rows] == [(323.8, 9.53), (219.1, 8.18)]
    assert rows[0].at["wall_mm"].cell == "D2"
    assert found == []


def test_a_stated_wall_that_the_schedule_does_not_have_is_kept_and_asked_about():
    rows, found = log("Weld,Line,NPS,Sch,Wall (mm)\nW-1,L,12,STD,14.3\nW-2,L,12,STD,10\n")
    assert rows[0].wall_mm == 14.3
    assert [(f.code, f.subject) for f in found] == [("INT-PIPE-DISAGREES", "weld-log/log.csv, cell E2")]


def test_welders_of_all_passes_and_both_heats_are_joined():
    rows, _ = log("Weld,Line,Root welder,Cap welder,Heat A,Heat B\nW-1,L,7K/4M,7K,H1,H2\n")
    assert (rows[0].stencils, rows[0].heats) == (("7K", "4M"), ("H1", "H2"))


def test_a_row_with_values_but_no_weld_number_is_told_and_a_total_is_not():
    rows, found = log("Weld,Line,NPS\nW-1,L,12\n,L,12\n\nTotal,,\n")
    assert [r.number for r in rows] == ["W-1"]
    assert "row 3" in found[0].subject


def test_a_heading_repeated_on_every_page_is_not_a_weld():
    rows, found = log("Weld,Line,NPS\nW-1,L,12\nWeld,Line,NPS\nW-2,L,12\n")
    assert [r.number for r in rows] == ["W-1", "W-2"]
    assert found == []


def test_a_file_without_a_table_is_told():
    rows, found = log("nothing,here\n1,2\n")
    assert rows == []
    assert {f.code for f in found} == {"INT-SHEET-UNKNOWN", "INT-FILE-NO-TABLE"}


MISTAKES = {
    "Date exposed": ["31/02/2031", "tomorrow", "2031-13-01", "99.99.2031", "April", "1.1",
        "n.d.", "2031", "35 Apr 2031", "0/0/0"],
    "Activity (Ci)": ["much", "5O", "50 kg", "-4", "fifty", "1,2,3", "?", "50..1", "Ci", "5 5 x"],
    "SFD (mm)": ["far", "60O", "600 Ci", "-600", "six", "x600", "6oo mm", "??", "mm", "600 kV"],
    "Exposure (s)": ["long", "12O", "120 mm", "-120", "2:99", "two", "s", "1 2 3 s", "12:0x", "120 Ci"],
    "NPS": ["13", "12 1/2", "DN 310", "big", "7/8", "-12", "0", "1/0", "12x", "NPS"],
    "Wall (mm)": ["thick", "9.5.3", "9,53 Ci", "-9.53", "nine", "9.53 kg", "??", "w", "9;53", "x"],
    "Density min": ["dark", "24", "-2", "2.4.1", "ok", "2,3,4", "?", "9.9", "2.x", "7"],
    "Films": ["three", "2.5", "-1", "3 pcs", "?", "1e99", "x3", "3x", "1/3", "2+1"],
    "Result": ["maybe", "good", "??", "1", "yes", "ACCC", "see note", "tbd", "REJJ", "bad"],
    "Indication": ["ZZ1", "ZZ2", "ZZ3", "9999", "4711", "hole", "fluff", "QQ", "666", "bubble"],
}  # fmt: skip


def test_a_hundred_mistakes_in_a_hundred_cells_are_a_hundred_addressed_messages_in_one_run():
    headings = ["Report", "Weld", *MISTAKES]
    good = ["2031-04-01", "50", "600", "120", "12", "9.53", "2.4", "3", "ACC", "NRI"]
    rows, places = [], {}
    for column, values in enumerate(MISTAKES.values()):
        for value in values:
            cells = list(good)
            cells[column] = value
            rows.append(["R1", f"W-{len(rows) + 1:04d}", *cells])
            places[f"{FILE.path}, sheet S, cell {chr(67 + column)}{len(rows) + 1}"] = value
    lines, found = reader_lines(sheet_of(headings, *rows), FILE, habits())
    assert len(lines) == 100
    assert {f.subject for f in found} == set(places)
    assert len(found) == 100
    for message in found:
        assert f"'{places[message.subject]}'" in message.text
        assert "expected" in message.text
        assert message.remedy


def test_a_segment_without_a_number_is_of_the_weld_above_and_that_is_said():
    lines, found = read("Report,Weld,Film,Result\nR1,W-1,0-1,ACC\nR1,,1-2,ACC\n,,2-0,REJ\nR1,W-2,0-1,ACC\n")
    assert [(x.number, x.segment) for x in lines] == [("W-1", "0-1"), ("W-1", "1-2"), ("W-1", "2-0"), ("W-2", "0-1")]
    assert lines[1].at["number"].cell == "B2"
    assert [f.code for f in found] == ["INT-NUMBER-ABOVE"]
    assert "rows 3, 4" in found[0].text


def test_a_segment_below_a_gap_is_not_of_the_weld_above():
    lines, found = read("Report,Weld,Film,Result\nR1,W-1,0-1,ACC\n\n,,1-2,ACC\n")
    assert len(lines) == 1
    assert [f.code for f in found] == ["INT-ROW-NO-NUMBER"]


def test_ditto_marks_repeat_what_stands_above():
    lines, _ = read('Report,Weld,Film,Date exposed,Result\nR1,W-1,0-1,2031-04-01,ACC\nR1,"""",1-2,ditto,ACC\n')
    assert (lines[1].number, lines[1].exposed_on) == ("W-1", date(2031, 4, 1))
    assert lines[1].at["exposed_on"].cell == "D2"


def test_a_sheet_called_after_a_line_gives_its_rows_that_line():
    book = Book(
        file="weld-log/log.xlsx",
        sheets=(Sheet(file="weld-log/log.xlsx", name="LN 204", rows=[["Weld", "NPS"], ["W-1", "12"]]),),
    )
    settled = Habits(manner=Manner(), profiles=(), zone=ZoneInfo("UTC"), lines=("LN-204", "LN-207"))
    rows, found = weld_log_rows(book, settled)
    assert (rows[0].line, str(rows[0].at["line"])) == ("LN-204", "weld-log/log.xlsx, sheet LN 204")
    assert [f.code for f in found] == ["INT-LINE-FROM-SHEET"]


def test_a_result_may_be_a_tick_in_one_of_several_columns():
    lines, found = read("Report,Weld,Acc,Rej\nR1,W-1,X,\nR1,W-2,,x\nR1,W-3,X,X\nR1,W-4,,\n")
    assert [x.result for x in lines] == [Result.ACC, Result.REJ, None, None]
    assert lines[1].at["result"].cell == "D3"
    assert [(f.code, f.subject) for f in found] == [("INT-CELL", "crews/A/2031-04-01/sheet.csv, cell C4")]
