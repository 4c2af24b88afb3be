"""``demo``: the whole job on an invented week, by the very commands a user would type.

Each step prints its command and runs it in this process, so that what is shown is what was done. Knows the order of a
week. Refuses any way of its own: whatever happens here, the commands do.
"""

from __future__ import annotations

import os
import shlex
import time
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from beadroll.cli.session import Session, shared
from beadroll.cli.visible import count, size
from beadroll.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from beadroll.demo import DemoWeek

PASSPHRASE: Final = "DEMO_PASSPHRASE"  # noqa: S105 - the name of a variable
"""Environment variable the demo's passphrase stands in; it protects nothing."""
_OFFICE: Final = "2031-04-07T09:00+02:00"
_CLIENT: Final = "2031-04-08T10:30+02:00"
_CLERK: Final = "J. Pellin"


class Pixels(click.ParamType[tuple[int, int]]):
    """Width and height such as ``1250x500``, kept as (rows, columns)."""

    name = "WxH"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> tuple[int, int]:
        """Return (rows, columns)."""
        if isinstance(value, tuple):
            return value
        width, _, height = str(value).lower().partition("x")
        if not (width.isdecimal() and height.isdecimal()):
            self.fail(f"{value!r} is not width x height such as 1250x500", param, ctx)
        return int(height), int(width)


@click.command()
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path), default="beadroll-demo")
@click.option("--welds", type=int, default=12, show_default=True, help="Welds in the week.")
@click.option("--pixels", type=Pixels(), default="1250x500", show_default=True, help="Film size, width x height.")
@shared
def demo(session: Session, folder: Path, welds: int, pixels: tuple[int, int]) -> int:
    """Run the whole job on an invented week in FOLDER (a new one; default ./beadroll-demo).

    The contract, firms, people, welds and keys are invented and the radiographs are computed.
    """
    if folder.exists() and any(folder.iterdir()):
        raise InputError("is not empty", path=str(folder), remedy="Name a new folder: beadroll demo another-folder")
    started = time.perf_counter()
    with _passphrase(), session.screen.collecting() as results:
        run = _Rehearsal(session=session, folder=folder, results=results)
        run.say_what_this_is()
        week = run.crews_week(welds, pixels)
        run.office(week)
        run.client()
        run.clerk(week)
    session.screen.say()
    session.screen.say(
        f"That was the whole job, in {time.perf_counter() - started:.0f} s. All of it lies in {folder}/."
    )
    session.screen.say("Nothing of it is evidence: keys, people, welds and radiographs are invented.", "yellow")
    steps = [{"command": line, "result": result} for line, result in zip(run.typed, results, strict=True)]
    done = run.exit_code == 0
    session.screen.result({"ok": done, "folder": folder, "line": week.line, "weld": week.number, "steps": steps})
    return run.exit_code


@contextmanager
def _passphrase() -> Iterator[None]:
    before = os.environ.get(PASSPHRASE)
    os.environ[PASSPHRASE] = before or "demo"
    try:
        yield
    finally:
        if before is None:
            del os.environ[PASSPHRASE]


