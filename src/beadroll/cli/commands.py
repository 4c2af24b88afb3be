"""The list of commands and the frame they run in: lazy loading, exit codes, errors as sentences.

A command's module is imported only when it runs, so that ``--help`` costs nothing. Knows names and exit codes; what
the commands do is in the modules that the list names.
"""

from __future__ import annotations

import errno
import importlib
import os
import sys
import tempfile
import traceback
from pathlib import Path
from typing import Any, Final, NoReturn

import click

from beadroll import __version__
from beadroll.cli.session import Session, moment
from beadroll.errors import BeadrollError, MachineError

COMMANDS: Final[dict[str, dict[str, tuple[str, str]]]] = {
    "Try it": {
        "demo": ("rehearsal", "Run the whole job on an invented week."),
    },
    "The office": {
        "new": ("office", "Make a job folder with a job.toml to fill in."),
        "gather": ("office", "Read a week's folders and say what is there."),
        "decide": ("deciding", "List what is open, and record who settled it, how and why."),
        "check": ("office", "Check a week by the rules of its code."),
        "explain": ("explaining", "Show a rule: its words, its table, a worked example."),
        "build": ("office", "Build the delivery package of a week."),
        "counts": ("counting", "Count welds made, examined, rejected, and what became of them."),
    },
    "Keys and trust": {
        "keys": ("keyring", "Make, show, renew and revoke the keys that seal."),
        "trust": ("keyring", "Say whose seals count, by fingerprints told out of band."),
        "seal": ("keyring", "Add a seal to a finished package."),
    },
    "The client": {
        "verify": ("client", "Check a package: every file, every digest, the seals."),
        "archive": ("client", "Make an empty archive."),
        "receive": ("client", "Verify a package into an archive and answer with a receipt."),
    },
    "The records clerk": {
        "find": ("clerk", "Find welds by what is remembered of them."),
        "history": ("clerk", "Tell one weld's history, with the files behind each step."),
        "audit": ("keeping", "Hash every stored byte again; mend damage from a copy."),
        "copy": ("keeping", "Bring a second copy of an archive up to date."),
        "rebuild": ("keeping", "Make the catalog anew from the stored packages."),
    },
}
"""Room -> command -> module of this folder and what the command does in a line."""

EXIT_CODES: Final = """\b
Exit codes: 0 clean, 1 could not (bad input, the machine), 2 wrong usage,
3 done with open findings, 4 integrity or signature failed, 130 interrupted."""

_REFUSED: Final = frozenset(
    {errno.ENOSPC, errno.EACCES, errno.EPERM, errno.EROFS, errno.EDQUOT, errno.EIO, errno.ENOENT}
)


class Rooms(click.Group):
    """The commands by room, each loaded when it is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        """Return the names in the order of the list."""
        return [name for room in COMMANDS.values() for name in room]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002 - click's signature
        """Import the command's module and return the command."""
        for room in COMMANDS.values():
            if cmd_name in room:
                module = importlib.import_module(f"beadroll.cli.{room[cmd_name][0]}")
                found: click.Command = getattr(module, cmd_name)
                return found
        return None

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002 - click's signature
        """Write the list without importing anything."""
        for room, commands in COMMANDS.items():
            with formatter.section(room):
                formatter.write_dl([(name, what) for name, (_, what) in commands.items()])


@click.group(
    cls=Rooms,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog=EXIT_CODES,
)
@click.version_option(__version__, "--version", message="beadroll %(version)s")
@click.option("--at", metavar="MOMENT", default="", help="For rehearsals: take this moment for now (ISO 8601).")
@click.pass_obj
def beadroll(session: Session, at: str) -> None:
    """Weld radiographs and their records, from a crew's week to a weld found years later.

    beadroll keeps records and checks them; it does not judge a weld. Start with: beadroll demo
    """
    session.at = moment(at) if at else None


def run(arguments: list[str] | None = None) -> NoReturn:
    """Run the command line and leave with its exit code."""
    sys.exit(outcome(arguments))


def outcome(arguments: list[str] | None = None) -> int:
    """Run the command line and return its exit code; errors have been printed by then."""
    session = Session()
    try:
        result = beadroll.main(args=arguments, prog_name="beadroll", standalone_mode=False, obj=session)
        sys.stdout.flush()
    except (Exception, KeyboardInterrupt) as fault:  # noqa: BLE001 - the last wall before the user
        return _failed(session, fault)
    return result if isinstance(result, int) else 0


def _failed(session: Session, fault: BaseException) -> int:
    """Say what went wrong, each kind in its way, and return the exit code."""
    if isinstance(fault, BeadrollError):
        session.screen.error(fault)
        code = fault.exit_code
    elif isinstance(fault, click.UsageError):
        code = _usage(session, fault)
    elif isinstance(fault, KeyboardInterrupt | click.Abort):
        session.screen.complain("\nInterrupted. What was finished stays; what was half-made is thrown away.")
        code = 130
    elif isinstance(fault, BrokenPipeError):
        # Whoever read our output has gone: say nothing more, also not while the interpreter shuts down.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = 1
    elif isinstance(fault, OSError) and fault.errno in _REFUSED:
        session.screen.error(_machine(fault))
        code = MachineError.exit_code
    else:
        session.screen.apologise(type(fault).__name__, _keep(fault))
        code = 1
    return code


def _usage(session: Session, wrong: click.UsageError) -> int:
    where = wrong.ctx.command_path if wrong.ctx else "beadroll"
    message = wrong.format_message()
    if isinstance(wrong, click.exceptions.NoArgsIsHelpError):
        for line in message.splitlines():
            session.screen.complain(line)
    elif session.screen.as_json:
        session.screen.result(
            {"ok": False, "exit_code": 2, "error": message, "remedy": f"{where} --help", "findings": []}
        )
    else:
        session.screen.complain(f"beadroll: {message}")
        session.screen.complain(f"What to do: see {where} --help")
    return 2


def _machine(refused: OSError) -> MachineError:
    what = f"{refused.filename}: " if refused.filename else ""
    return MachineError(
        f"{what}the machine refused: {refused.strerror}",
        remedy="Check the disk, the path and the permissions; then run it again.",
    )


def _keep(fault: BaseException) -> Path | None:
    """Write the details of a bug to a file only its user may read."""
    details: list[Any] = [f"beadroll {__version__}, Python {sys.version}\n", *traceback.format_exception(fault)]
    try:
        handle, name = tempfile.mkstemp(prefix="beadroll-fault-", suffix=".txt")
        with os.fdopen(handle, "w", encoding="utf-8", errors="backslashreplace") as file:
            file.writelines(details)
    except OSError:
        return None
    return Path(name)
