"""The inside of one signature: whether it is whole, by exactly one signer, over these bytes, and correct.

Knows CMS (RFC 5652) as far as a detached CAdES signature and a time-stamp token need it. Refuses to know whether
anybody trusts the signer.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, ClassVar

from asn1crypto import cms, core, crl, tsp, x509

from beadroll.findings import Finding, finding
from beadroll.package.seals.algorithms import AllowList, refuse_mechanism
from beadroll.package.seals.certificates import (
    UNREADABLE,
    check_certificate,
    check_revocation_list,
    embedded_certificates,
    embedded_revocation_lists,
)
from beadroll.package.seals.der import CONTENT, SET, children, whole_length

LARGEST_SEAL = 1 << 20
"""Bytes. A seal with a chain, a list and a token takes some 8 kB; our own bound against being kept busy."""

ROLE_ATTRIBUTE = "2.5.4.72"
"""id-at-role, RFC 5755, 4.4.5; the claimed role in a signer-attributes-v2 attribute."""
ROLE_PREFIX = "beadroll-role:"
"""RFC 5755, 4.4.5 wants a URI for a role's name; this is our scheme for it."""


class _CommitmentType(core.Sequence):  # type: ignore[misc]  # the library carries no types
    """CommitmentTypeIndication, ETSI EN 319 122-1, 5.2.3."""

    _fields: ClassVar[list[Any]] = [
        ("identifier", core.ObjectIdentifier),
        ("qualifiers", core.SequenceOf, {"optional": True, "spec": core.Any}),
    ]


class _SignerAttributes(core.Sequence):  # type: ignore[misc]  # as above
    """SignerAttributeV2, ETSI EN 319 122-1, 5.2.6.1, as far as the signer's own claims."""

    _fields: ClassVar[list[Any]] = [
        ("claimed", cms.AttCertAttributes, {"optional": True, "explicit": 0}),
        ("certified", core.Any, {"optional": True, "explicit": 1}),
        ("asserted", core.Any, {"optional": True, "explicit": 2}),
    ]


ATTRIBUTES: Mapping[str, tuple[str, Any]] = {
    "content_type": ("1.2.840.113549.1.9.3", cms.ContentType),
    "message_digest": ("1.2.840.113549.1.9.4", core.OctetString),
    "signing_time": ("1.2.840.113549.1.9.5", cms.Time),
    "signing_certificate": ("1.2.840.113549.1.9.16.2.12", tsp.SigningCertificate),
    "signing_certificate_v2": ("1.2.840.113549.1.9.16.2.47", tsp.SigningCertificateV2),
    "commitment_type": ("1.2.840.113549.1.9.16.2.16", _CommitmentType),
    "cms_algorithm_protection": ("1.2.840.113549.1.9.52", cms.CMSAlgorithmProtection),
    "signer_attributes": ("0.4.0.19122.1.1", _SignerAttributes),
}
"""The signed attributes that say something here: name -> object identifier and form."""

TOKEN_TYPE = "1.2.840.113549.1.9.16.2.14"  # noqa: S105 - an object identifier
"""id-aa-timeStampToken, RFC 3161, appendix A."""

COMMITMENTS: Mapping[str, str] = {
    f"1.2.840.113549.1.9.16.6.{number}": name
    for number, name in enumerate(("origin", "receipt", "delivery", "sender", "approval", "creation"), start=1)
}
"""The commitment types of ETSI EN 319 122-1, 5.2.3: object identifier -> name."""

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
    signed_attributes: bytes
    """What the signature value covers: the attributes as they came, under the tag of a set (RFC 5652, 5.4)."""
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
        """Return the value of a signed attribute of ``ATTRIBUTES``; None where it is missing."""
        return _read_attribute(self.info["signed_attrs"], name)


