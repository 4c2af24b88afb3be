"""A job whose names and cells were written by somebody who means harm: shown, never obeyed."""

from __future__ import annotations

import shutil

import pytest

from beadroll.cli.commands import outcome
from beadroll.demo import write_week

ESCAPES = "\x1b[2J\x1b]0;owned\x07"
TURNED = "\u202egnp.\u2066"


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    """Return a demo week in which names of files and crews and cells of sheets carry escape sequences."""
    job = tmp_path_factory.mktemp("hostile") / "job"
    week = write_week(job, welds=6, pixels=(200, 500))
    film = job / week.unlisted
    shutil.copy(film, film.with_name(f"LN204_W0115{ESCAPES}{TURNED}_0-1.tif"))
    (film.parent / f"notes{ESCAPES}.txt").write_text(f"see {ESCAPES}", encoding="utf-8")
    shutil.copytree(film.parent, job / "crews" / f"C{ESCAPES}{TURNED}" / film.parent.name)
    sheet = next((job / "crews" / "A").rglob("reader-sheet.csv"))
    text = sheet.read_text(encoding="utf-8")
    sheet.write_text(text.replace("W-0116,", f"W-0116{ESCAPES}{TURNED},", 1), encoding="utf-8")
    toml = job / "job.toml"
    toml.write_text(
        toml.read_text(encoding="utf-8").replace('title = "', 'title = "\\u001b[31m\\u202e'), encoding="utf-8"
    )
    return job


@pytest.mark.parametrize("command", ["gather", "decide", "check", "counts"])
@pytest.mark.parametrize("as_json", [False, True])
def test_no_name_or_cell_acts_on_the_terminal(hostile, capfd, command, as_json):
    code = outcome([command, str(hostile), "--week", "2031-W14", *(["--json"] if as_json else [])])
    shown = capfd.readouterr()
    assert code in (0, 3), shown.err
    for text in (shown.out, shown.err):
        assert not set(text) & set("\x1b\x07\x00\r\u202e\u2066\u200b")
        assert "Traceback" not in text


def test_what_was_hidden_is_spelled_out(hostile, capfd):
    outcome(["gather", str(hostile), "--week", "2031-W14"])
    shown = capfd.readouterr()
    assert "\\x1b" in shown.out + shown.err


@pytest.mark.parametrize("subject", [f"x{ESCAPES}", "../../etc/passwd", "crews/A", "job.toml", ""])
def test_a_decision_about_no_delivered_file_is_refused_and_nothing_is_written(hostile, capfd, subject):
    arguments = ["decide", str(hostile), subject, "--set-aside", "--by", "J. Pellin", "--reason", "because"]
    assert outcome(arguments) in (1, 2)
    assert "\x1b" not in capfd.readouterr().err
    assert not (hostile / "decisions.toml").exists()
