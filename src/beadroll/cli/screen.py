"""All printing. The only module that writes to the terminal.

Results go to standard output, progress and errors to standard error. Every field passes ``visible``; no text is ever
read as markup. Colour only on a terminal and never under NO_COLOR. Knows how things look; refuses to know what they
mean.
"""

from __future__ import annotations

import io
import json
import os
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date, datetime
from enum import Enum
from itertools import groupby
from typing import TYPE_CHECKING, Any, Final, TextIO

from beadroll.cli.visible import visible

if TYPE_CHECKING:
    from pathlib import Path

    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    from beadroll.errors import BeadrollError
    from beadroll.findings import Finding, Report

Told = Callable[[int, int, int, int], None]
"""Progress of a piece of work: files done, files in all, bytes done, bytes in all; 0 in all means not known."""

Part = tuple[str, str]
"""A piece of a line and its style."""

_SHORT_CELL: Final = 14
_UNFOLDED: Final = 4000
"""Width where nobody looks at a terminal: lines are kept whole for whatever reads them."""
_STYLES: Final = {"stop": "bold red", "query": "yellow", "note": "dim"}
_WORDS: Final = {"stop": "STOP", "query": "ASK", "note": "note"}


class Screen:
    """Where a command's words go. ``as_json`` prints one JSON document at the end instead of words."""

    def __init__(self) -> None:
        """Start with words, progress allowed."""
        self.as_json = False
        self.quiet = False
        self._kept: list[Any] | None = None
        self._out: Console | None = None
        self._err: Console | None = None

    @property
    def out(self) -> Console:
        """The console of results."""
        if self._out is None:
            self._out = _console(sys.stdout)
        return self._out

    @property
    def err(self) -> Console:
        """The console of progress and errors."""
        if self._err is None:
            self._err = _console(sys.stderr)
        return self._err

    # Words

    def say(self, text: str = "", style: str = "") -> None:
        """Print one line or paragraph of our own, with foreign parts made visible; folds under its own beginning."""
        if self.as_json:
            return
        from rich.padding import Padding

        if not text:
            self.out.file.write("\n")
            return
        bare = text.lstrip(" ")
        with self.out.capture() as caught:
            self.out.print(Padding(_text(bare, style), (0, 0, 0, len(text) - len(bare)), expand=False))
        _write(self.out, caught.get())

    def heading(self, text: str) -> None:
        """Print a heading with a blank line before it."""
        if not self.as_json:
            self.out.print()
            self.out.print(_text(text, "bold"))

    def command(self, words: Sequence[str]) -> None:
        """Print a command as it would be typed, in several lines where it is long."""
        if self.as_json:
            return
        lines = [f"  $ {words[0]}"]
        for word in _together(words[1:]):
            if len(lines[-1]) + len(word) + 3 > self.out.width:
                lines[-1] += " \\"
                lines.append(f"      {word}")
            else:
                lines[-1] += f" {word}"
        for line in lines:
            self.out.print(_text(line, "cyan"), soft_wrap=True)

    def fields(self, pairs: Mapping[str, object], *, indent: int = 2) -> None:
        """Print names and values one below the other."""
        if self.as_json:
            return
        grid = _grid()
        for name, value in pairs.items():
            grid.add_row(_text(name, "dim"), _text(shown(value)))
        _emit(self.out, grid, indent)

    def entry(self, name: str, lines: Sequence[Sequence[Part]], *, width: int = 10, indent: int = 2) -> None:
        """Print an entry of a list: its name, and beside it lines that fold under their own beginning."""
        if self.as_json:
            return
        from rich.table import Table

        grid = Table.grid(padding=(0, 2, 0, 0))
        grid.add_column(no_wrap=True, width=width)
        grid.add_column(overflow="fold")
        for number, line in enumerate(lines):
            grid.add_row(_text(name if number == 0 else "", "bold"), _joined(*line))
        _emit(self.out, grid, indent)

    def table(self, headings: Sequence[str], rows: Iterable[Sequence[object]], *, indent: int = 2) -> None:
        """Print a table; long cells fold, nothing is cut off."""
        if self.as_json:
            return
        from rich import box
        from rich.table import Table

        made = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0), header_style="bold")
        cells = [[visible(shown(cell)) for cell in row] for row in rows]
        for number, heading in enumerate(headings):
            # Days and short words stay whole; only long columns fold.
            short = all(len(row[number]) <= _SHORT_CELL for row in cells)
            made.add_column(_text(heading), overflow="fold", no_wrap=short)
        for row in cells:
            made.add_row(*(_text(cell) for cell in row))
        _emit(self.out, made, indent)

    def report(self, report: Report) -> None:
        """Print findings, those that stop first; what to do stands once under all of a kind."""
        if not self.as_json:
            _findings(self.out, report.ordered())

    def result(self, value: Any) -> None:
        """Print the command's result as JSON where that was asked for, and nothing otherwise."""
        if self._kept is not None:
            self._kept.append(value)
        elif self.as_json:
            sys.stdout.write(as_json(value))
            sys.stdout.flush()

    @contextmanager
    def collecting(self) -> Iterator[list[Any]]:
        """Keep the results of commands run within, instead of printing each as a document of its own."""
        kept: list[Any] = []
        self._kept = kept
        try:
            yield kept
        finally:
            self._kept = None

    # Errors

    def error(self, fault: BeadrollError) -> None:
        """Print what happened in a sentence, every finding it carries, and what to do."""
        report = getattr(fault, "report", None)
        findings = report.ordered() if report is not None and hasattr(report, "ordered") else []
        if self.as_json:
            self.result(
                {
                    "ok": False,
                    "exit_code": fault.exit_code,
                    "error": fault.message,
                    "remedy": fault.remedy,
                    "findings": [finding_json(finding) for finding in findings],
                }
            )
            return
        self.err.print(_joined(("beadroll: ", "bold red"), (fault.message, "")))
        if findings:
            _findings(self.err, findings)
        if fault.remedy:
            self.err.print(_joined(("What to do: ", "bold"), (fault.remedy, "")))

    def apologise(self, kind: str, kept_in: Path | None) -> None:
        """Say that this is a fault of the program, and where its details lie."""
        where = f" The details are in {kept_in}." if kept_in else ""
        message = f"this is a fault of beadroll itself ({kind}), and we are sorry.{where}"
        remedy = "Nothing half-made was kept. Run the command again; if it fails again, send that file to the makers."
        if self.as_json:
            self.result({"ok": False, "exit_code": 1, "error": message, "remedy": remedy, "findings": []})
            return
        self.err.print(_joined(("beadroll: ", "bold red"), (message, "")))
        self.err.print(_joined(("What to do: ", "bold"), (remedy, "")))

    def complain(self, text: str) -> None:
        """Print one line to standard error."""
        self.err.print(_text(text))

    # Progress

    @contextmanager
    def progress(self, what: str) -> Iterator[Told]:
        """Show files, bytes and the time left on standard error; silent where nobody would see it."""
        if self.quiet or self.as_json or not self.err.is_terminal:
            yield _silent
            return
        from rich.progress import BarColumn, DownloadColumn, Progress, TextColumn, TimeRemainingColumn

        columns = (
            TextColumn("{task.description}"),
            BarColumn(bar_width=20),
            TextColumn("{task.fields[files]}"),
            DownloadColumn(),
            TimeRemainingColumn(compact=True),
        )
        with Progress(*columns, console=self.err, transient=True) as bar:
            task = bar.add_task(visible(what), total=None, files="")

            def tell(files: int, all_files: int, done: int, total: int) -> None:
                shown_files = f"{files}/{all_files} files" if all_files else f"{files} files"
                # Where the bytes in all are not known, the share of the files stands for them.
                expected = total or (done * all_files / files if files and all_files else None)
                bar.update(task, completed=done, total=expected, files=shown_files)

            yield tell


