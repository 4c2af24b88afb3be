"""``decide``: what the evidence does not settle, and recording who settled it, how and why."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from beadroll.cli.office import JOB, Week
from beadroll.cli.session import Session, shared
from beadroll.cli.visible import count
from beadroll.errors import InputError

if TYPE_CHECKING:
    from beadroll.handover.stages import Reconciled, Suggestion
    from beadroll.record.handover import Decision, Period


@click.command()
@click.argument("job", type=JOB)
@click.argument("subject", default="")
@click.option("--week", type=Week(), help="List what this week leaves open.")
@click.option("--assign", metavar="WELD", default="", help="The radiograph is of this, such as 'LN-207 W-0213 2-0'.")
@click.option("--set-aside", is_flag=True, help="The file is not part of the handover; it travels as delivered.")
@click.option("--confirm", metavar="CODE", default="", help="The finding was looked at; the records stand as they are.")
@click.option("--correct", metavar="FIELD", default="", help="Read this field of the row otherwise; see --reads.")
@click.option("--stands", default="", help="What the field says, as written.")
@click.option("--reads", default="", help="What it is to be read as.")
@click.option("--undo", metavar="ID", default="", help="An earlier decision no longer holds.")
@click.option("--by", default="", help="Who decides.")
@click.option("--reason", default="", help="Why, in a sentence.")
@shared
def decide(session: Session, job: Path, subject: str, week: Period | None, **chosen: Any) -> int:
    """List what a week leaves open, or record a decision about SUBJECT (a file, or a row as findings name it).

    Nothing the crews delivered is altered; decisions are added to decisions.toml and never removed.
    """
    acts = [name for name in ("assign", "set_aside", "confirm", "correct", "undo") if chosen[name]]
    if not acts:
        if week is None:
            raise click.UsageError("give --week to list what is open, or say what you decide, such as --assign.")
        return _list(session, job, week, subject)
    if len(acts) > 1:
        raise click.UsageError(
            "one decision at a time: give one of --assign, --set-aside, --confirm, --correct, --undo."
        )
    if not chosen["by"] or not chosen["reason"]:
        raise click.UsageError("a decision needs --by and --reason.")
    if not subject and not chosen["undo"]:
        raise click.UsageError("a decision needs its SUBJECT: the file or row it is about.")
    made = record(session, job, subject, acts[0], **chosen)
    say_decided(session, made)
    session.screen.result({"ok": True, "decision": made})
    return 0


def record(session: Session, job: Path, subject: str, act: str, **chosen: Any) -> Decision:
    """Add a decision to the job's decisions.toml and return it."""
    from beadroll.handover.decisions import (
        FILE_NAME,
        append_decision,
        digest_in,
        file_of,
        next_id,
        read_decisions,
    )
    from beadroll.handover.gathering.jobfolder import read_job
    from beadroll.record.handover import Decision, DecisionKind

    where = job / FILE_NAME
    settings = read_job(job)
    kind = DecisionKind(act)
    details: dict[str, str] = {}
    if kind is DecisionKind.ASSIGN:
        details = _place(settings.job, chosen["assign"])
    elif kind is DecisionKind.CONFIRM:
        details = {"finding": chosen["confirm"]}
    elif kind is DecisionKind.CORRECT:
        details = {"field": chosen["correct"], "stands": chosen.get("stands", ""), "reads": chosen.get("reads", "")}
    elif kind is DecisionKind.UNDO:
        details = {"undoes": chosen["undo"]}
    known = frozenset(path.relative_to(job).as_posix() for path in job.rglob("*") if path.is_file())
    file = file_of(subject, known)
    if kind in (DecisionKind.ASSIGN, DecisionKind.SET_ASIDE) and not file.startswith("crews/"):
        raise InputError("is no file that a crew delivered", path=subject, remedy="Name it as the findings do.")
    made = Decision(
        id=next_id(read_decisions(where)),
        kind=kind,
        subject=subject,
        by=chosen["by"],
        at=session.now().astimezone(settings.zone).replace(microsecond=0),
        reason=chosen["reason"],
        subject_sha512=digest_in(job)(file) if file else "",
        **details,
    )
    append_decision(where, made)
    return made


def _place(job: Any, text: str) -> dict[str, str]:
    from beadroll.record.number import parse

    read = parse(text, job.numbers, tuple(line.id for line in job.lines))
    if not read.number or read.others:
        raise InputError("names no weld, or more than one", path=text, remedy="Write it as 'LN-207 W-0213 2-0'.")
    return {"line": read.line, "number": read.number, "event": read.event, "segment": read.segment}


def say_decided(session: Session, made: Decision) -> None:
    """Print a decision as it was recorded."""
    what = {
        "assign": f"belongs to {place(made)}",
        "set_aside": "is set aside; it travels as delivered",
        "confirm": f"{made.finding}: the records stand as they are",
        "correct": f"{made.field} {made.stands} reads {made.reads}",
        "undo": f"{made.undoes} no longer holds",
    }[made.kind.value]
    session.screen.say(f"{made.id}  {made.subject or made.undoes}: {what}")
    session.screen.say(f"  {made.by}, {made.at:%Y-%m-%d %H:%M}: {made.reason}", "dim")


def place(spot: Decision | Suggestion) -> str:
    """Return where a decision or a suggestion puts a radiograph, as it is said."""
    return " ".join(part for part in (spot.line, spot.number + spot.event, spot.segment) if part)


def _list(session: Session, job: Path, week: Period, subject: str) -> int:
    from beadroll.handover.gathering.gather import gather
    from beadroll.handover.reconciling.reconcile import reconcile

    with session.screen.progress("Reconciling"):
        found = reconcile(gather(job, week))
    show_open(session, found, subject)
    session.screen.result({"ok": not found.discrepancies, "open": found.discrepancies})
    return 3 if any(each.finding.severity.value != "note" for each in found.discrepancies) else 0


def show_open(session: Session, found: Reconciled, subject: str = "") -> None:
    """Print what the evidence does not settle; for one ``subject`` also the places it may belong, best first."""
    from beadroll.findings import Report

    screen = session.screen
    delivered = len(found.gathered.radiographs)
    placed = sum(len(weld.radiographs) for weld in found.record.welds)
    aside, still = len(found.set_aside), len(found.discrepancies)
    screen.say(
        f"{placed} of {count(delivered, 'radiograph')} on {count(len(found.record.welds), 'weld')}; "
        f"{count(aside, 'file')} set aside; {count(still, 'discrepancy', 'discrepancies')} open."
    )
    chosen = [each for each in found.discrepancies if subject in ("", each.subject)]
    screen.report(Report(findings=tuple(each.finding for each in chosen)))
    for each in chosen if subject else ():
        screen.table(("it may be", "why"), [(place(spot), spot.reason) for spot in each.suggestions])
