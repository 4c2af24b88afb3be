"""Certificates and revocation lists as facts: who, from whom, until when, and whether they are only for show.

Knows X.509 names, key identifiers, usages and the mark that demonstration keys carry. Refuses to know whom to trust:
that is what the trust folder pins.
"""

from __future__ import annotations

import hashlib
import warnings
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeVar

from asn1crypto import cms, crl, pem, x509
from cryptography import x509 as pyca
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.utils import CryptographyDeprecationWarning

T = TypeVar("T")

DEMO_UNIT = "DEMONSTRATION ONLY - NOT A REAL SIGNATORY"
"""Organisational unit in the subject of every demonstration certificate, so that any viewer shows it."""

DEMO_EXTENSION = "2.25.279841360530264137563806287043270958211"
"""Extension that marks a demonstration certificate; below the arc for UUIDs (ITU-T X.667), so nobody assigns it."""

DOCUMENT_SIGNING = "1.3.6.1.5.5.7.3.36"
"""id-kp-documentSigning, RFC 9336, 3.1."""
EMAIL_PROTECTION = "1.3.6.1.5.5.7.3.4"
"""id-kp-emailProtection, RFC 5280, 4.2.1.12; the purpose that `openssl cms -verify` asks for by default."""
TIME_STAMPING = "1.3.6.1.5.5.7.3.8"
"""id-kp-timeStamping, RFC 5280, 4.2.1.12; RFC 3161, 2.3 wants it critical and alone."""

USAGE_NAMES: Mapping[str, str] = {
    DOCUMENT_SIGNING: "document signing",
    EMAIL_PROTECTION: "e-mail protection",
    TIME_STAMPING: "time stamping",
}

