"""``new`` and ``gather``: the office's first commands."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from beadroll.cli.session import Session, shared
from beadroll.cli.visible import count, size

if TYPE_CHECKING:
    from beadroll.handover.stages import Gathered
    from beadroll.record.handover import Period

JOB = click.Path(exists=True, file_okay=False, path_type=Path)


class Week(click.ParamType["Period"]):
    """An ISO week such as ``2031-W14``, as the days it covers."""

    name = "WEEK"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> Period:
        """Return Monday to Sunday of the week."""
        from beadroll.record.handover import Period

        if isinstance(value, Period):
            return value
        try:
            return Period.of_week(str(value))
        except ValueError:
            self.fail(f"{value!r} is not a week such as 2031-W14", param, ctx)


WEEK = click.option("--week", type=Week(), required=True, help="The week to hand over, such as 2031-W14.")


@click.command()
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option("--id", "job_id", default="JOB-001", show_default=True, help="Short name of the job.")
@click.option("--client", default="Name of the client", help="Who gets the handovers.")
@click.option("--contractor", default="Name of the radiography contractor", help="Who makes them.")
@click.option("--time-zone", default="Etc/UTC", show_default=True, help="Time zone of the sheets.")
@shared
def new(session: Session, folder: Path, job_id: str, client: str, contractor: str, time_zone: str) -> None:
    """Make a job folder in FOLDER, with a job.toml to fill in."""
    from beadroll.handover.jobfolder import FOLDERS, new_job

    made = new_job(folder, job_id=job_id, client=client, contractor=contractor, time_zone=time_zone)
    screen = session.screen
    screen.say(f"Made a job folder in {folder}.")
    screen.fields(
        {
            "fill in": made,
            "then put in": ", ".join(f"{name}/" for name in FOLDERS),
            "crews' files": f"{folder}/crews/<crew>/<date>/, as delivered; they are never altered",
        }
    )
    screen.result({"ok": True, "folder": folder, "job": made})


@click.command()
@click.argument("job", type=JOB)
@WEEK
@shared
def gather(session: Session, job: Path, week: Period) -> int:
    """Read everything JOB holds of a week and say what is there; nothing is decided or altered."""
    from beadroll.findings import Report
    from beadroll.handover.gather import gather as gather_week

    with session.screen.progress("Reading the job folder"):
        found = gather_week(job, week)
    report = Report(findings=found.findings)
    show_gathered(session, found)
    if report.findings:
        session.screen.report(report)
    session.screen.result({"ok": not report.open, **gathered_json(found)})
    return 3 if report.open else 0


def show_gathered(session: Session, found: Gathered) -> None:
    """Print what a week's folders hold, by crew and day."""
    screen = session.screen
    job = found.job
    screen.say(f"{job.client}, contract {job.contract}: week {found.period.week}, handover {found.handover.number}")
    films: Counter[tuple[str, object]] = Counter((each.file.crew, each.file.on) for each in found.radiographs)
    bytes_of: Counter[tuple[str, object]] = Counter()
    for each in found.radiographs:
        bytes_of[each.file.crew, each.file.on] += each.file.size_bytes
    lines: Counter[tuple[str, object]] = Counter((line.crew, line.exposed_on) for line in found.reader_lines)
    days = sorted(films.keys() | lines.keys(), key=str)
    screen.table(
        ("crew", "day", "radiographs", "reader-sheet lines", "size"),
        [(crew, day, films[crew, day], lines[crew, day], size(bytes_of[crew, day])) for crew, day in days],
    )
    screen.say(
        f"  and {count(len(found.weld_log), 'weld')} in the weld log, "
        f"{count(len(found.techniques), 'technique sheet')}, {count(len(found.people), 'person', 'people')}, "
        f"{count(len(found.equipment), 'piece', 'pieces')} of equipment, {count(len(found.decisions), 'decision')}"
    )


def gathered_json(found: Gathered) -> dict[str, Any]:
    """Return what was gathered as counts and findings."""
    from beadroll.cli.screen import finding_json

    return {
        "handover": found.handover.number,
        "week": found.period.week,
        "radiographs": len(found.radiographs),
        "bytes": sum(each.file.size_bytes for each in found.radiographs),
        "reader_lines": len(found.reader_lines),
        "welds": len(found.weld_log),
        "techniques": len(found.techniques),
        "people": len(found.people),
        "equipment": len(found.equipment),
        "decisions": len(found.decisions),
        "findings": [finding_json(each) for each in found.findings],
    }
