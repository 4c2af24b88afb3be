"""Weld numbers as people write them: what is read, what is asked about, what is never merged."""

from __future__ import annotations

import pytest

from beadroll.record.job import NumberPattern, SegmentStyle, Suffix, SuffixMeaning
from beadroll.record.number import (
    format_number,
    parse,
    parse_event,
    parse_segment,
    repair_of,
    reshoot_of,
    split_number,
    state_of,
)

PATTERN = NumberPattern()
LINES = ("LN-204", "LN-207")


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("W-0117R1 1-2", ("", "W-0117", "R1", "1-2")),
        ("w117 r1 (1-2)", ("", "W-0117", "R1", "1-2")),
        ("LN204_W0117_R1_1-2.tif", ("LN-204", "W-0117", "R1", "1-2")),
        ("LN204W0117R1RS1_2-0.dcm", ("LN-204", "W-0117", "R1RS1", "2-0")),
        ("W-0117^", ("", "W-0117", "", "")),
        ("W\u20130117 \u2013 1\u20132", ("", "W-0117", "", "1-2")),
        ("W-0117RW1 0-1", ("", "W-0117RW1", "", "0-1")),
        ("20310401_LN-204_W-0117__0-1.tif", ("LN-204", "W-0117", "", "0-1")),
        ("W-0117_2031-04-01", ("", "W-0117", "", "")),
        ("W_0117R1_2_0.tif", ("", "W-0117", "R1", "2-0")),
        ("W-0117R1_2-0 (1).tif", ("", "W-0117", "R1", "2-0")),
        ("0117_1-2.tif", ("", "W-0117", "", "1-2")),
        ("W-0117-CO", ("", "W-0117", "CO", "")),
        ("W-12345", ("", "W-12345", "", "")),
    ],
)
def test_the_ways_people_write_a_number_are_read_alike(text, key):
    read = parse(text, PATTERN, LINES)
    assert read.key == key
    assert read.certain
    assert read.as_marked == text


@pytest.mark.parametrize(
    "text",
    [
        "FW-0117",  # another prefix is another weld until somebody says otherwise
        "W-0117A",  # a letter without a meaning under the contract
        "W-00117",  # more digits than the contract writes
        "W-0117-3",  # neither suffix nor segment
        "W0117R1-2",  # a count or a segment
        "W-0117_W-0118",
    ],
)
def test_what_can_be_read_in_two_ways_is_in_doubt(text):
    read = parse(text, PATTERN, LINES)
    assert not read.certain
    assert read.doubts


@pytest.mark.parametrize("text", ["", "IMG_0042.tif", "scan.dcm", "20310401.tif", "W-", "LN-204", "\x00\u202e"])
def test_a_text_without_a_weld_number_names_none(text):
    assert parse(text, PATTERN, LINES).number == ""


def test_what_the_contract_keeps_apart_is_not_merged():
    pattern = NumberPattern(prefixes=("FW", "SW"), digits=3)
    assert parse("FW-014", pattern).number == "FW-014"
    assert parse("SW14", pattern).number == "SW-014"
    asked = parse("W-014", pattern)
    assert not asked.certain
    assert {asked.number, *(other.number for other in asked.others)} == {"FW-014", "SW-014"}
    bare = parse("014", pattern)
    assert {bare.number, *(other.number for other in bare.others)} == {"FW-014", "SW-014"}


def test_suffix_meanings_are_the_contracts():
    pattern = NumberPattern(
        suffixes=(
            Suffix(letters="RX", meaning=SuffixMeaning.RESHOOT),
            Suffix(letters="C", meaning=SuffixMeaning.REWELD),
            Suffix(letters="TI", meaning=SuffixMeaning.TIE_IN, counted=False),
            Suffix(letters="P", meaning=SuffixMeaning.PENALTY),
        ),
        segments=SegmentStyle.LETTERS,
    )
    assert parse("W-0009TI A-B", pattern).key == ("", "W-0009TI", "", "A-B")
    assert parse("W-0009C1RX2 C-A", pattern).key == ("", "W-0009C1", "RX2", "C-A")
    assert parse("W-0009P2", pattern).number == "W-0009P2"
    assert not parse("W-0009R1", pattern).certain


def test_cells_of_their_own_are_read_by_the_same_rules():
    assert parse_segment(" (1\u20132) ", PATTERN) == "1-2"
    assert parse_segment("all", PATTERN) == ""
    assert parse_event("r 1", PATTERN) == "R1"
    assert parse_event("", PATTERN) == ""
    assert parse_event("Z9", PATTERN) is None


def test_event_labels_come_apart():
    assert (state_of("R1RS2", PATTERN), repair_of("R1RS2", PATTERN), reshoot_of("R1RS2", PATTERN)) == ("R1", 1, 2)
    assert split_number("W-0117RW1", PATTERN).digits == "0117"


def test_a_line_whose_name_is_part_of_another_is_not_taken_for_it():
    lines = ("LN-20", "LN-204")
    assert parse("LN-204 W-1", PATTERN, lines).line == "LN-204"
    assert parse("LN-20 W-1", PATTERN, lines).line == "LN-20"
    assert parse("LN-2045 W-1", PATTERN, lines).line == ""


def test_the_canonical_form_is_said_as_on_site():
    assert format_number(parse("ln207_w7_rs1_2-0.dcm", PATTERN, LINES)) == "LN-207 W-0007RS1 2-0"
