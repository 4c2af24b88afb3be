"""From a signer's certificate to a pinned root: the chain, its dates, its usages, and nothing revoked.

Knows RFC 5280 path validation at a given moment and revocation lists. Refuses to fetch anything, to use the
machine's own list of roots, and to choose the moment.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from asn1crypto import crl, x509
from cryptography import x509 as pyca
from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from pyhanko_certvalidator import ValidationContext
from pyhanko_certvalidator.errors import (
    DisallowedAlgorithmError,
    ExpiredError,
    InsufficientRevinfoError,
    NotYetValidError,
    PathBuildingError,
    RevokedError,
    StaleRevinfoError,
    ValidationError,
)
from pyhanko_certvalidator.path import ValidationPath
from pyhanko_certvalidator.validate import async_validate_path

from beadroll.findings import Finding, finding
from beadroll.package.seals.algorithms import PathPolicy
from beadroll.package.seals.certificates import UNREADABLE, USAGE_NAMES, facts, usages
from beadroll.package.seals.cms import Opened
from beadroll.package.seals.trust import Pin, Trust

LONGEST_CHAIN = 8
"""Certificates; our own bound against being kept busy."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chain:
    """What came of looking for a way to one pinned root."""

    pin: Pin | None
    certificates: tuple[x509.Certificate, ...] = ()
    """From the root down to the signer."""
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Revocation:
    """An entry of a revocation list."""

    since: datetime
    reason: str
    """As RFC 5280 names it; empty where the list gives none."""


def day(at: datetime) -> str:
    """Return a moment as it stands in a sentence."""
    return at.astimezone(UTC).strftime("%Y-%m-%d %H:%M UTC")


def check_chain(opened: Opened, trust: Trust, pins: Sequence[Pin], at: datetime) -> Chain:
    """Find a valid chain at that moment from the signer to one of the pinned roots.

    Of several pins the first whose chain holds is taken; where none holds, the findings are those of the chain that
    reached furthest.
    """
    best: Chain | None = None
    for pin in pins:
        chain = _check_to(opened, trust, pin, at)
        if not chain.findings:
            return chain
        if best is None or (chain.certificates and not best.certificates):
            best = chain
    return best or Chain(pin=None)


def reaches(opened: Opened, trust: Trust, pin: Pin) -> bool:
    """Return whether the names lead from the signer to this pin's root, whatever the dates say."""
    context = _context(opened, trust, pin, datetime.now(UTC))
    return bool(asyncio.run(_paths(opened.certificate, context)))


def _context(opened: Opened, trust: Trust, pin: Pin, at: datetime) -> ValidationContext:
    return ValidationContext(
        trust_roots=[x509.Certificate.load(trust.roots[pin.fingerprint])],
        # Roots come from the trust folder alone, so one that came along in the seal has no say in the path.
        other_certs=[one for one in opened.others[:LONGEST_CHAIN] if one.subject != one.issuer],
        moment=at,
        best_signature_time=at,
        crls=[one.dump() for one in _lists(opened, trust) if _still_complete(one, opened.certificate)],
        # Softer modes pass over a supplied list where the certificate names no place to fetch one from.
        revocation_mode="require",
        retroactive_revinfo=True,
        algorithm_usage_policy=PathPolicy(trust.algorithms),
    )


def _lists(opened: Opened, trust: Trust) -> tuple[crl.CertificateList, ...]:
    return (*opened.revocation_lists, *(crl.CertificateList.load(der) for der in trust.revocation_lists))


def _still_complete(one: crl.CertificateList, certificate: x509.Certificate) -> bool:
    """Whether a list can prove that the certificate was not revoked.

    RFC 5280, 3.3 lets an issuer drop an entry once the certificate has expired, so a list made later proves nothing.
    """
    made: datetime = one["tbs_cert_list"]["this_update"].native
    return made <= facts(certificate).valid_until


async def _paths(certificate: x509.Certificate, context: ValidationContext) -> list[ValidationPath]:
    found: list[ValidationPath] = []
    paths = context.path_builder.async_build_paths_lazy(certificate)
    try:
        async for path in paths:
            found.append(path)
            if len(found) == LONGEST_CHAIN:
                break
    except (PathBuildingError, *UNREADABLE):
        return found
    finally:
        await paths.cancel()  # type: ignore[no-untyped-call]  # the library is typed in part
    return found


def _check_to(opened: Opened, trust: Trust, pin: Pin, at: datetime) -> Chain:
    context = _context(opened, trust, pin, at)

    async def walk() -> Chain:
        best = Chain(pin=pin, findings=(finding("SEAL-ROOT-UNKNOWN", opened.subject, who=opened.who, role=pin.role),))
        for path in await _paths(opened.certificate, context):
            certificates = tuple(path.iter_certs(include_root=True))
            try:
                await async_validate_path(context, path)
            except (ValidationError, InvalidSignature, UnsupportedAlgorithm, *UNREADABLE) as error:
                best = Chain(
                    pin=pin, certificates=certificates, findings=(_as_finding(error, opened, certificates, at),)
                )
            else:
                return Chain(pin=pin, certificates=certificates)
        return best

    return asyncio.run(walk())