def _silent(files: int, all_files: int, done: int, total: int) -> None:
    """Tell nobody."""


def _console(stream: TextIO) -> Console:
    from rich.console import Console

    if isinstance(stream, io.TextIOWrapper):
        # A terminal that cannot show a character gets it spelled out instead of an exception.
        stream.reconfigure(errors="backslashreplace")
    terminal = stream.isatty()
    width = None if terminal or os.environ.get("COLUMNS") else _UNFOLDED
    return Console(
        file=stream,
        width=width,
        force_terminal=terminal,
        no_color=True if os.environ.get("NO_COLOR") else None,
        highlight=False,
        markup=False,
        emoji=False,
        soft_wrap=False,
    )


def _text(text: str, style: str = "") -> Text:
    from rich.text import Text

    return Text(visible(text), style=style, overflow="fold")


def _joined(*parts: tuple[str, str]) -> Text:
    from rich.text import Text

    made = Text(overflow="fold")
    for text, style in parts:
        made.append(visible(text), style=style)
    return made


def _together(words: Sequence[str]) -> list[str]:
    """Keep an option and its value on one line of a long command."""
    made: list[str] = []
    for word in words:
        if made and made[-1].startswith("--") and " " not in made[-1] and not word.startswith("-"):
            made[-1] += f" {word}"
        else:
            made.append(word)
    return made


