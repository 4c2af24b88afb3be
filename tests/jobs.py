"""A small synthetic job in memory: what gathering would hand over, built directly, for any test that needs a week."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from beadroll.handover.stages import DeliveredFile, DeliveredRadiograph, Gathered, ReaderLine, WeldLogRow
from beadroll.images import ImageFacts
from beadroll.record.evidence import Address
from beadroll.record.handover import Handover, Period
from beadroll.record.interpretation import Indication, Result
from beadroll.record.job import Code, Job, Line, NumberPattern

MONDAY = date(2031, 3, 31)
SEGMENTS = ("0-1", "1-2", "2-0")
LOG = "weld-log/log.xlsx"


def job(**changes) -> Job:
    made = Job(
        id="VTH-2031-07",
        title="Ring main renewal",
        client="Vallmora Town Heating Works",
        contractor="Pellin & Oake Radiography",
        contract="VTH-2031-07",
        time_zone="Europe/Vienna",
        code=Code(standard="ISO 17636-1", edition="2022", testing_class="B"),
        lines=(
            Line(id="LN-204", nps="12", outside_diameter_mm=323.8, wall_mm=9.53),
            Line(id="LN-207", nps="8", outside_diameter_mm=219.1, wall_mm=8.18),
        ),
        numbers=NumberPattern(),
    )
    return replace(made, **changes)


def facts(header=None, **changes) -> ImageFacts:
    values = {
        "container": "dicom",
        "rows": 100,
        "columns": 250,
        "frames": 1,
        "samples": 1,
        "bits_allocated": 16,
        "bits_stored": 16,
        "signed": False,
        "photometric": "MONOCHROME2",
        "transfer_syntax": "1.2.840.10008.1.2.1",
        "pixel_pitch_mm": (0.1, 0.1),
        "size_bytes": 50_640,
        "header": header or {},
    }
    return ImageFacts(**{**values, **changes})


def radiograph(name, *, crew="A", on=MONDAY + timedelta(days=1), header=None, at=None, size=50_640, fault=""):
    """A delivered radiograph; ``at`` is the header's time of acquisition."""
    header = dict(header or {})
    if at:
        header |= {"acquisition_date": f"{at:%Y%m%d}", "acquisition_time": f"{at:%H%M%S}"}
    file = DeliveredFile(
        path=f"crews/{crew}/{on.isoformat()}/{name}",
        size_bytes=size,
        modified_ns=1_932_000_000 * 10**9,
        crew=crew,
        on=on,
    )
    return DeliveredRadiograph(file=file, facts=None if fault else facts(header), fault=fault)


def log_row(number, row, *, line="LN-204", **values) -> WeldLogRow:
    values.setdefault("welded_on", MONDAY)
    values.setdefault("stencils", ("7K",))
    names = ("number", "line", *values)
    at = {name: Address(file=LOG, sheet="Welds", cell=f"{chr(65 + i % 26)}{row}") for i, name in enumerate(names)}
    return WeldLogRow(number=number, line=line, at=at, **values)


def reader_line(
    number, segment, row, *, line="LN-204", crew="A", on=MONDAY + timedelta(days=1), **values
) -> ReaderLine:
    report = values.pop("report", f"RS-{crew}-{on:%m%d}")
    values.setdefault("result", Result.ACC)
    values.setdefault("interpreter", "PSA")
    values.setdefault("radiographer", "TRE")
    values.setdefault("read_on", on)
    values.setdefault("stencils", ("7K",))
    file = f"crews/{crew}/{on.isoformat()}/{report}.csv"
    names = ("number", "line", "segment", "exposed_on", *values)
    at = {name: Address(file=file, cell=f"{chr(65 + i % 26)}{row}") for i, name in enumerate(names)}
    return ReaderLine(
        report=report, number=number, line=line, segment=segment, crew=crew, exposed_on=on, at=at, **values
    )


def gathered(log=(), lines=(), radiographs=(), *, folder=Path("/nowhere"), of=None, **values) -> Gathered:
    period = Period.of_week("2031-W14")
    sheets = {a.file for row in (*log, *lines) for a in row.at.values()}
    return Gathered(
        folder=folder,
        job=of or job(),
        handover=Handover(number="HO-014", revision=0, period=period, dated=date(2031, 4, 7)),
        weld_log=tuple(log),
        reader_lines=tuple(lines),
        radiographs=tuple(radiographs),
        techniques=(),
        people=(),
        equipment=(),
        sheets=tuple(DeliveredFile(path=p, size_bytes=1, modified_ns=0) for p in sorted(sheets)),
        **values,
    )


REJECT = Indication(code="LOP", iso6520="4021", position_mm=452.0, length_mm=34.0)


def moment(day: int, minute: int) -> datetime:
    """A moment of the week: days from Monday, minutes after seven."""
    return datetime(2031, 3, 31, 7, 0, tzinfo=UTC) + timedelta(days=day, minutes=minute)


def quiet_week() -> Gathered:
    """A week in which all agree: W-0115 accepted, W-0116 shot again, W-0117 repaired, W-0118 cut out and rewelded."""
    log = [
        log_row("W-0115", 2),
        log_row("W-0116", 3),
        log_row("W-0117", 4, repaired_on=MONDAY + timedelta(days=3), repair_stencils=("9C",)),
        log_row("W-0118", 5, cut_out_on=MONDAY + timedelta(days=2)),
        log_row("W-0118RW1", 6, welded_on=MONDAY + timedelta(days=3), replaces="W-0118"),
    ]
    shots = [(1, f"W-01{n}", "", s) for n in (15, 16, 17, 18) for s in SEGMENTS]
    shots += [(2, "W-0116", "RS1", "1-2")]
    shots += [(4, "W-0117", "R1", "1-2"), *((4, "W-0118RW1", "", s) for s in SEGMENTS)]
    results = {
        ("W-0116", "", "1-2"): {"result": Result.RS, "disposition": "reshoot"},
        ("W-0117", "", "1-2"): {"result": Result.REJ, "disposition": "repair R1", "indications": (REJECT,)},
        ("W-0118", "", "0-1"): {"result": Result.REJ, "disposition": "cut out", "indications": (REJECT,)},
        ("W-0117", "R1", "1-2"): {"stencils": ("9C",)},
    }
    lines, images = [], []
    for minute, (day, number, event, segment) in enumerate(shots):
        on = MONDAY + timedelta(days=day)
        values = results.get((number, event, segment), {})
        lines.append(reader_line(number + event, segment, minute + 2, on=on, **values))
        header = {"component_name": f"LN-204 {number}{event}^", "series_description": segment}
        name = f"LN204_{number}{event}_{segment}.dcm"
        images.append(radiograph(name, on=on, header=header, at=moment(day, minute)))
    return gathered(log, lines, images)
