"""The frame of the command line: exit codes, lazy loading, passphrases, and errors as sentences."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import click
import pytest

from beadroll.cli import commands as frame
from beadroll.cli.commands import COMMANDS, outcome
from beadroll.errors import ArchiveError, InputError, NotReady, NotTrusted
from beadroll.findings import Report

HEAVY = (
    "numpy",
    "pyarrow",
    "pyhanko",
    "deltalake",
    "pydicom",
    "imagecodecs",
    "lxml",
    "jsonschema_rs",
    "rich",
    "cryptography",
)


def raising(fault):
    @click.command()
    def command():
        raise fault

    return command


@pytest.fixture
def probe(monkeypatch):
    """Return a runner that puts a command in place of ``demo``."""

    def run(command, *arguments):
        monkeypatch.setattr(frame.Rooms, "get_command", lambda *_: command)
        return outcome(["demo", *arguments])

    return run


@pytest.mark.parametrize(
    ("fault", "code"),
    [
        (InputError("bad", path="x"), 1),
        (ArchiveError("bad"), 1),
        (NotReady("open", Report()), 3),
        (NotTrusted("no", Report()), 4),
        (click.UsageError("how"), 2),
        (KeyboardInterrupt(), 130),
        (click.Abort(), 130),
        (OSError(errno.ENOSPC, "No space left on device", "x"), 1),
        (ZeroDivisionError("a bug"), 1),
    ],
)
def test_every_way_to_fail_has_its_exit_code_and_no_traceback(probe, capfd, tmp_path, monkeypatch, fault, code):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    assert probe(raising(fault)) == code
    shown = capfd.readouterr()
    assert "Traceback" not in shown.out + shown.err
    assert shown.err.strip()


def test_a_command_that_returns_a_code_leaves_with_it(probe):
    @click.command()
    def three():
        return 3

    assert probe(three) == 3


def test_a_bug_is_apologised_for_and_its_details_are_kept_for_their_user_only(probe, capfd, tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    assert probe(raising(ZeroDivisionError("a bug"))) == 1
    (kept,) = tmp_path.glob("beadroll-fault-*.txt")
    assert "ZeroDivisionError: a bug" in kept.read_text(encoding="utf-8")
    assert kept.stat().st_mode & 0o077 == 0
    assert kept.name in capfd.readouterr().err.replace("\n", "")


def test_wrong_usage_says_where_the_help_is(capfd):
    assert outcome(["verify"]) == 2
    assert "beadroll verify --help" in capfd.readouterr().err


@pytest.mark.parametrize("group", [[], ["keys"], ["trust"]])
def test_a_command_without_its_verb_shows_its_help(capfd, group):
    assert outcome(group) == 2
    shown = capfd.readouterr().err
    assert len(shown.splitlines()) > 5
    assert "\\n" not in shown


def test_wrong_usage_in_json_is_json(capfd, tmp_path):
    assert outcome(["verify", "--json", str(tmp_path / "none")]) == 2
    assert json.loads(capfd.readouterr().out)["exit_code"] == 2


def test_importing_the_command_line_loads_nothing_heavy():
    code = f"import sys, beadroll.cli, beadroll.cli.commands; print([m for m in {HEAVY!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_help_lists_every_command_and_loads_nothing_heavy():
    code = (
        "import sys\nfrom beadroll.cli.commands import outcome\noutcome(['--help'])\n"
        f"print([m for m in {HEAVY!r} if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip().endswith("[]")
    for room, commands in COMMANDS.items():
        assert room in done.stdout
        for name, (_, what) in commands.items():
            assert f"  {name} " in done.stdout
            assert what.split()[0] in done.stdout


def commands():
    for room in COMMANDS.values():
        for name in room:
            command = frame.beadroll.get_command(click.Context(frame.beadroll), name)
            assert command is not None, name
            if isinstance(command, click.Group):
                yield from ((f"{name} {sub}", each) for sub, each in command.commands.items())
            else:
                yield name, command


def test_every_command_that_is_listed_exists_explains_itself_and_speaks_json():
    for name, command in commands():
        assert command.help, name
        options = {option for parameter in command.params for option in parameter.opts}
        assert "--json" in options, name


def test_no_command_takes_a_passphrase_as_an_argument():
    for name, command in commands():
        for parameter in command.params:
            assert not {"--passphrase", "--password", "--pin"} & set(parameter.opts), name


def test_a_passphrase_comes_from_a_file_descriptor(tmp_path):
    secret = tmp_path / "passphrase.txt"
    secret.write_text("correct horse\n", encoding="utf-8")
    with secret.open() as file:
        arguments = ["keys", "new", str(tmp_path / "keys"), "--organisation", "Pellin & Oake", "--person", "Office"]
        assert outcome([*arguments, "--demo", "--passphrase-fd", str(file.fileno())]) == 0
        os.lseek(file.fileno(), 0, os.SEEK_SET)
    assert (tmp_path / "keys" / "signer.p12").is_file()


def test_a_passphrase_comes_from_an_environment_variable_that_must_be_set(tmp_path, monkeypatch, capfd):
    monkeypatch.delenv("WEEKLY", raising=False)
    assert outcome(["keys", "renew", str(tmp_path), "--passphrase-env", "WEEKLY"]) == 1
    assert "WEEKLY" in capfd.readouterr().err


def test_rehearsals_have_their_own_clock(tmp_path, monkeypatch, capfd):
    monkeypatch.setenv("WEEKLY", "x")
    folder = str(tmp_path / "keys")
    arguments = ["keys", "new", folder, "--organisation", "P", "--person", "O", "--demo", "--passphrase-env", "WEEKLY"]
    assert outcome(["--at", "2031-04-01", *arguments]) == 0
    capfd.readouterr()
    assert outcome(["keys", "show", folder, "--json"]) == 0
    since = json.loads(capfd.readouterr().out)["certificates"][0]["valid_from"]
    assert abs(datetime.fromisoformat(since) - datetime(2031, 4, 1, tzinfo=UTC)).days <= 1


def test_a_moment_that_is_none_is_wrong_usage(capfd):
    assert outcome(["--at", "yesterday", "keys", "show", "x"]) == 2
    assert "yesterday" in capfd.readouterr().err


def test_verifying_without_saying_whom_to_trust_is_refused(tmp_path, capfd):
    assert outcome(["verify", str(tmp_path)]) == 2
    assert "--trust" in capfd.readouterr().err


def test_a_folder_that_is_no_package_fails_with_every_fault_listed(tmp_path, capfd):
    (tmp_path / "stray\x1b[31m.txt").write_text("x")
    assert outcome(["verify", "--digests-only", str(tmp_path)]) == 4
    shown = capfd.readouterr().err
    assert "\x1b[31m" not in shown
    assert "manifest-sha512.txt" in shown


def test_a_reader_that_goes_away_gets_no_traceback(tmp_path):
    command = f"{sys.executable} -m beadroll.cli --help | head -c 1 >/dev/null"
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, check=False, cwd=Path(tmp_path))
    assert "Traceback" not in done.stderr
