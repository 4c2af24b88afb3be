"""The inside of one signature: whether it is whole, by exactly one signer, over these bytes, and correct.

Knows CMS (RFC 5652) as far as a detached CAdES signature and a time-stamp token need it. Refuses to know whether
anybody trusts the signer.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from asn1crypto import cms, core, crl, x509
from cryptography import x509 as pyca
from cryptography.exceptions import UnsupportedAlgorithm
from pyhanko.sign.ades import cades_asn1  # noqa: F401 - registers the CAdES attributes with the ASN.1 reader
from pyhanko.sign.general import (
    CMSExtractionError,
    CMSStructuralError,
    check_ess_certid,
    extract_certificate_info,
)
from pyhanko.sign.validation.errors import SignatureValidationError
from pyhanko.sign.validation.generic_cms import get_signing_cert_attr, validate_sig_integrity

from beadroll.findings import Finding, finding
from beadroll.package.seal_algorithms import AllowList, refuse_mechanism
from beadroll.package.seal_certificates import (
    UNREADABLE,
    embedded_certificates,
    embedded_revocation_lists,
)
from beadroll.package.seal_der import whole_length

LARGEST_SEAL = 1 << 20
"""Bytes. A seal with a chain, a list and a token takes some 8 kB; our own bound against being kept busy."""

ROLE_ATTRIBUTE = "2.5.4.72"
"""id-at-role, RFC 5755, 4.4.5; the claimed role in a signer-attributes-v2 attribute."""
ROLE_PREFIX = "beadroll-role:"
"""RFC 5755, 4.4.5 wants a URI for a role's name; this is our scheme for it."""

READ_ATTRIBUTES = frozenset(
    {
        "content_type",
        "message_digest",
        "signing_time",
        "signing_certificate",
        "signing_certificate_v2",
        "commitment_type",
        "cms_algorithm_protection",
    }
)
"""The signed attributes that say something here, besides the claimed role."""

SIGNER = "the signer"
AUTHORITY = "the time-stamping authority"


class Refused(Exception):  # noqa: N818 - a verdict passed inside this package, never seen by a user
    """No later step can be asked; carries the finding."""

    def __init__(self, refused: Finding) -> None:
        super().__init__(refused.code)
        self.finding = refused


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """One signature, read to its leaves."""

    subject: str
    who: str
    """The party in a sentence: the signer, or the time-stamping authority."""
    signed: cms.SignedData
    info: cms.SignerInfo
    certificate: x509.Certificate
    others: tuple[x509.Certificate, ...]
    revocation_lists: tuple[crl.CertificateList, ...]

    @property
    def digest_name(self) -> str:
        """The digest that the signer used, such as ``sha512``."""
        return str(self.info["digest_algorithm"]["algorithm"].native)

    @property
    def signature(self) -> bytes:
        """The signature value, which is what a time-stamp token covers."""
        return bytes(self.info["signature"].native)

    def attribute(self, name: str) -> Any:
        """Return the single value of a signed attribute; None where it is missing."""
        return _single(self.info["signed_attrs"], name)


def open_signed(data: bytes, *, subject: str, who: str) -> Opened:
    """Read one DER-encoded SignedData with exactly one signer and nothing behind it.

    Raises ``Refused``.
    """
    signed = _signed_data(data, subject)
    if len(signed["signer_infos"]) != 1:
        raise Refused(finding("SEAL-SIGNER-COUNT", subject, who=who, count=len(signed["signer_infos"])))
    info = signed["signer_infos"][0]
    _check_attributes(info, subject, who)
    try:
        certificate = extract_certificate_info(signed).signer_cert
    except (CMSExtractionError, CMSStructuralError, *UNREADABLE) as error:
        raise Refused(finding("SEAL-CERTIFICATE-MISSING", subject, who=who)) from error
    return Opened(
        subject=subject,
        who=who,
        signed=signed,
        info=info,
        certificate=certificate,
        others=tuple(one for one in embedded_certificates(signed) if one.dump() != certificate.dump()),
        revocation_lists=embedded_revocation_lists(signed),
    )


def _signed_data(data: bytes, subject: str) -> cms.SignedData:
    if len(data) > LARGEST_SEAL:
        raise Refused(finding("SEAL-TOO-LARGE", subject, bytes=len(data), most=LARGEST_SEAL))
    try:
        length = whole_length(data)
        if length < len(data):
            raise Refused(finding("SEAL-TRAILING-BYTES", subject, extra=len(data) - length))
        outer = cms.ContentInfo.load(data, strict=True)
        if outer["content_type"].native != "signed_data":
            raise Refused(finding("SEAL-NOT-A-SIGNATURE", subject, kind=str(outer["content_type"].native)))
        signed: cms.SignedData = outer["content"]
        _touch(signed)
    except UNREADABLE as error:
        raise Refused(finding("SEAL-UNREADABLE", subject)) from error
    return signed


def _touch(signed: cms.SignedData) -> None:
    """Read every field that will be asked for, so that damage shows here and not in the middle of a judgement.

    Not the whole tree: the reader encodes anew whatever holds a defaulted field, several times a level, so that a
    token within a token would keep it busy for minutes.
    """
    _ = signed["encap_content_info"]["content_type"].native
    for info in signed["signer_infos"]:
        for name in ("version", "sid", "digest_algorithm", "signature_algorithm", "signature"):
            _ = info[name].native
        for attribute in info["signed_attrs"] or ():
            _ = attribute["type"].native, len(attribute["values"])
            if attribute["type"].native in READ_ATTRIBUTES and len(attribute["values"]):
                _ = attribute["values"][0].native
        for attribute in info["unsigned_attrs"] or ():
            _ = attribute["type"].native, len(attribute["values"])
    for certificate in embedded_certificates(signed):
        _ = certificate.native
        _ = pyca.load_der_x509_certificate(certificate.dump()).public_key()
    for one in embedded_revocation_lists(signed):
        _ = pyca.load_der_x509_crl(one.dump()).next_update_utc


