"""One weld's history: what happened in order, with evidence, and what is not known."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from datetime import date, timedelta

import pytest

from beadroll.archive.history import NotOneWeld, StepKind, history
from beadroll.archive.receipts import client_receipt
from beadroll.archive.receive import receive
from beadroll.record.handover import Amendment, Previous
from beadroll.record.interpretation import Indication, Interpretation, Result
from beadroll.record.weld import Standing, WeldId
from tests.archives import JOB, NOW, image_bytes, image_of, make_yard, repaired_weld, simple_weld, week


@pytest.fixture(scope="module")
def keys(tmp_path_factory):
    return tmp_path_factory.mktemp("keys")


@pytest.fixture
def yard(tmp_path, keys):
    return make_yard(tmp_path, keys)


def take(yard, record, name="", *, days=0, answered=True):
    now = NOW + timedelta(days=days)
    give = client_receipt(yard.client.signer, by="A. Clerk", now=now) if answered else None
    return receive(yard.pack(record, name), yard.archive, now=now, give=give)


def told(found):
    return [str(step.kind) for step in found.steps]


def gaps(found):
    return [gap.code for gap in found.gaps]


def test_a_repaired_weld_reads_as_a_timeline(yard):
    take(yard, week())
    found = history(yard.archive, "117")
    assert found.weld == WeldId(job=JOB.id, line="LN-204", number="W-0117")
    assert found.standing is Standing.ACCEPTED
    assert told(found) == [
        "welded",
        "shot",
        "rejected",
        "decided",
        "signed",
        "repaired",
        "reshot",
        "accepted",
        "handed over",
        "received",
        "answered",
    ]
    assert found.gaps == ()


def test_each_step_has_its_evidence(yard):
    take(yard, week())
    by_kind = {step.kind: step for step in history(yard.archive, "W-0117").steps}
    shot, rejected = by_kind[StepKind.SHOT], by_kind[StepKind.REJECTED]
    image = shot.evidence[0]
    assert image.stored.read_bytes() == image_bytes("W-0117-R1")
    assert image.sha512 == hashlib.sha512(image_bytes("W-0117-R1")).hexdigest()
    assert image.sealed_by == ("contractor",)
    assert (shot.what["source"], shot.who) == ("S-4471", ("RL",))
    (seen,) = rejected.indications
    assert (seen.code, seen.iso6520, seen.name, seen.position_mm) == ("LOF", "401", "lack of fusion", 312.0)
    sheet = rejected.evidence[0]
    assert (sheet.place, rejected.who) == ("row 4", ("MK",))
    assert hashlib.sha512(sheet.stored.read_bytes()).hexdigest() == sheet.sha512
    assert by_kind[StepKind.WELDED].evidence[0].place == "sheet Welds, row 9"
    (seal,) = by_kind[StepKind.HANDED_OVER].seals
    assert (seal.role, seal.organisation, seal.demo) == ("contractor", "Pellin and Oake Radiography", True)
    whole = by_kind[StepKind.HANDED_OVER].evidence[0]
    assert hashlib.sha512(whole.stored.read_bytes()).hexdigest() == whole.sha512
    assert by_kind[StepKind.ANSWERED].what["result"] == "accepted"
    assert by_kind[StepKind.RESHOT].what["in_place_of"] == "W-0117-R1"


def test_a_number_on_two_lines_asks_which(yard):
    take(yard, week(welds=(simple_weld("W-0117"), simple_weld("W-0117", line="LN-207"))))
    with pytest.raises(NotOneWeld, match="LN-204 W-0117, LN-207 W-0117") as error:
        history(yard.archive, "117")
    assert error.value.choices == ("LN-204 W-0117", "LN-207 W-0117")
    assert history(yard.archive, "117", "ln 207").weld.line == "LN-207"
    assert history(yard.archive, "LN-204 W-0117").weld.line == "LN-204"


def test_a_number_nobody_has_offers_near_misses(yard):
    take(yard, week())
    with pytest.raises(NotOneWeld) as error:
        history(yard.archive, "W-0171")
    assert error.value.choices == ("LN-204 W-0117", "LN-204 W-0101")
    for hostile in ("' OR 1=1 --", "\0", "", "%"):
        with pytest.raises(NotOneWeld):
            history(yard.archive, hostile)


def test_a_revision_keeps_what_the_older_one_said_and_marks_it(yard):
    take(yard, week())
    weld = repaired_weld()
    late = replace(weld.interpretations[1], read_on=date(2031, 4, 6))
    corrected = replace(weld, interpretations=(weld.interpretations[0], late))
    take(yard, week(welds=(corrected,), revision=1), "r1", days=2)
    found = history(yard.archive, "117")
    accepted = [step for step in found.steps if step.kind is StepKind.ACCEPTED]
    assert [(step.day.day, step.current) for step in accepted] == [(5, False), (6, True)]
    assert accepted[0].superseded_by == "HO-2031-W14 revision 1"
    welded = next(step for step in found.steps if step.kind is StepKind.WELDED)
    assert welded.told_by == (("HO-2031-W14", 0), ("HO-2031-W14", 1))
    assert [each.current for each in found.handovers] == [False, True]


def test_an_amendment_supersedes_and_both_remain(yard):
    first = take(yard, week(welds=(simple_weld("W-0101", result=Result.ACC),)))
    weld = simple_weld("W-0101", result=Result.REJ)
    reading = replace(weld.interpretations[0], indications=(Indication(code="100", iso6520="100"),))
    amendment = Amendment(handover="HO-2031-W14", weld=weld.weld.id, reason="read again by level III")
    later = week(
        "HO-2031-W15",
        (replace(weld, interpretations=(reading,)),),
        period="2031-W15",
        amends=(amendment,),
        previous=Previous(number="HO-2031-W14", tagmanifest_sha512=first.tagmanifest_sha512),
    )
    take(yard, later, days=7)
    found = history(yard.archive, "W-0101")
    assert found.standing is Standing.REJECTED
    readings = {step.kind: step for step in found.steps if step.kind in (StepKind.ACCEPTED, StepKind.REJECTED)}
    assert not readings[StepKind.ACCEPTED].current
    assert readings[StepKind.ACCEPTED].superseded_by == "HO-2031-W15"
    assert readings[StepKind.REJECTED].current
    assert (
        next(step for step in found.steps if step.kind is StepKind.AMENDED).what["reason"] == "read again by level III"
    )
    assert gaps(found) == ["HIS-REJECTED-OPEN"]


def test_two_handovers_that_contradict_each_other_are_named(yard):
    take(yard, week(welds=(simple_weld("W-0101"),)))
    other = week("HO-2031-W15", (simple_weld("W-0101", result=Result.RS),), period="2031-W15")
    take(yard, other, days=7)
    assert "HIS-DISAGREE" in gaps(history(yard.archive, "W-0101"))


def test_the_reshoot_of_a_later_week_joins_the_same_story(yard):
    first = simple_weld("W-0101", result=Result.RS)
    take(yard, week(welds=(first,)))
    again = Interpretation(
        id="W-0101-I2",
        report="RT-400",
        radiograph="W-0101-R2",
        segment="0-1",
        read_on=date(2031, 4, 9),
        result=Result.ACC,
    )
    shot = replace(first.exposures[0], id="W-0101-E2", exposed_at=first.exposures[0].exposed_at + timedelta(days=6))
    image = image_of("LN-204", "W-0101", "W-0101-R2", exposure="W-0101-E2", segment="0-1", supersedes="W-0101-R1")
    second = replace(
        first,
        standing=Standing.ACCEPTED,
        events=(),
        exposures=(shot,),
        radiographs=(image,),
        interpretations=(again,),
        sign_offs=(),
    )
    take(yard, week("HO-2031-W15", (second,), period="2031-W15"), days=7)
    found = history(yard.archive, "101")
    kinds = [kind for kind in told(found) if kind not in ("received", "answered")]
    assert kinds == [
        "welded",
        "shot",
        "radiograph to be reshot",
        "signed",
        "handed over",
        "reshot",
        "accepted",
        "handed over",
    ]
    assert found.standing is Standing.ACCEPTED


def test_what_is_missing_is_said(yard):
    bare = simple_weld("W-0301", result=None)
    bare = replace(bare, events=(), sign_offs=())
    previous = Previous(number="HO-2031-W13", tagmanifest_sha512="ab" * 64)
    take(yard, week(welds=(bare,), previous=previous), answered=False)
    assert gaps(history(yard.archive, "301")) == [
        "HIS-NOT-WELDED",
        "HIS-NOT-READ",
        "HIS-PREVIOUS-GONE",
        "HIS-NO-RECEIPT",
    ]


def test_a_repair_without_a_radiograph_is_a_gap(yard):
    weld = repaired_weld()
    weld = replace(weld, exposures=weld.exposures[:1], radiographs=weld.radiographs[:1])
    take(yard, week(welds=(replace(weld, interpretations=weld.interpretations[:1]),)))
    found = history(yard.archive, "117")
    assert gaps(found) == ["HIS-NOT-SHOT"]
    assert "R1" in found.gaps[0].text


def test_steps_without_a_day_stand_behind_what_must_come_first(yard):
    weld = repaired_weld()
    undated = replace(weld.interpretations[0], read_on=None)
    weld = replace(weld, interpretations=(undated, weld.interpretations[1]))
    take(yard, week(welds=(weld,)))
    found = history(yard.archive, "117")
    assert told(found)[:4] == ["welded", "shot", "rejected", "decided"]
    assert found.steps[2].day is None
    assert gaps(found) == ["HIS-NO-DAY"]


def test_a_file_that_is_gone_is_a_gap_and_the_story_is_told_all_the_same(yard):
    stored = take(yard, week())
    next(stored.folder.rglob("W-0117-R1.dcm")).unlink()
    found = history(yard.archive, "117")
    assert "HIS-FILE-GONE" in gaps(found)
    assert len(found.steps) == 11


def test_hostile_records_are_told_as_they_are(yard):
    hostile = "'); DROP TABLE welds; --\u202e<script>"
    take(yard, week(welds=(simple_weld("W-0101", remark=hostile, stencil="'x"),)))
    found = history(yard.archive, "W-0101")
    assert found.facts["remark"] == hostile
    assert found.steps[0].who == ("'x",)
