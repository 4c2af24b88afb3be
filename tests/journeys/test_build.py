"""From crews' files to a package that verifies: the office's whole path over the demo week and over foreign files."""

from __future__ import annotations

import csv
import shutil
from datetime import UTC, datetime

import pytest

from beadroll.archive.history import history
from beadroll.archive.history_steps import StepKind
from beadroll.archive.receive import receive
from beadroll.demo.week import write_week
from beadroll.errors import NotReady
from beadroll.handover.build import build, prepare
from beadroll.handover.decisions import FILE_NAME, append_decision
from beadroll.package.content import judge_content
from beadroll.package.layout import Form
from beadroll.package.seals.seal import sign
from beadroll.package.verify import inspect
from beadroll.record.handover import Decision, DecisionKind, Period
from beadroll.record.weld import Standing
from tests.archives import NOW, make_yard
from tests.foreign.test_assemble_foreign import foreign_files

WEEK = Period.of_week("2031-W14")


def decide(folder, week):
    """What the office settles in the demo week: the transposed number, and the radiograph without a sheet line."""
    at = datetime(2031, 4, 7, 8, 30, tzinfo=UTC)
    line, number, segment = week.transposed_is.split()
    listed = week.unlisted.replace("_b.tif", ".tif")
    for entry in (
        Decision(
            id="D1",
            kind=DecisionKind.ASSIGN,
            subject=week.transposed,
            by="Ilse Brand",
            at=at,
            reason="the sheet and the neighbours say so; the header was mistyped",
            line=line,
            number=number,
            segment=segment,
        ),
        Decision(
            id="D2",
            kind=DecisionKind.SET_ASIDE,
            subject=week.unlisted,
            by="Ilse Brand",
            at=at,
            reason="a second scan, not read",
        ),
        Decision(
            id="D3",
            kind=DecisionKind.ASSIGN,
            subject=listed,
            by="Ilse Brand",
            at=at,
            reason="the scan that was read",
            line="LN-204",
            number="W-0115",
            segment="0-1",
        ),
    ):
        append_decision(folder / FILE_NAME, entry)


def clean(package):
    seen = inspect(package, judge_seals=None, judge_content=judge_content)
    return [each.code for each in seen.report.findings] == ["PKG-SEALS-UNJUDGED"]


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("build") / "job"
    return folder, write_week(folder, pixels=(240, 600))


def test_an_undecided_week_is_not_built_and_says_what_is_missing(demo, tmp_path):
    folder, week = demo
    with pytest.raises(NotReady) as caught:
        build(folder, WEEK, tmp_path / "out")
    subjects = {each.subject for each in caught.value.report.stops}
    assert {week.transposed, week.unlisted} <= subjects
    assert not list((tmp_path / "out").iterdir())


def test_a_decided_week_becomes_a_package_that_verifies(demo, tmp_path):
    folder, week = demo
    before = {p: p.read_bytes() for p in (folder / "crews").rglob("*") if p.is_file()}
    decide(folder, week)
    made = build(folder, WEEK, tmp_path / "out")
    assert made.package.path == tmp_path / "out" / f"{made.record.handover.number}.zip"
    assert clean(made.package.path)
    assert {p: p.read_bytes() for p in (folder / "crews").rglob("*") if p.is_file()} == before
    repaired = next(w for w in made.record.welds if (w.weld.id.line, w.weld.id.number) == (week.line, week.number))
    states = {each.event for each in repaired.radiographs}
    assert states == {"", "R1"}
    paths = {each.path.rsplit("/", 1)[1] for each in repaired.radiographs}
    assert any(name.startswith("R1_") for name in paths)
    aside = [each.delivered_as for each in made.index.files if each.role == "set_aside"]
    assert aside == [week.unlisted]
    carried = {f.delivered_as for f in made.index.files if f.delivered_as}
    crews = {p.relative_to(folder).as_posix() for p in before}
    assert crews <= carried
    again = build(folder, WEEK, tmp_path / "again", form=Form.FOLDER)
    assert again.package.tagmanifest == made.package.tagmanifest


def table(path, rows):
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", newline="", encoding="utf-8") as out:
        csv.writer(out).writerows(rows)


