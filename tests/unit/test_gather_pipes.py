"""Pipe sizes against the open library ``fluids``, whose tables were typed by others."""

from __future__ import annotations

import pytest
from fluids.piping import nearest_pipe

from beadroll.handover.gathering.pipes import nps_of_dn, size_of, sizes, wall_of
from beadroll.handover.gathering.quantities import NotUnderstood


def test_every_diameter_and_wall_agrees_with_an_independent_table():
    compared = 0
    for nps, size in sizes().items():
        for schedule, wall in size.walls_mm.items():
            found, _, outside, thickness = nearest_pipe(NPS=nps, schedule=schedule)
            assert found == nps
            assert size.outside_diameter_mm == pytest.approx(outside * 1000, abs=0.06), (nps, schedule)
            assert wall == pytest.approx(thickness * 1000, abs=0.011), (nps, schedule)
            compared += 1
    assert compared > 280


@pytest.mark.parametrize("text", ["12", "NPS 12", '12"', "12 in", "12.0", "DN 300", "dn300"])
def test_a_size_is_found_however_it_is_written(text):
    size = size_of(text)
    assert (size.dn, size.outside_diameter_mm) == (300, 323.8)


@pytest.mark.parametrize(("text", "dn"), [("1 1/2", 40), ("1-1/2", 40), ("2 1/2", 65), ("1/2", 15), ('1½"', 40)])
def test_sizes_in_fractions_are_found(text, dn):
    assert size_of(text).dn == dn


@pytest.mark.parametrize(
    ("schedule", "wall"),
    [("STD", 9.53), ("std", 9.53), ("40", 10.31), ("Sch 40", 10.31), ("SCH.80", 17.48), ("XS", 12.7)],
)
def test_a_schedule_is_found_however_it_is_written(schedule, wall):
    assert wall_of(size_of("12"), schedule) == wall


def test_sizes_and_schedules_that_do_not_exist_are_refused():
    for text in ("13", "12 1/2", "DN 310", "big", ""):
        with pytest.raises(NotUnderstood):
            size_of(text)
    with pytest.raises(NotUnderstood, match="STD"):
        wall_of(size_of("12"), "45")


def test_a_column_of_nominal_diameters_gives_nominal_pipe_sizes():
    assert [nps_of_dn(text) for text in ("300", "DN 40", "300.0")] == ["12", "1 1/2", "12"]
