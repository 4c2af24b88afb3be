"""What the terminal shows: foreign text cannot act on it, nothing is cut off, JSON is one document."""

from __future__ import annotations

import io
import json
import sys
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from beadroll.cli.screen import Screen, as_json
from beadroll.cli.visible import count, size, visible
from beadroll.errors import InputError, NotTrusted
from beadroll.findings import finding, report

HOSTILE = "W-0117\x1b[2J\x1b]0;owned\x07\r\n\u202egnp.\u2066\u200b\x9b31m\x00[red]bold[/red]\ud83d:smile:"


class Shown:
    """A stream that is caught: what a command wrote to it so far."""

    def __init__(self, read):
        self.read = read
        self.text = ""

    def getvalue(self):
        self.text += self.read()
        return self.text


@pytest.fixture
def streams(capsys, monkeypatch):
    monkeypatch.delenv("COLUMNS", raising=False)
    caught = {"out": "", "err": ""}

    def read(name):
        fresh = capsys.readouterr()
        caught["out"] += fresh.out
        caught["err"] += fresh.err
        text, caught[name] = caught[name], ""
        return text

    return Shown(lambda: read("out")), Shown(lambda: read("err"))


@given(st.text())
def test_visible_leaves_nothing_that_acts_on_a_terminal(text):
    shown = visible(text)
    assert not set(shown) & set(map(chr, [*range(32), *range(0x7F, 0xA0), 0x202E, 0x2066, 0x200B, 0xFEFF]))
    shown.encode("utf-8")


def test_ordinary_text_of_any_language_stays_as_it_is():
    for text in ("W-0117 R1", "Schweißnaht ä ö ü", "сварной шов", "溶接 117", "Größe 12″"):
        assert visible(text) == text


def test_no_door_of_the_screen_lets_a_hostile_text_through(streams):
    out, err = streams
    screen = Screen()
    screen.say(HOSTILE)
    screen.heading(HOSTILE)
    screen.command(HOSTILE)
    screen.fields({HOSTILE: HOSTILE})
    screen.table((HOSTILE, "b"), [(HOSTILE, [HOSTILE])])
    screen.report(report([finding("PKG-FILE-EXTRA", HOSTILE)]))
    screen.complain(HOSTILE)
    screen.error(InputError(HOSTILE, path=HOSTILE, place=HOSTILE, remedy=HOSTILE))
    screen.error(NotTrusted(HOSTILE, report([finding("PKG-FILE-MISSING", HOSTILE)]), remedy=HOSTILE))
    screen.apologise(HOSTILE, Path("details.txt"))
    for shown in (out.getvalue(), err.getvalue()):
        for dangerous in "\x1b\x07\r\u202e\u2066\u200b\x9b\x00\ud83d":
            assert dangerous not in shown
        assert "[red]bold[/red]" in shown
        assert ":smile:" in shown


def test_a_table_for_a_pipe_is_neither_folded_nor_cut(streams):
    out, _ = streams
    Screen().table(("file", "digest"), [("a" * 200, "b" * 128)])
    assert "a" * 200 in out.getvalue()
    assert all(line == line.rstrip() for line in out.getvalue().splitlines())


@pytest.mark.parametrize("columns", ["60", "80", "120"])
def test_a_table_keeps_every_character_at_the_width_of_the_terminal(streams, monkeypatch, columns):
    out, _ = streams
    monkeypatch.setenv("COLUMNS", columns)
    Screen().table(("file", "what"), [("crews/A/2031-04-02/LN204_W0117_1-2.tif", "x" * 90)])
    assert max(len(line) for line in out.getvalue().splitlines()) <= int(columns)
    assert out.getvalue().count("x") == 90


def test_json_is_one_document_without_raw_control_characters(streams):
    out, _ = streams
    screen = Screen()
    screen.as_json = True
    screen.say("words")
    screen.table(("a",), [(1,)])
    screen.result({"text": HOSTILE, "on": date(2031, 4, 2), "at": datetime(2031, 4, 2, tzinfo=UTC), "where": Path("a")})
    found = json.loads(out.getvalue())
    assert found["text"] == HOSTILE
    assert found["on"] == "2031-04-02"
    assert out.getvalue().isascii()
    assert "\x1b" not in out.getvalue()


def test_json_knows_what_results_hold():
    made = json.loads(as_json({"set": {"b", "a"}, "bytes": b"\x01", "finding": finding("PKG-FILE-EXTRA", "x")}))
    assert made["set"] == ["a", "b"]
    assert made["bytes"] == "01"
    assert made["finding"]["code"] == "PKG-FILE-EXTRA"


def test_an_error_in_json_carries_its_code_and_findings(streams):
    out, err = streams
    screen = Screen()
    screen.as_json = True
    screen.error(NotTrusted("no", report([finding("PKG-FILE-MISSING", "data/x")]), remedy="ask"))
    found = json.loads(out.getvalue())
    assert (found["ok"], found["exit_code"], found["findings"][0]["code"]) == (False, 4, "PKG-FILE-MISSING")
    assert err.getvalue() == ""


def test_what_to_do_stands_once_under_findings_of_a_kind(streams):
    out, _ = streams
    Screen().report(report([finding("PKG-FILE-MISSING", f"data/{n}") for n in range(4)]))
    assert out.getvalue().count("is listed but missing") == 4
    assert out.getvalue().count("→") == 1


def test_progress_is_silent_where_nobody_watches(streams):
    _, err = streams
    with Screen().progress("Reading") as tell:
        tell(1, 2, 3, 4)
    assert err.getvalue() == ""


def test_no_colour_is_sent_under_no_color(monkeypatch):
    class Terminal(io.StringIO):
        def isatty(self):
            return True

    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setenv("NO_COLOR", "1")
    out = Terminal()
    monkeypatch.setattr(sys, "stdout", out)
    Screen().say("hello", "bold red")
    assert "\x1b[31" not in out.getvalue()
    assert "hello" in out.getvalue()


def test_sizes_and_counts_read_as_people_say_them():
    assert [size(n) for n in (0, 999, 1000, 52_528_190, 6 * 10**9, 7 * 10**12)] == [
        "0 bytes",
        "999 bytes",
        "1.0 kB",
        "52.5 MB",
        "6.0 GB",
        "7.0 TB",
    ]
    assert [count(n, "weld") for n in (0, 1, 1300)] == ["0 welds", "1 weld", "1,300 welds"]
    assert count(2, "entry", "entries") == "2 entries"