@dataclass(slots=True, kw_only=True)
class _Rehearsal:
    """The steps of a week, in order."""

    session: Session
    folder: Path
    results: list[Any]
    typed: list[str] = field(default_factory=list)
    number: int = 0
    package: str = ""
    exit_code: int = 0

    def type(self, *arguments: str, at: str = "", expected: int = 0) -> None:
        """Print a command as it would be typed, and run it; remember an exit code that was not expected."""
        from beadroll.cli.commands import beadroll

        words = (*(("--at", at) if at else ()), *arguments)
        quoted = ["beadroll", *(shlex.quote(word) for word in words)]
        self.typed.append(" ".join(quoted))
        self.session.screen.command(quoted)
        code = beadroll.main(args=list(words), prog_name="beadroll", standalone_mode=False, obj=self.session)
        self.session.at = None
        code = code if isinstance(code, int) else 0
        if code != expected:
            self.session.screen.say(f"  This ended with exit code {code}; {expected} was expected.", "bold red")
            self.exit_code = self.exit_code or code or 1

    def step(self, title: str, *sentences: str) -> None:
        """Begin a step."""
        self.number += 1
        screen = self.session.screen
        screen.heading(f"{self.number}. {title}")
        for sentence in sentences:
            screen.say(sentence)

    def say_what_this_is(self) -> None:
        """Say that this is a demo, before anything else."""
        screen = self.session.screen
        screen.say("A week of weld radiographs, from the crews' files to one weld's history.", "bold")
        screen.say(
            "This is a demo: the contract, the firms, the people and the keys are invented, and the radiographs are "
            "computed. Lines that begin with $ are commands you could type yourself; --at stands in for the clock, "
            "since this week lies in 2031."
        )

    def crews_week(self, welds: int, pixels: tuple[int, int]) -> DemoWeek:
        """Write what the crews deliver."""
        from beadroll.demo import write_week

        self.step(
            "The crews deliver their week",
            "Two crews have shot the welds of a ring main for town heating. They leave radiographs (TIFF and DICOM), "
            "reader sheets (CSV and XLSX), and the welding contractor's weld log.",
        )
        screen = self.session.screen
        with screen.progress("Computing radiographs") as tell:
            week = write_week(
                self.folder / "job",
                welds=welds,
                pixels=pixels,
                progress=lambda done, total, found: tell(done, total, found, 0),
            )
        screen.say(
            f"  {week.folder}/ now holds week {week.week}: {count(week.welds, 'weld')}, "
            f"{count(week.radiographs, 'radiograph')}, {size(week.size_bytes)}."
        )
        return week

    def office(self, week: DemoWeek) -> None:
        """Gather, settle, check, build and seal."""
        job, weeks = str(week.folder), ("--week", week.week)
        self.step("The office gathers it", "Everything is read once; nothing is altered and nothing is decided.")
        self.type("gather", job, *weeks)
        self.step(
            "The office reconciles it",
            "Every radiograph must end on one weld, in one state, at one segment. Some files of this week do not.",
        )
        self.type("decide", job, *weeks, expected=3)
        self.session.screen.say()
        self.session.screen.say("A person settles both; who, when and why is recorded and travels with the handover.")
        reason = "Number mistyped at the scanner; lead letters and reader sheet agree."
        self.type("decide", job, week.transposed, "--assign", week.transposed_is, "--by", _CLERK, "--reason", reason,
                  at=_OFFICE)  # fmt: skip
        reason = "Second exposure of the segment, cassette had slipped; the first was read."
        self.type("decide", job, week.unlisted, "--set-aside", "--by", _CLERK, "--reason", reason, at=_OFFICE)
        self.step("The office checks it by the rules of the code", "The tool compares records; it never judges a weld.")
        self.type("check", job, *weeks)
        self.step(
            "The office builds the package",
            "Each radiograph is packed without loss, decoded again and compared.",
        )
        self.type("build", job, *weeks, "--dated", "2031-04-07", "--out", self._folder("out"))
        self.package = str(self.results[-1]["package"])
        self.step(
            "The office seals it",
            f"First it needs keys (once). These are demo keys; their passphrase stands in {PASSPHRASE}.",
        )
        self._keys("contractor", "Pellin & Oake Radiography", "Records office")
        self.type("seal", self.package, "--keys", self._folder("keys/contractor"), "--role", "contractor",
                  "--passphrase-env", PASSPHRASE, at=_OFFICE)  # fmt: skip

    def client(self) -> None:
        """Pin the contractor, verify and receive."""
        from beadroll.package.seals.keys import key_files

        archive, trust = self._folder("archive"), self._folder("archive/trust")
        self.step(
            "The client makes its archive and says whom it trusts",
            "The fingerprint comes by telephone or letter, never with the package.",
        )
        files = key_files(self.folder / "keys" / "contractor")
        self.type("archive", archive, "--title", "Ring main radiographs", at=_CLIENT)
        self.type("trust", "add", trust, "contractor", str(files.root_pem), "--revoked", str(files.revoked_pem),
                  "--fingerprint", files.fingerprint)  # fmt: skip
        self.step("The client verifies the package", "Every file against every list, then the seal.")
        self.type("verify", self.package, "--trust", trust, at=_CLIENT)
        self.step("The client receives it into the archive", "It answers with a signed receipt.")
        self._keys("client", "Vallmora Town Heating Works", "Plant records")
        self.type("receive", self.package, archive, "--keys", self._folder("keys/client"), "--by",
                  "Plant records", "--passphrase-env", PASSPHRASE, at=_CLIENT)  # fmt: skip

    def clerk(self, week: DemoWeek) -> None:
        """Ask the archive, as a clerk would years later."""
        archive = self._folder("archive")
        self.step("Years later, the records clerk asks", "Which welds were ever rejected?")
        self.type("find", archive, "--rejected")
        self.step(f"What happened to {week.line} {week.number}?")
        self.type("history", archive, week.number, "--line", week.line)

    def _keys(self, role: str, organisation: str, person: str) -> None:
        self.type("keys", "new", self._folder(f"keys/{role}"), "--organisation", organisation, "--person", person,
                  "--demo", "--passphrase-env", PASSPHRASE, at=_OFFICE)  # fmt: skip

    def _folder(self, name: str) -> str:
        return str(self.folder / name)
