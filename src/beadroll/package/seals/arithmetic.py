"""Whether a signature is correct: the digest of the content, the certificate it names, and the key's own arithmetic.

Knows RFC 5652, 5.4 and 5.6, and the attributes that bind a certificate (RFC 5035) and the algorithms (RFC 6211).
Refuses to know whether anybody trusts the signer.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from typing import Any

from asn1crypto import tsp, x509
from cryptography.exceptions import InvalidSignature
from pyhanko_certvalidator.sig_validate import DefaultSignatureValidator, SignatureValidationContext

from beadroll.findings import finding
from beadroll.package.seals.certificates import UNREADABLE
from beadroll.package.seals.cms import Opened, Refused


def content_digest(content: bytes) -> Callable[[str], bytes]:
    """Return a function from a digest's name to the content's digest; ``ValueError`` for an unknown name."""

    def digest(name: str) -> bytes:
        if name not in hashlib.algorithms_available or name.startswith("shake"):
            raise ValueError(f"the digest {name} is not known here")
        return hashlib.new(name, content).digest()

    return digest


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
    try:
        if not _names(opened):
            raise Refused(finding("SEAL-CERTIFICATE-SWAPPED", subject, who=who))
        said = opened.attribute("content_type"), opened.attribute("message_digest")
        _check_forms(opened, said[0], content_type)
        if said[1] is None or said[1].native != actual:
            raise Refused(finding("SEAL-CONTENT-DIFFERS", subject))
        _verify(opened)
    except InvalidSignature as error:
        raise Refused(finding("SEAL-SIGNATURE-BAD", subject, who=who)) from error
    except UNREADABLE as error:
        raise Refused(finding("SEAL-SIGNATURE-MALFORMED", subject, who=who, reason=str(error))) from error


def _check_forms(opened: Opened, said_type: Any, content_type: str) -> None:
    """Compare the signed attributes with what stands outside them. Raises ``ValueError`` where they differ."""
    if said_type is None or said_type.native != content_type:
        raise ValueError("it was not made for content of this kind")
    if opened.signed["encap_content_info"]["content_type"].native != content_type:
        raise ValueError("it names two kinds of content")
    protected = opened.attribute("cms_algorithm_protection")
    if protected is None:
        return
    for name in ("digest_algorithm", "signature_algorithm"):
        if protected[name].native != opened.info[name].native:
            raise ValueError("it was made with other algorithms than it says")


def _verify(opened: Opened) -> None:
    """Check the signature value over the signed attributes as they came. Raises ``InvalidSignature``."""
    DefaultSignatureValidator().validate_signature(
        opened.signature,
        opened.signed_attributes,
        opened.certificate.public_key,
        opened.info["signature_algorithm"],
        context=SignatureValidationContext(contextual_md_algorithm=opened.digest_name, prehashed=False),
    )


def names_its_certificate(opened: Opened) -> bool:
    """Return whether a signed attribute names the certificate, so that no other can be put in its place."""
    return any(opened.attribute(name) is not None for name in ("signing_certificate", "signing_certificate_v2"))


def _names(opened: Opened) -> bool:
    """Return whether every signed attribute that names a certificate names the one in the file."""
    return all(
        _is_named(opened.certificate, value["certs"][0])
        for name in ("signing_certificate", "signing_certificate_v2")
        if (value := opened.attribute(name)) is not None
    )


def _is_named(certificate: x509.Certificate, named: tsp.ESSCertID | tsp.ESSCertIDv2) -> bool:
    """Compare digest, and issuer and serial number where they are given (RFC 5035, 4 and 5)."""
    algorithm = "sha1"  # RFC 5035, 5: the first form of the attribute knows no other
    if isinstance(named, tsp.ESSCertIDv2):
        algorithm = named["hash_algorithm"]["algorithm"].native
    if named["cert_hash"].native != content_digest(certificate.dump())(algorithm):
        return False
    serial = named["issuer_serial"]
    if not serial:
        return True
    issuers = [name.chosen for name in serial["issuer"] if name.name == "directory_name"]
    return serial["serial_number"].native == certificate.serial_number and certificate.issuer in issuers
