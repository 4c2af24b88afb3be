"""Making a seal: a detached CAdES signature by one signer in one role, with the time added now or later.

Knows what goes into the file. Refuses to know where it will lie and whether anybody trusts it.
"""

from __future__ import annotations

import asyncio
import io
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol

from asn1crypto import cms, core, crl, x509

from beadroll.errors import InputError
from beadroll.findings import Finding, finding
from beadroll.package.seals.certificates import facts
from beadroll.package.seals.cms import (
    ROLE_ATTRIBUTE,
    ROLE_PREFIX,
    SIGNER,
    TOKEN_TYPE,
    Opened,
    Refused,
    open_signed,
    tokens,
)
from beadroll.package.seals.der import SEQUENCE, SET, add_unsigned_attribute, value
from beadroll.package.seals.keys import Signer
from beadroll.package.seals.path import day
from beadroll.package.seals.timestamp import TimestampUnavailable

COMMITMENTS = ("origin", "receipt", "delivery", "sender", "approval", "creation")
"""What a signature may stand for; the commitment types of ETSI EN 319 122-1, 5.2.3."""

DIGEST = "sha512"
TOKEN_ATTRIBUTE: bytes = core.ObjectIdentifier(TOKEN_TYPE).dump()
"""DER of id-aa-timeStampToken, RFC 3161, appendix A."""


