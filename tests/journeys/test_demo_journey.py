"""The demo as a newcomer runs it: a subprocess in an empty folder, from the crews' files to a weld's history."""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from beadroll.demo import write_week

SMALL = ("--welds", "6", "--pixels", "500x200")
PASSPHRASE = {"DEMO_PASSPHRASE": "demo"}


def beadroll(*arguments, cwd, columns="", **environment):
    env = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "NO_COLOR", *PASSPHRASE)}
    env.update(environment)
    if columns:
        env["COLUMNS"] = columns
    command = [sys.executable, "-m", "beadroll.cli", *arguments]
    return subprocess.run(
        command, cwd=cwd, env=env, capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL
    )


@pytest.fixture(scope="module")
def shown(tmp_path_factory):
    """Return the folder a demo ran in, and what it showed at 80 columns."""
    folder = tmp_path_factory.mktemp("journey")
    return folder, beadroll("demo", "tried", *SMALL, cwd=folder, columns="80")


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """Return the folder a demo ran in, and its results as JSON."""
    folder = tmp_path_factory.mktemp("journey-json")
    done = beadroll("demo", "tried", "--json", *SMALL, cwd=folder)
    assert done.returncode == 0, done.stdout + done.stderr
    return folder, json.loads(done.stdout)


def test_the_demo_ends_with_the_history_of_the_repaired_weld(shown):
    folder, done = shown
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stderr == ""
    end = done.stdout[done.stdout.index("What happened to LN-204 W-0117?") :]
    for words in ("welded", "rejected 1-2", "incomplete root penetration (4021)", "452 to 486 mm from the datum",
                  "repaired R1", "reshot R1", "accepted R1", "signed", "handed over", "received",
                  "data/welds/LN-204/W-0117/radiographs/R1_1-2.dcm"):  # fmt: skip
        assert words in end, words
    assert [path.name for path in folder.iterdir()] == ["tried"]


def test_the_demo_says_that_it_is_one(shown):
    _, done = shown
    assert "invented" in done.stdout[:400]
    assert "DEMONSTRATION KEY" in done.stdout
    assert "Nothing of it is evidence" in done.stdout.splitlines()[-1]


def test_nothing_is_wider_than_eighty_columns_but_commands_to_copy(shown):
    _, done = shown
    for line in done.stdout.splitlines():
        assert len(line) <= 80 or line.startswith("      -"), line


def test_the_steps_of_the_weld_come_in_the_order_of_its_life(told):
    _, found = told
    story = found["steps"][-1]["result"]
    kinds = [step["kind"] for step in story["steps"]]
    order = ["welded", "rejected", "repaired", "reshot", "accepted", "handed over", "received", "answered"]
    places = [kinds.index(kind) if kind != "accepted" else len(kinds) - 1 - kinds[::-1].index(kind) for kind in order]
    assert places == sorted(places), kinds
    (rejected,) = (step for step in story["steps"] if step["kind"] == "rejected")
    assert (rejected["segment"], rejected["day"]) == ("1-2", "2031-04-02")
    assert rejected["indications"][0]["position_mm"] == 452.0
    repair = next(step for step in story["steps"] if step["kind"] == "repaired")
    assert (repair["day"], repair["who"]) == ("2031-04-04", ["9C"])


def test_every_step_of_the_weld_has_its_files_in_the_archive(told):
    folder, found = told
    for step in found["steps"][-1]["result"]["steps"]:
        if step["kind"] != "received":
            assert step["evidence"], step["kind"]
        for each in step["evidence"]:
            assert (folder / each["stored"]).is_file(), each


def test_the_demo_settles_its_own_mess_and_the_week_is_clean_then(told):
    _, found = told
    by_verb = {}
    for step in found["steps"]:
        verb = re.sub(r"^beadroll (--at \S+ )?", "", step["command"]).split(" ")[0]
        by_verb.setdefault(verb, []).append(step["result"])
    opened, *decided = by_verb["decide"]
    subjects = {each["subject"] for each in opened["open"]}
    assert {each["decision"]["subject"] for each in decided} <= subjects
    assert by_verb["check"][0]["findings"] == []
    assert by_verb["verify"][0]["ok"] is True


def test_every_command_the_demo_prints_works_when_typed(told, tmp_path):
    _, found = told
    week = write_week(tmp_path / "tried" / "job", welds=6, pixels=(200, 500))
    assert week.folder.is_dir()
    expected = {"decide tried/job --week": 3}
    for step in found["steps"]:
        words = shlex.split(step["command"])[1:]
        if "--fingerprint" in words:
            shown_keys = json.loads(beadroll("keys", "show", "tried/keys/contractor", "--json", cwd=tmp_path).stdout)
            words[words.index("--fingerprint") + 1] = shown_keys["fingerprint"]
        done = beadroll(*words, cwd=tmp_path, **PASSPHRASE)
        code = next((code for start, code in expected.items() if step["command"].startswith(f"beadroll {start}")), 0)
        assert done.returncode == code, (step["command"], done.stdout, done.stderr)
    assert "accepted R1 1-2" in done.stdout


def test_a_second_demo_in_the_same_folder_is_refused_and_changes_nothing(shown):
    folder, _ = shown
    before = sorted(path for path in folder.rglob("*"))
    done = beadroll("demo", "tried", *SMALL, cwd=folder)
    assert done.returncode == 1
    assert "is not empty" in done.stderr
    assert sorted(path for path in folder.rglob("*")) == before


