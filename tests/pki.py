"""A small public-key world for tests: authorities, people, revocation lists, and time-stamping authorities.

Everything is made in the test's own folder and dated as the test wishes, so that years can pass within a second.
"""

from __future__ import annotations

import asyncio
import hashlib
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cache
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

from asn1crypto import keys as asn1_keys
from asn1crypto import x509 as asn1_x509
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    NoEncryption,
    PrivateFormat,
    pkcs12,
)
from cryptography.x509.oid import NameOID
from pyhanko.sign.timestamps import DummyTimeStamper
from pyhanko_certvalidator.registry import SimpleCertificateStore

from beadroll.package.seals import trust as trust_folder
from beadroll.package.seals.keys import Signer, load_signer
from beadroll.package.seals.trust import Trust

NOW = datetime(2031, 4, 7, 9, 30, tzinfo=UTC)
YEAR = timedelta(days=365)
PASSPHRASE = "seven beads on a wire"  # noqa: S105 - opens test keys only
DOCUMENT_SIGNING = "1.3.6.1.5.5.7.3.36"
TIME_STAMPING = "1.3.6.1.5.5.7.3.8"

Key = ec.EllipticCurvePrivateKey | rsa.RSAPrivateKey


@cache
def rsa_key(bits: int, which: int = 0) -> rsa.RSAPrivateKey:
    """Return an RSA key of that length; made once a run, since that takes a while."""
    assert which >= 0
    return rsa.generate_private_key(public_exponent=65537, key_size=bits)


def ec_key() -> ec.EllipticCurvePrivateKey:
    return ec.generate_private_key(ec.SECP256R1())


def named(common: str, organisation: str = "Halden Pipework") -> x509.Name:
    return x509.Name(
        [
            x509.NameAttribute(NameOID.ORGANIZATION_NAME, organisation),
            x509.NameAttribute(NameOID.COMMON_NAME, common),
        ]
    )


@dataclass(kw_only=True)
class Party:
    """A certificate with its key, and the authorities above it."""

    key: Key
    certificate: x509.Certificate
    above: tuple[x509.Certificate, ...] = ()

    @property
    def pem(self) -> bytes:
        return self.certificate.public_bytes(Encoding.PEM)

    @property
    def der(self) -> bytes:
        return self.certificate.public_bytes(Encoding.DER)

    @property
    def fingerprint(self) -> str:
        return hashlib.sha256(self.der).hexdigest()

    @property
    def key_pem(self) -> bytes:
        return self.key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())

    def save(self, folder: Path, name: str) -> tuple[Path, Path]:
        """Write certificate and key as PEM; returns both paths."""
        certificate, key = folder / f"{name}.pem", folder / f"{name}.key"
        certificate.write_bytes(self.pem)
        key.write_bytes(self.key_pem)
        return certificate, key

    def signer(self, folder: Path, *lists: bytes) -> Signer:
        """Return a signer opened from a PKCS#12 file beside these revocation lists (PEM)."""
        place = folder / f"p12-{self.certificate.serial_number:x}"
        place.mkdir(exist_ok=True)
        for number, one in enumerate(lists):
            (place / f"{number}.crl.pem").write_bytes(one)
        path = place / "signer.p12"
        path.write_bytes(
            pkcs12.serialize_key_and_certificates(
                b"signer", self.key, self.certificate, list(self.above), BestAvailableEncryption(PASSPHRASE.encode())
            )
        )
        return load_signer(path, PASSPHRASE)


@dataclass(kw_only=True)
class Authority(Party):
    """Somebody who issues certificates and revocation lists."""

    issued: list[x509.Certificate] = field(default_factory=list)

    def issue(  # noqa: PLR0913 - a test says only how its certificate differs from a good one
        self,
        common: str = "Ada Holm",
        *,
        key: Key | None = None,
        usages: tuple[str, ...] | None = (DOCUMENT_SIGNING, "1.3.6.1.5.5.7.3.4"),
        usages_critical: bool = False,
        signing: bool = True,
        since: datetime = NOW - YEAR,
        until: datetime = NOW + 2 * YEAR,
        digest: hashes.HashAlgorithm | None = None,
        serial: int | None = None,
        ca: bool = False,
    ) -> Party:
        own = key or ec_key()
        builder = (
            x509.CertificateBuilder()
            .subject_name(named(common))
            .issuer_name(self.certificate.subject)
            .public_key(own.public_key())
            .serial_number(serial or x509.random_serial_number())
            .not_valid_before(since)
            .not_valid_after(until)
            .add_extension(x509.BasicConstraints(ca=ca, path_length=0 if ca else None), critical=True)
            .add_extension(key_usage(signing=signing, issuing=ca), critical=True)
            .add_extension(x509.SubjectKeyIdentifier.from_public_key(own.public_key()), critical=False)
            .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(self.key.public_key()), critical=False)
        )
        if usages is not None:
            purposes = x509.ExtendedKeyUsage([x509.ObjectIdentifier(usage) for usage in usages])
            builder = builder.add_extension(purposes, critical=usages_critical)
        certificate = builder.sign(self.key, digest or hashes.SHA256())
        self.issued.append(certificate)
        above = (self.certificate, *self.above)
        return (
            Authority(key=own, certificate=certificate, above=above)
            if ca
            else Party(key=own, certificate=certificate, above=above)
        )

    def revocation_list(
        self,
        *revoked: tuple[Party, datetime, x509.ReasonFlags | None],
        made: datetime = NOW - timedelta(days=1),
        until: datetime | None = None,
    ) -> bytes:
        """Return a PEM revocation list."""
        builder = (
            x509.CertificateRevocationListBuilder()
            .issuer_name(self.certificate.subject)
            .last_update(made)
            .next_update(until or made + YEAR)
            .add_extension(x509.CRLNumber(1), critical=False)
            .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(self.key.public_key()), critical=False)
        )
        for party, at, reason in revoked:
            entry = x509.RevokedCertificateBuilder().serial_number(party.certificate.serial_number).revocation_date(at)
            if reason is not None:
                entry = entry.add_extension(x509.CRLReason(reason), critical=False)
            builder = builder.add_revoked_certificate(entry.build())
        return builder.sign(self.key, hashes.SHA256()).public_bytes(Encoding.PEM)


