"""Numbers and lead letters that are right before the first exposure."""

from __future__ import annotations

import csv
import io

import openpyxl
import pytest

from beadroll.handover.reconciling.cards import COLUMNS, as_csv, as_xlsx, batch, segments_of
from beadroll.record.job import SegmentStyle
from beadroll.record.number import parse
from tests import jobs

JOB = jobs.job()
LINES = tuple(line.id for line in JOB.lines)


def test_a_range_gives_one_card_a_segment_whose_file_name_reads_back():
    made = batch(JOB, "LN-204", first=117, last=119, segments=segments_of(3, SegmentStyle.NUMBERS))
    assert made.numbers == ("W-0117", "W-0118", "W-0119")
    assert [c.segment for c in made.cards[:3]] == ["0-1", "1-2", "2-0"]
    assert made.cards[0].lead == ("VTH-2031-07", "LN-204 W-0117", "0-1")
    for card in made.cards:
        read = parse(card.file_stem + ".tif", JOB.numbers, LINES)
        assert read.certain
        assert (read.line, read.number, read.segment) == (card.line, card.number, card.segment)


def test_a_number_that_exists_gets_a_finding_and_no_card():
    made = batch(JOB, "LN-204", first=1, last=2, segments=("0-1",), taken={("LN-204", "W-0001"), ("LN-207", "W-0002")})
    assert made.numbers == ("W-0002",)
    assert [f.code for f in made.findings] == ["REC-CARD-TAKEN"]


@pytest.mark.parametrize(
    "wrong",
    [
        {"line": "LN-999"},
        {"first": 3, "last": 2},
        {"last": 10_000},
        {"prefix": "FW"},
    ],
)
def test_what_the_job_does_not_have_is_refused(wrong):
    asked = {"line": "LN-204", "first": 1, "last": 2, "segments": ("0-1",), **wrong}
    with pytest.raises(ValueError, match=r"line|range|digits|prefix"):
        batch(JOB, asked.pop("line"), **asked)


def test_segments_close_back_to_the_datum():
    assert segments_of(3, SegmentStyle.LETTERS) == ("A-B", "B-C", "C-A")
    assert segments_of(1, SegmentStyle.NUMBERS) == ("0-0",)
    with pytest.raises(ValueError, match="0 segments"):
        segments_of(0, SegmentStyle.NUMBERS)


def test_exports_keep_numbers_as_text_and_start_no_formula():
    made = batch(JOB, "LN-204", first=1, last=1, segments=("0-1", "1-0"))
    rows = list(csv.reader(io.StringIO(as_csv(JOB, made.cards).decode("utf-8-sig"))))
    assert tuple(rows[0]) == COLUMNS
    assert rows[1][:3] == ["LN-204", "W-0001", "0-1"]
    sheet = openpyxl.load_workbook(io.BytesIO(as_xlsx(JOB, made.cards))).active
    assert [tuple(c.value or "" for c in row) for row in sheet.iter_rows(min_row=2)] == [tuple(r) for r in rows[1:]]
    evil = jobs.job(contract="=cmd()")
    assert b",'=cmd()" in as_csv(evil, batch(evil, "LN-204", first=1, last=1, segments=("0-1",)).cards)
