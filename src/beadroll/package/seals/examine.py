"""One seal judged from its first byte to its last: every question asked, in order, with its answer.

Knows the order of the questions and which answer makes the later ones idle. Refuses to know where seals lie.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime

from asn1crypto import core

from beadroll.findings import Finding, Severity, finding
from beadroll.package.seals.arithmetic import check_arithmetic, content_digest, names_its_certificate
from beadroll.package.seals.certificates import CertificateFacts, facts, is_demo
from beadroll.package.seals.cms import (
    SIGNER,
    Opened,
    Refused,
    check_algorithms,
    claimed_role,
    claimed_time,
    commitment,
    open_signed,
    tokens,
)
from beadroll.package.seals.path import (
    Chain,
    check_chain,
    check_limits,
    check_root_dates,
    day,
    reaches,
    revocation,
)
from beadroll.package.seals.time import CLOCK_TOLERANCE, judge_token
from beadroll.package.seals.trust import Trust
from beadroll.package.seals.verdict import Outcome, SealTime, SealVerdict, Step, TimeKind

STEPS = (
    "whole, and by one signer",
    "over exactly this content",
    "signature holds",
    "time",
    "algorithms count at that time",
    "role",
    "chain to the pinned root",
    "signer within the pin's limits",
    "not revoked",
)
"""The questions, in the order asked."""


@dataclass(slots=True, kw_only=True)
class _Examination:
    """Answers gathered so far; the only thing here that changes."""

    subject: str
    role: str
    steps: list[Step] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    time: SealTime = field(default_factory=lambda: SealTime(kind=TimeKind.CLAIMED, at=None, claimed=None))
    signer: CertificateFacts | None = None
    root: str = ""
    commitment: str = ""

    def answer(self, found: Sequence[Finding], detail: str = "") -> None:
        """Record the answer to the next question; a stop among the findings makes it a no."""
        stopped = any(one.severity is Severity.STOP for one in found)
        name = STEPS[len(self.steps)]
        self.steps.append(Step(name=name, outcome=Outcome.NO if stopped else Outcome.YES, detail=detail))
        self.findings.extend(found)

    def verdict(self, seal: bytes) -> SealVerdict:
        """Close the examination; questions not asked say so."""
        idle = [Step(name=name, outcome=Outcome.NOT_REACHED) for name in STEPS[len(self.steps) :]]
        return SealVerdict(
            subject=self.subject,
            role=self.role,
            steps=(*self.steps, *idle),
            findings=tuple(self.findings),
            time=self.time,
            signer=self.signer,
            root=self.root,
            commitment=self.commitment,
            seal_sha512=hashlib.sha512(seal).hexdigest(),
        )


def examine(
    p7s: bytes,
    content: bytes,
    trust: Trust,
    *,
    role: str,
    now: datetime,
    subject: str = "",
    held_since: datetime | None = None,
) -> SealVerdict:
    """Judge a detached seal over ``content`` for a role, and return every step; never raises for a bad seal.

    The moment judged at is the trusted time where the seal carries one by a pinned authority; else ``held_since``,
    the archive's own record of when it first held these bytes; else ``now``, so that an expired or revoked signer
    whose seal nothing dates does not count.
    """
    if now.tzinfo is None:
        raise ValueError("the time must carry its time zone")
    examination = _Examination(subject=subject or f"seals/{role}.p7s", role=role)
    try:
        opened = _open(p7s, examination)
        _check_content(opened, content, examination)
    except Refused as refused:
        examination.answer([refused.finding])
        return examination.verdict(p7s)
    moment = _find_time(opened, trust, examination, now=now, held_since=held_since)
    examination.answer(check_algorithms(opened, trust.algorithms, moment), opened.digest_name)
    examination.answer(_check_role(opened, trust, role), role)
    chain = check_chain(opened, trust, trust.pinned(role), moment)
    _check_chain(opened, chain, trust, examination, moment)
    _check_revoked(opened, chain, trust, examination, moment)
    _add_notes(opened, chain, examination)
    return examination.verdict(p7s)


def _open(p7s: bytes, examination: _Examination) -> Opened:
    opened = open_signed(p7s, subject=examination.subject, who=SIGNER)
    if not isinstance(opened.signed["encap_content_info"]["content"], core.Void):
        raise Refused(finding("SEAL-CARRIES-CONTENT", examination.subject))
    examination.signer = facts(opened.certificate)
    examination.commitment = commitment(opened)
    examination.answer([])
    return opened


def _check_content(opened: Opened, content: bytes, examination: _Examination) -> None:
    try:
        check_arithmetic(opened, content_digest(content), content_type="data")
    except Refused as refused:
        if refused.finding.code == "SEAL-SIGNATURE-BAD":
            examination.answer([])
        elif refused.finding.code != "SEAL-CONTENT-DIFFERS":
            examination.steps.append(Step(name=STEPS[1], outcome=Outcome.NOT_REACHED))
        raise
    examination.answer([])
    examination.answer([])


def _find_time(
    opened: Opened, trust: Trust, examination: _Examination, *, now: datetime, held_since: datetime | None
) -> datetime:
    claimed, found = claimed_time(opened), []
    carried = tokens(opened)
    time = SealTime(kind=TimeKind.CLAIMED, at=None, claimed=claimed)
    if held_since is not None:
        time = SealTime(kind=TimeKind.HELD, at=held_since, claimed=claimed)
    if len(carried) > 1:
        found.append(finding("SEAL-TOKEN-COUNT", opened.subject, count=len(carried)))
    elif carried:
        attested = judge_token(carried[0], opened.signature, trust, subject=opened.subject, now=now)
        found.extend(attested.findings)
        if attested.at is not None:
            time = SealTime(kind=TimeKind.TRUSTED, at=attested.at, claimed=claimed, authority=attested.authority)
    moment = time.at or now
    if time.kind is TimeKind.CLAIMED:
        found.append(finding("SEAL-TIME-CLAIMED", opened.subject))
    found.extend(_check_claim(opened, claimed, moment))
    examination.time = time
    examination.answer(found, str(time))
    return moment


def _check_claim(opened: Opened, claimed: datetime | None, moment: datetime) -> list[Finding]:
    """Return a finding where the signer's own word contradicts what is known."""
    if claimed is None:
        return [finding("SEAL-TIME-UNSAID", opened.subject)]
    if claimed > moment + CLOCK_TOLERANCE:
        return [finding("SEAL-TIME-CONTRADICTS", opened.subject, claimed=day(claimed), at=day(moment))]
    since = facts(opened.certificate).valid_from
    if claimed < since - CLOCK_TOLERANCE:
        return [finding("SEAL-TIME-BEFORE-SIGNER", opened.subject, claimed=day(claimed), since=day(since))]
    return []


