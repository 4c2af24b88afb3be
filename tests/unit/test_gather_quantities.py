"""Numbers, lengths, activities, times and dates: read one way, or refused with what was expected."""

from __future__ import annotations

import contextlib
from datetime import date, datetime, time, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from beadroll.handover.gathering.quantities import (
    Manner,
    NotUnderstood,
    TwoWays,
    clock,
    day,
    number,
    quantity,
    settled_date_order,
    settled_decimal,
    unit_of,
)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("9.53", 9.53),
        ("9,53", 9.53),
        ("1 234,5", 1234.5),
        ("1.234,5", 1234.5),
        ("1,234.5", 1234.5),
        ("3/8", 0.375),
        ("1 1/2", 1.5),
        ("1-1/2", 1.5),
        ("1½", 1.5),
        ("0,375", 0.375),
        (".375", 0.375),
        ("0.375", 0.375),
        ("1.234", 1.234),
        (117.0, 117.0),
    ],
)
def test_numbers_are_read_as_offices_write_them(text, value):
    assert number(text) == pytest.approx(value)


def test_a_comma_before_three_digits_is_asked_about_until_it_is_settled():
    with pytest.raises(TwoWays) as fault:
        number("1,234")
    assert fault.value.readings == ("1.234", "1234")
    assert number("1,234", Manner(decimal="comma")) == 1.234
    assert number("1,234", Manner(decimal="point")) == 1234
    assert settled_decimal(["9,53", "1,234"]) == "comma"
    assert settled_decimal(["9.53", "1,234"]) == "point"
    assert settled_decimal(["1,234"]) == ""
    assert settled_decimal(["9.53", "9,53"]) == ""


@pytest.mark.parametrize("text", ["", "x", "1..2", "1,2,3.4.5", "1/0", "W-0117", "--"])
def test_what_is_no_number_is_refused(text):
    with pytest.raises(NotUnderstood):
        number(text)


# 1 in = 25.4 mm and 1 Ci = 37 GBq are definitions (SI Brochure, 9th edition, section 4; NIST SP 811, appendix B).
@pytest.mark.parametrize(
    ("text", "kind", "unit", "value"),
    [
        ('3/8"', "length", "", 9.525),
        ("0.375 in", "length", "mm", 9.525),
        ("9,53 mm", "length", "in", 9.53),
        (0.375, "length", "in", 9.525),
        ("1 1/2 in", "length", "", 38.1),
        ("45 cm", "length", "", 450.0),
        ("1.5m", "length", "", 1500.0),
        (37, "activity", "GBq", 1.0),
        ("1,85 TBq", "activity", "", 50.0),
        ("50 Ci", "activity", "", 50.0),
        ("200kV", "voltage", "", 200.0),
        (200, "voltage", "", 200.0),
        (2.5, "duration", "min", 150.0),
        ("2 min 30 s", "duration", "", 150.0),
        ("2:30", "duration", "", 150.0),
        (timedelta(seconds=150), "duration", "", 150.0),
        ("50 µm", "pitch", "", 50.0),
    ],
)
def test_quantities_come_in_the_unit_of_the_record(text, kind, unit, value):
    assert quantity(text, kind, unit) == pytest.approx(value)


def test_a_length_without_any_unit_is_refused():
    with pytest.raises(NotUnderstood, match="neither the heading nor the cell states the unit"):
        quantity(9.53, "length")
    assert quantity(9.53, "length", manner=Manner(units={"length": "mm"})) == 9.53


@pytest.mark.parametrize("text", ["9.53 kg", "thick", "9.53 Ci", "", "mm"])
def test_a_length_in_no_length_is_refused(text):
    with pytest.raises(NotUnderstood):
        quantity(text, "length", "mm")


def test_mega_and_milli_are_not_confused():
    assert unit_of("MV") == "MV"
    assert unit_of("mV") == ""


@pytest.mark.parametrize(
    "text",
    [
        "2031-04-03",
        "2031/04/03",
        "20310403",
        "3 Apr 2031",
        "03-Apr-31",
        "3. April 2031",
        "April 3, 2031",
        "Thu 3 Apr 2031",
        "03.04.2031",
        "2031-04-03 14:05",
        47941,
        47941.25,
        date(2031, 4, 3),
        datetime(2031, 4, 3, 8, 30),  # noqa: DTZ001 - spreadsheets know no zones
    ],
)
def test_dates_that_can_be_read_one_way_are_read(text):
    assert day(text) == date(2031, 4, 3)


def test_the_serial_number_of_a_spreadsheet_is_counted_as_it_counts():
    # Excel's own example: 1 January 2008 is 39448 (Microsoft, DATEVALUE function).
    assert day(39448) == date(2008, 1, 1)


def test_day_and_month_that_could_change_places_are_asked_about():
    with pytest.raises(TwoWays) as fault:
        day("03/04/2031")
    assert fault.value.readings == ("03 Apr 2031", "04 Mar 2031")
    assert day("03/04/2031", Manner(date_order="dmy")) == date(2031, 4, 3)
    assert day("03/04/2031", Manner(date_order="mdy")) == date(2031, 3, 4)
    assert day("04/04/2031") == date(2031, 4, 4)
    assert day("25/04/2031") == date(2031, 4, 25)
    assert day("04/25/2031") == date(2031, 4, 25)


def test_one_clear_date_settles_a_column_and_two_that_contradict_do_not():
    assert settled_date_order(["03/04/2031", "25/04/2031"]) == "dmy"
    assert settled_date_order(["03/04/2031", "04/25/2031"]) == "mdy"
    assert settled_date_order(["25/04/2031", "04/25/2031"]) == ""
    assert settled_date_order(["03/04/2031"]) == ""


@pytest.mark.parametrize(
    "text", ["31/02/2031", "31.04.2031", "2031-13-01", "99/99/2031", "tomorrow", 12, True, "3 Foo 2031"]
)
def test_a_day_there_never_was_is_refused(text):
    with pytest.raises(NotUnderstood):
        day(text)


@pytest.mark.parametrize(
    ("text", "read"), [("14:05", time(14, 5)), ("2:05 pm", time(14, 5)), (0.5, time(12)), ("9.30", time(9, 30))]
)
def test_times_of_day_are_read(text, read):
    assert clock(text) == read


@given(st.dates(date(1980, 1, 1), date(2099, 12, 31)), st.sampled_from(["dmy", "mdy"]))
def test_a_date_written_in_a_settled_order_reads_back(value, order):
    text = value.strftime("%d/%m/%Y" if order == "dmy" else "%m/%d/%Y")
    assert day(text, Manner(date_order=order)) == value


@given(st.text(max_size=40))
def test_no_text_does_more_than_be_refused(text):
    for read in (number, day, clock, lambda t: quantity(t, "length", "mm")):
        with contextlib.suppress(NotUnderstood):
            read(text)
