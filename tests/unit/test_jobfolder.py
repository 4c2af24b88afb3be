"""job.toml is read strictly: every fault with its key and line in one run, unknown keys told, the template whole."""

from __future__ import annotations

import pytest

from beadroll.errors import InputError, MachineError
from beadroll.handover.gathering.jobfolder import FOLDERS, JobError, load_job, new_job, read_job
from beadroll.record.job import SuffixMeaning

JOB = """\
id = "VTH-2031-07"
title = "Ring main renewal"
client = "Vallmora Town Heating Works"
contractor = "Pellin & Oake Radiography"
contract = "VTH-2031-07"
time_zone = "Europe/Vienna"

[code]
standard = "ISO 5817"
edition = "2023"

[numbers]
prefixes = ["FW", "SW"]
digits = 3
[[numbers.suffixes]]
letters = "R"
meaning = "repair"
[[numbers.suffixes]]
letters = "CO"
meaning = "cut_out"
counted = false

[[lines]]
id = "LN-204"
outside_diameter_mm = 324
[[lines]]
id = "LN-207"

[spreadsheets]
date_order = "dmy"
length_unit = "mm"
"""


def job(folder, text):
    (folder / "job.toml").write_text(text, encoding="utf-8")
    return folder


def test_a_job_is_read_with_everything_it_states(tmp_path):
    made = load_job(job(tmp_path, JOB))
    assert made.client == "Vallmora Town Heating Works"
    assert made.numbers.prefixes == ("FW", "SW")
    assert made.numbers.suffixes[1].meaning is SuffixMeaning.CUT_OUT
    assert [line.id for line in made.lines] == ["LN-204", "LN-207"]
    assert made.lines[0].outside_diameter_mm == 324.0


def test_how_the_office_writes_is_read_beside_the_job(tmp_path):
    read = read_job(job(tmp_path, JOB))
    assert (read.manner.date_order, dict(read.manner.units)) == ("dmy", {"length": "mm"})
    assert read.findings == ()
    assert read.zone.key == "Europe/Vienna"


def test_the_template_is_a_job_at_once(tmp_path):
    path = new_job(tmp_path / "new", job_id='A "quoted" job', client="C", contractor="D", time_zone="Europe/Vienna")
    made = load_job(path.parent)
    assert (made.id, made.client) == ('A "quoted" job', "C")
    assert all((path.parent / name).is_dir() for name in FOLDERS)


def test_every_example_in_the_template_is_a_valid_key(tmp_path):
    path = new_job(tmp_path / "new")
    text = path.read_text(encoding="utf-8")
    spreadsheets = text.split("[spreadsheets]")[1].partition("\n")[2].replace("# ", "", 1).replace("\n# ", "\n")
    path.write_text(text.split("[spreadsheets]")[0] + "[spreadsheets]\n" + spreadsheets, encoding="utf-8")
    read = read_job(path.parent)
    assert read.findings == ()
    assert read.manner.indication_codes == "api"
    assert read.encoding == "cp1252"


def test_a_job_that_is_there_already_is_never_overwritten(tmp_path):
    job(tmp_path, JOB)
    with pytest.raises(InputError, match="there is a job already"):
        new_job(tmp_path)
    assert (tmp_path / "job.toml").read_text(encoding="utf-8") == JOB


def test_every_fault_is_named_with_its_line_in_one_run(tmp_path):
    text = (
        JOB.replace('client = "Vallmora Town Heating Works"', "client = 7")
        .replace("Europe/Vienna", "Europe/Nowhere")
        .replace('meaning = "repair"', 'meaning = "mend"')
        .replace("outside_diameter_mm = 324", 'outside_diameter_mm = "324"')
        .replace('id = "LN-207"', 'id = "LN-204"')
        .replace('edition = "2023"\n', "")
        .replace('"dmy"', '"dym"')
    )
    with pytest.raises(JobError) as fault:
        load_job(job(tmp_path, text))
    said = fault.value.faults
    assert len(said) == 7
    for place in (
        "line 3, client",
        "line 6, time_zone",
        "code.edition",
        "line 16, numbers.suffixes[1].meaning",
        "line 24, lines[1].outside_diameter_mm",
        "line 26, lines[2].id",
        "line 29, spreadsheets.date_order",
    ):
        assert any(place in text for text in said), (place, said)


def test_an_unknown_key_is_told_and_changes_nothing(tmp_path):
    read = read_job(
        job(tmp_path, JOB.replace('title = "', 'titel = "x"\ntitle = "').replace("[code]", "[code]\nclass = 1"))
    )
    assert [f.code for f in read.findings] == ["INT-KEY-UNKNOWN", "INT-KEY-UNKNOWN"]
    assert "line 2, titel" in read.findings[0].text
    assert read.job.title == "Ring main renewal"


def test_a_missing_key_is_told(tmp_path):
    with pytest.raises(JobError, match="contractor: the key is missing"):
        load_job(job(tmp_path, JOB.replace('contractor = "Pellin & Oake Radiography"\n', "")))


def test_what_is_not_toml_is_named_by_line(tmp_path):
    with pytest.raises(InputError, match="line 2"):
        load_job(job(tmp_path, 'id = "x"\ntitle = \n'))
    (tmp_path / "job.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(InputError, match="UTF-8"):
        load_job(tmp_path)


def test_a_folder_without_a_job_says_how_to_make_one(tmp_path):
    with pytest.raises(InputError, match="not there") as fault:
        load_job(tmp_path)
    assert "beadroll new" in fault.value.remedy


def test_a_folder_that_cannot_be_made_is_named(tmp_path):
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(MachineError, match="could not be written"):
        new_job(tmp_path / "file" / "job")


@pytest.mark.parametrize("value", ["nan", "inf", "-inf"])
def test_a_number_that_is_none_is_refused(tmp_path, value):
    with pytest.raises(JobError, match="outside_diameter_mm"):
        load_job(job(tmp_path, JOB.replace("324", value)))


def test_the_ways_to_pack_radiographs_are_those_of_the_images_part():
    from beadroll.handover.gathering.jobfolder import CODECS
    from beadroll.images import Codec

    assert tuple(Codec) == CODECS


@pytest.mark.parametrize("line", ['codec = "jpeg"', 'required_roles = ["boss"]', "lines = []"])
def test_a_value_that_is_none_of_the_choices_is_refused(tmp_path, line):
    text = JOB if not line.startswith("lines") else JOB.replace("[[lines]]\nid", "[x]\nid").split("[x]")[0]
    with pytest.raises(JobError, match=line.split(" ")[0]):
        load_job(job(tmp_path, line + "\n" + text))
