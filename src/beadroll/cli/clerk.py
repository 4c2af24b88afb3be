"""``find`` and ``history``: the records clerk's questions."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from beadroll.cli.session import Day, Session, shared
from beadroll.cli.visible import count

if TYPE_CHECKING:
    from beadroll.archive.find import Found

ARCHIVE = click.Path(exists=True, file_okay=False, path_type=Path)


@click.command()
@click.argument("archive", type=ARCHIVE)
@click.argument("number", default="")
@click.option("--line", default="", help="Pipe line, such as LN-204.")
@click.option("--job", default="", help="Short name of the job.")
@click.option("--spool", default="")
@click.option("--drawing", default="")
@click.option("--handover", default="", help="Number of a handover.")
@click.option("--welder", default="", help="Stencil or name.")
@click.option("--interpreter", default="", help="Initials or name.")
@click.option("--source", default="", help="Serial number of a source.")
@click.option("--technique", default="", help="Number of a technique sheet.")
@click.option("--indication", default="", help="Name, ISO 6520-1 number or abbreviation, such as slag, 301, IP.")
@click.option("--standing", default="", help="accepted, rejected, reshoot_owed, cut_out or not_examined.")
@click.option("--rejected", is_flag=True, help="Rejected at any time, whatever became of it.")
@click.option(
    "--repairs", "repairs_at_least", type=click.IntRange(min=0), default=None, help="At least so many repairs."
)
@click.option("--words", default="", help="Words that stand in remarks.")
@click.option("--from", "since", type=Day(), default=None, help="Not before this day.")
@click.option("--until", type=Day(), default=None, help="Not after this day.")
@click.option("--sort", default="number", show_default=True, help="number, welded, read, repairs or handover.")
@click.option("--descending", is_flag=True, help="The last first.")
@click.option("--limit", type=click.IntRange(min=1), default=100, show_default=True, help="At most so many welds.")
@shared
def find(session: Session, archive: Path, **asked: Any) -> None:
    """Find welds in ARCHIVE by what is remembered of them. All that is given must hold.

    NUMBER is tolerant: 117, "w 117" and W-0117R1 all find W-0117.
    """
    from beadroll.archive.find import Query, Sort
    from beadroll.archive.find import find as look
    from beadroll.record.weld import Standing

    query = Query(
        **{
            **asked,
            "sort": _one_of(Sort, asked["sort"], "--sort"),
            "standing": _one_of(Standing, asked["standing"], "--standing") if asked["standing"] else None,
        }
    )
    show_found(session, look(archive, query))


def _one_of(kind: Any, text: str, option: str) -> Any:
    try:
        return kind(text)
    except ValueError:
        raise click.BadParameter(f"{text!r} is none of {', '.join(kind)}", param_hint=option) from None


def show_found(session: Session, found: Found) -> None:
    """Print found welds, one a row."""
    screen = session.screen
    for note in found.notes:
        screen.say(note)
    if found.welds:
        screen.table(
            ("weld", "standing", "welded", "last read", "by", "rep.", "handover"),
            [
                (
                    f"{weld.line} {weld.number}",
                    weld.standing.value.replace("_", " "),
                    weld.welded_on,
                    weld.last_read_on,
                    weld.stencils,
                    weld.repairs,
                    weld.handover,
                )
                for weld in found.welds
            ],
        )
    many = f"  {count(len(found.welds), 'weld')}"
    screen.say(f"{many}; there are more, see --limit" if found.cut_off else many)
    if found.did_you_mean:
        screen.say(f"  Did you mean {', '.join(found.did_you_mean)}?")
    screen.result({"ok": True, "welds": found.welds, "cut_off": found.cut_off, "did_you_mean": found.did_you_mean})


@click.command()
@click.argument("archive", type=ARCHIVE)
@click.argument("number")
@click.option("--line", default="", help="Pipe line, where the number alone does not name one weld.")
@click.option("--job", default="", help="Short name of the job.")
@click.option("--on-disk", is_flag=True, help="Show where each file lies in the archive.")
@shared
def history(
    session: Session,
    archive: Path,
    number: str,
    line: str,
    job: str,
    on_disk: bool,  # noqa: FBT001 - a flag of the command line
) -> None:
    """Tell one weld's history from ARCHIVE: every step in order, with the files behind it."""
    from beadroll.archive.history import history as tell
    from beadroll.cli.telling import show_history

    show_history(session, tell(archive, number, line or None, job=job or None), on_disk=on_disk)
