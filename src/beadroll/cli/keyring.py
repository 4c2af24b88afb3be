"""``keys``, ``trust`` and ``seal``: who may sign, whose signature counts, and signing."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from beadroll.cli.secrets import passphrase, passphrase_options
from beadroll.cli.session import Session, shared
from beadroll.cli.visible import count

if TYPE_CHECKING:
    from beadroll.package.seals.certificates import CertificateFacts
    from beadroll.package.seals.keys import KeyFiles

FOLDER = click.Path(file_okay=False, path_type=Path)
FILE = click.Path(dir_okay=False, exists=True, path_type=Path)


@click.group()
def keys() -> None:
    """Make, show, renew and revoke the keys that seal packages."""


@keys.command("new")
@click.argument("folder", type=FOLDER)
@click.option("--organisation", required=True, help="Name of the organisation, as the seal shows it.")
@click.option("--person", required=True, help="Name of the person or post that seals.")
@click.option("--demo", is_flag=True, help="Mark the keys as demonstration keys in every verdict.")
@passphrase_options
@shared
def keys_new(
    session: Session,
    folder: Path,
    organisation: str,
    person: str,
    demo: bool,  # noqa: FBT001 - a flag of the command line
    passphrase_fd: int | None,
    passphrase_env: str,
) -> None:
    """Make an organisation's root and its first signer in FOLDER."""
    from beadroll.package.seals.keys import new_organisation

    secret = passphrase("the new keys", passphrase_fd, passphrase_env, new=True)
    made = new_organisation(organisation, person, folder, secret, demo=demo, now=session.now())
    show_new_keys(session, made)


def show_new_keys(session: Session, made: KeyFiles) -> None:
    """Say where new keys lie and what the other party has to be told."""
    screen = session.screen
    screen.say(f"Made a root and a signer in {made.directory}.")
    screen.fields(
        {
            "give to the other party": f"{made.root_pem.name} and {made.revoked_pem.name}",
            "tell them yourself": f"the root's fingerprint {made.spoken}",
            "keep secret": f"{made.root_p12.name} (better off this machine), {made.signer_p12.name}",
        }
    )
    if made.demo:
        screen.say("  These are demonstration keys: their seals bind nobody.", "yellow")
    screen.result({"ok": True, "folder": made.directory, "fingerprint": made.fingerprint, "demo": made.demo})


@keys.command("show")
@click.argument("folder", type=FOLDER)
@shared
def keys_show(session: Session, folder: Path) -> None:
    """Show the root and the signers in FOLDER, without asking for a passphrase."""
    from beadroll.package.seals.keys import key_files, revoked, show

    files, gone = key_files(folder), revoked(folder)
    certificates = show(folder)
    screen = session.screen
    screen.say(f"Root fingerprint: {files.spoken}")
    screen.table(
        ("serial", "name", "valid from", "valid until", "state"),
        [
            (c.serial, c.name, c.valid_from.date(), c.valid_until.date(), _state(c, gone.get(c.serial)))
            for c in certificates
        ],
    )
    screen.result(
        {
            "ok": True,
            "fingerprint": files.fingerprint,
            "certificates": [c.as_json() for c in certificates],
            "revoked": {serial: at.isoformat() for serial, at in gone.items()},
        }
    )


def _state(certificate: CertificateFacts, gone: Any) -> str:
    state = f"revoked {gone:%Y-%m-%d}" if gone else "counts"
    return f"{state}, DEMO" if certificate.demo else state


@keys.command("renew")
@click.argument("folder", type=FOLDER)
@click.option("--person", default="", help="Name on the new signer; without it the old name stays.")
@passphrase_options
@shared
def keys_renew(session: Session, folder: Path, person: str, passphrase_fd: int | None, passphrase_env: str) -> None:
    """Make a new signer under the same root; the old seals stay good."""
    from beadroll.package.seals.keys import renew

    secret = passphrase(f"the keys in {folder}", passphrase_fd, passphrase_env)
    show_new_keys(session, renew(folder, secret, person=person, now=session.now()))


@keys.command("revoke")
@click.argument("folder", type=FOLDER)
@click.argument("serial")
@click.option("--reason", required=True, help="key-compromise, affiliation-changed, superseded or cessation.")
@passphrase_options
@shared
def keys_revoke(
    session: Session, folder: Path, serial: str, reason: str, passphrase_fd: int | None, passphrase_env: str
) -> None:
    """Put the signer with SERIAL on the revocation list in FOLDER."""
    from beadroll.package.seals.keys import key_files, revoke

    secret = passphrase(f"the keys in {folder}", passphrase_fd, passphrase_env)
    revoke(folder, secret, serial, reason=reason, now=session.now())
    session.screen.say(f"Revoked {serial}. Give the other party the new {key_files(folder).revoked_pem.name}.")
    session.screen.result({"ok": True, "serial": serial, "reason": reason})


@keys.command("refresh")
@click.argument("folder", type=FOLDER)
@passphrase_options
@shared
def keys_refresh(session: Session, folder: Path, passphrase_fd: int | None, passphrase_env: str) -> None:
    """Issue the revocation list in FOLDER anew, with a new date."""
    from beadroll.package.seals.keys import key_files, refresh_list

    secret = passphrase(f"the keys in {folder}", passphrase_fd, passphrase_env)
    refresh_list(folder, secret, now=session.now())
    session.screen.say(f"Give the other party the new {key_files(folder).revoked_pem.name}.")
    session.screen.result({"ok": True, "folder": folder})


