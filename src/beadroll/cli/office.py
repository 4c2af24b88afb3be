"""``new``, ``gather``, ``check`` and ``build``: the office's path to a package."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from beadroll.cli.session import Day, Session, shared
from beadroll.cli.visible import count, size

if TYPE_CHECKING:
    from beadroll.handover.stages import Assembled, Checked, Gathered
    from beadroll.record.handover import Period, Previous

PACKAGE = click.Path(exists=True, path_type=Path)
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
    from beadroll.handover.gathering.jobfolder import FOLDERS, new_job

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
    from beadroll.handover.gathering.gather import gather as gather_week

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


@click.command()
@click.argument("job", type=JOB)
@WEEK
@shared
def check(session: Session, job: Path, week: Period) -> int:
    """Reconcile a week of JOB and check it by the rules of its code; nothing is written.

    Everything found is listed with the numbers; the tool never judges a weld.
    """
    from beadroll.handover.build import prepare

    with session.screen.progress("Checking"):
        found = prepare(job, week)
    show_checked(session, found)
    session.screen.result(
        {"ok": found.report.clean, "handover": found.reconciled.gathered.handover.number, "findings": _json_of(found)}
    )
    return 3 if found.report.open else 0


def _json_of(found: Checked) -> list[dict[str, Any]]:
    from beadroll.cli.screen import finding_json

    return [finding_json(each) for each in found.report.ordered()]


def show_checked(session: Session, found: Checked) -> None:
    """Print how a week stands: its welds by standing, and everything found."""
    screen = session.screen
    record = found.reconciled.record
    by_line: dict[str, Counter[str]] = {}
    for weld in record.welds:
        by_line.setdefault(weld.weld.id.line, Counter())[weld.standing.value.replace("_", " ")] += 1
    screen.table(
        ("line", "welds", "standing"),
        [
            (line, sum(standings.values()), [f"{many} {name}" for name, many in sorted(standings.items())])
            for line, standings in sorted(by_line.items())
        ],
    )
    stops, opens, all_found = len(found.report.stops), len(found.report.open), len(found.report.findings)
    if found.report.clean:
        notes = f"; {count(all_found, 'note')}" if all_found else ""
        screen.say(f"  Nothing stops the handover and nothing needs an answer{notes}.", "green")
    else:
        screen.say(f"  {count(stops, 'finding')} stop the handover, {opens - stops} need an answer.")
    if found.report.findings:
        screen.report(found.report)


@click.command()
@click.argument("job", type=JOB)
@WEEK
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), required=True, help="Folder for the package.")
@click.option("--dated", type=Day(), help="Day of the handover; the last day of the week if not given.")
@click.option("--after", type=PACKAGE, help="The package handed over before this one, so that a gap would show.")
@click.option("--folder", "as_folder", is_flag=True, help="Write the package as a folder, not as a ZIP.")
@click.option("--codec", default="", help="jpeg-ls, htj2k, jpeg-xl, rle or uncompressed; the job's own if not given.")
@click.option("--replace", is_flag=True, help="Take the place of a package of the same name.")
@click.option("--threads", type=click.IntRange(1, 64), default=2, show_default=True)
@shared
def build(session: Session, job: Path, week: Period, out: Path, **chosen: Any) -> int:
    """Build the delivery package of a week of JOB; seal it afterwards with: beadroll seal.

    Stops while findings stop the handover. Two builds of the same week give the same payload bytes.
    """
    from beadroll.handover.build import build as make
    from beadroll.images import Codec
    from beadroll.package.layout import Form

    codecs = [codec.value for codec in Codec]
    if chosen["codec"] and chosen["codec"] not in codecs:
        raise click.BadParameter(f"{chosen['codec']!r} is none of {', '.join(codecs)}", param_hint="--codec")
    with session.screen.progress(f"Building {week.week}") as tell:
        made = make(
            job,
            week,
            out,
            form=Form.FOLDER if chosen["as_folder"] else Form.ZIP,
            dated=chosen["dated"],
            previous=_before(chosen["after"]) if chosen["after"] else None,
            codec=Codec(chosen["codec"]) if chosen["codec"] else None,
            threads=chosen["threads"],
            progress=lambda done, total: tell(0, 0, done, total),
            replace_existing=chosen["replace"],
        )
    show_built(session, made)
    return 3 if made.report.open else 0


def _before(package: Path) -> Previous:
    """Return how the handover before this one is named: its number and the digest of its tag manifest."""
    import hashlib

    from beadroll.archive.receive import read_index
    from beadroll.package.layout import TAG_MANIFEST
    from beadroll.package.read import PackageReader
    from beadroll.record.handover import Previous

    with PackageReader.open(package) as reader:
        number = read_index(reader).handover.number
        digest = hashlib.sha512(reader.read(TAG_MANIFEST, 1 << 26)).hexdigest()
    return Previous(number=number, tagmanifest_sha512=digest)


def show_built(session: Session, made: Assembled) -> None:
    """Say what was built, and where its transmittal lies."""
    from beadroll.handover.assembling.pages import transmittal_path

    screen = session.screen
    package = made.package
    transmittal = transmittal_path(made)
    total = sum(entry.size for entry in package.files)
    films = [film for weld in made.record.welds for film in weld.radiographs]
    delivered = sum(film.delivered_size_bytes for film in films)
    packed = sum(film.size_bytes for film in films)
    screen.say(f"Built {package.path}.", "bold green")
    restorable = sum(film.restorable for film in films)
    screen.fields(
        {
            "holds": f"{count(len(package.files), 'file')}, {size(total)}; {count(len(made.record.welds), 'weld')}",
            "radiographs": f"{len(films)}, {size(delivered)} as delivered, {size(packed)} packed without loss",
            "restorable": f"{restorable} of {len(films)} to the delivered file, byte for byte",
            "tag manifest": f"SHA-512 {package.tagmanifest_sha512[:32]}…",
            "transmittal": str(transmittal) if transmittal.exists() else "none: the font cannot print the record",
        }
    )
    if made.report.open:
        screen.report(made.report)
    screen.result(
        {
            "ok": True,
            "package": package.path,
            "name": package.name,
            "form": package.form,
            "files": len(package.files),
            "bytes": total,
            "radiographs": len(films),
            "tagmanifest_sha512": package.tagmanifest_sha512,
            "transmittal": transmittal if transmittal.exists() else None,
            "findings": made.report.ordered(),
        }
    )