class Timestamper(Protocol):
    """Whoever attests the time: gives a token for the bytes of a signature."""

    def token(self, signature: bytes) -> bytes:
        """Return a DER-encoded RFC 3161 token over ``signature``; raises ``TimestampUnavailable``."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Sealed:
    """A seal as made, and what must be said about it: a pending time, for one."""

    p7s: bytes
    findings: tuple[Finding, ...] = ()


def sign(
    content: bytes,
    signer: Signer,
    *,
    role: str,
    commitment: str,
    timestamper: Timestamper | None = None,
    now: datetime,
) -> bytes:
    """Return the DER of a detached CAdES seal over ``content``.

    ``commitment`` is one of ``COMMITMENTS``. With a ``timestamper`` that is down, ``TimestampUnavailable`` is raised
    and nothing is returned; ``seal`` returns the seal all the same and says that its time is pending. Raises
    ``InputError`` where the signer's certificate or revocation list is out of date at ``now``.
    """
    p7s = _sign(content, signer, role=role, commitment=commitment, now=now)
    return p7s if timestamper is None else complete_pending(p7s, timestamper)


def seal(
    content: bytes,
    signer: Signer,
    *,
    role: str,
    commitment: str,
    timestamper: Timestamper | None,
    now: datetime,
    subject: str = "",
) -> Sealed:
    """Sign as ``sign`` does; where the time-stamping authority is down the seal is made and a finding says so."""
    p7s, name = sign(content, signer, role=role, commitment=commitment, now=now), subject or f"seals/{role}.p7s"
    if timestamper is None:
        return Sealed(p7s=p7s, findings=(finding("SEAL-TIME-CLAIMED", name),))
    try:
        return Sealed(p7s=complete_pending(p7s, timestamper))
    except TimestampUnavailable as error:
        return Sealed(p7s=p7s, findings=(finding("SEAL-TIME-PENDING", name, reason=error.message),))


def pending(p7s: bytes) -> bool:
    """Return whether a seal still waits for its trusted time. Raises ``InputError`` for bytes that are no seal."""
    return not tokens(_opened(p7s))


def complete_pending(p7s: bytes, timestamper: Timestamper) -> bytes:
    """Return the seal with a time-stamp token as an unsigned attribute; what was signed does not change.

    A seal that has a token already comes back as it is. Raises ``TimestampUnavailable``.
    """
    opened = _opened(p7s)
    if tokens(opened):
        return p7s
    token = timestamper.token(opened.signature)
    attribute = value(SEQUENCE, TOKEN_ATTRIBUTE + value(SET, token))
    return add_unsigned_attribute(p7s, attribute)


def signature_value(p7s: bytes) -> bytes:
    """Return the signature value, which stays the same when a token is added.

    Raises ``InputError`` for bytes that are no seal.
    """
    return _opened(p7s).signature


def _opened(p7s: bytes) -> Opened:
    try:
        return open_signed(p7s, subject="the seal", who=SIGNER)
    except Refused as refused:
        raise InputError(refused.finding.text, path="the seal", remedy=refused.finding.remedy) from refused


def _sign(content: bytes, signer: Signer, *, role: str, commitment: str, now: datetime) -> bytes:
    if commitment not in COMMITMENTS:
        raise ValueError(f"{commitment!r} is no commitment; known are {', '.join(COMMITMENTS)}")
    _check_dates(signer, now)
    from pyhanko.sign.general import SigningError  # noqa: PLC0415 - making seals needs it, judging them does not

    settings = _attributes(role, commitment, now)
    try:
        outer = asyncio.run(
            signer.engine.async_sign_general_data(
                io.BytesIO(content), DIGEST, detached=True, use_cades=True, signed_attr_settings=settings
            )
        )
    except SigningError as error:
        raise InputError(
            f"the key of {signer.facts.name} cannot sign ({error})",
            path="the signer",
            remedy="Check that the key belongs to its certificate.",
        ) from error
    if signer.revocation_lists:
        outer["content"]["crls"] = cms.RevocationInfoChoices(
            [
                cms.RevocationInfoChoice(name="crl", value=crl.CertificateList.load(der))
                for der in signer.revocation_lists
            ]
        )
    return bytes(outer.dump())


def _attributes(role: str, commitment: str, now: datetime) -> Any:
    """Return the signed attributes: time, commitment and the role signed as."""
    from pyhanko.sign.ades.api import (  # noqa: PLC0415 - making seals needs it, judging them does not
        CAdESSignedAttrSpec,
        GenericCommitment,
        SignerAttrSpec,
    )
    from pyhanko.sign.signers.pdf_cms import PdfCMSSignedAttributes  # noqa: PLC0415 - as above

    # The reader keeps a list of attribute names from its first use on; a seal judged earlier in this process has
    # fixed it before the CAdES names were added.
    known = cms.CMSAttributeType._map  # noqa: SLF001 - the library offers no other way
    cms.CMSAttributeType._reverse_map = {name: number for number, name in known.items()}  # noqa: SLF001 - as above

    name = x509.GeneralName(name="uniform_resource_identifier", value=x509.URI(ROLE_PREFIX + role))
    claimed_role = cms.AttCertAttribute({"type": ROLE_ATTRIBUTE, "values": [cms.RoleSyntax({"role_name": name})]})
    attributes = CAdESSignedAttrSpec(
        commitment_type=GenericCommitment[f"PROOF_OF_{commitment.upper()}"].asn1,
        signer_attributes=SignerAttrSpec(claimed_attrs=[claimed_role], certified_attrs=[]),
    )
    return PdfCMSSignedAttributes(signing_time=now.replace(microsecond=0), cades_signed_attrs=attributes)


def _check_dates(signer: Signer, now: datetime) -> None:
    mine = facts(x509.Certificate.load(signer.certificate))
    if not mine.valid_from <= now.replace(microsecond=0) <= mine.valid_until:
        raise InputError(
            f"the certificate of {mine.name} counts from {day(mine.valid_from)} to {day(mine.valid_until)}, "
            f"and it is {day(now)}",
            path="the signer",
            remedy="Renew the signer, or check the clock of this machine.",
        )
    for der in signer.revocation_lists:
        until = crl.CertificateList.load(der)["tbs_cert_list"]["next_update"].native
        if until is not None and until < now:
            raise InputError(
                f"the revocation list beside the key counted until {day(until)}",
                path="the signer",
                remedy="Issue the list anew with the root key; a seal without a current list does not count.",
            )
