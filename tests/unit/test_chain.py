"""Each rule of the chain: silent on a sound week, heard on a week spoilt in one place."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from beadroll.handover.reconciling.coverage import gaps, overlaps
from beadroll.handover.reconciling.reconcile import reconcile
from beadroll.record.interpretation import Result
from tests import jobs

MONDAY = jobs.MONDAY


def codes(week):
    done = reconcile(week, digest=lambda _: "", same=lambda _: ())
    return {d.finding.code for d in done.discrepancies}


def line_of(number, segment, **values):
    def spoil(week):
        lines = [replace(x, **values) if (x.number, x.segment) == (number, segment) else x for x in week.reader_lines]
        return replace(week, reader_lines=tuple(lines))

    return spoil


def row_of(number, **values):
    def spoil(week):
        return replace(week, weld_log=tuple(replace(r, **values) if r.number == number else r for r in week.weld_log))

    return spoil


def without(number, segment=None):
    """Take a weld's segment out of sheets and files alike."""

    def spoil(week):
        def gone(x):
            return x.number == number and (segment is None or x.segment == segment)

        lines = tuple(x for x in week.reader_lines if not gone(x))
        name = f"_{number}_{segment or ''}"
        images = tuple(r for r in week.radiographs if name not in r.file.path)
        return replace(week, reader_lines=lines, radiographs=images)

    return spoil


def without_row(number):
    return lambda week: replace(week, weld_log=tuple(r for r in week.weld_log if r.number != number))


def both(*spoils):
    def spoil(week):
        for each in spoils:
            week = each(week)
        return week

    return spoil


CASES = [
    ("CHN-ORDER", row_of("W-0115", welded_on=MONDAY + timedelta(days=3))),
    ("CHN-ORDER", line_of("W-0115", "0-1", read_on=MONDAY)),
    ("CHN-ORDER", line_of("W-0115", "0-1", read_on=MONDAY + timedelta(days=20))),
    ("CHN-REJECT-OPEN", both(line_of("W-0115", "0-1", result=Result.REJ))),
    ("CHN-REJECT-TWO-WAYS", line_of("W-0118", "0-1", disposition="repair")),
    ("CHN-CUT-OUT-REPAIRED", line_of("W-0117", "1-2", disposition="cut out")),
    ("CHN-REPAIR-PENDING", line_of("W-0115", "0-1", result=Result.REJ, disposition="repair R1")),
    ("CHN-REPAIR-UNSHOT", without("W-0117R1")),
    ("CHN-REPAIR-UNEXPLAINED", line_of("W-0117", "1-2", result=Result.ACC, disposition="")),
    ("CHN-RESHOOT-OWED", line_of("W-0115", "0-1", result=Result.RS)),
    ("CHN-RESHOOT-UNEXPLAINED", line_of("W-0116", "1-2", result=Result.ACC)),
    ("CHN-REWELD-OF-NOTHING", both(without("W-0118"), without_row("W-0118"))),
    ("CHN-REWELD-NOT-CUT-OUT", row_of("W-0118", cut_out_on=None)),
    ("CHN-CUT-OUT-OPEN", both(without("W-0118RW1"), without_row("W-0118RW1"))),
    ("CHN-AFTER-CUT-OUT", row_of("W-0118", cut_out_on=MONDAY)),
    ("CHN-COVERAGE", without("W-0115", "1-2")),
    ("CHN-STENCIL", line_of("W-0115", "0-1", stencils=("4X",))),
    ("CHN-DISPOSITION-WORDS", line_of("W-0117", "1-2", disposition="see foreman")),
    ("CHN-NOT-SHOT", without("W-0115")),
    ("REC-LINE-TWICE", lambda week: replace(week, reader_lines=(*week.reader_lines, week.reader_lines[0]))),
]


def test_a_sound_week_has_nothing_to_say():
    assert codes(jobs.quiet_week()) == set()


@pytest.mark.parametrize(("code", "spoil"), CASES, ids=[f"{code}-{n}" for n, (code, _) in enumerate(CASES)])
def test_a_broken_link_is_named(code, spoil):
    assert code in codes(spoil(jobs.quiet_week()))


def test_a_rule_that_the_contract_switches_off_is_silent():
    week = line_of("W-0115", "0-1", stencils=("4X",))(jobs.quiet_week())
    assert "CHN-STENCIL" not in codes(replace(week, job=replace(week.job, rules_off=("CHN-STENCIL",))))


def test_more_repairs_than_the_contract_allows_stop_the_week():
    week = jobs.quiet_week()
    assert "CHN-REPAIR-LIMIT" in codes(replace(week, job=replace(week.job, repair_limit=0)))


def test_an_image_dated_before_its_shot_is_queried():
    week = jobs.quiet_week()
    image = week.radiographs[0]
    header = {**image.facts.header, "acquisition_date": "20310325"}
    spoilt = replace(image, facts=replace(image.facts, header=header))
    assert "CHN-IMAGE-DATE" in codes(replace(week, radiographs=(spoilt, *week.radiographs[1:])))


@pytest.mark.parametrize(
    ("segments", "circumference_mm", "missing"),
    [
        (("0-1", "1-2", "2-0"), None, []),
        (("A-B", "B-C", "C-A"), None, []),
        (("0-1", "2-0"), None, ["1-2"]),
        (("0-1", "1-2"), None, ["2-0"]),
        (("1-2", "2-0"), None, ["0-1"]),
        (("0-1", "1-0"), None, []),
        (("0-0",), None, []),
        ((), None, []),
        (("0-35", "34-70", "68-2"), 1017.2, []),  # a belt in cm on NPS 12
        (("0-35", "40-70", "68-2"), 1017.2, ["350 to 400 mm"]),
        (("0-340", "320-680", "660-20"), 1017.2, []),
        (("0-340", "320-680"), 1017.2, ["680 to 1017 mm"]),
    ],
)
def test_segments_go_all_round_or_the_gap_is_named(segments, circumference_mm, missing):
    assert gaps(segments, circumference_mm) == missing


def test_overlap_is_by_the_way_between_markers():
    assert overlaps("1-2", "1-2")
    assert overlaps("0-2", "1-2")
    assert not overlaps("0-1", "1-2")
    assert overlaps("2-0", "2-3")
    assert not overlaps("A-B", "B-C")
