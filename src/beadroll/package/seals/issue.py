"""Certificates and revocation lists of an organisation's own authority, built and signed.

Knows what stands in them. Refuses to know files, passphrases and the clock.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from beadroll.package.seals.certificates import DEMO_EXTENSION, DEMO_UNIT, DOCUMENT_SIGNING, EMAIL_PROTECTION

ROOT_LIFE = timedelta(days=25 * 365)
"""Our choice: longer than the usual retention of a contract's radiographs, shorter than a key's plausible safety."""
SIGNER_LIFE = timedelta(days=3 * 365)
"""Our choice: a signer is renewed more often than people change posts."""
LIST_LIFE = timedelta(days=400)
"""Our choice: a year and a month's grace, since a small office takes its root key out once a year."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """A key and its certificate."""

    key: ec.EllipticCurvePrivateKey
    certificate: x509.Certificate


def whole_seconds(now: datetime) -> datetime:
    """Return the time without its fraction, as certificates carry it. Raises ``ValueError`` without a time zone."""
    if now.tzinfo is None:
        raise ValueError("the time must carry its time zone")
    return now.replace(microsecond=0)


def _name(organisation: str, common: str, *, demo: bool) -> x509.Name:
    unit = [x509.NameAttribute(NameOID.ORGANIZATIONAL_UNIT_NAME, DEMO_UNIT)] if demo else []
    return x509.Name(
        [
            x509.NameAttribute(NameOID.ORGANIZATION_NAME, organisation),
            *unit,
            x509.NameAttribute(NameOID.COMMON_NAME, common),
        ]
    )


def _usage(*, root: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not root,
        content_commitment=not root,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=root,
        crl_sign=root,
        encipher_only=False,
        decipher_only=False,
    )


def _marked(builder: x509.CertificateBuilder, *, demo: bool) -> x509.CertificateBuilder:
    if not demo:
        return builder
    mark = x509.UnrecognizedExtension(x509.ObjectIdentifier(DEMO_EXTENSION), b"\x05\x00")  # DER NULL
    return builder.add_extension(mark, critical=False)


def make_root(name: str, *, demo: bool, now: datetime) -> Pair:
    """Return a root: P-384, path length 0, for issuing certificates and lists only."""
    key = ec.generate_private_key(ec.SECP384R1())
    subject = _name(name, f"{name[:48]} root {now.year}", demo=demo)
    identifier = x509.SubjectKeyIdentifier.from_public_key(key.public_key())
    builder = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now)
        .not_valid_after(now + ROOT_LIFE)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(root=True), critical=True)
        .add_extension(identifier, critical=False)
    )
    return Pair(key=key, certificate=_marked(builder, demo=demo).sign(key, hashes.SHA384()))


def make_signer(root: Pair, organisation: str, person: str, *, demo: bool, now: datetime) -> Pair:
    """Return a signer below the root: P-384, for documents and e-mail, answering for their content."""
    key = ec.generate_private_key(ec.SECP384R1())
    authority = x509.AuthorityKeyIdentifier.from_issuer_public_key(root.key.public_key())
    purposes = [x509.ObjectIdentifier(DOCUMENT_SIGNING), x509.ObjectIdentifier(EMAIL_PROTECTION)]
    builder = (
        x509.CertificateBuilder()
        .subject_name(_name(organisation, person, demo=demo))
        .issuer_name(root.certificate.subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now)
        .not_valid_after(min(now + SIGNER_LIFE, root.certificate.not_valid_after_utc))
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(root=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage(purposes), critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(authority, critical=False)
    )
    return Pair(key=key, certificate=_marked(builder, demo=demo).sign(root.key, hashes.SHA384()))


def make_list(
    root: Pair, entries: tuple[x509.RevokedCertificate, ...], *, number: int, now: datetime
) -> x509.CertificateRevocationList:
    """Return a revocation list by the root with these entries."""
    builder = (
        x509.CertificateRevocationListBuilder()
        .issuer_name(root.certificate.subject)
        .last_update(now)
        .next_update(now + LIST_LIFE)
        .add_extension(x509.CRLNumber(number), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(root.key.public_key()), critical=False)
    )
    for entry in entries:
        builder = builder.add_revoked_certificate(entry)
    return builder.sign(root.key, hashes.SHA384())
