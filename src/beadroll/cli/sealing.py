"""Sealing and judging as the terminal shows it: what was signed, by whom, when, and what was found."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from beadroll.cli.visible import count, size
from beadroll.errors import InputError, NotTrusted
from beadroll.findings import Report
from beadroll.package import layout
from beadroll.package.seals.keys import SIGNER_P12, load_signer
from beadroll.package.seals.seal import SealVerdict, judge, seal_name
from beadroll.package.seals.sign import COMMITMENTS, pending
from beadroll.package.seals.sign import seal as make_seal
from beadroll.package.seals.timestamp import HttpTimestamper
from beadroll.package.seals.trust import ROLE, Trust
from beadroll.package.verify import ContentJudge, Inspection, inspect
from beadroll.package.write import add_seal

if TYPE_CHECKING:
    from beadroll.cli.session import Session
    from beadroll.findings import Finding


class Judges:
    """Judges seals by a trust folder and keeps the verdicts, so that the terminal can show them."""

    def __init__(self, trust: Trust, session: Session, required: Collection[str]) -> None:
        """Judge by ``trust`` at the session's moment; ``required`` roles must have sealed."""
        self.trust = trust
        self.session = session
        self.required = required
        self.verdicts: tuple[SealVerdict, ...] = ()

    def __call__(self, tagmanifest: bytes, seals: Mapping[str, bytes]) -> tuple[Finding, ...]:
        """Judge the seals of a package."""
        self.verdicts, found = judge(
            tagmanifest, seals, self.trust, required_roles=self.required, now=self.session.now()
        )
        return found


def add_to(
    session: Session, package: Path, folder: Path, secret: str, *, role: str, commitment: str, tsa: str = ""
) -> int:
    """Check a package's files, seal its tag manifest in a role, and say what was done; return the exit code."""
    if not ROLE.match(role) or commitment not in COMMITMENTS:
        raise InputError(
            f"cannot be sealed as {role} for {commitment}",
            path=str(package),
            remedy=f"Roles are words such as contractor; a seal stands for one of {', '.join(COMMITMENTS)}.",
        )
    signer = load_signer(folder / SIGNER_P12, secret)
    found = looked_through(session, package, None)
    if found.report.stops:
        raise NotTrusted(
            f"{package}: not sealed, since the package is not sound",
            found.report,
            remedy="Build the package again; a faulty one is never sealed.",
        )
    sealed = make_seal(
        found.tagmanifest,
        signer,
        role=role,
        commitment=commitment,
        timestamper=HttpTimestamper(url=tsa) if tsa else None,
        now=session.now(),
        subject=seal_name(role),
    )
    add_seal(package, role, sealed.p7s)
    screen = session.screen
    trusted = bool(tsa) and not pending(sealed.p7s)
    screen.say(f"Sealed as {role} by {signer.facts.name}, {signer.facts.organisation}.")
    screen.fields(
        {
            "over": f"tagmanifest-sha512.txt, SHA-512 {found.tagmanifest_sha512[:32]}…",
            "seal": layout.seal_path(role),
            "stands for": commitment,
            "time": f"trusted, by {tsa}" if trusted else "the signer's own claim: no trusted time",
        }
    )
    report = Report(findings=sealed.findings)
    if report.open:
        screen.report(report)
    if signer.demo:
        screen.say("  A demonstration key: the seal binds nobody.", "yellow")
    screen.result(
        {
            "ok": True,
            "package": package,
            "role": role,
            "seal": layout.seal_path(role),
            "tagmanifest_sha512": found.tagmanifest_sha512,
            "findings": findings_json(report),
        }
    )
    return 3 if report.open else 0


def looked_through(
    session: Session,
    package: Path,
    judges: Callable[[bytes, Mapping[str, bytes]], tuple[Finding, ...]] | None,
    content: ContentJudge | None = None,
) -> Inspection:
    """Inspect a package with a progress line; whatever is wrong with it is in the report."""
    with session.screen.progress(f"Reading {package.name}") as tell:
        return inspect(
            package,
            judge_seals=judges,
            judge_content=content,
            progress=lambda done, total: tell(0, 0, done, total),
        )


def show_verdicts(session: Session, verdicts: tuple[SealVerdict, ...]) -> None:
    """Print each seal in a line or two: role, who, when, what was found."""
    for verdict in verdicts:
        signer = verdict.signer
        session.screen.fields(
            {
                f"seal of the {verdict.role}": verdict.summary,
                "  by": f"{signer.name}, {signer.organisation}" if signer else "nobody known",
                "  made": str(verdict.time),
            }
        )


def verified(session: Session, package: Path, found: Inspection, verdicts: tuple[SealVerdict, ...]) -> int:
    """Say what came of a verification and return the exit code; raises ``NotTrusted`` where anything stops it."""
    if found.report.stops:
        raise NotTrusted(
            f"{package}: {count(len(found.report.stops), 'fault')}; the package is not what was sealed, "
            "or not by whom it should be",
            found.report,
            remedy="Keep the package as it is, and ask the sender for a new copy, naming the faults.",
        )
    screen = session.screen
    total = sum(entry.size for entry in found.files)
    judged = "and the seals count" if verdicts else "the seals were not judged"
    screen.say(f"{found.name}: every file is as listed, {judged}.", "bold green" if verdicts else "bold")
    screen.fields(
        {
            "files": f"{len(found.files):,} files, {size(total)}",
            "tag manifest": f"SHA-512 {found.tagmanifest_sha512[:32]}…",
        }
    )
    show_verdicts(session, verdicts)
    show_report(session, found.report)
    screen.result(
        {
            "ok": True,
            "package": package,
            "name": found.name,
            "form": found.form.value,
            "files": len(found.files),
            "bytes": total,
            "tagmanifest_sha512": found.tagmanifest_sha512,
            "seals": [verdict.as_json() for verdict in verdicts],
            "findings": findings_json(found.report),
        }
    )
    return 3 if found.report.open else 0


def show_report(session: Session, report: Report) -> None:
    """Print findings where there are any."""
    if report.findings:
        session.screen.report(report)


def findings_json(report: Report) -> list[dict[str, object]]:
    """Return a report's findings as plain data."""
    from beadroll.cli.screen import finding_json

    return [finding_json(each) for each in report.ordered()]
