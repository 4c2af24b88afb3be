"""The rules' formulas and tables against published values and reference libraries, each named beside its check."""

from __future__ import annotations

from datetime import date

import pytest
import radioactivedecay
from hypothesis import given
from hypothesis import strategies as st

from beadroll.rules.geometry import geometric_unsharpness_mm, least_distance_mm
from beadroll.rules.persons import add_months
from beadroll.rules.quality import (
    INCH_MM,
    density_window,
    equivalent_sensitivity_percent,
    equivalent_wire_in,
    iqi_asme,
    least_snr,
    normalised_snr,
    read_hole,
    read_wire,
    wire_iso,
)
from beadroll.rules.sampling import crack_limit_mm, sample_size, weld_length_mm
from beadroll.rules.sources import CI_GBQ, decayed_ci
from beadroll.rules.table import table


# radioactivedecay 0.6.1, data set icrp107_ame2020_nubase2020: an independent library and evaluation.
@pytest.mark.parametrize(
    ("isotope", "activity", "days"), [("Ir-192", 100.0, 30), ("Se-75", 80.0, 45), ("Yb-169", 5.0, 9)]
)
def test_decay_agrees_with_an_independent_library(isotope, activity, days):
    reference = radioactivedecay.Inventory({isotope: activity}, "Ci").decay(days, "d").activities("Ci")[isotope]
    assert decayed_ci(activity, isotope, days) == pytest.approx(float(reference), rel=1e-4)


@pytest.mark.parametrize(
    ("isotope", "activity", "days", "left"),
    [
        ("Ir-192", 100.0, 73.827, 50.0),
        ("Ir-192", 100.0, 30.0, 75.452709),
        ("Se-75", 80.0, 45.0, 61.658855),
        ("Co-60", 50.0, 365.25, 43.83908),
    ],
)
def test_decay_gives_the_recomputed_check_values(isotope, activity, days, left):
    assert decayed_ci(activity, isotope, days) == pytest.approx(left, rel=1e-6)


def test_a_curie_is_37_gigabecquerel():  # SI brochure: exact
    assert CI_GBQ == 37


def test_unsharpness_of_the_worked_example():  # ASME V Article 2 T-274.1: F d / D
    assert geometric_unsharpness_mm(3.2, 500.0, 12.7) == pytest.approx(0.08128, abs=1e-9)


def test_unsharpness_agrees_with_the_published_nomogram():
    # US T.O. 33B-1-1 section 6.7.2.5.2 reads 0.47 mm off a nomogram for 6 mm, 1.5 in and 20 in. The two ways of
    # taking the distance (to film, to weld) lie on both sides of it.
    to_weld = geometric_unsharpness_mm(6.0, 20 * INCH_MM - 1.5 * INCH_MM, 1.5 * INCH_MM)
    to_film = geometric_unsharpness_mm(6.0, 20 * INCH_MM, 1.5 * INCH_MM)
    assert to_film < 0.47 < to_weld
    assert to_weld == pytest.approx(0.47, abs=0.02)


@pytest.mark.parametrize(("b", "a_mm", "b_mm"), [(8.0, 90.0, 180.0), (27.0, 202.5, 405.0)])
def test_least_distance_where_the_power_is_exact(b, a_mm, b_mm):  # ISO 17636-1 clause 7.6, b a cube
    assert least_distance_mm(3.0, b, "A") == pytest.approx(a_mm, rel=1e-12)
    assert least_distance_mm(3.0, b, "B") == pytest.approx(b_mm, rel=1e-12)


def test_iso_wires_follow_the_r10_series():  # ISO 19232-1 table against ISO 3 preferred numbers
    for row in table("wires_iso").rows:
        assert row["diameter_mm"] == pytest.approx(10 ** ((6 - row["wire"]) / 10), rel=0.013)
    diameters = {row["wire"]: row["diameter_mm"] for row in table("wires_iso").rows}
    assert [diameters[n] for n in (6, 10, 16, 19)] == [1.0, 0.40, 0.10, 0.05]


def test_the_wire_equal_to_each_hole_is_the_tables_own():
    # ASTM E747's equation, with F 0.79 and L 0.3 in, reproduces every hole and wire pair of ASME V table T-276.
    wires = {row["wire"]: row["diameter_in"] for row in table("wires_e747").rows}

    def nearest(designation):
        wanted = equivalent_wire_in(designation)
        return min(wires, key=lambda n: abs(wires[n] - wanted))

    designations = [10, 12, 15, 17, 20, 25, 30, 35, 40, 50, 60, 80, 100, 120, 160, 200]
    assert [nearest(d) for d in designations] == [4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 16, 17, 18, 20, 21]
    for row in table("iqi_asme").rows:
        assert nearest(row["source_hole"]) == row["source_wire"]
        assert nearest(row["film_hole"]) == row["film_wire"]


# NAVSEA T9074-AS-GIB-010/271 Rev 1 table 3-5, public release, rounded there to one decimal.
@pytest.mark.parametrize(
    ("x", "y", "eps"), [(1, 1, 0.7), (1, 2, 1.0), (2, 1, 1.4), (2, 2, 2.0), (2, 4, 2.8), (4, 2, 4.0)]
)
def test_equivalent_sensitivity_of_quality_levels(x, y, eps):
    assert equivalent_sensitivity_percent(x, y) == pytest.approx(eps, abs=0.05)