def _grid() -> Table:
    from rich.table import Table

    grid = Table.grid(padding=(0, 2, 0, 0))
    grid.add_column(no_wrap=True)
    grid.add_column(overflow="fold")
    return grid


def _emit(console: Console, made: Table, indent: int) -> None:
    """Print a table indented, without the blanks that would fill its last column."""
    from rich.padding import Padding

    with console.capture() as caught:
        console.print(Padding(made, (0, 0, 0, indent), expand=False))
    _write(console, caught.get())


def _write(console: Console, text: str) -> None:
    """Write what was laid out, without the blanks that fill up lines."""
    console.file.write("".join(f"{line.rstrip()}\n" for line in text.splitlines()))


def _findings(console: Console, findings: Sequence[Finding]) -> None:
    grid = _grid()
    for code, group in groupby(findings, key=lambda each: each.code):
        same = list(group)
        severity = same[0].severity.value
        clause = f"  {same[0].clause}" if same[0].clause else ""
        grid.add_row(_text(_WORDS[severity], _STYLES[severity]), _text(code + clause, "dim"))
        for each in same:
            grid.add_row("", _text(each.text))
        for remedy in dict.fromkeys(each.remedy for each in same if each.remedy):
            grid.add_row("", _joined(("→ ", "bold"), (remedy, "")))
    _emit(console, grid, 2)


def shown(value: object) -> str:
    """Return a value as a reader wants it: days as ISO dates, moments to the minute with their zone, lists joined."""
    if value is None:
        return ""
    if isinstance(value, datetime):
        return f"{value:%Y-%m-%d %H:%M}" + (f" {value:%Z}" if value.tzinfo else "")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, tuple | list | set | frozenset):
        return ", ".join(shown(item) for item in value)
    return str(value)


def finding_json(finding: Finding) -> dict[str, Any]:
    """Return a finding as plain data."""
    return {
        "code": finding.code,
        "severity": finding.severity.value,
        "subject": finding.subject,
        "text": finding.text,
        "remedy": finding.remedy,
        "clause": finding.clause,
        "values": dict(finding.values),
    }


def as_json(value: Any) -> str:
    """Return plain data as JSON, one document with a final line feed; control characters are escaped by JSON itself."""
    return json.dumps(value, indent=1, default=_plain, ensure_ascii=True) + "\n"


def _plain(value: Any) -> Any:
    if hasattr(value, "__dataclass_fields__"):
        return {name: getattr(value, name) for name in value.__dataclass_fields__ if not name.startswith("_")}
    for kinds, made in _PLAIN:
        if isinstance(value, kinds):
            return made(value)
    return str(value)


_PLAIN: Final[tuple[tuple[Any, Callable[[Any], Any]], ...]] = (
    ((datetime, date), lambda value: value.isoformat()),
    (Enum, lambda value: value.value),
    ((set, frozenset), sorted),
    (Mapping, dict),
    (bytes, bytes.hex),
)
"""How values that JSON does not know are written; what is not listed is written as its text."""
