"""Each rule: silent on a clean week, and one exact sentence on a week spoilt in one place."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from beadroll.findings import catalogue
from beadroll.record.equipment import Calibration
from beadroll.record.interpretation import Disposition, DispositionKind, Indication, Result
from beadroll.record.job import Code
from beadroll.record.people import Certificate
from beadroll.record.technique import Arrangement
from beadroll.record.weld import EventKind, WeldEvent
from beadroll.rules import RULES, check, explain
from tests.weeks import (
    MONDAY,
    week,
    weld,
    with_item,
    with_job,
    with_person,
    with_reading,
    with_shot,
    with_technique,
    with_weld,
)

ASME = {"code": Code(standard="ASME V", edition="2021")}
ISO2 = {"code": Code(standard="ISO 17636-2", edition="2022", testing_class="A")}
CFR = {"regulation": "49 CFR 192", "code": Code(standard="API 1104", edition="21st")}


def asme_week(**technique):
    record = week()
    for index in range(len(record.welds)):
        for reading in range(3):
            record = with_reading(record, index, reading, iqi_seen="wire 6")
    return with_technique(with_job(record, **ASME), **technique)


def iso2_week():
    return with_job(week(), **ISO2)


def cfr_week():
    return with_job(asme_week(), **CFR)


def with_indication(record, code, length, result=Result.REJ, dispositions=()):
    crack = Indication(code=code, iso6520=code, length_mm=length)
    changed = with_reading(record, 2, 1, result=result, indications=(crack,))
    return with_weld(changed, 2, dispositions=dispositions)


def thin_wall():
    record = week()
    for reading in range(3):
        record = with_reading(record, 2, reading, iqi_seen="W12")
    return record


def two_places():
    record = week()
    elsewhere = weld("W-0201", minute=0, line="LN-207")
    elsewhere = replace(elsewhere, exposures=tuple(replace(e, crew="B") for e in elsewhere.exposures))
    return replace(record, welds=(*record.welds, elsewhere))


def not_examined(record, stencil="7K"):
    made = WeldEvent(kind=EventKind.WELDED, on=MONDAY, stencils=(stencil,))
    return with_weld(record, 5, events=(made,), exposures=(), radiographs=(), interpretations=())


def certificate(**changes):
    held = {"number": "RT2-118", "method": "RT", "level": 2, "valid_until": date(2033, 4, 30)}
    return (Certificate(**{**held, **changes}),)


def calibrated(done, until=None):
    return (Calibration(certificate="C9", done_on=done, valid_until=until),)


SPOILT = {
    "RULE-CODE-UNKNOWN": (
        lambda: with_job(week(), code=Code(standard="XYZ 12", edition="1")),
        (
            "The job names the code XYZ 12, for which there are no tables here. "
            "Known are: API 1104, ASME V, ISO 17636-1, ISO 17636-2."
        ),
    ),
    "RULE-EDITION-UNKNOWN": (
        lambda: with_job(week(), code=Code(standard="ISO 17636-1", edition="1999", testing_class="A")),
        "The job names ISO 17636-1 1999; tables are held for these editions: 2013, 2022.",
    ),
    "RULE-NAME-UNKNOWN": (
        lambda: with_job(week(), rules_off=("RULE-NOTHING",)),
        "job.toml switches off the rule RULE-NOTHING, which does not exist.",
    ),
    "RULE-UNSHARPNESS": (
        lambda: with_shot(asme_week(), 2, 0, sfd_mm=70.0, exposure_s=4.0),
        (
            "LN-204 W-0103: the geometric unsharpness is 0.593 mm, above the recommended 0.51 mm (source 2.0 mm, "
            "source to weld 54.0 mm, weld to film 16.0 mm)."
        ),
    ),
    "RULE-DISTANCE": (
        lambda: with_shot(week(), 2, 0, sfd_mm=90.0, exposure_s=6.0),
        (
            "LN-204 W-0103: the source stood 74.0 mm from the weld; class A asks for at least 88.2 mm (source 2.0 mm, "
            "object to film 14.3 mm)."
        ),
    ),
    "RULE-SOURCE-RANGE": (
        lambda: with_weld(thin_wall(), 2, weld=replace(week().welds[2].weld, wall_mm=9.53)),
        "LN-204 W-0103: Ir-192 was used through 19.06 mm; class A gives it 20 to 100 mm.",
    ),
    "RULE-EXPOSURES": (
        lambda: with_weld(asme_week(), 2, exposures=week().welds[2].exposures[:2], radiographs=()),
        "LN-204 W-0103: 2 exposures were made; dwsi needs at least 3 for the whole circumference.",
    ),
    "RULE-DECAY": (
        lambda: with_shot(week(), 2, 0, activity_ci=66.0),
        (
            "LN-204 W-0103: the sheet states 66.0 Ci for source S-4411; 80.0 Ci of Ir-192 decayed over 30 days is "
            "60.36 Ci. They differ by more than 2.0 per cent."
        ),
    ),
    "RULE-SOURCE-BEFORE": (
        lambda: with_shot(week(), 2, 0, exposed_at=datetime(2031, 2, 1, 8, 0, tzinfo=UTC)),
        "LN-204 W-0103: shot on 2031-02-01 with source S-4411, whose certificate starts on 2031-03-01.",
    ),
    "RULE-SOURCE-UNKNOWN": (
        lambda: with_shot(week(), 2, 0, source="S-9999"),
        "LN-204 W-0103: shot with source S-9999, for which the job folder has no certificate.",
    ),
    "RULE-EXPOSURE": (
        lambda: with_shot(week(), 2, 0, exposure_s=20.0),
        (
            "LN-204 W-0103: the exposure is 22 per cent of what technique RT-07 usually gets (17 other shots, by "
            "activity, time and distance)."
        ),
    ),
    "RULE-TWO-PLACES": (
        two_places,
        "LN-207 W-0201: source S-4411 was shot here at 2031-03-31T08:00+00:00, and within minutes at LN-204 W-0101.",
    ),
    "RULE-SHIFT": (
        lambda: with_job(week(), limits={"RULE-SHIFT": 5}),
        "crew A on 2031-03-31: 6 welds shot in one day, more than 5.",
    ),
    "RULE-IQI": (
        lambda: with_reading(week(), 2, 0, iqi_seen="W9"),
        "LN-204 W-0103 0-1: the sheet shows W9; W11 is required.",
    ),
    "RULE-IQI-UNREADABLE": (
        lambda: with_reading(week(), 2, 0, iqi_seen="ok"),
        "LN-204 W-0103 0-1: the IQI value 'ok' cannot be read; W11 is required.",
    ),
    "RULE-IQI-MISSING": (
        lambda: with_reading(week(), 2, 0, iqi_seen=""),
        "LN-204 W-0103 0-1: the reader sheet states no IQI value.",
    ),
    "RULE-IQI-SIDE": (
        lambda: asme_week(arrangement=Arrangement.DWDI_ELLIPTICAL, iqi_side="film"),
        "technique RT-07: double-wall viewing with the IQI on the film side.",
    ),
    "RULE-IQI-COUNT": (
        lambda: asme_week(arrangement=Arrangement.PANORAMIC, iqi_side="film", iqi_count=2),
        "technique RT-07: 2 IQIs for a panoramic exposure; at least 3 are asked for.",
    ),
    "RULE-DUPLEX": (
        lambda: with_reading(iso2_week(), 2, 0, duplex_seen="D6"),
        "LN-204 W-0103 0-1: pair D6 was reached; pair D7 (gap 0.2 mm) is required.",
    ),
    "RULE-SNR": (
        lambda: with_reading(iso2_week(), 2, 0, snr_n=61.0),
        "LN-204 W-0103 0-1: the normalised signal-to-noise ratio is 61.0; at 28.54 mm at least 70.0 is required.",
    ),
    "RULE-DENSITY-LOW": (
        lambda: with_reading(week(), 2, 0, density_min=1.7),
        "LN-204 W-0103 0-1: density 1.7 is below the least of 2.0 (tolerance 0.1).",
    ),
    "RULE-DENSITY-HIGH": (
        lambda: with_reading(asme_week(), 2, 0, density_max=4.3),
        "LN-204 W-0103 0-1: density 4.3 is above the greatest of 4.0 (tolerance 0.05).",
    ),
    "RULE-PERSON-UNKNOWN": (
        lambda: with_reading(week(), 2, 0, interpreter="ZZ"),
        "ZZ signs as interpreter (for example at LN-204 W-0103), but is not among the job's people.",
    ),
    "RULE-LEVEL": (
        lambda: with_person(week(), "AK", certificates=certificate(level=1)),
        "Anja Kest interpreted on 2031-03-31 without a radiographic certificate of level 2 or 3.",
    ),
    "RULE-CERTIFICATE": (
        lambda: with_person(week(), "AK", certificates=certificate(valid_until=date(2031, 3, 30))),
        "Anja Kest interpreted on 2031-03-31; certificate RT2-118 was in force until 2031-03-30.",
    ),
    "RULE-VISION": (
        lambda: with_person(week(), "AK", near_vision_on=date(2030, 3, 1)),
        (
            "Anja Kest interpreted on 2031-03-31; the last near-vision test was on 2030-03-01, more than twelve months "
            "before."
        ),
    ),
    "RULE-RADIOGRAPHER": (
        lambda: with_person(week(), "BD", certificates=()),
        "Bero Dann exposed radiographs on 2031-03-31 without a radiographic certificate in force.",
    ),
    "RULE-STENCIL-UNKNOWN": (
        lambda: not_examined(with_job(week(), limits={"RULE-PERCENTAGE": 50}), stencil="9Z"),
        "Welder's stencil 9Z (for example at LN-204 W-0106) is not among the job's people.",
    ),
    "RULE-WELDER": (
        lambda: with_person(week(), "7K", certificates=()),
        "Welder Karl Lenz (7K) has no qualification in force on 2031-03-31.",
    ),
    "RULE-CONTINUITY": (
        lambda: with_person(week(), "7K", last_welded_on=date(2030, 9, 29)),
        (
            "Welder Karl Lenz (7K) welded on 2031-03-31; the weld before that is dated 2030-09-29, more than six "
            "months earlier."
        ),
    ),
    "RULE-EQUIPMENT-UNKNOWN": (
        lambda: with_reading(week(), 2, 0, densitometer="DM-9"),
        "Equipment DM-9 was used (for example at LN-204 W-0103), but the job folder has no certificate for it.",
    ),
    "RULE-CALIBRATION": (
        lambda: with_item(week(), "DM-5", calibrations=calibrated(date(2030, 12, 1), date(2031, 3, 1))),
        (
            "The densitometer DM-5 was used on 2031-03-31 outside its calibration: done 2030-12-01, in force until "
            "2031-03-01."
        ),
    ),
    "RULE-TECHNIQUE-UNKNOWN": (
        lambda: with_shot(with_job(week(), rules_off=("RULE-EXPOSURES",)), 2, 1, technique="RT-99"),
        "Technique RT-99 was used (for example at LN-204 W-0103), but the job folder has no such technique sheet.",
    ),
    "RULE-TECHNIQUE-LATE": (
        lambda: with_technique(week(), issued_on=date(2031, 4, 1)),
        "The technique RT-07 was issued on 2031-04-01, after the shot of 2031-03-31 (for example LN-204 W-0101).",
    ),
    "RULE-TECHNIQUE-SUPERSEDED": (
        lambda: with_technique(week(), superseded_on=date(2031, 3, 20)),
        "The technique RT-07 was superseded on 2031-03-20 and used on 2031-03-31 (for example LN-204 W-0101).",
    ),
    "RULE-HEAT-TREATMENT": (
        lambda: with_weld(week(), 2, weld=replace(week().welds[2].weld, heat_treated_on=date(2031, 4, 2))),
        "LN-204 W-0103: last shot on 2031-03-31, heat treated on 2031-04-02.",
    ),
    "RULE-PERCENTAGE": (
        lambda: not_examined(week()),
        "LN-204 on 2031-03-31: 5 of 6 welds examined; 100 per cent asks for 6.",
    ),
    "RULE-EACH-WELDER": (
        lambda: with_person(
            not_examined(with_job(cfr_week(), limits={"RULE-PERCENTAGE": 50}), stencil="BD"), "BD", roles=()
        ),
        "Welder BD: none of the 1 welds of 2031-03-31 was examined.",
    ),
    "RULE-CRACK": (
        lambda: with_indication(cfr_week(), "101", 90.0),
        (
            "LN-204 W-0103 1-2: a crack of 90.0 mm is longer than 81.38 mm, eight per cent of the weld at 323.8 mm; no "
            "cut-out is recorded."
        ),
    ),
    "RULE-CRACK-ACC": (
        lambda: with_indication(week(), "101", 3.0, result=Result.ACC),
        "LN-204 W-0103 1-2 reports a crack and is marked ACC.",
    ),
    "RULE-LENGTH-ACC": (
        lambda: with_indication(cfr_week(), "402", 31.0, result=Result.ACC),
        "LN-204 W-0103 1-2: inadequate penetration of 31.0 mm is marked ACC; the longest single length is 25 mm.",
    ),
    "RULE-RETENTION": (
        lambda: with_job(cfr_week(), retention="10 years"),
        "The job VTH keeps records for '10 years'; the regulation asks for the life of the facility.",
    ),
}


@pytest.mark.parametrize("make", [week, asme_week, iso2_week, cfr_week])
def test_a_clean_week_yields_no_finding(make):
    assert check(make()).lines() == []


def test_every_finding_of_a_rule_has_a_failing_record_here():
    promised = {code for rule in RULES for code in rule.codes} | {"RULE-NAME-UNKNOWN"}
    assert promised == set(SPOILT)
    assert promised == {code for code in catalogue() if code.startswith("RULE-")}


@pytest.mark.parametrize("code", sorted(SPOILT))
def test_a_week_spoilt_in_one_place_yields_that_finding_and_no_other(code):
    make, sentence = SPOILT[code]
    found = check(make())
    assert {f.code for f in found.findings} == {code}, found.lines()
    assert sentence in [f.text for f in found.findings]
    assert all(f.remedy for f in found.findings)


@pytest.mark.parametrize("code", sorted(set(SPOILT) - {"RULE-NAME-UNKNOWN"}))
def test_a_rule_the_job_switches_off_is_silent(code):
    spoilt = SPOILT[code][0]()
    off = with_job(spoilt, rules_off=(*spoilt.job.rules_off, code))
    assert code not in {f.code for f in check(off).findings}


def test_a_cut_out_answers_a_long_crack():
    answered = with_indication(
        cfr_week(), "101", 90.0, dispositions=(Disposition(kind=DispositionKind.CUT_OUT, interpretation="I2"),)
    )
    assert check(answered).lines() == []


def test_a_contract_may_set_its_own_limit_and_the_record_keeps_it():
    record = with_reading(with_job(week(), limits={"RULE-DENSITY-LOW": 1.6}), 2, 0, density_min=1.7)
    assert check(record).lines() == []
    assert record.job.limits == {"RULE-DENSITY-LOW": 1.6}


def test_a_densitometer_checked_longer_than_three_months_ago_is_named_under_asme():
    spoilt = with_item(asme_week(), "DM-5", calibrations=calibrated(date(2030, 12, 1)))
    assert [f.code for f in check(spoilt).findings] == ["RULE-CALIBRATION"]


def test_part_195_counts_each_welder_on_each_day():
    record = with_job(
        not_examined(week()), regulation="49 CFR 195", lines=(replace(week().job.lines[0], examination_percent=10),)
    )
    assert check(record).lines() == []
    alone = with_person(not_examined(record, stencil="BD"), "BD", roles=(), certificates=certificate(level=1))
    assert [f.subject for f in check(alone).findings] == ["LN-204 on 2031-03-31 by welder BD"]


def test_the_same_thing_about_the_same_person_and_day_is_said_once():
    spoilt = with_person(week(), "AK", certificates=())
    assert len(check(spoilt).findings) == 1


def test_every_rule_can_be_explained_with_its_words_and_tables():
    for rule in RULES:
        for code in rule.codes:
            found, tables, words = explain(code)
            assert found is rule
            assert words.endswith(".")
            assert all(t.evidence and t.standard and t.edition for t in tables)
    with pytest.raises(KeyError):
        explain("RULE-NOTHING")
