"""``verify`` and ``receive``: the client's side."""

from __future__ import annotations

from pathlib import Path

import click

from beadroll.cli.session import Session, shared

PACKAGE = click.Path(exists=True, path_type=Path)


@click.command()
@click.argument("package", type=PACKAGE)
@click.option(
    "--trust", "folder", type=click.Path(file_okay=False, path_type=Path), help="Trust folder to judge the seals by."
)
@click.option("--digests-only", is_flag=True, help="Check files against their lists and leave the seals unjudged.")
@click.option(
    "--require", multiple=True, default=("contractor",), show_default=True, help="Role that must have sealed."
)
@shared
def verify(
    session: Session,
    package: Path,
    folder: Path | None,
    digests_only: bool,  # noqa: FBT001 - a flag of the command line
    require: tuple[str, ...],
) -> int:
    """Check a PACKAGE (folder or ZIP): every file against every list, and the seals by those you trust.

    All faults are listed, file by file. Exit code 4 when anything failed.
    """
    from beadroll.cli.sealing import Judges, looked_through, verified
    from beadroll.package.trust import Trust

    if folder is None and not digests_only:
        raise click.UsageError("whom do you trust? Give --trust FOLDER, or --digests-only to leave the seals unjudged.")
    judges = None if folder is None else Judges(Trust.load(folder), session, require)
    found = looked_through(session, package, judges)
    return verified(session, package, found, judges.verdicts if judges else ())
