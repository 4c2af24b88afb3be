"""A week is gathered once and whole: whatever the folders hold is read, or named with its reason, and never altered."""

from __future__ import annotations

import hashlib
import os
import random
from datetime import date

import numpy as np
import pytest
import tifffile
import xlsxwriter

from beadroll.demo.week import write_week
from beadroll.errors import InputError
from beadroll.findings import Severity
from beadroll.handover.gathering.gather import gather
from beadroll.handover.gathering.survey import confirm, survey
from beadroll.record.equipment import EquipmentKind
from beadroll.record.handover import Period, Previous
from beadroll.record.people import Role
from tests.benchmarks.gather import write_dicom
from tests.unit.test_jobfolder import JOB

WEEK = Period.of_week("2031-W14")
DAY = "crews/A/2031-04-01"
PIXELS = np.arange(200 * 300, dtype=np.uint16).reshape(200, 300)


@pytest.fixture
def job(tmp_path):
    """A job folder with one weld log row, one reader sheet line and one radiograph of each kind."""
    for name in ("weld-log", "techniques", "people", "equipment", DAY):
        (tmp_path / name).mkdir(parents=True)
    (tmp_path / "job.toml").write_text(JOB, encoding="utf-8")
    (tmp_path / "weld-log/log.csv").write_text("Line,Weld,Date welded\nLN-204,FW-117,2031-03-31\n", encoding="utf-8")
    (tmp_path / DAY / "sheet.csv").write_text("Report,Weld,Film,Result\nR1,FW-117,0-1,ACC\n", encoding="utf-8")
    write_dicom(tmp_path / DAY / "a.dcm", PIXELS, "FW-117")
    tifffile.imwrite(tmp_path / DAY / "b.tif", PIXELS, resolution=(200, 200), resolutionunit="CENTIMETER")
    return tmp_path


def digests(folder):
    return {
        str(p.relative_to(folder)): (hashlib.sha256(p.read_bytes()).hexdigest(), p.stat().st_mtime_ns)
        for p in sorted(folder.rglob("*"))
        if p.is_file() and ".beadroll" not in p.parts
    }


def codes(week):
    return sorted(f.code for f in week.findings)


def test_a_week_is_gathered_whole(job):
    week = gather(job, WEEK)
    assert [r.number for r in week.weld_log] == ["FW-117"]
    assert [(x.number, x.crew) for x in week.reader_lines] == [("FW-117", "A")]
    assert [(r.file.path, r.file.crew, r.file.on) for r in week.radiographs] == [
        (f"{DAY}/a.dcm", "A", date(2031, 4, 1)),
        (f"{DAY}/b.tif", "A", date(2031, 4, 1)),
    ]
    assert week.radiographs[0].facts.pixel_pitch_mm == (0.05, 0.05)
    assert [s.path for s in week.sheets] == [f"{DAY}/sheet.csv", "weld-log/log.csv"]
    assert week.findings == ()
    assert (week.handover.number, week.handover.dated) == ("HO-2031-W14", date(2031, 4, 6))


def test_the_handover_is_numbered_dated_and_chained_as_the_caller_says(job):
    previous = Previous(number="HO-6", tagmanifest_sha512="0f" * 64)
    week = gather(job, WEEK, handover_number="HO-7", dated=date(2031, 4, 7), previous=previous)
    assert (week.handover.number, week.handover.dated, week.handover.previous) == ("HO-7", date(2031, 4, 7), previous)


def test_the_demo_week_is_gathered_without_a_question(tmp_path):
    made = write_week(tmp_path / "demo", pixels=(300, 900))
    week = gather(tmp_path / "demo", Period.of_week(made.week))
    assert len(week.radiographs) == made.radiographs
    assert len(week.weld_log) == made.welds
    assert all(r.facts is not None for r in week.radiographs)
    assert week.findings == ()
    assert all(str(address).startswith(("crews/", "weld-log/")) for x in week.reader_lines for address in x.at.values())


