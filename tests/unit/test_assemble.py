"""What a package holds, and when none is made."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from beadroll import documents, images
from beadroll.errors import NotReady
from beadroll.findings import Report, Severity, finding
from beadroll.handover.assembling.assemble import assemble
from beadroll.handover.assembling.radiographs import in_threads
from beadroll.handover.check import check
from beadroll.handover.stages import Checked
from beadroll.package.content import judge_content
from beadroll.package.index import INDEX
from beadroll.package.layout import Form
from beadroll.package.verify import inspect
from beadroll.record.handover import Decision, DecisionKind
from tests.handovers import checked_week, delivered, reconciled_week, write_tiff, write_week


@pytest.fixture
def job(tmp_path):
    folder = tmp_path / "job"
    write_week(folder)
    return folder


def payload(package):
    return {p.relative_to(package).as_posix(): p.read_bytes() for p in (package / "data").rglob("*") if p.is_file()}


def confirm(code, subject):
    return Decision(
        id="D1",
        kind=DecisionKind.CONFIRM,
        subject=subject,
        finding=code,
        by="Ilse Brand",
        at=datetime(2031, 4, 7, 9, 0, tzinfo=UTC),
        reason="looked at both",
    )


def test_a_package_holds_every_radiograph_with_pixels_and_digests_proved(tmp_path, job):
    made = assemble(checked_week(job), tmp_path / "out", form=Form.FOLDER)
    for weld in made.record.welds:
        for each in weld.radiographs:
            kept = (tmp_path / "out" / each.path).read_bytes()
            source = (job / each.delivered_as).read_bytes()
            assert hashlib.sha512(kept).hexdigest() == each.sha512
            assert len(kept) == each.size_bytes
            assert hashlib.sha512(source).hexdigest() == each.delivered_sha512
            assert images.digest_of_object(kept) == each.pixel_sha512
            if each.restorable:
                assert images.restore(kept) == source
            else:
                assert (tmp_path / "out" / each.delivered_path).read_bytes() == source
            assert (tmp_path / "out" / each.preview).read_bytes()[:2] == b"\xff\xd8"


def test_the_index_names_every_file_but_itself_with_its_digest(tmp_path, job):
    made = assemble(checked_week(job), tmp_path / "out", form=Form.FOLDER)
    files = payload(tmp_path / "out")
    index = documents.read(files.pop("data/index.json"), INDEX, name="index.json").value
    assert index == made.index
    assert {f.path: f.sha512 for f in index.files} == {p: hashlib.sha512(d).hexdigest() for p, d in files.items()}
    assert index.totals.radiographs == 6
    assert index.totals.size_bytes == sum(map(len, files.values()))


def test_two_builds_give_the_same_payload_bytes(tmp_path, job):
    first = assemble(checked_week(job), tmp_path / "one", form=Form.FOLDER, threads=2)
    checked = checked_week(job)
    reconciled = checked.reconciled
    turned = replace(
        reconciled,
        record=replace(reconciled.record, welds=reconciled.record.welds[::-1], people=reconciled.record.people[::-1]),
    )
    again = assemble(Checked(reconciled=turned, report=checked.report), tmp_path / "two", form=Form.FOLDER, threads=1)
    assert payload(tmp_path / "one") == payload(tmp_path / "two")
    assert first.package.tagmanifest == again.package.tagmanifest


def test_folder_and_zip_hold_the_same(tmp_path, job):
    folder = assemble(checked_week(job), tmp_path / "out", form=Form.FOLDER)
    packed = assemble(checked_week(job), tmp_path / "out.zip", form=Form.ZIP)
    assert folder.package.files == packed.package.files


def test_what_was_delivered_beside_the_radiographs_travels_as_it_came(tmp_path, job):
    made = assemble(checked_week(job), tmp_path / "out", form=Form.FOLDER)
    (sheet,) = [f for f in made.index.files if f.role == "sheet"]
    assert sheet.delivered_as == "weld-log/Weld Log März.csv"
    assert (tmp_path / "out" / sheet.path).read_bytes() == (job / sheet.delivered_as).read_bytes()


def test_a_week_with_a_stop_is_not_assembled(tmp_path, job):
    checked = replace(checked_week(job), report=Report(findings=(finding("ASM-NOT-PLACED", "x.tif"),)))
    with pytest.raises(NotReady):
        assemble(checked, tmp_path / "out", form=Form.FOLDER)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["job"]


def test_every_damaged_radiograph_is_named_and_nothing_is_left(tmp_path, job):
    paths = sorted(job.rglob("*.tif"))[:2]
    for path in paths:
        path.write_bytes(path.read_bytes()[:-500])
    reconciled = reconciled_week_with_broken(job, paths)
    with pytest.raises(NotReady) as caught:
        assemble(check(reconciled), tmp_path / "out", form=Form.FOLDER)
    named = {each.subject for each in caught.value.report.stops}
    assert named == {path.relative_to(job).as_posix() for path in paths}
    assert sorted(p.name for p in tmp_path.iterdir()) == ["job"]


def reconciled_week_with_broken(job, paths):
    """The files break after their headers were read: facts are those of whole files."""
    whole = {path: path.read_bytes() for path in paths}
    for path in paths:
        write_tiff(path, np.zeros((48, 64), np.uint16))
    reconciled = reconciled_week(job)
    for path, data in whole.items():
        path.write_bytes(data)
    now = {each.path: each for each in (delivered(job, path) for path in paths)}
    gathered = reconciled.gathered
    seen = tuple(replace(each, file=now.get(each.file.path, each.file)) for each in gathered.radiographs)
    return replace(reconciled, gathered=replace(gathered, radiographs=seen))


def test_a_file_changed_after_gathering_is_named(tmp_path, job):
    checked = checked_week(job)
    path = next(job.rglob("*.tif"))
    path.write_bytes(path.read_bytes() + b"\0")
    with pytest.raises(NotReady) as caught:
        assemble(checked, tmp_path / "out", form=Form.FOLDER)
    assert "changed" in caught.value.report.stops[0].text


def with_copy(job):
    """One weld's file under another weld's name."""
    first, second = job / "crews/A/2031-03-31/W-0101 1-2.tif", job / "crews/A/2031-03-31/W-0102 2-0.tif"
    second.write_bytes(first.read_bytes())
    return first.relative_to(job).as_posix(), second.relative_to(job).as_posix()


def test_the_same_pixels_on_two_welds_stop_the_handover(tmp_path, job):
    first, second = with_copy(job)
    with pytest.raises(NotReady) as caught:
        assemble(checked_week(job), tmp_path / "out", form=Form.FOLDER)
    (stop,) = caught.value.report.stops
    assert (stop.code, stop.subject, stop.values["other"]) == ("ASM-PIXELS-OTHER-WELD", second, first)
    assert "W-0101 1-2" in stop.text
    assert "W-0102 2-0" in stop.text


def test_a_confirmed_finding_travels_as_a_note_that_names_the_decision(tmp_path, job):
    _, second = with_copy(job)
    reconciled = reconciled_week(job)
    decisions = (confirm("ASM-PIXELS-OTHER-WELD", second),)
    reconciled = replace(reconciled, record=replace(reconciled.record, decisions=decisions))
    made = assemble(check(reconciled), tmp_path / "out", form=Form.FOLDER)
    (note,) = made.report.findings
    assert note.severity is Severity.NOTE
    assert note.values["decision"] == "D1"
    (written,) = json.loads((tmp_path / "out/data/findings.json").read_bytes())["content"]
    assert written["values"]["decided_by"] == "Ilse Brand"


def test_a_confirmation_answers_its_own_code_and_subject_only(job):
    reconciled = reconciled_week(job)
    gathered = replace(reconciled.gathered, findings=(finding("ASM-LOSSY", "a.dcm"), finding("ASM-LOSSY", "b.dcm")))
    undo = replace(confirm("", ""), id="D2", kind=DecisionKind.UNDO, undoes="D1")
    for decisions, still_open in (
        ((confirm("ASM-LOSSY", "a.dcm"),), 1),
        ((confirm("ASM-UNREADABLE", "a.dcm"),), 2),
        ((confirm("ASM-LOSSY", "a.dcm"), undo), 2),
        ((confirm("ASM-LOSSY", "a.dcm"), undo, replace(undo, id="D3", undoes="D2")), 1),
    ):
        record = replace(reconciled.record, decisions=decisions)
        report = check(replace(reconciled, gathered=gathered, record=record)).report
        assert len(report.open) == still_open


def test_a_delivered_radiograph_without_a_place_stops_the_handover_whatever_was_confirmed(job):
    reconciled = reconciled_week(job)
    weld = reconciled.record.welds[0]
    lost = weld.radiographs[0].delivered_as
    short = replace(weld, radiographs=weld.radiographs[1:])
    record = replace(
        reconciled.record,
        welds=(short, *reconciled.record.welds[1:]),
        decisions=(confirm("ASM-NOT-PLACED", lost),),
    )
    (stop,) = check(replace(reconciled, record=record)).report.stops
    assert (stop.code, stop.subject) == ("ASM-NOT-PLACED", lost)


def test_a_radiograph_set_aside_travels_as_delivered(tmp_path, job):
    reconciled = reconciled_week(job)
    weld = reconciled.record.welds[0]
    lost = weld.radiographs[0].delivered_as
    record = replace(
        reconciled.record, welds=(replace(weld, radiographs=weld.radiographs[1:]), *reconciled.record.welds[1:])
    )
    aside = next(each.file for each in reconciled.gathered.radiographs if each.file.path == lost)
    made = assemble(check(replace(reconciled, record=record, set_aside=(aside,))), tmp_path / "out", form=Form.FOLDER)
    (kept,) = [each for each in made.index.files if each.role == "set_aside"]
    assert kept.delivered_as == lost
    assert (tmp_path / "out" / kept.path).read_bytes() == (job / lost).read_bytes()


def test_progress_ends_at_all_bytes(tmp_path, job):
    seen = []
    assemble(
        checked_week(job), tmp_path / "out", form=Form.FOLDER, progress=lambda done, total: seen.append((done, total))
    )
    assert seen == sorted(seen)
    assert seen[-1][0] == seen[-1][1] > 0


def test_names_from_other_systems_are_composed_alike_in_documents_tables_and_index(tmp_path):
    folder = tmp_path / "job"
    write_week(folder)
    decomposed = "W-0101 1-2 Na\u0308he.tif"
    path = folder / "crews/A/2031-03-31/W-0101 1-2.tif"
    reconciled = reconciled_week(folder)
    path = path.rename(path.with_name(decomposed))
    old, new = "crews/A/2031-03-31/W-0101 1-2.tif", delivered(folder, path)
    gathered = reconciled.gathered
    seen = tuple(replace(each, file=new) if each.file.path == old else each for each in gathered.radiographs)
    weld = reconciled.record.welds[0]
    radiographs = tuple(
        replace(each, delivered_as=new.path) if each.delivered_as == old else each for each in weld.radiographs
    )
    record = replace(reconciled.record, welds=(replace(weld, radiographs=radiographs), *reconciled.record.welds[1:]))
    reconciled = replace(reconciled, record=record, gathered=replace(gathered, radiographs=seen))
    made = assemble(check(reconciled), tmp_path / "out", form=Form.FOLDER)
    report = inspect(tmp_path / "out", judge_seals=None, judge_content=judge_content).report
    assert not report.stops
    assert "crews/A/2031-03-31/W-0101 1-2 N\u00e4he.tif" in {each.delivered_as for each in made.index.files}


def test_pages_for_people_are_in_the_index_and_sealed_with_the_rest(tmp_path, job):
    def pages(record, report, package):
        assert package.read(record.welds[0].radiographs[0].preview)[:2] == b"\xff\xd8"
        assert package.index().totals.radiographs == 6
        assert record.welds[0].radiographs[0].path
        assert report.clean
        return [("data/index.html", b"<p>"), ("data/reports/weld.pdf", b"%PDF")]

    made = assemble(checked_week(job), tmp_path / "out", form=Form.FOLDER, pages=pages)
    roles = {each.path: each.role.value for each in made.index.files}
    assert roles["data/index.html"] == "page"
    assert roles["data/reports/weld.pdf"] == "report"
    report = inspect(tmp_path / "out", judge_seals=None, judge_content=judge_content).report
    assert not report.stops


def test_an_interruption_does_not_wait_for_the_rest_of_the_work():
    done = []

    def work(number):
        if number == 0:
            raise KeyboardInterrupt
        done.append(number)

    with pytest.raises(KeyboardInterrupt):
        in_threads(work, range(1000), threads=1)
    assert len(done) < 1000


def test_a_seal_is_made_over_the_tag_manifest_and_changes_nothing_else(tmp_path, job):
    asked = []

    def sealer(tagmanifest):
        asked.append(tagmanifest)
        return {"contractor": b"a seal"}

    sealed = assemble(checked_week(job), tmp_path / "sealed", form=Form.FOLDER, sealer=sealer)
    bare = assemble(checked_week(job), tmp_path / "bare", form=Form.FOLDER)
    assert asked == [bare.package.tagmanifest] == [sealed.package.tagmanifest]
    assert (tmp_path / "sealed/seals/contractor.p7s").read_bytes() == b"a seal"
    assert payload(tmp_path / "sealed") == payload(tmp_path / "bare")