def test_a_package_with_one_byte_changed_is_refused_with_its_file_named(shown, tmp_path):
    folder, _ = shown
    (package,) = (folder / "tried" / "out").glob("*.zip")
    data = bytearray(package.read_bytes())
    mark = data.index(b"data/welds/LN-204/W-0117/radiographs/")
    data[mark + 3000] ^= 1
    altered = tmp_path / package.name
    altered.write_bytes(data)
    trust = str(folder / "tried" / "archive" / "trust")
    done = beadroll("--at", "2031-04-08", "verify", str(altered), "--trust", trust, cwd=tmp_path)
    assert done.returncode == 4
    assert "data/welds/LN-204/W-0117/radiographs/" in done.stderr
    whole = beadroll("--at", "2031-04-08", "verify", str(package), "--trust", trust, cwd=tmp_path)
    assert whole.returncode == 0, whole.stderr


def test_an_unreconciled_week_is_not_built(tmp_path):
    write_week(tmp_path / "job", welds=6, pixels=(200, 500))
    done = beadroll("build", "job", "--week", "2031-W14", "--out", "out", cwd=tmp_path)
    assert done.returncode == 3
    assert "W-0213_2-0.dcm" in done.stderr
    assert not list((tmp_path / "out").iterdir())


@pytest.mark.skipif(sys.platform == "win32", reason="signals are POSIX here")
def test_an_interrupted_demo_leaves_with_130_and_no_half_written_week(tmp_path):
    command = [sys.executable, "-m", "beadroll.cli", "demo", "tried", "--welds", "400"]
    run = subprocess.Popen(command, cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    started = time.monotonic()
    while not list(tmp_path.glob("tried/.job.unfinished/crews/*/*/*")):
        assert time.monotonic() - started < 60, "nothing was written"
        time.sleep(0.05)
    run.send_signal(signal.SIGINT)
    _, errors = run.communicate(timeout=60)
    assert run.returncode == 130, errors
    assert "Interrupted" in errors
    assert "Traceback" not in errors
    assert not list((tmp_path / "tried").iterdir())


def test_the_same_demo_twice_builds_the_same_payload(shown, told):
    manifests = []
    for folder, _ in (shown, told):
        (package,) = (Path(folder) / "tried" / "out").glob("*.zip")
        listed = subprocess.run(["unzip", "-p", str(package), "*/manifest-sha512.txt"], capture_output=True, check=True)
        manifests.append(listed.stdout)
    assert manifests[0] == manifests[1]


@pytest.fixture
def archive(told, tmp_path):
    """Return a copy of the archive the demo made."""
    folder, _ = told
    shutil.copytree(folder / "tried" / "archive", tmp_path / "archive")
    return tmp_path / "archive"


def stored_radiograph(archive):
    return next(archive.glob("store/**/content/package/data/welds/LN-204/W-0117/radiographs/*.dcm"))


@pytest.mark.usefixtures("archive")
def test_an_audit_finds_a_sound_archive_sound(tmp_path):
    done = beadroll("--at", "2031-05-01", "audit", "archive", "--json", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["objects"] == 1


def test_an_audit_names_the_weld_of_a_damaged_file_and_a_copy_mends_it(archive, tmp_path):
    assert beadroll("copy", "archive", "second", cwd=tmp_path).returncode == 0
    damaged = stored_radiograph(archive)
    good = damaged.read_bytes()
    damaged.chmod(0o644)
    damaged.write_bytes(good[:5000] + bytes([good[5000] ^ 1]) + good[5001:])
    found = beadroll("--at", "2031-05-01", "audit", "archive", cwd=tmp_path)
    assert found.returncode == 4
    assert "LN-204 W-0117" in found.stderr
    beadroll("--at", "2031-05-02", "audit", "archive", "--copy", "second", cwd=tmp_path)
    assert stored_radiograph(archive).read_bytes() == good
    assert beadroll("--at", "2031-05-03", "audit", "archive", cwd=tmp_path).returncode == 0


def test_a_catalog_made_anew_gives_the_same_history(archive, tmp_path):
    before = beadroll("history", "archive", "W-0117", "--json", cwd=tmp_path)
    shutil.rmtree(archive / "catalog")
    done = beadroll("rebuild", "archive", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    after = beadroll("history", "archive", "W-0117", "--json", cwd=tmp_path)
    assert json.loads(after.stdout) == json.loads(before.stdout)


@pytest.mark.usefixtures("archive")
@pytest.mark.parametrize(
    "asked", [["117"], ["--welder", "7K", "--rejected"], ["--indication", "4021"], ["--repairs", "1"]]
)
def test_the_repaired_weld_is_found_by_what_is_remembered_of_it(tmp_path, asked):
    done = beadroll("find", "archive", *asked, "--json", cwd=tmp_path)
    assert [weld["number"] for weld in json.loads(done.stdout)["welds"]] == ["W-0117"]


@pytest.mark.usefixtures("archive")
def test_a_weld_nobody_knows_is_told_plainly(tmp_path):
    done = beadroll("history", "archive", "W-9999", cwd=tmp_path)
    assert done.returncode == 1
    assert "W-9999" in done.stderr
    assert "Traceback" not in done.stderr


def test_the_counts_of_the_week_add_up(told, tmp_path):
    folder, _ = told
    done = beadroll("counts", str(folder / "tried" / "job"), "--week", "2031-W14", "--json", cwd=tmp_path)
    total = json.loads(done.stdout)["total"]
    assert (total["rejected"], total["repaired"], total["cut_out"], total["open"]) == (2, 1, 1, 0)
    assert total["made"] == total["examined"] == 7