def test_only_the_days_of_the_period_are_taken_and_no_file_of_them_is_lost(job):
    for name in ("crews/A/2031-04-08", "crews/B/2031-04-06 night", "crews/B/20310331"):
        (job / name).mkdir(parents=True)
        write_dicom(job / name / "x.dcm", PIXELS, "FW-118")
    (job / DAY / "more").mkdir()
    (job / DAY / "more" / "photo.jpg").write_bytes(b"\xff\xd8\xff\xe0" + bytes(100))
    (job / DAY / "scan.pdf").write_bytes(b"%PDF-1.7\n")
    (job / DAY / "films.zip").write_bytes(b"PK\x03\x04" + bytes(100))
    week = gather(job, WEEK)
    taken = {r.file.path for r in week.radiographs} | {s.path for s in week.sheets}
    expected = {str(p.relative_to(job)) for p in job.rglob("*") if p.is_file() and ".beadroll" not in p.parts} - {
        "job.toml",
        "crews/A/2031-04-08/x.dcm",
    }
    assert taken == expected
    assert codes(week) == ["INT-PAPER"] * 3
    assert all(f.severity is Severity.NOTE for f in week.findings)


def test_what_lies_in_no_folder_of_a_crew_and_day_is_named(job):
    (job / "crews" / "stray.dcm").write_bytes(b"x")
    (job / "crews" / "A" / "stray.tif").write_bytes(b"x")
    (job / "crews" / "A" / "Tuesday").mkdir()
    (job / "crews" / "A" / "Tuesday" / "x.tif").write_bytes(b"x")
    week = gather(job, WEEK)
    assert codes(week) == ["INT-FOLDER-DATE", "INT-PLACE", "INT-PLACE"]
    assert "its 1 files" in next(f.text for f in week.findings if f.code == "INT-FOLDER-DATE")


def test_links_and_special_files_are_named_and_never_opened(job):
    (job / DAY / "link.dcm").symlink_to(job / DAY / "a.dcm")
    (job / DAY / "away").symlink_to("/etc")
    os.mkfifo(job / DAY / "pipe.dcm")
    week = gather(job, WEEK)
    assert codes(week) == ["INT-PLACE"] * 3
    assert len(week.radiographs) == 2


def test_what_computers_leave_in_folders_is_not_part_of_a_week(job):
    for name in (".DS_Store", "Thumbs.db", "~$sheet.xlsx", "._a.dcm"):
        (job / DAY / name).write_bytes(b"x")
    week = gather(job, WEEK)
    assert (len(week.radiographs), len(week.sheets), week.findings) == (2, 2, ())


HOSTILE = {
    "zero.dcm": b"",
    "zero.tif": b"",
    "text.dcm": b"this is not a radiograph\n" * 40,
    "cut.dcm": bytes(128) + b"DICM",
    "cut.tif": b"II*\0\xff\xff\xff\x7f",
    "cut.png": b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR",
}