def key_usage(*, signing: bool, issuing: bool = False) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=signing and not issuing,
        content_commitment=signing and not issuing,
        key_encipherment=not signing,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=issuing,
        crl_sign=issuing,
        encipher_only=False,
        decipher_only=False,
    )


def authority(
    common: str = "Halden Pipework root",
    *,
    key: Key | None = None,
    since: datetime = NOW - 5 * YEAR,
    until: datetime = NOW + 20 * YEAR,
    path_length: int | None = 1,
) -> Authority:
    own = key or ec_key()
    certificate = (
        x509.CertificateBuilder()
        .subject_name(named(common))
        .issuer_name(named(common))
        .public_key(own.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(since)
        .not_valid_after(until)
        .add_extension(x509.BasicConstraints(ca=True, path_length=path_length), critical=True)
        .add_extension(key_usage(signing=False, issuing=True), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(own.public_key()), critical=False)
        .sign(own, hashes.SHA256())
    )
    return Authority(key=own, certificate=certificate)


def time_signer(root: Authority, **limits) -> Party:
    """Return a time-stamping authority's certificate below ``root``."""
    usages = limits.pop("usages", (TIME_STAMPING,))
    limits.setdefault("key", rsa_key(3072))  # the library's test clock signs with RSA only
    return root.issue("Clock of Halden", usages=usages, usages_critical=True, **limits)


def trusting(folder: Path, *pins: tuple[str, Party], lists: tuple[bytes, ...] = (), **limits) -> Trust:
    """Return the trust of a folder that pins these roots for these roles."""
    place = folder / "trust"
    for role, root in pins:
        given = {} if role == "timestamp" else limits
        trust_folder.add(place, role, root.pem, root.fingerprint, **given)
    for one in lists:
        trust_folder.add_revocation_lists(place, one)
    return Trust.load(place)


@dataclass(frozen=True, kw_only=True)
class ClockAt:
    """A time-stamping authority whose clock stands still at a chosen moment."""

    party: Party
    at: datetime
    lists: tuple[bytes, ...] = ()

    def token(self, signature: bytes) -> bytes:
        store = SimpleCertificateStore()
        store.register_multiple(asn1_x509.Certificate.load(one.public_bytes(Encoding.DER)) for one in self.party.above)
        clock = DummyTimeStamper(
            asn1_x509.Certificate.load(self.party.der),
            asn1_keys.PrivateKeyInfo.load(
                self.party.key.private_bytes(Encoding.DER, PrivateFormat.PKCS8, NoEncryption())
            ),
            certs_to_embed=store,
            fixed_dt=self.at,
        )
        made = asyncio.run(clock.async_timestamp(hashlib.sha512(signature).digest(), "sha512"))
        return made.dump()


@dataclass(frozen=True, kw_only=True)
class OpensslClock:
    """A time-stamping authority run by ``openssl ts`` in a folder."""

    folder: Path
    openssl: str

    @classmethod
    def make(cls, folder: Path, root: Authority, openssl: str) -> OpensslClock:
        now = datetime.now(UTC)
        clock = time_signer(root, since=now - YEAR, until=now + YEAR)
        clock.save(folder, "clock")
        (folder / "root.pem").write_bytes(root.pem)
        (folder / "serial").write_text("01\n")
        (folder / "ts.cnf").write_text(
            "[tsa]\ndefault_tsa=clock\n[clock]\n"
            f"serial={folder}/serial\nsigner_cert={folder}/clock.pem\nsigner_key={folder}/clock.key\n"
            f"certs={folder}/root.pem\nsigner_digest=sha256\ndefault_policy=1.2.3.4.1\n"
            "digests=sha256,sha384,sha512\naccuracy=secs:1\ness_cert_id_alg=sha256\ncrypto_device=builtin\n"
        )
        return cls(folder=folder, openssl=openssl)

    def reply(self, query: bytes) -> bytes:
        (self.folder / "query").write_bytes(query)
        subprocess.run(
            [self.openssl, "ts", "-reply", "-config", "ts.cnf", "-queryfile", "query", "-out", "reply"],
            cwd=self.folder,
            check=True,
            capture_output=True,
        )
        return (self.folder / "reply").read_bytes()


@contextmanager
def served(reply) -> Iterator[str]:
    """Serve ``reply(query) -> bytes`` over HTTP on the loopback; yields the address."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self):
            query = self.rfile.read(int(self.headers["Content-Length"]))
            answer = reply(query)
            self.send_response(200 if answer is not None else 503)
            self.send_header("Content-Type", "application/timestamp-reply")
            self.send_header("Content-Length", str(len(answer or b"")))
            self.end_headers()
            self.wfile.write(answer or b"")

        def log_message(self, *_):
            pass

    server = HTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
