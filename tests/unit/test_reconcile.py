"""Every radiograph ends on one weld, event and segment, or is asked about with its reason."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from beadroll.findings import Severity
from beadroll.handover.reconciling.reconcile import reconcile
from beadroll.handover.reconciling.same import same_bytes
from beadroll.handover.stages import DeliveredFile
from beadroll.record.handover import Decision, DecisionKind
from beadroll.record.interpretation import DispositionKind, Result
from beadroll.record.job import NumberPattern
from beadroll.record.radiograph import Witness
from beadroll.record.weld import EventKind, Standing
from tests import jobs, synthetic_weeks

MONDAY = jobs.MONDAY
TUESDAY = MONDAY + timedelta(days=1)


def run(gathered, *, digests=None):
    return reconcile(gathered, digest=lambda name: (digests or {}).get(name, "d" * 128), same=lambda _: ())


def codes(done):
    return [d.finding.code for d in done.discrepancies if d.finding.severity is not Severity.NOTE]


def weld(done, number):
    return next(w for w in done.record.welds if w.weld.id.number == number)


def placed(done):
    return {
        image.delivered_as: (w.weld.id.line, w.weld.id.number, image.event, image.segment)
        for w in done.record.welds
        for image in w.radiographs
    }


def renamed(gathered, old, new, **header):
    """The week with one radiograph's name changed, and its header's fields."""
    images = []
    for image in gathered.radiographs:
        if image.file.path.endswith(f"/{old}"):
            path = image.file.path.removesuffix(old) + new
            facts = replace(image.facts, header={**image.facts.header, **header})
            image = replace(image, file=replace(image.file, path=path), facts=facts)  # noqa: PLW2901
        images.append(image)
    return replace(gathered, radiographs=tuple(images))


def test_a_week_in_which_all_agree_asks_nothing():
    done = run(jobs.quiet_week())
    assert codes(done) == []
    assert len(placed(done)) == len(done.gathered.radiographs)


def test_the_repaired_weld_tells_its_whole_story():
    done = weld(run(jobs.quiet_week()), "W-0117")
    assert [(e.kind, e.label) for e in done.events] == [(EventKind.WELDED, ""), (EventKind.REPAIR, "R1")]
    assert done.events[1].stencils == ("9C",)
    rejected = next(r for r in done.interpretations if r.result is Result.REJ)
    assert [(d.kind, d.interpretation, d.event) for d in done.dispositions] == [
        (DispositionKind.REPAIR, rejected.id, "R1")
    ]
    again = next(r for r in done.radiographs if r.event == "R1")
    assert again.supersedes == rejected.radiograph
    assert len(done.radiographs) == 4, "the rejected radiograph stays"
    assert done.standing is Standing.ACCEPTED
    assert {s.role.value for s in done.sign_offs} == {"radiographer", "interpreter"}


def test_a_cut_out_weld_and_its_reweld_name_each_other():
    done = run(jobs.quiet_week())
    old, new = weld(done, "W-0118"), weld(done, "W-0118RW1")
    assert old.weld.replaced_by == new.weld.id
    assert new.weld.replaces == old.weld.id
    assert old.standing is Standing.CUT_OUT
    assert new.events[0].kind is EventKind.REWELD
    assert [d.kind for d in old.dispositions] == [DispositionKind.CUT_OUT]


def test_each_assignment_carries_its_witnesses():
    image = weld(run(jobs.quiet_week()), "W-0115").radiographs[0]
    said = {t.witness for t in image.witnesses}
    assert said == {
        Witness.HEADER,
        Witness.FILE_NAME,
        Witness.FOLDER,
        Witness.READER_SHEET,
        Witness.WELD_LOG,
        Witness.NEIGHBOURS,
    }
    assert all(t.agrees for t in image.witnesses)


def test_two_runs_give_the_same_record_whatever_the_order_of_files():
    week = jobs.quiet_week()
    turned = replace(
        week,
        radiographs=week.radiographs[::-1],
        weld_log=week.weld_log[::-1],
    )
    assert run(week).record == replace(run(turned).record)


def test_a_transposed_number_is_explained_in_words():
    week = renamed(jobs.quiet_week(), "LN204_W-0117_2-0.dcm", "LN204_W-0171_2-0.dcm", component_name="LN-204 W-0171^")
    done = run(week)
    (asked,) = done.discrepancies
    assert asked.finding.code == "REC-WELD-UNKNOWN"
    first = asked.suggestions[0]
    assert (first.line, first.number, first.event, first.segment) == ("LN-204", "W-0117", "", "2-0")
    assert "digits 1 and 7 transposed: W-0171 is not in the weld log for this line" in first.reason
    assert "its neighbours in shooting order are W-0117 and W-0118" in first.reason
    assert first.reason in asked.finding.text
    assert asked.subject not in placed(done)


def test_witnesses_that_disagree_are_asked_about_with_the_likelier_one_first():
    week = renamed(jobs.quiet_week(), "LN204_W-0116_0-1.dcm", "LN204_W-0117_0-1_.dcm")
    (asked,) = [d for d in run(week).discrepancies if d.finding.code == "REC-WITNESSES-DISAGREE"]
    assert "the header says LN-204 W-0116" in asked.finding.text
    assert asked.suggestions[0].number == "W-0116"


def test_two_radiographs_for_one_place_are_both_held():
    week = jobs.quiet_week()
    extra = jobs.radiograph("LN204_W-0115_0-1_b.tif", on=TUESDAY)
    done = run(replace(week, radiographs=(*week.radiographs, extra)))
    assert codes(done) == ["REC-CONTESTED", "REC-CONTESTED"]
    assert not {p for p in placed(done) if "W-0115_0-1" in p}


def test_a_lost_suffix_is_not_taken_for_the_first_shot():
    week = jobs.quiet_week()
    first = next(r for r in week.radiographs if r.file.path.endswith("/LN204_W-0117_1-2.dcm"))
    week = replace(week, radiographs=tuple(r for r in week.radiographs if r is not first))
    week = renamed(week, "LN204_W-0117R1_1-2.dcm", "LN204_W-0117_1-2.dcm", component_name="LN-204 W-0117^")
    done = run(week)
    asked = next(d for d in done.discrepancies if d.finding.code == "REC-SUFFIX")
    assert asked.suggestions[0].event == "R1"
    assert asked.subject not in placed(done)


def test_two_swapped_radiographs_show_by_the_order_they_were_made_in():
    week = jobs.quiet_week()
    a, b = "LN204_W-0115_1-2.dcm", "LN204_W-0117_1-2.dcm"
    week = renamed(week, a, "x.dcm", component_name="LN-204 W-0117^")
    week = renamed(week, b, a, component_name="LN-204 W-0115^")
    week = renamed(week, "x.dcm", b)
    asked = [d for d in run(week).discrepancies if d.finding.code == "REC-SWAPPED"]
    assert len(asked) == 2
    assert {(d.subject.rpartition("/")[2], d.suggestions[0].number) for d in asked} == {
        (a, "W-0117"),
        (b, "W-0115"),
    }


def test_a_radiograph_made_later_than_the_rest_of_its_weld_is_not_called_swapped():
    week = jobs.quiet_week()
    late = next(r for r in week.radiographs if r.file.path.endswith("/LN204_W-0115_1-2.dcm"))
    header = {**late.facts.header, "acquisition_time": "160000"}
    others = [r for r in week.radiographs if r is not late]
    week = replace(week, radiographs=(*others, replace(late, facts=replace(late.facts, header=header))))
    assert codes(run(week)) == []


def test_a_sheet_line_without_radiograph_and_a_radiograph_without_sheet_line_are_each_named():
    week = jobs.quiet_week()
    week = replace(
        week,
        radiographs=tuple(r for r in week.radiographs if not r.file.path.endswith("/LN204_W-0115_0-1.dcm")),
        reader_lines=tuple(x for x in week.reader_lines if (x.number, x.segment) != ("W-0118", "2-0")),
    )
    found = {d.finding.code: d for d in run(week).discrepancies}
    assert found["REC-NO-RADIOGRAPH"].subject.endswith("cell A2")
    assert "LN-204 W-0118 2-0" in found["REC-NO-SHEET-LINE"].finding.text
    assert found["REC-NO-SHEET-LINE"].suggestions[0].segment == "2-0"


def test_a_weld_that_the_log_does_not_have_gets_no_record_until_confirmed():
    week = jobs.quiet_week()
    week = replace(week, weld_log=tuple(r for r in week.weld_log if r.number != "W-0115"))
    done = run(week)
    assert codes(done).count("REC-WELD-UNKNOWN") == 3
    row = next(d for d in done.discrepancies if d.finding.code == "REC-WELD-NOT-IN-LOG")
    assert all(w.weld.id.number != "W-0115" for w in done.record.welds)
    decisions = [decision(1, DecisionKind.CONFIRM, row.subject, finding="REC-WELD-NOT-IN-LOG")]
    decisions += [
        decision(n, DecisionKind.ASSIGN, d.subject, line="LN-204", number="W-0115", segment=d.suggestions[0].segment)
        for n, d in enumerate(done.discrepancies, 2)
        if d.finding.code == "REC-WELD-UNKNOWN"
    ]
    again = run(replace(week, decisions=tuple(decisions)))
    assert len(weld(again, "W-0115").radiographs) == 3


def test_without_a_weld_log_the_sheets_alone_carry_the_week():
    done = run(replace(jobs.quiet_week(), weld_log=()))
    assert codes(done)[0] == "REC-NO-LOG"
    assert len(placed(done)) == len(done.gathered.radiographs)


def test_an_unreadable_radiograph_is_asked_about_and_not_placed():
    week = jobs.quiet_week()
    bad = jobs.radiograph("LN204_W-0115_0-1.dcm", on=TUESDAY, fault="the file ends early")
    kept = [r for r in week.radiographs if not r.file.path.endswith("/LN204_W-0115_0-1.dcm")]
    done = run(replace(week, radiographs=(*kept, bad)))
    asked = next(d for d in done.discrepancies if d.finding.code == "REC-UNREADABLE")
    assert "the file ends early" in asked.finding.text


@pytest.mark.parametrize(
    ("counts", "expected"),
    [((1, 1, 1), []), ((3, 3, 3), []), ((12, 12, 12), []), ((1, 1, 2), ["REC-FILM-COUNT"])],
    ids=["films of the line", "of the weld", "of the sheet", "one too many"],
)
def test_film_counts_are_read_in_the_way_the_sheet_means_them(counts, expected):
    week = jobs.quiet_week()
    lines = []
    for line in week.reader_lines:
        if line.exposed_on == TUESDAY:
            n = counts[jobs.SEGMENTS.index(line.segment)] if line.number == "W-0115" else counts[0]
            line = replace(line, film_count=n)  # noqa: PLW2901
        lines.append(line)
    assert codes(run(replace(week, reader_lines=tuple(lines)))) == expected


def decision(n, kind, subject, **values) -> Decision:
    return Decision(
        id=f"D-{n:04d}",
        kind=kind,
        subject=subject,
        by="E. Lind",
        at=datetime(2031, 4, 7, 9, 0, tzinfo=UTC),
        reason="looked at the lead letters",
        **values,
    )


def test_a_decision_places_a_radiograph_and_stands_among_its_witnesses():
    week = renamed(jobs.quiet_week(), "LN204_W-0117_2-0.dcm", "LN204_W-0171_2-0.dcm", component_name="LN-204 W-0171^")
    (asked,) = run(week).discrepancies
    first = asked.suggestions[0]
    made = decision(1, DecisionKind.ASSIGN, asked.subject, line=first.line, number=first.number, segment=first.segment)
    done = run(replace(week, decisions=(made,)))
    assert codes(done) == []
    assert placed(done)[asked.subject] == ("LN-204", "W-0117", "", "2-0")
    image = next(r for r in weld(done, "W-0117").radiographs if r.delivered_as == asked.subject)
    assert image.witnesses[-1].witness is Witness.DECISION
    assert any(not t.agrees for t in image.witnesses)


def test_setting_one_aside_settles_the_other():
    week = jobs.quiet_week()
    extra = jobs.radiograph("LN204_W-0115_0-1_b.tif", on=TUESDAY)
    week = replace(week, radiographs=(*week.radiographs, extra))
    made = decision(1, DecisionKind.SET_ASIDE, extra.file.path)
    done = run(replace(week, decisions=(made,)))
    assert codes(done) == []
    assert done.set_aside == (extra.file,)
    undone = decision(2, DecisionKind.UNDO, "", undoes="D-0001")
    assert codes(run(replace(week, decisions=(made, undone)))) == ["REC-CONTESTED", "REC-CONTESTED"]


def test_a_decision_that_no_longer_applies_is_reported_not_dropped():
    week = jobs.quiet_week()
    path = week.radiographs[0].file.path
    decisions = (
        decision(1, DecisionKind.SET_ASIDE, "crews/A/2031-04-01/gone.tif"),
        decision(2, DecisionKind.SET_ASIDE, path, subject_sha512="a" * 128),
        decision(3, DecisionKind.ASSIGN, path, line="LN-999", number="W-0001"),
        decision(
            4,
            DecisionKind.CORRECT,
            "weld-log/log.xlsx, sheet Welds, cell A2",
            field="number",
            stands="W-0114",
            reads="W-0115",
        ),
        decision(5, DecisionKind.UNDO, "", undoes="D-0099"),
    )
    done = run(replace(week, decisions=decisions))
    assert {d.finding.code for d in done.discrepancies} == {
        "REC-DECISION-GONE",
        "REC-DECISION-CHANGED",
        "REC-DECISION-PLACE",
        "REC-DECISION-CELL",
        "REC-DECISION-UNDO",
    }
    assert len(placed(done)) == len(week.radiographs), "what does not apply changes nothing"


def test_a_corrected_cell_is_read_as_corrected():
    week = jobs.quiet_week()
    lines = [
        replace(x, number="W-0151") if (x.number, x.segment) == ("W-0115", "0-1") else x for x in week.reader_lines
    ]
    week = replace(week, reader_lines=tuple(lines))
    wrong = run(week)
    assert "REC-NO-SHEET-LINE" in codes(wrong)
    cell = str(lines[0].at["number"])
    made = decision(1, DecisionKind.CORRECT, cell, field="number", stands="W-0151", reads="W-0115")
    done = run(replace(week, decisions=(made,)))
    assert codes(done) == []


def test_the_same_bytes_under_two_names_are_to_be_compared(tmp_path):
    names = ["a.tif", "b.tif", "c.tif", "d.tif"]
    for name, content in zip(names, (b"x" * 60_000, b"x" * 60_000, b"x" * 59_999 + b"y", b"z"), strict=True):
        (tmp_path / name).write_bytes(content)
    files = [DeliveredFile(path=n, size_bytes=(tmp_path / n).stat().st_size, modified_ns=0) for n in names]
    files.append(DeliveredFile(path="gone.tif", size_bytes=60_000, modified_ns=0))
    assert same_bytes(tmp_path, files) == (("a.tif", "b.tif"),)
    week = jobs.quiet_week()
    pair = (week.radiographs[0].file.path, week.radiographs[4].file.path)
    done = reconcile(week, digest=lambda _: "", same=lambda _: (pair,))
    asked = [d for d in done.discrepancies if d.finding.code == "REC-SAME-BYTES"]
    assert {d.subject for d in asked} == set(pair)
    assert asked[0].finding.text.startswith("Possible same radiograph: please compare.")
    answers = tuple(decision(n, DecisionKind.CONFIRM, p, finding="REC-SAME-BYTES") for n, p in enumerate(pair, 1))
    again = reconcile(replace(week, decisions=answers), digest=lambda _: "", same=lambda _: (pair,))
    assert len(placed(again)) == len(week.radiographs)


@pytest.mark.parametrize("seed", range(700, 708))
def test_in_a_messy_week_nothing_is_placed_wrongly_that_any_witness_speaks_against(seed):
    week = synthetic_weeks.build(seed, welds=60, per_kind=1)
    done = reconcile(week.gathered, digest=lambda _: "", same=lambda _: week.same)
    where = placed(done)
    blind = {s.path for p in week.plants if not p.trace for s in p.shots}
    assert {p: k for p, k in where.items() if week.truth[p] != k and p not in blind} == {}
    # Each delivered file is on a weld or is asked about; none is lost.
    asked = {d.subject for d in done.discrepancies}
    assert {r.file.path for r in week.gathered.radiographs} <= where.keys() | asked


def test_an_honest_week_with_messy_witnesses_raises_no_alarm():
    week = synthetic_weeks.build(31, welds=120, per_kind=0)
    done = reconcile(week.gathered, digest=lambda _: "", same=lambda _: week.same)
    assert codes(done) == []
    assert placed(done) == week.truth


def test_both_films_of_a_double_film_sheet_belong_to_their_place():
    week = jobs.quiet_week()
    lines = tuple(replace(line, film_count=2) for line in week.reader_lines)
    seconds = [replace(r, file=replace(r.file, path=r.file.path.replace(".dcm", "_2nd.dcm"))) for r in week.radiographs]
    done = run(replace(week, reader_lines=lines, radiographs=(*week.radiographs, *seconds)))
    assert codes(done) == []
    ids = [r.id for r in weld(done, "W-0115").radiographs]
    assert ids[:2] == ["LN-204_W-0115_0-1", "LN-204_W-0115_0-1_f2"]
    # On a sheet that does not speak of double film the second is asked about.
    single = run(replace(week, radiographs=(*week.radiographs, seconds[0])))
    assert codes(single) == ["REC-CONTESTED", "REC-CONTESTED"]


def test_a_reshoot_names_what_it_supersedes_and_both_stay():
    done = weld(run(jobs.quiet_week()), "W-0116")
    again = next(r for r in done.radiographs if r.event == "RS1")
    first = next(r for r in done.radiographs if (r.event, r.segment) == ("", "1-2"))
    assert again.supersedes == first.id
    assert [d.kind for d in done.dispositions] == [DispositionKind.RESHOOT]
    assert done.standing is Standing.ACCEPTED


def test_what_a_prefix_means_is_asked_where_the_log_leaves_it_open():
    pattern = NumberPattern(prefixes=("FW", "SW"))
    log = [jobs.log_row("FW-0001", 2), jobs.log_row("SW-0001", 3, kind="socket")]
    done = run(jobs.gathered(log, of=jobs.job(numbers=pattern)))
    asked = [d.finding for d in done.discrepancies if d.finding.code == "REC-PREFIX-MEANING"]
    assert len(asked) == 1
    assert "field weld or fillet weld" in asked[0].text


def test_a_radiograph_that_names_one_of_two_lines_is_not_put_on_the_other():
    week = jobs.quiet_week()
    log = (*week.weld_log, *(jobs.log_row(f"W-01{n}", n, line="LN-207") for n in (15, 16)))
    more = [jobs.reader_line("W-0115", s, 60 + n, line="LN-207", crew="B") for n, s in enumerate(jobs.SEGMENTS)]
    images = [jobs.radiograph(f"LN207_W0115_{s}.tif", crew="B") for s in jobs.SEGMENTS]
    images[0] = jobs.radiograph("W0115_0-1.tif", crew="C")
    done = run(
        replace(
            week,
            weld_log=log,
            reader_lines=(*week.reader_lines, *more),
            radiographs=(*week.radiographs, *images),
        )
    )
    asked = next(d for d in done.discrepancies if d.subject.endswith("W0115_0-1.tif"))
    assert asked.finding.code == "REC-LINE-UNSAID"
    assert placed(done)[images[1].file.path][0] == "LN-207"


def test_a_week_of_one_name_is_asked_about_in_sentences_that_can_be_read():
    week = jobs.quiet_week()
    images = [jobs.radiograph(f"{n}/W-0115_0-1.tif") for n in range(300)]
    done = run(replace(week, radiographs=tuple(images)))
    asked = [d for d in done.discrepancies if d.finding.code == "REC-CONTESTED"]
    assert len(asked) == 300
    assert max(len(d.finding.text) for d in asked) < 1_000