def test_iqi_of_a_thin_wall():  # ASME V table T-276 first row; an API 1104 code book's worked wall of 0.109 in
    assert iqi_asme(0.109 * INCH_MM, film_side=False) == (12, 5)
    assert iqi_asme(0.109 * INCH_MM, film_side=True) == (10, 4)
    wires = {row["wire"]: row["diameter_in"] for row in table("wires_e747").rows}
    assert (wires[5], wires[4]) == (0.008, 0.0063)


def test_inch_and_millimetre_agree_at_every_bound_of_the_table():  # 1 in = 25.4 mm exactly
    for row in table("iqi_asme").rows:
        assert iqi_asme(row["up_to_in"] * INCH_MM, film_side=False) == (row["source_hole"], row["source_wire"])


def test_duplex_pairs():  # ISO 19232-5 table
    gaps = {row["pair"]: row["gap_mm"] for row in table("duplex_pairs").rows}
    assert (gaps[9], gaps[10], gaps[13]) == (0.13, 0.1, 0.05)


@pytest.mark.parametrize(("at_iqi", "low", "high"), [(2.5, 2.125, 3.25), (3.0, 2.55, 3.9)])
def test_density_window(at_iqi, low, high):  # ASME V T-282.2: -15 % and +30 %
    assert density_window(at_iqi) == pytest.approx((low, high))


def test_normalised_snr_of_the_worked_example():  # ISO 17636-2: 0.0886 mm / SRb
    assert normalised_snr(120, 0.130) == pytest.approx(81.8, abs=0.05)


def test_least_snr():  # ISO 17636-2 table 3, from memory and partly corroborated
    assert least_snr("Ir-192", None, 19.0, "A") == 70
    assert least_snr("Ir-192", None, 19.0, "B") == 100
    assert least_snr("", 200.0, 10.0, "A") == 70
    assert least_snr("", 50.0, 3.0, "B") == 150


def test_crack_limit():  # 49 CFR 192.245(a): eight per cent of the weld length; NPS 12 by ASME B36.10M
    assert weld_length_mm(323.8) == pytest.approx(1017.25, abs=0.01)
    assert crack_limit_mm(323.8) == pytest.approx(81.38, abs=0.01)


@pytest.mark.parametrize(("welds", "percent", "examined"), [(101, 10, 11), (7, 15, 2), (1, 10, 1), (100, 7, 7)])
def test_sample_sizes(welds, percent, examined):  # 49 CFR 192.243(d), whole numbers
    assert sample_size(welds, percent) == examined


@pytest.mark.parametrize(
    ("grade", "placement", "thickness", "wire"),
    [
        ("A", "single wall, source side", 10.0, 13),
        ("B", "single wall, source side", 10.0, 14),
        ("A", "double wall, film side", 19.06, 12),
        ("B", "double wall, film side", 19.06, 13),
        ("A", "double wall double image, source side", 16.36, 12),
        ("A", "single wall, source side", 251.0, 4),
    ],
)
def test_iso_wires_required(grade, placement, thickness, wire):  # ISO 17636 annex B as two secondary sources give it
    assert wire_iso(grade, placement, thickness)[0] == wire


@given(st.floats(0.5, 400), st.floats(0.5, 400), st.sampled_from("AB"), st.booleans())
def test_a_thicker_wall_never_asks_for_a_thinner_wire(one, other, grade, film):
    thin, thick = sorted((one, other))
    for placement in ("single wall, source side", "double wall, film side", "double wall double image, source side"):
        assert wire_iso(grade, placement, thin)[0] >= wire_iso(grade, placement, thick)[0]
    assert iqi_asme(thin, film_side=film)[1] <= iqi_asme(thick, film_side=film)[1]
    assert iqi_asme(thin, film_side=True)[1] <= iqi_asme(thin, film_side=False)[1]


@given(st.floats(0.1, 10), st.floats(1, 50))
def test_at_the_least_distance_the_unsharpness_is_the_formulas_own(focal, b):
    # ISO 17636-1 7.6 implies Ug = b^(1/3) / 7.5 for class A and half of it for B.
    assert geometric_unsharpness_mm(focal, least_distance_mm(focal, b, "A"), b) == pytest.approx(b ** (1 / 3) / 7.5)
    assert geometric_unsharpness_mm(focal, least_distance_mm(focal, b, "B"), b) == pytest.approx(b ** (1 / 3) / 15)


@pytest.mark.parametrize(
    ("text", "wire"),
    [
        ("W13", 13),
        ("w 13", 13),
        ("13", 13),
        ("10 FE EN W13", 13),
        ("wire 6", 6),
        ("W10 FE", 10),
        ("seen", None),
        ("", None),
    ],
)
def test_wires_are_read_as_sheets_write_them(text, wire):
    assert read_wire(text) == wire


@pytest.mark.parametrize(("text", "hole"), [("15-2T", (15, 2)), ("12", (12, 2)), ("20 - 4T", (20, 4)), ("none", None)])
def test_holes_are_read_as_sheets_write_them(text, hole):
    assert read_hole(text) == hole


def test_months_end_where_the_calendar_says():
    assert add_months(date(2031, 8, 31), 6) == date(2032, 2, 29)
    assert add_months(date(2030, 12, 15), 12) == date(2031, 12, 15)
    assert add_months(date(2030, 11, 30), 1) == date(2030, 12, 30)