READER = (
    *("Report no.", "Date exposed", "Line", "Weld no.", "Film", "Technique", "Source", "SFD (mm)", "Exposure (s)"),
    *("Radiographer", "Welder", "IQI required", "IQI seen", "Result", "Interpreter", "Date read"),
)
READING = ("T-204", "SE-4471", "450", "290", "IVA", "7K", "W13", "W14", "ACC", "OLI", "2031-04-02")


def foreign_job(folder, papers):
    """A week whose radiographs other programs wrote; only their file names and a sheet say what they are."""
    folder.mkdir()
    shutil.copy(papers / "job.toml", folder)
    for name in ("techniques", "people", "equipment"):
        shutil.copytree(papers / name, folder / name)
    shots = folder / "crews" / "C" / "2031-04-01"
    rows = []
    for place, path in enumerate(foreign_files(shots)):
        number, segment = f"W-{301 + place // 3:04d}", ("0-1", "1-2", "2-0")[place % 3]
        path.rename(shots / f"LN204_{number.replace('-', '')}_{segment}{path.suffix}")
        rows.append(("RS-C-0401", "2031-04-01", "LN-204", number, segment, *READING))
    table(shots / "sheet.csv", [READER, *rows])
    numbers = sorted({row[3] for row in rows})
    log = [("LN-204", number, "12", "9.53", "2031-04-01", "7K", "RT") for number in numbers]
    table(
        folder / "weld-log" / "log.csv",
        [("Line", "Weld no.", "NPS", "Wall (mm)", "Date welded", "Welder", "NDE"), *log],
    )
    return len(rows)


def decide_by_name(folder):
    """The clocks of these machines disagree by years; where that holds a file back, the office goes by its name."""
    for n, held in enumerate(prepare(folder, WEEK).report.stops, start=1):
        _, number, segment = held.subject.rpartition("/")[2].rpartition(".")[0].split("_")
        decision = Decision(
            id=f"D{n}",
            kind=DecisionKind.ASSIGN,
            subject=held.subject,
            by="Ilse Brand",
            at=datetime(2031, 4, 7, 8, 30, tzinfo=UTC),
            reason="the clocks of the machines were not set",
            line="LN-204",
            number=number.replace("W", "W-"),
            segment=segment,
        )
        append_decision(folder / FILE_NAME, decision)


@pytest.mark.parametrize("form", list(Form))
def test_radiographs_of_other_programs_go_from_job_folder_to_verified_package(demo, tmp_path, form):
    count = foreign_job(tmp_path / "job", demo[0])
    decide_by_name(tmp_path / "job")
    made = build(tmp_path / "job", WEEK, tmp_path / "out", form=form)
    assert clean(made.package.path)
    assert made.index.totals.radiographs == count == 15
    assert made.index.totals.accepted == 5
    assert all(each.restorable or each.delivered_path for weld in made.record.welds for each in weld.radiographs)


def test_radiographs_of_other_programs_are_received_and_their_welds_histories_told(demo, tmp_path):
    foreign_job(tmp_path / "job", demo[0])
    decide_by_name(tmp_path / "job")
    yard = make_yard(tmp_path / "archive", tmp_path / "keys")
    signer = yard.contractor.signer

    def seal(tagmanifest):
        return {"contractor": sign(tagmanifest, signer, role="contractor", commitment="origin", now=NOW)}

    made = build(tmp_path / "job", WEEK, tmp_path / "out", sealer=seal)
    receive(made.package.path, yard.archive, now=NOW)
    for record in made.record.welds:
        told = history(yard.archive, record.weld.id.number, record.weld.id.line)
        assert told.standing is Standing.ACCEPTED
        kinds = {step.kind for step in told.steps}
        assert {StepKind.WELDED, StepKind.SHOT, StepKind.ACCEPTED, StepKind.HANDED_OVER, StepKind.RECEIVED} <= kinds
        shown = {evidence.path for step in told.steps for evidence in step.evidence if evidence.stored}
        assert {radiograph.path for radiograph in record.radiographs} <= shown


def test_preparing_writes_nothing_into_what_the_crews_delivered(demo):
    folder, _ = demo
    before = sorted((p, p.stat().st_mtime_ns) for p in (folder / "crews").rglob("*"))
    prepare(folder, WEEK)
    assert sorted((p, p.stat().st_mtime_ns) for p in (folder / "crews").rglob("*")) == before