def test_a_radiograph_that_cannot_be_read_is_kept_with_its_fault(job):
    for name, data in HOSTILE.items():
        (job / DAY / name).write_bytes(data)
    write_dicom(job / DAY / "short.dcm", PIXELS, "FW-119")
    whole = (job / DAY / "short.dcm").read_bytes()
    (job / DAY / "short.dcm").write_bytes(whole[: len(whole) // 2])
    week = gather(job, WEEK)
    bad = {r.file.path: r.fault for r in week.radiographs if r.facts is None}
    assert set(bad) == {f"{DAY}/{name}" for name in [*HOSTILE, "short.dcm"]}
    assert all(bad.values())
    assert [f.code for f in week.findings] == ["INT-RADIOGRAPH"] * 7
    assert all(f.remedy for f in week.findings)


def test_a_file_is_known_by_what_it_holds_not_by_its_name(job):
    with xlsxwriter.Workbook(job / DAY / "really-xlsx.csv") as book:
        page = book.add_worksheet()
        page.write_row(0, 0, ["Report", "Weld", "Film", "Result"])
        page.write_row(1, 0, ["R2", "FW-118", "0-1", "ACC"])
    (job / DAY / "really-csv.xlsx").write_text("Report,Weld,Film,Result\nR3,FW-119,0-1,REJ\n", encoding="utf-8")
    write_dicom(job / DAY / "really-dicom.tif", PIXELS, "FW-120")
    write_dicom(job / DAY / "IM000001", PIXELS, "FW-121")
    week = gather(job, WEEK)
    assert [x.report for x in week.reader_lines] == ["R3", "R2", "R1"]
    assert [r.facts.container for r in week.radiographs] == ["dicom", "dicom", "tiff", "dicom"]
    assert week.findings == ()


def test_the_table_of_contents_of_a_disc_is_no_radiograph(job):
    import pydicom.data

    source = pydicom.data.get_testdata_file("DICOMDIR")
    with open(source, "rb") as file:  # noqa: PTH123 - pydicom gives a text path
        (job / DAY / "DICOMDIR").write_bytes(file.read())
    week = gather(job, WEEK)
    assert len(week.radiographs) == 2
    assert codes(week) == ["INT-PAPER"]


def test_nothing_delivered_is_altered_or_added_to(job):
    before = digests(job)
    gather(job, WEEK)
    assert digests(job) == before


def test_an_unchanged_week_is_read_from_the_cache_and_a_changed_file_is_not(job, monkeypatch):
    first = gather(job, WEEK)
    read = []
    from beadroll.handover.gathering import gather as module

    monkeypatch.setattr(
        "beadroll.handover.gathering.gather._facts_of", lambda path: read.append(path.name) or module.read_facts(path)
    )
    assert gather(job, WEEK) == first
    assert read == []
    write_dicom(job / DAY / "a.dcm", PIXELS[:100], "FW-117")
    changed = gather(job, WEEK)
    assert read == ["a.dcm"]
    assert changed.radiographs[0].facts.rows == 100


@pytest.mark.parametrize("damage", [b"", b"\xc1", b"\x81\xa1x", bytes(range(256)) * 9])
def test_a_damaged_cache_is_as_good_as_none(job, damage):
    first = gather(job, WEEK)
    (cache,) = (job / ".beadroll").iterdir()
    cache.write_bytes(damage)
    assert gather(job, WEEK) == first


def test_nothing_is_written_where_the_caller_wants_no_cache(job):
    gather(job, WEEK, facts_cache=False)
    assert not (job / ".beadroll").exists()


def test_any_number_of_threads_gathers_the_same(job):
    for number in range(70):
        write_dicom(job / DAY / f"n{number:02d}.dcm", PIXELS, f"FW-{number}")
    assert gather(job, WEEK, threads=1, facts_cache=False) == gather(job, WEEK, threads=4, facts_cache=False)


def test_registers_come_from_toml_and_tables_with_their_addresses(job):
    (job / "people" / "team.toml").write_text(
        '[[people]]\nid = "PSA"\nname = "Pia Sandmeer"\nroles = ["interpreter"]\n'
        '[[people.certificates]]\nnumber = "RT2-1"\nlevel = 2\nvalid_until = 2033-05-01\n',
        encoding="utf-8",
    )
    (job / "people" / "welders.csv").write_text(
        "Id,Name,Role,Certificate,Process,Valid until\n7K,Karel Kettner,welder,WQ-1,111,2033-06-14\n"
        "7K,Karel Kettner,welder,WQ-2,141,2034-06-14\n",
        encoding="utf-8",
    )
    (job / "techniques" / "T-204.toml").write_text(
        'number = "T-204"\narrangement = "dwsi"\nsfd_mm = 450\n', encoding="utf-8"
    )
    (job / "equipment" / "list.csv").write_text(
        "Serial no,Kind,Pixel pitch (um),Certificate,Valid until\nFD-1,film scanner,50,C1,2032-01-01\n",
        encoding="utf-8",
    )
    week = gather(job, WEEK)
    person, welder = week.people
    assert (person.roles, person.certificates[0].level) == ((Role.INTERPRETER,), 2)
    assert str(person.stated_at[0]) == "people/team.toml, row 2"
    assert [c.number for c in welder.certificates] == ["WQ-1", "WQ-2"]
    assert [str(a) for a in welder.stated_at] == ["people/welders.csv, row 2", "people/welders.csv, row 3"]
    assert week.techniques[0].sfd_mm == 450.0
    assert (week.equipment[0].kind, week.equipment[0].pixel_pitch_um) == (EquipmentKind.SCANNER, 50.0)
    assert week.findings == ()


def test_faults_in_a_register_are_named_by_key_and_line_and_the_rest_is_read(job):
    (job / "people" / "team.toml").write_text(
        '[[people]]\nid = "A"\nname = "Ada"\nroles = ["wizard"]\n[[people]]\nid = "B"\nname = "Bo"\nshoe = 44\n'
        '[[people]]\nid = "C"\n',
        encoding="utf-8",
    )
    week = gather(job, WEEK)
    assert [p.id for p in week.people] == ["B"]
    texts = sorted(f.text for f in week.findings)
    assert any("line 4, people[1].roles[1]" in t and "'wizard'" in t for t in texts)
    assert any("line 8, people[2].shoe" in t for t in texts)
    assert any("people[3].name: the key is missing" in t for t in texts)


def test_the_same_person_stated_twice_differently_is_asked_about(job):
    (job / "people" / "list.csv").write_text(
        "Id,Name,Role\n7K,Karel Kettner,welder\n7K,Karl Kettner,welder\n", encoding="utf-8"
    )
    week = gather(job, WEEK)
    assert [p.name for p in week.people] == ["Karel Kettner"]
    assert codes(week) == ["INT-RECORD-DIFFERS"]


def test_a_pitch_no_scanner_is_set_to_is_asked_about_once_a_folder(job):
    for number in range(3):
        tifffile.imwrite(job / DAY / f"c{number}.tif", PIXELS, resolution=(300, 300), resolutionunit="CENTIMETER")
    (found,) = gather(job, WEEK).findings
    assert (found.code, found.values["pitch_um"], found.values["others"]) == ("INT-PITCH-PRESET", 33.33, 2)
    (job / "equipment" / "list.csv").write_text(
        "Serial no,Kind,Pixel pitch (um)\nFD-1,scanner,50\nFD-2,scanner,33.3\n", encoding="utf-8"
    )
    assert gather(job, WEEK).findings == ()


def test_a_pitch_without_a_unit_is_asked_about_unless_one_scanner_says_it(job):
    tifffile.imwrite(job / DAY / "d.tif", PIXELS, resolution=(200, 200), resolutionunit="NONE")
    assert codes(gather(job, WEEK)) == ["INT-PITCH-UNKNOWN"]
    (job / "equipment" / "list.csv").write_text("Serial no,Kind,Pixel pitch (um)\nFD-1,scanner,50\n", encoding="utf-8")
    assert gather(job, WEEK).findings == ()


def test_columns_confirmed_once_are_used_without_a_question(job):
    path = job / DAY / "sheet.csv"
    path.write_text("Report,Weld,Film,Result,Date,Resalt\nR1,FW-117,0-1,ACC,03/04/2031,x\n", encoding="utf-8")
    assert codes(gather(job, WEEK)) == ["INT-COLUMN-UNCLEAR", "INT-COLUMN-UNKNOWN"]
    table = next(s for s in survey(job, WEEK) if s.file == f"{DAY}/sheet.csv")
    assert not table.settled
    from beadroll.handover.gathering.profiles import Meant

    confirm(
        job, table.layout, name="crew-a", confirmed_by="P. Sandmeer", confirmed_on=date(2031, 4, 7),
        choices={"date": Meant(field="read_on"), "resalt": Meant(field="")},
    )  # fmt: skip
    week = gather(job, WEEK)
    assert week.findings == ()
    assert week.reader_lines[0].read_on == date(2031, 4, 3)
    assert next(s for s in survey(job, WEEK) if s.file == f"{DAY}/sheet.csv").settled


def test_a_profile_is_not_kept_under_a_name_that_leads_elsewhere(job):
    table = survey(job, WEEK)[0]
    with pytest.raises(InputError, match="name of a profile"):
        confirm(job, table.layout, name="../job", confirmed_by="P", confirmed_on=date(2031, 4, 7))


def test_an_empty_week_says_so(tmp_path):
    (tmp_path / "job.toml").write_text(JOB, encoding="utf-8")
    assert codes(gather(tmp_path, WEEK)) == ["INT-NO-CREWS", "INT-NO-WELD-LOG"]


def test_an_encoding_the_job_states_is_not_asked_about(job):
    (job / "weld-log" / "log.csv").write_bytes("Line,Weld,Remarks\nLN-204,FW-117,Außen\n".encode("cp1252"))
    assert codes(gather(job, WEEK)) == ["INT-ENCODING"]
    (job / "job.toml").write_text(JOB + 'encoding = "cp1252"\n', encoding="utf-8")
    week = gather(job, WEEK)
    assert week.weld_log[0].remark == "Außen"
    assert week.findings == ()


def test_no_bytes_in_any_file_do_more_than_become_findings(job):
    chance = random.Random(11)  # noqa: S311 - damage, not secrets
    names = [p for p in job.rglob("*") if p.is_file() and p.name != "job.toml"]
    whole = {p: p.read_bytes() for p in names}
    for _ in range(120):
        for path, data in whole.items():
            changed = bytearray(data)
            for _ in range(chance.randrange(6)):
                changed[chance.randrange(len(changed))] = chance.randrange(256)
            path.write_bytes(bytes(changed[: chance.randrange(len(changed) + 1)] if chance.random() < 0.3 else changed))
        week = gather(job, WEEK, facts_cache=False)
        assert all(f.text and f.remedy for f in week.findings)
        assert len(week.radiographs) == 2
