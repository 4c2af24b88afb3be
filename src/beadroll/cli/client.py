"""``verify``, ``archive`` and ``receive``: the client's side."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from beadroll.cli.secrets import passphrase, passphrase_options
from beadroll.cli.session import Session, shared
from beadroll.cli.visible import count, size

if TYPE_CHECKING:
    from beadroll.archive.receive import Stored
    from beadroll.package.seals.receipt import Reason

KEYS = click.Path(file_okay=False, path_type=Path)
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
    from beadroll.package.content import judge_content
    from beadroll.package.seals.trust import Trust

    if folder is None and not digests_only:
        raise click.UsageError("whom do you trust? Give --trust FOLDER, or --digests-only to leave the seals unjudged.")
    judges = None if folder is None else Judges(Trust.load(folder), session, require)
    found = looked_through(session, package, judges, judge_content)
    return verified(session, package, found, judges.verdicts if judges else ())


@click.command()
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option("--title", required=True, help="What the archive is of.")
@click.option(
    "--require", multiple=True, default=("contractor",), show_default=True, help="Role that must have sealed."
)
@shared
def archive(session: Session, folder: Path, title: str, require: tuple[str, ...]) -> None:
    """Make an empty archive in FOLDER. Then say whom it trusts, in FOLDER/trust."""
    from beadroll.archive.home import TRUST, create_archive

    made = create_archive(folder, title=title, now=session.now(), required_roles=require)
    screen = session.screen
    screen.say(f"Made the archive {made.title!r} in {folder}.")
    screen.fields({"packages must be sealed by": made.required_roles, "say whom it trusts in": folder / TRUST})
    screen.result({"ok": True, "archive": folder, "title": made.title, "required_roles": made.required_roles})


@click.command()
@click.argument("package", type=PACKAGE)
@click.argument("archive", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option(
    "--keys", type=click.Path(file_okay=False, path_type=Path), help="Your keys: answer with a signed receipt."
)
@click.option("--by", default="", help="Who receives, as the receipt shall say; needed with --keys.")
@click.option("--return", "returns", multiple=True, metavar="WELD=REASON", help="Return the handover; may be repeated.")
@click.option("--tsa", metavar="URL", default="", help="Time-stamping authority for the receipt.")
@click.option("--cold", is_flag=True, help="Read the copy back from the disk before it counts.")
@click.option("--dry-run", is_flag=True, help="Check everything and write nothing.")
@passphrase_options
@shared
def receive(
    session: Session,
    package: Path,
    archive: Path,
    **chosen: Any,
) -> int:
    """Verify a PACKAGE while copying it into ARCHIVE, list it in the catalog, and answer with a receipt.

    It is wholly in or wholly out: a reception that was cut off is finished by running it again.
    """
    from beadroll.archive.receipts import client_receipt
    from beadroll.archive.receive import receive as take_in
    from beadroll.package.content import judge_content
    from beadroll.package.seals.keys import SIGNER_P12, load_signer
    from beadroll.package.seals.timestamp import HttpTimestamper

    reasons = tuple(_reason(text) for text in chosen["returns"])
    if reasons and not chosen["keys"]:
        raise click.UsageError("a return is a signed receipt: give --keys too.")
    give = None
    if chosen["keys"]:
        if not chosen["by"]:
            raise click.UsageError("say with --by who receives, as the receipt shall say.")
        secret = passphrase(f"the keys in {chosen['keys']}", chosen["passphrase_fd"], chosen["passphrase_env"])
        give = client_receipt(
            load_signer(chosen["keys"] / SIGNER_P12, secret),
            by=chosen["by"],
            now=session.now(),
            timestamper=HttpTimestamper(url=chosen["tsa"]) if chosen["tsa"] else None,
            reasons=reasons,
        )
    with session.screen.progress(f"Receiving {package.name}") as tell:
        stored = take_in(
            package,
            archive,
            now=session.now(),
            judge_content=judge_content,
            give=give,
            dry_run=chosen["dry_run"],
            cold=chosen["cold"],
            progress=lambda done, total: tell(0, 0, done, total),
        )
    show_stored(session, stored, archive)
    return 3 if stored.report.open else 0


def _reason(text: str) -> Reason:
    from beadroll.package.seals.receipt import Reason

    weld, sign, reason = text.partition("=")
    if not sign or not reason.strip():
        raise click.BadParameter(f"{text!r} is not WELD=REASON; leave WELD empty for the whole handover")
    return Reason(weld=weld.strip(), reason=reason.strip())


def show_stored(session: Session, stored: Stored, archive: Path) -> None:
    """Say what came of a reception."""
    screen = session.screen
    done = "would be received" if stored.dry_run else "received"
    screen.say(f"{stored.handover}, revision {stored.revision}, {done} ({stored.outcome}).", "bold green")
    answer = stored.answer
    screen.fields(
        {
            "kept": f"{count(stored.files, 'file')}, {size(stored.size_bytes)}, in {stored.folder}",
            "seals": [
                f"{seal.role}: {seal.signer}, {seal.organisation}" + (" (DEMO)" if seal.demo else "")
                for seal in stored.seals
            ],
            "receipt": f"{answer.result}, signed: {answer.receipt}" if answer else "none given",
        }
    )
    if stored.report.open:
        screen.report(stored.report)
    elif stored.report.findings:
        screen.say(f"  {count(len(stored.report.findings), 'note')}, as verify shows.")
    screen.result(
        {
            "ok": True,
            "archive": archive,
            "object": stored.object_id,
            "handover": stored.handover,
            "revision": stored.revision,
            "outcome": stored.outcome.value,
            "dry_run": stored.dry_run,
            "files": stored.files,
            "bytes": stored.size_bytes,
            "tagmanifest_sha512": stored.tagmanifest_sha512,
            "receipt": answer.receipt if answer else None,
            "findings": stored.report.findings,
        }
    )