def _check_role(opened: Opened, trust: Trust, role: str) -> list[Finding]:
    found = []
    said = claimed_role(opened)
    if said is not None and said != role:
        found.append(finding("SEAL-ROLE-DIFFERS", opened.subject, said=said or "something unreadable", role=role))
    if not trust.pinned(role):
        found.append(finding("SEAL-ROLE-UNPINNED", opened.subject, role=role))
    return found


def _check_chain(opened: Opened, chain: Chain, trust: Trust, examination: _Examination, moment: datetime) -> None:
    found = [*chain.findings, *check_root_dates(opened, chain, moment)]
    if chain.pin is None or not chain.certificates:
        other = [pin.role for pin in trust.others(examination.role) if reaches(opened, trust, pin)]
        if other:
            wrong = finding("SEAL-WRONG-ROLE", opened.subject, belongs=other[0], role=examination.role)
            found = [wrong]
    if chain.pin is None or not chain.certificates or found:
        examination.answer(found)
        if chain.pin is None and not found:
            # With nobody pinned there is no way to look for; the role's own finding says so.
            examination.steps[-1] = Step(name=STEPS[len(examination.steps) - 1], outcome=Outcome.NOT_REACHED)
    else:
        examination.root = chain.pin.fingerprint
        examination.answer([], " <- ".join(facts(one).name for one in chain.certificates))
    if chain.pin is not None and chain.certificates and "SEAL-CHAIN-BROKEN" not in {one.code for one in found}:
        examination.answer(check_limits(opened, chain.pin, moment))


def _check_revoked(opened: Opened, chain: Chain, trust: Trust, examination: _Examination, moment: datetime) -> None:
    if len(examination.steps) < len(STEPS) - 1:
        return
    entry = revocation(opened, chain, trust)
    said = {one.code for one in chain.findings}
    found = []
    name = facts(opened.certificate).name
    if entry is not None and "SEAL-REVOKED" not in said:
        if entry.since <= moment:
            found.append(
                finding("SEAL-REVOKED", opened.subject, who=SIGNER, name=name, since=day(entry.since), at=day(moment))
            )
        elif examination.time.kind is not TimeKind.CLAIMED:
            found.append(finding("SEAL-REVOKED-LATER", opened.subject, name=name, since=day(entry.since)))
    if not found and said & {"SEAL-REVOKED", "SEAL-LIST-STALE", "SEAL-LIST-MISSING"}:
        examination.steps.append(Step(name=STEPS[-1], outcome=Outcome.NO))
        return
    examination.answer(found)


def _add_notes(opened: Opened, chain: Chain, examination: _Examination) -> None:
    demo = is_demo(opened.certificate) or any(is_demo(one) for one in chain.certificates)
    if demo:
        name = facts(opened.certificate).name
        examination.findings.append(finding("SEAL-DEMO-KEY", opened.subject, name=name))
    if not names_its_certificate(opened):
        examination.findings.append(finding("SEAL-CERTIFICATE-UNBOUND", opened.subject))