def _as_finding(error: Exception, opened: Opened, certificates: Sequence[x509.Certificate], at: datetime) -> Finding:
    subject, who, when = opened.subject, opened.who, day(at)
    made: Finding
    match error:
        case ExpiredError():
            made = finding("SEAL-EXPIRED", subject, who=who, until=day(error.expired_dt), at=when)
        case NotYetValidError():
            made = finding("SEAL-NOT-YET", subject, who=who, since=day(error.valid_from), at=when)
        case RevokedError():
            name, since = facts(opened.certificate).name, day(error.revocation_dt)
            made = finding("SEAL-REVOKED", subject, who=who, name=name, since=since, at=when)
        case StaleRevinfoError():
            made = finding("SEAL-LIST-STALE", subject, who=who, at=when)
        case InsufficientRevinfoError():
            made = finding("SEAL-LIST-MISSING", subject, who=who, at=when)
        case DisallowedAlgorithmError():
            made = finding("SEAL-CHAIN-ALGORITHM", subject, who=who, reason=_plain(error))
        case _:
            made = finding("SEAL-CHAIN-BROKEN", subject, who=who, length=len(certificates), reason=_plain(error))
    return made


def _plain(error: Exception) -> str:
    return str(getattr(error, "failure_msg", "") or error) or type(error).__name__


def check_root_dates(opened: Opened, chain: Chain, at: datetime) -> list[Finding]:
    """Return a finding where the pinned root itself was out of date; path validation does not ask."""
    if not chain.certificates:
        return []
    root = facts(chain.certificates[0])
    if root.valid_from <= at <= root.valid_until:
        return []
    return [
        finding("SEAL-ROOT-DATES", opened.subject, since=day(root.valid_from), until=day(root.valid_until), at=day(at))
    ]


def check_limits(opened: Opened, pin: Pin, at: datetime) -> list[Finding]:
    """Return a finding for each limit of the pin, and each usage, that the signer's certificate does not meet."""
    subject, who, signer = opened.subject, opened.who, facts(opened.certificate)
    found: list[Finding] = []
    if not pin.allows(signer):
        found.append(finding("SEAL-SUBJECT", subject, who=who, name=signer.name or signer.subject, role=pin.role))
    if not usages(opened.certificate) & set(pin.usages):
        wanted = " or ".join(USAGE_NAMES.get(usage, usage) for usage in pin.usages)
        found.append(finding("SEAL-USAGE", subject, who=who, wanted=wanted))
    key_usage = opened.certificate.key_usage_value
    if key_usage is None or not {"digital_signature", "non_repudiation"} & set(key_usage.native):
        found.append(finding("SEAL-KEY-USAGE", subject, who=who))
    if opened.certificate.ca:
        found.append(finding("SEAL-SIGNED-BY-AUTHORITY", subject, who=who))
    if not pin.covers(at):
        found.append(
            finding(
                "SEAL-WINDOW",
                subject,
                who=who,
                role=pin.role,
                at=day(at),
                first=str(pin.valid_from or "any day"),
                last=str(pin.valid_until or "any day"),
            )
        )
    return found


def revocation(opened: Opened, chain: Chain, trust: Trust) -> Revocation | None:
    """Return the earliest entry for any certificate of the chain in any list that its issuer signed, fresh or stale.

    Path validation looks only at lists that were current at its moment; a revocation counts wherever it stands.
    """
    found: list[Revocation] = []
    lists = [pyca.load_der_x509_crl(one.dump()) for one in _lists(opened, trust)]
    for issuer, certificate in zip(chain.certificates, chain.certificates[1:], strict=False):
        key = pyca.load_der_x509_certificate(issuer.dump()).public_key()
        for one in lists:
            entry = one.get_revoked_certificate_by_serial_number(certificate.serial_number)
            if entry is not None and _signed_by(one, key):
                found.append(_entry(entry))
    return min(found, key=lambda one: one.since, default=None)


def _signed_by(one: pyca.CertificateRevocationList, key: object) -> bool:
    try:
        return one.is_signature_valid(key)  # type: ignore[arg-type]  # a key of another kind raises TypeError
    except (TypeError, ValueError, InvalidSignature, UnsupportedAlgorithm):
        return False


def _entry(entry: pyca.RevokedCertificate) -> Revocation:
    since, reason = entry.revocation_date_utc, ""
    try:
        extensions: Iterable[pyca.Extension[pyca.ExtensionType]] = entry.extensions
        for extension in extensions:
            if isinstance(extension.value, pyca.CRLReason):
                reason = extension.value.reason.value
            elif isinstance(extension.value, pyca.InvalidityDate):
                since = min(since, extension.value.invalidity_date_utc)
    except ValueError:
        reason = ""
    return Revocation(since=since, reason=reason)