def _check_attributes(info: cms.SignerInfo, subject: str, who: str) -> None:
    attributes = info["signed_attrs"]
    if isinstance(attributes, core.Void) or not len(attributes):
        raise Refused(finding("SEAL-ATTRIBUTES-MISSING", subject, who=who))
    names = [attribute["type"].dotted for attribute in attributes]
    if len(names) != len(set(names)) or any(len(attribute["values"]) != 1 for attribute in attributes):
        raise Refused(finding("SEAL-ATTRIBUTE-REPEATED", subject, who=who))


def _single(attributes: Any, name: str) -> Any:
    if isinstance(attributes, core.Void):
        return None
    for attribute in attributes:
        if attribute["type"].native == name or attribute["type"].dotted == name:
            return attribute["values"][0]
    return None


def check_arithmetic(opened: Opened, digest: Callable[[str], bytes], *, content_type: str) -> None:
    """Check that the signature covers the content (``digest`` of a named algorithm) and was made by the certificate.

    Raises ``Refused``.
    """
    subject, who, name = opened.subject, opened.who, opened.digest_name
    try:
        actual = digest(name)
    except ValueError as error:
        raise Refused(
            finding("SEAL-ALGORITHM", subject, who=who, algorithm=name, reason="it is not known here")
        ) from error
    _check_bound(opened)
    try:
        intact, valid = validate_sig_integrity(opened.info, opened.certificate, content_type, actual)
    except (SignatureValidationError, CMSStructuralError, UnsupportedAlgorithm, *UNREADABLE) as error:
        raise Refused(finding("SEAL-SIGNATURE-MALFORMED", subject, who=who, reason=_reason(error))) from error
    if not intact:
        raise Refused(finding("SEAL-CONTENT-DIFFERS", subject))
    if not valid:
        raise Refused(finding("SEAL-SIGNATURE-BAD", subject, who=who))


def _check_bound(opened: Opened) -> None:
    """Check the signed attribute that names the signer's certificate, where there is one."""
    try:
        attribute = get_signing_cert_attr(opened.info["signed_attrs"])
        bound = attribute is None or check_ess_certid(opened.certificate, attribute["certs"][0])
    except (SignatureValidationError, *UNREADABLE) as error:
        raise Refused(
            finding("SEAL-SIGNATURE-MALFORMED", opened.subject, who=opened.who, reason=_reason(error))
        ) from error
    if not bound:
        raise Refused(finding("SEAL-CERTIFICATE-SWAPPED", opened.subject, who=opened.who))


def names_its_certificate(opened: Opened) -> bool:
    """Return whether a signed attribute names the certificate, so that no other can be put in its place."""
    return get_signing_cert_attr(opened.info["signed_attrs"]) is not None


def _reason(error: Exception) -> str:
    return str(getattr(error, "failure_message", "") or error) or type(error).__name__


def content_digest(content: bytes) -> Callable[[str], bytes]:
    """Return a function from a digest's name to the content's digest; ``ValueError`` for an unknown name."""
    return lambda name: hashlib.new(name, content).digest()


def check_algorithms(opened: Opened, allowed: AllowList, at: datetime) -> list[Finding]:
    """Return a finding for each algorithm of the signature that does not count at that time."""
    refusals = (
        allowed.refuse_digest(opened.digest_name, at),
        refuse_mechanism(allowed, opened.info["signature_algorithm"], at),
        allowed.refuse_key(opened.certificate.public_key),
    )
    found: dict[str, Finding] = {}
    for refusal in refusals:
        if refusal is None:
            continue
        code = "SEAL-ALGORITHM" if refusal.last_day is None else "SEAL-ALGORITHM-SUNSET"
        if refusal.algorithm.startswith("rsa with"):
            code = "SEAL-KEY-SHORT"
        found.setdefault(
            f"{code} {refusal.algorithm}",
            finding(code, opened.subject, who=opened.who, algorithm=refusal.algorithm, reason=refusal.reason),
        )
    return list(found.values())


def claimed_time(opened: Opened) -> datetime | None:
    """Return the signer's own word for the time; None where there is none."""
    value = opened.attribute("signing_time")
    moment = None if value is None else value.native
    return moment if isinstance(moment, datetime) and moment.tzinfo is not None else None


def claimed_role(opened: Opened) -> str | None:
    """Return the role that the signer signed as; None where the seal names none, empty where it is unreadable."""
    try:
        attributes = opened.attribute("signer_attributes_v2")
        if attributes is None:
            return None
        for attribute in attributes["claimed_attributes"] or ():
            if attribute["type"].dotted == ROLE_ATTRIBUTE:
                name = str(attribute["values"][0]["role_name"].native)
                return name.removeprefix(ROLE_PREFIX) if name.startswith(ROLE_PREFIX) else None
    except UNREADABLE:
        return ""
    return None


def commitment(opened: Opened) -> str:
    """Return what the signature stands for, such as ``approval``; empty where it does not say."""
    value = opened.attribute("commitment_type")
    if value is None:
        return ""
    return str(value["commitment_type_id"].native).removeprefix("proof_of_")


def tokens(opened: Opened) -> tuple[bytes, ...]:
    """Return the time-stamp tokens over the signature (DER)."""
    attributes = opened.info["unsigned_attrs"]
    if isinstance(attributes, core.Void):
        return ()
    return tuple(
        value.dump()
        for attribute in attributes
        if attribute["type"].native == "signature_time_stamp_token"
        for value in attribute["values"]
    )