@keys.command("import")
@click.argument("source", type=FILE)
@click.argument("folder", type=FOLDER)
@passphrase_options
@click.option("--new-passphrase-env", metavar="NAME", default="", help="Variable with the passphrase for the copy.")
@shared
def keys_import(
    session: Session,
    source: Path,
    folder: Path,
    passphrase_fd: int | None,
    passphrase_env: str,
    new_passphrase_env: str,
) -> None:
    """Copy a PKCS#12 file made elsewhere into FOLDER as the signer."""
    from beadroll.package.seals.keys import import_signer

    old = passphrase(str(source), passphrase_fd, passphrase_env)
    new = passphrase("the copy", None, new_passphrase_env, new=True)
    made = import_signer(source, old, folder, new)
    session.screen.say(f"{made.name} can seal from {folder}.")
    session.screen.result({"ok": True, "signer": made.as_json()})


@click.group()
def trust() -> None:
    """Say whose seals count: roots pinned by role, by fingerprints told out of band."""


@trust.command("add")
@click.argument("folder", type=FOLDER)
@click.argument("role")
@click.argument("root", type=FILE)
@click.option(
    "--fingerprint", default="", help="What the other party told you by telephone or letter; asked if not given."
)
@click.option("--revoked", type=FILE, default=None, help="The other party's revocation list.")
@click.option("--only", multiple=True, metavar="NAME", help="Let only this name sign; may be repeated.")
@shared
def trust_add(
    session: Session,
    folder: Path,
    role: str,
    root: Path,
    fingerprint: str,
    revoked: Path | None,
    only: tuple[str, ...],
) -> None:
    """Pin ROOT (a certificate file) for ROLE in the trust FOLDER."""
    from beadroll.package.seals.trust import add

    told = fingerprint or click.prompt(
        f"Fingerprint of the root for {role}, as the other party told it to you", err=True
    )
    lists = revoked.read_bytes() if revoked else None
    pin = add(folder, role, root.read_bytes(), told, subjects=only, revocation_lists=lists)
    session.screen.say(f"Seals of the {pin.role} now count when their certificate leads to this root.")
    session.screen.result({"ok": True, "role": pin.role, "fingerprint": pin.fingerprint})


@trust.command("list")
@click.argument("folder", type=FOLDER)
@shared
def trust_list(session: Session, folder: Path) -> None:
    """List whom the trust FOLDER pins."""
    from beadroll.package.seals.trust import listing

    pins = listing(folder)
    session.screen.say(f"{count(len(pins), 'pinned root')} in {folder}")
    session.screen.table(
        ("role", "organisation", "fingerprint", "only"),
        [(pin.role, root.organisation or root.name, pin.fingerprint, pin.subjects) for pin, root in pins],
    )
    session.screen.result(
        {
            "ok": True,
            "pins": [
                {"role": pin.role, "fingerprint": pin.fingerprint, "subjects": pin.subjects, "root": root.as_json()}
                for pin, root in pins
            ],
        }
    )


@trust.command("remove")
@click.argument("folder", type=FOLDER)
@click.argument("role")
@click.argument("fingerprint")
@shared
def trust_remove(session: Session, folder: Path, role: str, fingerprint: str) -> None:
    """Take a pin away."""
    from beadroll.package.seals.trust import remove

    remove(folder, role, fingerprint)
    session.screen.say(f"Seals of the {role} by that root do not count any more.")
    session.screen.result({"ok": True, "role": role})


@trust.command("revoked")
@click.argument("folder", type=FOLDER)
@click.argument("file", type=FILE)
@shared
def trust_revoked(session: Session, folder: Path, file: Path) -> None:
    """Keep the other party's revocation list FILE in the trust FOLDER."""
    from beadroll.package.seals.trust import add_revocation_lists

    kept = add_revocation_lists(folder, file.read_bytes())
    session.screen.say(f"Kept {count(len(kept), 'revocation list')}.")
    session.screen.result({"ok": True, "kept": kept})


@click.command()
@click.argument("package", type=click.Path(exists=True, path_type=Path))
@click.option("--keys", "folder", type=FOLDER, required=True, help="Folder with the signer's keys.")
@click.option("--role", required=True, help="contractor, inspector or client.")
@click.option(
    "--for", "commitment", default="", help="What the seal stands for: origin (contractor), approval (others)."
)
@click.option("--tsa", metavar="URL", default="", help="Time-stamping authority; without one the time is a claim only.")
@passphrase_options
@shared
def seal(
    session: Session,
    package: Path,
    folder: Path,
    role: str,
    commitment: str,
    tsa: str,
    passphrase_fd: int | None,
    passphrase_env: str,
) -> int:
    """Check a finished PACKAGE and add a seal to it; nothing sealed before changes."""
    from beadroll.cli.sealing import add_to

    secret = passphrase(f"the keys in {folder}", passphrase_fd, passphrase_env)
    chosen = commitment or ("origin" if role == "contractor" else "approval")
    return add_to(session, package, folder, secret, role=role, commitment=chosen, tsa=tsa)