def open_signed(data: bytes, *, subject: str, who: str) -> Opened:
    """Read one DER-encoded SignedData with exactly one signer and nothing behind it.

    Raises ``Refused``.
    """
    signed = _signed_data(data, subject)
    if len(signed["signer_infos"]) != 1:
        raise Refused(finding("SEAL-SIGNER-COUNT", subject, who=who, count=len(signed["signer_infos"])))
    info = signed["signer_infos"][0]
    _check_attributes(info, subject, who)
    carried = embedded_certificates(signed)
    certificate = _signing_certificate(info, carried)
    if certificate is None:
        raise Refused(finding("SEAL-CERTIFICATE-MISSING", subject, who=who))
    return Opened(
        subject=subject,
        who=who,
        signed=signed,
        info=info,
        signed_attributes=_signed_attributes(data, subject),
        certificate=certificate,
        others=tuple(one for one in carried if one.dump() != certificate.dump()),
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
    _ = signed["encap_content_info"]["content_type"].native, signed["encap_content_info"]["content"]
    for info in signed["signer_infos"]:
        for name in ("version", "sid", "digest_algorithm", "signature_algorithm", "signature"):
            _ = info[name].native
        for attribute in (*(info["signed_attrs"] or ()), *(info["unsigned_attrs"] or ())):
            _ = attribute["type"].dotted, list(attribute["values"])
        for name in ATTRIBUTES:
            _read_attribute(info["signed_attrs"], name)
    for certificate in embedded_certificates(signed):
        check_certificate(certificate)
    for one in embedded_revocation_lists(signed):
        check_revocation_list(one)


def _signing_certificate(info: cms.SignerInfo, certificates: tuple[x509.Certificate, ...]) -> x509.Certificate | None:
    """Return the certificate that the SignerInfo points at; None where it is not among those carried along."""
    pointer = info["sid"]
    for certificate in certificates:
        if pointer.name == "issuer_and_serial_number":
            wanted = pointer.chosen
            if wanted["serial_number"].native == certificate.serial_number and wanted["issuer"] == certificate.issuer:
                return certificate
        elif certificate.key_identifier is not None and pointer.chosen.native == certificate.key_identifier:
            return certificate
    return None


def _signed_attributes(data: bytes, subject: str) -> bytes:
    """Return the one signer's attributes, byte for byte, under the tag that they were signed with."""
    try:
        _, content = children(data)
        (info,) = children(children(children(content)[0])[-1])
        (attributes,) = [part for part in children(info) if part[0] == CONTENT]
    except ValueError as error:
        raise Refused(finding("SEAL-UNREADABLE", subject)) from error
    return bytes((SET,)) + attributes[1:]


def _check_attributes(info: cms.SignerInfo, subject: str, who: str) -> None:
    attributes = info["signed_attrs"]
    if isinstance(attributes, core.Void) or not len(attributes):
        raise Refused(finding("SEAL-ATTRIBUTES-MISSING", subject, who=who))
    names = [attribute["type"].dotted for attribute in attributes]
    if len(names) != len(set(names)) or any(len(attribute["values"]) != 1 for attribute in attributes):
        raise Refused(finding("SEAL-ATTRIBUTE-REPEATED", subject, who=who))


def _read_attribute(attributes: Any, name: str) -> Any:
    """Return the first value of a signed attribute, read to its leaves; None where it is missing."""
    number, form = ATTRIBUTES[name]
    for attribute in () if isinstance(attributes, core.Void) else attributes:
        if attribute["type"].dotted == number and len(attribute["values"]):
            value = form.load(attribute["values"][0].dump(), strict=True)
            _ = value.native
            return value
    return None


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
    attributes = opened.attribute("signer_attributes")
    if attributes is None:
        return None
    try:
        for attribute in attributes["claimed"] or ():
            if attribute["type"].dotted == ROLE_ATTRIBUTE:
                name = str(attribute["values"][0]["role_name"].native)
                return name.removeprefix(ROLE_PREFIX) if name.startswith(ROLE_PREFIX) else None
    except UNREADABLE:
        return ""
    return None


def commitment(opened: Opened) -> str:
    """Return what the signature stands for, such as ``approval``; empty where it does not say."""
    value = opened.attribute("commitment_type")
    number = "" if value is None else value["identifier"].dotted
    return COMMITMENTS.get(number, number)


def tokens(opened: Opened) -> tuple[bytes, ...]:
    """Return the time-stamp tokens over the signature (DER)."""
    attributes = opened.info["unsigned_attrs"]
    if isinstance(attributes, core.Void):
        return ()
    return tuple(
        value.dump()
        for attribute in attributes
        if attribute["type"].dotted == TOKEN_TYPE
        for value in attribute["values"]
    )