UNREADABLE = (
    ValueError,
    TypeError,
    KeyError,
    IndexError,
    OverflowError,
    RecursionError,
    AttributeError,
    UnsupportedAlgorithm,
    CryptographyDeprecationWarning,
    pyca.InvalidVersion,
    pyca.DuplicateExtension,
    pyca.UnsupportedGeneralNameType,
)
"""What the ASN.1 reader raises over bytes that are not what they claim to be."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CertificateFacts:
    """One certificate, in words."""

    name: str
    organisation: str
    subject: str
    serial: str
    fingerprint: str
    """SHA-256 of the certificate, lower-case hex."""
    valid_from: datetime
    valid_until: datetime
    demo: bool

    def as_json(self) -> dict[str, Any]:
        """Return the facts with ISO 8601 times."""
        return {
            "name": self.name,
            "organisation": self.organisation,
            "subject": self.subject,
            "serial": self.serial,
            "fingerprint_sha256": self.fingerprint,
            "valid_from": self.valid_from.isoformat(),
            "valid_until": self.valid_until.isoformat(),
            "demo": self.demo,
        }


def facts(certificate: x509.Certificate) -> CertificateFacts:
    """Return what a reader wants to know of a certificate."""
    subject = certificate.subject.native
    validity = certificate["tbs_certificate"]["validity"]
    return CertificateFacts(
        name=_text(subject.get("common_name")),
        organisation=_text(subject.get("organization_name")),
        subject=certificate.subject.human_friendly,
        serial=f"{certificate.serial_number:x}",
        fingerprint=fingerprint(certificate.dump()),
        valid_from=validity["not_before"].native,
        valid_until=validity["not_after"].native,
        demo=is_demo(certificate),
    )


def _text(value: object) -> str:
    if isinstance(value, list):
        return ", ".join(str(part) for part in value)
    return "" if value is None else str(value)


def is_demo(certificate: x509.Certificate) -> bool:
    """Return whether the certificate says it is only for demonstration, by its subject or by its extension."""
    if DEMO_UNIT in _text(certificate.subject.native.get("organizational_unit_name")):
        return True
    extensions = certificate["tbs_certificate"]["extensions"]
    return any(extension["extn_id"].dotted == DEMO_EXTENSION for extension in extensions)


def fingerprint(der: bytes) -> str:
    """Return the SHA-256 fingerprint of a certificate as 64 lower-case hex digits."""
    return hashlib.sha256(der).hexdigest()


def spoken_fingerprint(hexadecimal: str) -> str:
    """Return a fingerprint in groups of four digits, for reading out over the telephone."""
    text = plain_fingerprint(hexadecimal)
    return " ".join(text[start : start + 4] for start in range(0, len(text), 4))


def plain_fingerprint(text: str) -> str:
    """Return a fingerprint as typed by a person, without spaces, colons and capitals."""
    return "".join(letter for letter in text.lower() if letter not in " :-\t\n\r")


def usages(certificate: x509.Certificate) -> frozenset[str]:
    """Return the extended key usages as dotted numbers; empty where the certificate has none."""
    value = certificate.extended_key_usage_value
    return frozenset() if value is None else frozenset(usage.dotted for usage in value)


def read_certificates(data: bytes) -> tuple[x509.Certificate, ...]:
    """Return the certificates in PEM or DER bytes.

    Raises ``ValueError`` where the bytes hold none or are damaged.
    """
    return _every(
        data, "CERTIFICATE", "certificate", lambda der: check_certificate(x509.Certificate.load(der, strict=True))
    )


def read_revocation_lists(data: bytes) -> tuple[crl.CertificateList, ...]:
    """Return the revocation lists in PEM or DER bytes.

    Raises ``ValueError`` where the bytes hold none or are damaged.
    """
    return _every(
        data,
        "X509 CRL",
        "revocation list",
        lambda der: check_revocation_list(crl.CertificateList.load(der, strict=True)),
    )


def _every(data: bytes, label: str, name: str, load: Callable[[bytes], T]) -> tuple[T, ...]:
    """Return what ``load`` makes of DER bytes, or of each PEM block with the label; ``name`` is for messages."""
    try:
        if not pem.detect(data):
            return (load(data),)
        found = tuple(load(der) for kind, _, der in pem.unarmor(data, multiple=True) if kind == label)
    except UNREADABLE as error:
        raise ValueError(f"not a {name} ({error})") from error
    if not found:
        raise ValueError(f"holds no {name}")
    return found


def second_reading(load: Callable[[bytes], T], der: bytes) -> T:
    """Return what the second, stricter reader makes of a certificate or list.

    Raises one of ``UNREADABLE``, also where the reader only warns: what it is about to refuse is refused now.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("error", CryptographyDeprecationWarning)
        return load(der)


def check_certificate(certificate: x509.Certificate) -> x509.Certificate:
    """Read a certificate to its leaves now, so that damage shows here and not in the middle of a judgement.

    Raises one of ``UNREADABLE``.
    """
    _ = certificate.native
    _ = second_reading(pyca.load_der_x509_certificate, certificate.dump()).public_key()
    if certificate.serial_number <= 0:
        raise ValueError("its serial number is not positive")  # RFC 5280, 4.1.2.2
    return certificate


def check_revocation_list(certificate_list: crl.CertificateList) -> crl.CertificateList:
    """Read a revocation list as ``check_certificate`` does; by the faster reader alone, since lists may be long."""
    _ = second_reading(pyca.load_der_x509_crl, certificate_list.dump()).next_update_utc
    return certificate_list


def embedded_certificates(signed: cms.SignedData) -> tuple[x509.Certificate, ...]:
    """Return the X.509 certificates carried along in a signature."""
    choices: Iterable[Any] = signed["certificates"] or ()
    return tuple(choice.chosen for choice in choices if choice.name == "certificate")


def embedded_revocation_lists(signed: cms.SignedData) -> tuple[crl.CertificateList, ...]:
    """Return the revocation lists carried along in a signature; path validation does not look there by itself."""
    choices: Iterable[Any] = signed["crls"] or ()
    return tuple(choice.chosen for choice in choices if choice.name == "crl")
