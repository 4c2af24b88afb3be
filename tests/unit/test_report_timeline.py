"""A weld's life is told in order, every step from its record."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from beadroll.record.interpretation import Disposition, DispositionKind, Interpretation, Result
from beadroll.record.radiograph import Exposure, Radiograph
from beadroll.record.weld import EventKind, WeldEvent, WeldId
from beadroll.report.language import words
from beadroll.report.timeline import Names, steps
from tests.reports import repaired
from tests.weeks import PEOPLE, weld

ENGLISH = words("en")
NAMES = Names.of(PEOPLE)


def kinds(record):
    return [each.kind for each in steps(record, NAMES, ENGLISH)]


def test_a_repaired_weld_is_told_from_the_welding_to_the_signature():
    assert kinds(repaired()) == [
        "welded",
        "shot",
        "accepted",
        "rejected",
        "decided",
        "repaired",
        "reshot",
        "accepted",
        "signed",
    ]


def test_a_reject_is_told_with_indication_and_place_and_its_radiograph():
    (rejected,) = [each for each in steps(repaired(), NAMES, ENGLISH) if each.kind == "rejected"]
    assert rejected.on == date(2031, 4, 1)
    assert "Indication IP (ISO 6520-1 no. 4021), at 452 mm from the datum, length 34 mm" in rejected.details
    assert "Segments 1-2" in rejected.details
    assert rejected.radiographs == ("R2",)


def test_people_are_told_by_name_and_mark():
    told = [text for each in steps(repaired(), NAMES, ENGLISH) for text in each.details]
    assert "Welders: Karl Lenz (7K)" in told
    assert "Interpreter: Anja Kest (AK)" in told
    assert "Radiographer: Bero Dann (BD), crew A" in told


def test_a_step_without_a_day_keeps_its_place_and_says_so():
    record = repaired()
    record = replace(record, exposures=tuple(replace(each, exposed_at=None) for each in record.exposures))
    assert kinds(record)[:3] == ["welded", "shot", "accepted"]
    assert kinds(record).index("repaired") < kinds(record).index("reshot")
    assert [each.on for each in steps(record, NAMES, ENGLISH)][1] is None


def test_a_reshoot_follows_the_state_it_shows_again():
    record = weld("W-0101")
    unusable = replace(record.interpretations[0], result=Result.RS)
    record = replace(
        record,
        interpretations=(unusable, *record.interpretations[1:], reading("RS1", "I9")),
        exposures=(*record.exposures, Exposure(id="E9", event="RS1")),
        radiographs=(*record.radiographs, Radiograph(id="R9", exposure="E9", event="RS1", supersedes="R1")),
        dispositions=(Disposition(kind=DispositionKind.RESHOOT, interpretation=unusable.id, event="RS1"),),
    )
    told = kinds(record)
    assert told.index("reshoot") < told.index("decided") < told.index("reshot")
    assert told.count("accepted") == 2


def reading(event, id_):
    return Interpretation(id=id_, report="RS-9", event=event, segment="0-1", result=Result.ACC)


def test_a_cut_out_ends_the_story_and_names_the_weld_in_its_place():
    record = weld("W-0101")
    record = replace(
        record,
        weld=replace(record.weld, replaced_by=WeldId(job="VTH", line="LN-204", number="W-0101RW1")),
        events=(*record.events, WeldEvent(kind=EventKind.CUT_OUT, label="CO", on=date(2031, 4, 5))),
    )
    last = steps(record, NAMES, ENGLISH)[-1]
    assert last.kind == "cut_out"
    assert "Replaced by LN-204 W-0101RW1" in last.details


def test_a_disposition_of_an_unknown_reading_is_still_told():
    record = replace(
        weld("W-0101"), dispositions=(Disposition(kind=DispositionKind.CONCESSION, interpretation="elsewhere"),)
    )
    assert "decided" in kinds(record)


@pytest.mark.parametrize("language", ["de", "en", "es", "fr"])
def test_every_language_tells_the_same_number_of_steps(language):
    assert len(steps(repaired(), NAMES, words(language))) == 9
