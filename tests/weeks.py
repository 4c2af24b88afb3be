"""A clean handover record in memory, small, consistent, and easy to spoil in one place at a time."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

from beadroll.record.equipment import Calibration, Equipment, EquipmentKind
from beadroll.record.handover import Handover, HandoverRecord, Period
from beadroll.record.interpretation import Interpretation, Result
from beadroll.record.job import Code, Job, Line
from beadroll.record.people import Certificate, Person, Role
from beadroll.record.radiograph import Exposure, Radiograph
from beadroll.record.technique import Arrangement, TechniqueSheet
from beadroll.record.weld import EventKind, Standing, Weld, WeldEvent, WeldId, WeldRecord

MONDAY = date(2031, 3, 31)
SEGMENTS = ("0-1", "1-2", "2-0")

JOB = Job(
    id="VTH",
    title="Ring main renewal",
    client="Vallmora Town Heating Works",
    contractor="Pellin & Oake Radiography",
    contract="VTH-2031-07",
    time_zone="Europe/Vienna",
    code=Code(standard="ISO 17636-1", edition="2022", testing_class="A"),
    lines=(Line(id="LN-204", outside_diameter_mm=323.8, wall_mm=14.27), Line(id="LN-207", outside_diameter_mm=219.1)),
)
TECHNIQUE = TechniqueSheet(
    number="RT-07",
    issued_on=date(2031, 1, 10),
    arrangement=Arrangement.DWSI,
    testing_class="A",
    source_kind="Ir-192",
    focal_size_mm=2.0,
    sfd_mm=340.0,
    object_to_film_mm=16.0,
    wall_mm=14.27,
    exposures=3,
    iqi_type="ISO 19232-1 wire",
    iqi_required="W11",
    iqi_side="film",
)
PEOPLE = (
    Person(
        id="AK",
        name="Anja Kest",
        roles=(Role.INTERPRETER,),
        near_vision_on=date(2030, 9, 1),
        certificates=(
            Certificate(
                number="RT2-118",
                scheme="ISO 9712",
                method="RT",
                level=2,
                valid_from=date(2028, 5, 1),
                valid_until=date(2033, 4, 30),
            ),
        ),
    ),
    Person(
        id="BD",
        name="Bero Dann",
        roles=(Role.RADIOGRAPHER,),
        certificates=(
            Certificate(
                number="RT1-204", method="RT", level=1, valid_from=date(2029, 1, 1), valid_until=date(2033, 12, 31)
            ),
        ),
    ),
    Person(
        id="7K",
        name="Karl Lenz",
        stencil="7K",
        roles=(Role.WELDER,),
        last_welded_on=date(2031, 3, 20),
        certificates=(
            Certificate(number="WQ-7K", method="141", valid_from=date(2030, 1, 1), valid_until=date(2032, 1, 1)),
        ),
    ),
)
EQUIPMENT = (
    Equipment(
        serial="S-4411",
        kind=EquipmentKind.SOURCE,
        isotope="Ir-192",
        activity_ci=80.0,
        activity_on=date(2031, 3, 1),
        focal_size_mm=2.0,
    ),
    Equipment(
        serial="SC-02",
        kind=EquipmentKind.SCANNER,
        pixel_pitch_um=50.0,
        basic_resolution_um=100.0,
        calibrations=(Calibration(certificate="C1", done_on=date(2031, 1, 5), valid_until=date(2032, 1, 4)),),
    ),
    Equipment(
        serial="DM-5",
        kind=EquipmentKind.DENSITOMETER,
        calibrations=(Calibration(certificate="C2", done_on=date(2031, 3, 1), valid_until=date(2031, 6, 1)),),
    ),
)


def weld(number: str, day: int = 0, minute: int = 0, line: str = "LN-204") -> WeldRecord:
    """One accepted weld with three shots, radiographs and readings."""
    on = MONDAY + timedelta(days=day)
    at = datetime(on.year, on.month, on.day, 8, 0, tzinfo=UTC) + timedelta(minutes=minute)
    days = (on - date(2031, 3, 1)).days
    exposures = tuple(
        Exposure(
            id=f"E{i + 1}",
            technique="RT-07",
            source="S-4411",
            detector="SC-02",
            crew="A",
            radiographer="BD",
            exposed_at=at + timedelta(minutes=5 * i),
            activity_ci=round(80.0 * 2 ** (-days / 73.827), 1),
            exposure_s=90.0,
        )
        for i in range(3)
    )
    return WeldRecord(
        weld=Weld(
            id=WeldId(job="VTH", line=line, number=number),
            outside_diameter_mm=323.8,
            wall_mm=14.27,
            as_marked=(number,),
        ),
        standing=Standing.ACCEPTED,
        events=(WeldEvent(kind=EventKind.WELDED, on=on, stencils=("7K",)),),
        exposures=exposures,
        radiographs=tuple(
            Radiograph(id=f"R{i + 1}", exposure=f"E{i + 1}", segment=segment) for i, segment in enumerate(SEGMENTS)
        ),
        interpretations=tuple(
            Interpretation(
                id=f"I{i + 1}",
                report="RS-31",
                radiograph=f"R{i + 1}",
                segment=segment,
                interpreter="AK",
                read_on=on,
                result=Result.ACC,
                iqi_seen="W11",
                density_min=2.3,
                density_max=3.1,
                densitometer="DM-5",
            )
            for i, segment in enumerate(SEGMENTS)
        ),
    )


def week(welds: int = 6, **changes) -> HandoverRecord:
    """A clean week of ``welds`` welds, shot twenty minutes apart."""
    made = HandoverRecord(
        job=JOB,
        handover=Handover(number="HO-2031-W14", revision=0, period=Period.of_week("2031-W14"), dated=date(2031, 4, 7)),
        welds=tuple(weld(f"W-{101 + i:04d}", day=i // 24, minute=20 * (i % 24)) for i in range(welds)),
        techniques=(TECHNIQUE,),
        people=PEOPLE,
        equipment=EQUIPMENT,
    )
    return replace(made, **changes)


def with_job(record: HandoverRecord, **changes) -> HandoverRecord:
    """The record under another job."""
    return replace(record, job=replace(record.job, **changes))


def with_technique(record: HandoverRecord, **changes) -> HandoverRecord:
    """The record with its technique sheet changed."""
    return replace(record, techniques=(replace(record.techniques[0], **changes),))


def with_person(record: HandoverRecord, person: str, **changes) -> HandoverRecord:
    """The record with one person changed."""
    return replace(record, people=tuple(replace(p, **changes) if p.id == person else p for p in record.people))


def with_item(record: HandoverRecord, serial: str, **changes) -> HandoverRecord:
    """The record with one piece of equipment changed."""
    return replace(
        record, equipment=tuple(replace(e, **changes) if e.serial == serial else e for e in record.equipment)
    )


def with_weld(record: HandoverRecord, index: int, **changes) -> HandoverRecord:
    """The record with one weld record changed."""
    welds = list(record.welds)
    welds[index] = replace(welds[index], **changes)
    return replace(record, welds=tuple(welds))


def with_reading(record: HandoverRecord, index: int, reading: int, **changes) -> HandoverRecord:
    """The record with one interpretation changed."""
    lines = list(record.welds[index].interpretations)
    lines[reading] = replace(lines[reading], **changes)
    return with_weld(record, index, interpretations=tuple(lines))


def with_shot(record: HandoverRecord, index: int, shot: int, **changes) -> HandoverRecord:
    """The record with one exposure changed."""
    shots = list(record.welds[index].exposures)
    shots[shot] = replace(shots[shot], **changes)
    return with_weld(record, index, exposures=tuple(shots))
