"""Pages and sheets on their way into a package, by the job's own template."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import pytest

from beadroll.errors import InputError
from beadroll.findings import Report
from beadroll.handover.assembling import pages
from beadroll.handover.assembling.assemble import assemble
from beadroll.handover.stages import Checked
from beadroll.package.content import judge_content
from beadroll.package.layout import Form
from beadroll.package.verify import inspect
from beadroll.record.handover import Decision, DecisionKind
from tests.handovers import checked_week, write_week
from tests.reports import placed, record_in, story, text_of
from tests.unit.test_report_template import image
from tests.weeks import weld


@pytest.fixture
def job(tmp_path):
    folder = tmp_path / "job"
    write_week(folder)
    return folder


def with_template(job, text, **files):
    (job / "report").mkdir()
    (job / "report/template.toml").write_text(text, encoding="utf-8")
    for name, data in files.items():
        (job / "report" / name.replace("_", ".")).write_bytes(data)


def named(checked, name):
    record = checked.reconciled.record
    record = replace(record, job=replace(record.job, client=name))
    return Checked(reconciled=replace(checked.reconciled, record=record), report=checked.report)


def test_every_package_has_its_page_and_its_sheets(tmp_path, job):
    made = assemble(checked_week(job), tmp_path / "out", form=Form.FOLDER)
    shown = {each.path for each in made.index.files if each.role.value in ("page", "report")}
    assert shown == {
        "data/index.html",
        "data/reports/weld-summary.pdf",
        "data/reports/weld-sheets_LN-204.pdf",
        "data/reports/findings.pdf",
        "data/reports/counts.pdf",
    }
    assert not inspect(tmp_path / "out", judge_seals=None, judge_content=judge_content).report.stops
    listed = dict(record_in((tmp_path / "out/data/index.html").read_bytes())["files"])
    for each in made.index.files:
        if each.role.value not in ("page", "segment", "mets"):
            assert listed[each.path.removeprefix("data/")] == each.sha512


@pytest.mark.parametrize("form", list(Form))
def test_sheets_show_the_previews_the_package_holds(tmp_path, job, form):
    made = assemble(checked_week(job), tmp_path / "out", form=form)
    size = next(each.size_bytes for each in made.index.files if "weld-sheets" in each.path)
    previews = sum(each.size_bytes for each in made.index.files if each.role.value == "preview")
    assert size > previews


def test_the_transmittal_lies_beside_and_names_the_tag_manifest(tmp_path, job):
    made = assemble(checked_week(job), tmp_path / "out.zip", form=Form.ZIP)
    path = pages.write_transmittal(made, job)
    assert path == tmp_path / f"{made.package.name}.transmittal.pdf"
    assert made.package.tagmanifest_sha512 in re.sub(r"\s", "", text_of(path.read_bytes(), tmp_path))
    first = path.read_bytes()
    assert pages.write_transmittal(made, job).read_bytes() == first


def test_a_job_has_its_own_template(tmp_path, job):
    text = 'language = "de"\nsheets = ["weld-summary"]\nlogo = "logo.png"\n[labels]\n"column.number" = "Stoß"\n'
    with_template(job, text, logo_png=image())
    made = assemble(checked_week(job), tmp_path / "out", form=Form.FOLDER)
    assert [each.path for each in made.index.files if each.role.value == "report"] == ["data/reports/weld-summary.pdf"]
    shown = text_of((tmp_path / "out/data/reports/weld-summary.pdf").read_bytes(), tmp_path)
    assert "Nahtübersicht" in shown
    assert "Stoß" in shown
    assert '<html lang="de">' in (tmp_path / "out/data/index.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('language = "xx"', "report/template.toml, language"),
        ('logo = "nowhere.png"', "report/nowhere.png"),
        ('logo = "../job.toml"', "plain file name"),
    ],
)
def test_a_template_that_cannot_be_used_stops_before_any_work(tmp_path, job, text, told):
    with_template(job, text)
    with pytest.raises(InputError, match=re.escape(told)):
        assemble(
            checked_week(job), tmp_path / "out", form=Form.FOLDER, progress=lambda *_: pytest.fail("work was done")
        )
    assert not (tmp_path / "out").exists()


def test_a_name_the_font_cannot_print_is_a_finding_and_the_package_is_made(tmp_path, job):
    made = assemble(named(checked_week(job), "山田"), tmp_path / "out", form=Form.FOLDER)
    said = {each.code: each for each in made.report.findings}
    assert "U+5C71" in " ".join(each.subject for each in made.report.findings)
    assert said["RPT-NO-SIGN"] in made.report.open
    assert "report/template.toml" in said["RPT-NO-SIGN"].remedy
    assert not [each for each in made.index.files if each.role.value == "report"]
    assert "山田" in (tmp_path / "out/data/index.html").read_text(encoding="utf-8")
    stored = json.loads((tmp_path / "out/data/findings.json").read_text(encoding="utf-8"))["content"]
    assert [each["code"] for each in stored] == ["RPT-NO-SIGN", "RPT-NO-SIGN"]
    stale = pages.transmittal_path(made)
    stale.write_bytes(b"of an older build")
    assert pages.write_transmittal(made, job) is None
    assert not stale.exists()


def test_a_person_may_let_a_handover_go_without_sheets(tmp_path, job):
    checked = named(checked_week(job), "山")
    decision = Decision(
        id="D1",
        kind=DecisionKind.CONFIRM,
        subject="U+5C71 CJK UNIFIED IDEOGRAPH-5C71",
        finding="RPT-NO-SIGN",
        by="Ilse Brand",
        at=story().welds[0].exposures[0].exposed_at.replace(day=7, month=4),
        reason="the client reads the page",
    )
    record = replace(checked.reconciled.record, decisions=(decision,))
    checked = Checked(reconciled=replace(checked.reconciled, record=record), report=checked.report)
    assert assemble(checked, tmp_path / "out", form=Form.FOLDER).report.clean


def test_a_long_line_is_told_in_parts_of_bounded_size():
    record = story(welds=0)
    heavy = weld("W-9000")
    heavy = replace(heavy, radiographs=heavy.radiographs * 150)
    welds = [*(weld(f"W-{n:04d}") for n in range(230)), heavy, weld("W-9001", line="LN-207")]
    parts = dict(pages._parts(replace(record, welds=tuple(map(placed, welds)))))
    assert list(parts) == ["LN-204", "LN-204.2", "LN-204.3", "LN-204.4", "LN-207"]
    assert [len(each) for each in parts.values()] == [100, 100, 30, 1, 1]
    assert sum(map(len, parts.values())) == len(welds)


def test_nothing_is_found_where_the_font_has_every_sign(job):
    assert pages.reading(job).find(story(), Report()) == ()
