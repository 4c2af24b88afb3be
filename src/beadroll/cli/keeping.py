"""``audit``, ``copy`` and ``rebuild``: keeping an archive sound over the years."""

from __future__ import annotations

import re
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from beadroll.cli.clerk import ARCHIVE
from beadroll.cli.session import Session, shared
from beadroll.cli.visible import count, size
from beadroll.errors import NotTrusted

if TYPE_CHECKING:
    from beadroll.archive.audit import Audited


class Share(click.ParamType[float]):
    """A part of the whole such as ``5%`` or ``0.05``, kept as a number up to 1."""

    name = "SHARE"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the part."""
        if isinstance(value, float):
            return value
        text = str(value).strip()
        found = re.fullmatch(r"(\d+(?:\.\d+)?)\s*(%?)", text)
        share = float(found[1]) / (100 if found[2] else 1) if found else 0.0
        if not 0 < share <= 1:
            self.fail(f"{text!r} is not a part such as 5%", param, ctx)
        return share


@click.command()
@click.argument("archive", type=ARCHIVE)
@click.option("--copy", type=ARCHIVE, help="A second copy to mend damage from.")
@click.option(
    "--share", type=Share(), default="100%", show_default=True, help="Part to check, longest unchecked first."
)
@click.option("--since", "days", type=click.IntRange(min=1), help="Leave out what was found good within so many days.")
@click.option("--threads", type=click.IntRange(1, 64), default=2, show_default=True)
@shared
def audit(session: Session, archive: Path, **chosen: Any) -> int:
    """Hash every stored byte of ARCHIVE again, judge the seals again, compare the catalog.

    A run that was cut off is taken up by the next. Damage is mended from --copy; good bytes are never overwritten.
    Exit code 4 when damage was found that was not mended.
    """
    from beadroll.archive.audit import audit as look

    with session.screen.progress("Auditing") as tell:
        found = look(
            archive,
            now=session.now(),
            share=chosen["share"],
            since=timedelta(days=chosen["days"]) if chosen["days"] else None,
            copy=chosen["copy"],
            threads=chosen["threads"],
            progress=lambda done, total, _: tell(done, total, done, total),
        )
    show_audited(session, found)
    return 3 if found.report.open else 0


def show_audited(session: Session, found: Audited) -> None:
    """Say what an audit found; raises ``NotTrusted`` where damage is left."""
    screen = session.screen
    if found.report.stops:
        raise NotTrusted(
            f"the audit found {count(len(found.report.stops), 'fault')}; the report is {found.written}",
            found.report,
            remedy="Mend from a second copy with --copy, or ask whoever delivered for the handover again."
            + (f" Affected: {', '.join(found.welds)}." if found.welds else ""),
        )
    screen.say("Every byte checked is as it was received.", "bold green")
    screen.fields(
        {
            "checked": f"{count(found.objects, 'handover')}, {count(found.files, 'file')}, {size(found.size_bytes)}",
            "oldest check": found.oldest_check or "some were never checked",
            "report": found.written,
        }
    )
    if found.report.findings:
        screen.report(found.report)
    screen.result(
        {
            "ok": found.report.clean,
            "objects": found.objects,
            "files": found.files,
            "bytes": found.size_bytes,
            "oldest_check": found.oldest_check,
            "report": found.written,
            "findings": found.report.ordered(),
        }
    )


@click.command()
@click.argument("archive", type=ARCHIVE)
@click.argument("target", type=click.Path(file_okay=False, path_type=Path))
@shared
def copy(session: Session, archive: Path, target: Path) -> int:
    """Bring the second copy of ARCHIVE in TARGET up to date; the first run makes it. Every byte is verified."""
    from beadroll.archive.copying import copy_archive

    with session.screen.progress("Copying") as tell:
        made = copy_archive(archive, target, progress=lambda done, _: tell(done, 0, 0, 0))
    screen = session.screen
    screen.say(f"{count(made.objects, 'handover')} looked at, {count(made.versions, 'version')} added to {target}.")
    if made.report.findings:
        screen.report(made.report)
    screen.result(
        {
            "ok": made.report.clean,
            "objects": made.objects,
            "versions": made.versions,
            "findings": made.report.ordered(),
        }
    )
    return 3 if made.report.open else 0


@click.command()
@click.argument("archive", type=ARCHIVE)
@shared
def rebuild(session: Session, archive: Path) -> int:
    """Make the catalog of ARCHIVE anew from the stored packages, which are the record and stay as they are."""
    from beadroll.archive.rebuild import rebuild as make_anew

    with session.screen.progress("Rebuilding the catalog") as tell:
        made = make_anew(archive, progress=lambda done, _: tell(done, 0, 0, 0))
    screen = session.screen
    screen.say(f"The catalog was made anew from {count(made.objects, 'handover')}.")
    if made.report.findings:
        screen.report(made.report)
    screen.result(
        {"ok": made.report.clean, "objects": made.objects, "batches": made.batches, "findings": made.report.ordered()}
    )
    return 3 if made.report.open else 0
