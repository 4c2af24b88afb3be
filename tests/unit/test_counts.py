"""Counts of welds made, examined, rejected and disposed."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from beadroll.record.interpretation import Disposition, DispositionKind, Result
from beadroll.record.weld import WeldId
from beadroll.rules.counts import CountedWeld, count, counted, counted_week, wilson
from tests.weeks import week, with_reading, with_weld


def rejected_week():
    record = with_reading(week(), 2, 1, result=Result.REJ)
    return with_weld(record, 2, dispositions=(Disposition(kind=DispositionKind.REPAIR, interpretation="I2"),))


def test_a_rejected_and_repaired_weld_is_counted_once_under_repaired():
    (line,), total = count(counted_week(rejected_week()))
    assert (line.group, line.made, line.examined, line.rejected, line.repaired, line.open) == ("LN-204", 6, 6, 1, 1, 0)
    assert replace(total, group="LN-204") == line


def test_a_reject_without_an_answer_is_counted_open():
    _, total = count(counted_week(with_reading(week(), 2, 1, result=Result.REJ)))
    assert (total.rejected, total.open) == (1, 1)


def test_a_reshoot_alone_examines_nothing():
    record = week(1)
    for reading in range(3):
        record = with_reading(record, 0, reading, result=Result.RS)
    assert not counted(record.welds[0]).examined


WELDS = st.builds(
    CountedWeld,
    id=st.builds(
        WeldId, job=st.just("J"), line=st.sampled_from(["", "L1", "L2"]), number=st.integers(1, 10**6).map(str)
    ),
    location=st.sampled_from(["", "KP 1.2", "KP 1.3"]),
    stencils=st.lists(st.sampled_from(["7K", "3B"]), max_size=2, unique=True).map(tuple),
    examined=st.sampled_from([True]),
    rejected=st.booleans(),
    answers=st.lists(st.sampled_from(DispositionKind), max_size=2).map(tuple),
)


@given(st.lists(WELDS, max_size=30), st.sampled_from(["line", "location", "month", "welder", "technique"]))
def test_the_sums_that_the_regulations_ask_for_always_hold(welds, by):  # 49 CFR 192.243(f), 195.266(a)
    groups, total = count(welds, by=by)
    for row in (*groups, total):
        assert row.made >= row.examined >= row.rejected
        assert row.rejected == row.repaired + row.cut_out + row.concession + row.open
    assert total.made == len(welds)
    if by in ("line", "location", "month"):
        assert sum(row.made for row in groups) == total.made


@given(st.integers(1, 500).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_the_interval_agrees_with_scipy(share):  # scipy.stats.binomtest(...).proportion_ci(method="wilson")
    reference = binomtest(*share).proportion_ci(method="wilson")
    assert wilson(*share) == pytest.approx((reference.low, reference.high), abs=1e-9)


def test_three_welds_are_no_trend():
    low, high = wilson(1, 3)
    assert low < 0.07
    assert high > 0.79
