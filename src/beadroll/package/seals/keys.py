"""Keys of an organisation without a certificate authority of its own: a root, signers, and a list of revoked ones.

Knows how to make, renew, revoke, import and show them as ordinary PKCS#12 and PEM files, and how to open a signer
from such a file. Refuses to know where a passphrase comes from and whom anybody trusts.
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from asn1crypto import x509 as asn1_x509
from cryptography import x509
from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    pkcs12,
)

from beadroll.errors import InputError, MachineError
from beadroll.package.seals.certificates import (
    UNREADABLE,
    CertificateFacts,
    facts,
    read_certificates,
    read_revocation_lists,
    spoken_fingerprint,
)
from beadroll.package.seals.issue import Pair, make_list, make_root, make_signer, whole_seconds

ROOT_P12 = "organisation-root.p12"
ROOT_PEM = "organisation-root.pem"
SIGNER_P12 = "signer.p12"
SIGNER_PEM = "signer.pem"
REVOKED_PEM = "revoked.crl.pem"

REASONS: dict[str, x509.ReasonFlags] = {
    "key-compromise": x509.ReasonFlags.key_compromise,
    "affiliation-changed": x509.ReasonFlags.affiliation_changed,
    "superseded": x509.ReasonFlags.superseded,
    "cessation": x509.ReasonFlags.cessation_of_operation,
}
"""The reasons of RFC 5280, 5.3.1 that an organisation's own list has a use for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyFiles:
    """Where an organisation's keys lie, and the fingerprint that the other party must be told."""

    directory: Path
    fingerprint: str
    """SHA-256 of the root certificate, 64 lower-case hex digits."""
    demo: bool

    @property
    def root_p12(self) -> Path:
        """The root key; needed to renew and to revoke, and better kept off the machine that signs."""
        return self.directory / ROOT_P12

    @property
    def root_pem(self) -> Path:
        """The root certificate; this one is given to the other party."""
        return self.directory / ROOT_PEM

    @property
    def signer_p12(self) -> Path:
        """The key that seals."""
        return self.directory / SIGNER_P12

    @property
    def revoked_pem(self) -> Path:
        """The list of revoked signers; given along with the root certificate."""
        return self.directory / REVOKED_PEM

    @property
    def spoken(self) -> str:
        """The fingerprint in groups of four, for the telephone."""
        return spoken_fingerprint(self.fingerprint)


@dataclass(frozen=True, slots=True, kw_only=True)
class Signer:
    """A key ready to sign, with its certificates and its organisation's revocation list."""

    facts: CertificateFacts
    certificate: bytes
    """DER."""
    chain: tuple[bytes, ...]
    """DER of the certificates above it, as found in the file."""
    revocation_lists: tuple[bytes, ...]
    """DER; carried along in every seal, so that it can be judged when the organisation is gone."""
    engine: Any
    """The pyHanko signer that holds the key or talks to the token."""

    @property
    def demo(self) -> bool:
        """Whether this key is only for demonstration."""
        return self.facts.demo


# ---------------------------------------------------------------------------------------------------------- making


def new_organisation(
    name: str, person: str, directory: Path, passphrase: str, *, demo: bool, now: datetime
) -> KeyFiles:
    """Make an organisation's root, its first signer and an empty revocation list in ``directory``.

    The root is P-384 with path length 0; the signer may sign documents and answer for their content. ``demo`` marks
    both certificates, so that every verdict on their seals says so. Raises ``InputError`` for an empty name or
    passphrase and where keys lie there already, ``MachineError`` where the folder cannot be written.
    """
    for label, value in (("the organisation's name", name), ("the person's name", person)):
        _check_name(label, value, directory)
    if not passphrase:
        raise InputError(
            "the passphrase is empty",
            path=str(directory),
            remedy="Choose a passphrase; the key files are worth nothing without one.",
        )
    if (directory / ROOT_P12).exists():
        raise InputError(
            "an organisation's keys lie there already",
            path=str(directory),
            remedy="Choose another folder, or renew the signer of the keys you have.",
        )
    moment = whole_seconds(now)
    root = make_root(name, demo=demo, now=moment)
    signer = make_signer(root, name, person, demo=demo, now=moment)
    with _disk(directory):
        directory.mkdir(mode=0o700, parents=True, exist_ok=True)
        _write_list(directory, make_list(root, (), number=1, now=moment))
        _write_signer(directory, signer, root, passphrase)
        _write(directory / ROOT_PEM, root.certificate.public_bytes(Encoding.PEM), mode=0o644)
        # The root key comes last: its presence says that the folder is complete.
        _write(directory / ROOT_P12, _p12(root, (), "organisation root", passphrase), mode=0o600)
    return key_files(directory)


def key_files(directory: Path) -> KeyFiles:
    """Return the addresses and the fingerprint of the keys in a folder.

    Raises ``InputError`` where it holds no root certificate.
    """
    root = _root_facts(directory)
    return KeyFiles(directory=directory, fingerprint=root.fingerprint, demo=root.demo)


def show(directory: Path) -> tuple[CertificateFacts, ...]:
    """Return the facts of the root and of every signer, newest first, without asking for a passphrase."""
    root = _root_facts(directory)
    signers = [_certificate_facts(path) for path in directory.glob("signer*.pem")]
    return (root, *sorted(signers, key=lambda f: f.valid_from, reverse=True))


def revoked(directory: Path) -> dict[str, datetime]:
    """Return serial number (hex) -> time of revocation, as the folder's list has it."""
    certificate_list = x509.load_pem_x509_crl(_read(directory / REVOKED_PEM))
    return {f"{entry.serial_number:x}": entry.revocation_date_utc for entry in certificate_list}


def renew(directory: Path, passphrase: str, *, person: str = "", now: datetime) -> KeyFiles:
    """Make a new signer under the same root; the old one's files stay, renamed, and its seals stay good.

    Without ``person`` the new signer bears the old one's name. Raises ``InputError`` for a wrong passphrase.
    """
    root, old = _open_root(directory, passphrase), _certificate_facts(directory / SIGNER_PEM)
    organisation = _certificate_facts(directory / ROOT_PEM).organisation
    _check_name("the person's name", person or old.name, directory)
    moment = whole_seconds(now)
    signer = make_signer(root, organisation, person or old.name, demo=key_files(directory).demo, now=moment)
    with _disk(directory):
        for current in (SIGNER_P12, SIGNER_PEM):
            kept = directory / f"signer-{old.serial[:16]}{Path(current).suffix}"
            if not kept.exists():
                os.link(directory / current, kept)
        _write_signer(directory, signer, root, passphrase)
    refresh_list(directory, passphrase, now=now)
    return key_files(directory)


def revoke(directory: Path, passphrase: str, serial: str, *, reason: str, now: datetime) -> None:
    """Put a signer on the organisation's revocation list from ``now`` on.

    Seals whose trusted time lies before ``now`` stay good, save where the reason is ``key-compromise`` and nothing
    but the signer's own claim dates them. Raises ``InputError`` for an unknown reason or serial number and a wrong
    passphrase.
    """
    if reason not in REASONS:
        raise InputError(
            f"{reason!r} is no reason for a revocation",
            path=str(directory / REVOKED_PEM),
            remedy=f"Give one of: {', '.join(REASONS)}.",
        )
    known = {fact.serial for fact in show(directory)[1:]}
    if serial.lower() not in known:
        raise InputError(
            f"no signer here has the serial number {serial}",
            path=str(directory),
            remedy="Take the serial number from the list of keys.",
        )
    entry = (
        x509.RevokedCertificateBuilder()
        .serial_number(int(serial, 16))
        .revocation_date(whole_seconds(now))
        .add_extension(x509.CRLReason(REASONS[reason]), critical=False)
        .build()
    )
    _reissue(directory, passphrase, (entry,), now=now)


def refresh_list(directory: Path, passphrase: str, *, now: datetime) -> None:
    """Issue the revocation list anew, with the same entries and a new date. Raises as ``revoke``."""
    _reissue(directory, passphrase, (), now=now)


# --------------------------------------------------------------------------------------------------------- opening


def load_signer(path: Path, passphrase: str) -> Signer:
    """Open a PKCS#12 file, of our making or another's, with the revocation list that lies beside it.

    Raises ``InputError`` for a wrong passphrase, a damaged file, or one without a key and certificate.
    """
    key, certificate, others = _open_p12(path, passphrase)
    from pyhanko.sign.signers import SimpleSigner  # noqa: PLC0415 - only signing needs it; listing keys does not
    from pyhanko_certvalidator.registry import SimpleCertificateStore  # noqa: PLC0415 - as above

    try:
        engine = SimpleSigner.load_pkcs12_data(_read(path), (), passphrase.encode())
    except UNREADABLE:
        engine = None
    if engine is None or key is None:
        raise _no_key(path)
    der = certificate.public_bytes(Encoding.DER)
    chain = tuple(other.public_bytes(Encoding.DER) for other in others)
    registry = SimpleCertificateStore()  # type: ignore[no-untyped-call]  # the library is typed in part
    registry.register_multiple(asn1_x509.Certificate.load(one) for one in chain)
    engine._cert_registry = registry  # noqa: SLF001 - the loader offers no other way to keep the chain exactly
    return Signer(
        facts=facts(asn1_x509.Certificate.load(der)),
        certificate=der,
        chain=chain,
        revocation_lists=revocation_lists_beside(path),
        engine=engine,
    )


def revocation_lists_beside(path: Path) -> tuple[bytes, ...]:
    """Return the DER of the revocation lists (``*.crl.pem``, ``*.crl``) in the same folder.

    Raises ``InputError`` for one that cannot be read: leaving it out unsaid would weaken every seal.
    """
    found: list[bytes] = []
    for beside in sorted((*path.parent.glob("*.crl.pem"), *path.parent.glob("*.crl"))):
        try:
            found.extend(one.dump() for one in read_revocation_lists(_read(beside)))
        except ValueError as error:
            raise InputError(
                str(error),
                path=str(beside),
                remedy="Replace the revocation list by an undamaged copy.",
            ) from error
    return tuple(found)


def import_signer(source: Path, passphrase: str, directory: Path, new_passphrase: str) -> CertificateFacts:
    """Copy a PKCS#12 file made elsewhere into ``directory`` as the signer, encrypted anew, mode 0600.

    Raises ``InputError`` for a wrong passphrase, a file without a key, or where a signer lies there already.
    """
    key, certificate, others = _open_p12(source, passphrase)
    if not new_passphrase:
        raise InputError("the new passphrase is empty", path=str(directory), remedy="Choose a passphrase for the copy.")
    if (directory / SIGNER_P12).exists():
        raise InputError("a signer lies there already", path=str(directory), remedy="Choose another folder for it.")
    sealed = pkcs12.serialize_key_and_certificates(
        b"signer", key, certificate, list(others), BestAvailableEncryption(new_passphrase.encode())
    )
    with _disk(directory):
        directory.mkdir(mode=0o700, parents=True, exist_ok=True)
        _write(directory / SIGNER_PEM, certificate.public_bytes(Encoding.PEM), mode=0o644)
        _write(directory / SIGNER_P12, sealed, mode=0o600)
    return _certificate_facts(directory / SIGNER_PEM)


# ------------------------------------------------------------------------------------------------------- internals


def _check_name(label: str, value: str, directory: Path) -> None:
    if not value.strip() or len(value) > 64:  # noqa: PLR2004 - ub-common-name, RFC 5280, Appendix A.1
        raise InputError(
            f"{label} must have between 1 and 64 characters",
            path=str(directory),
            remedy="Give the name as it should stand in the certificate.",
        )


def _reissue(directory: Path, passphrase: str, added: tuple[x509.RevokedCertificate, ...], *, now: datetime) -> None:
    root, path = _open_root(directory, passphrase), directory / REVOKED_PEM
    old = x509.load_pem_x509_crl(_read(path))
    if not old.is_signature_valid(root.key.public_key()):
        raise InputError(
            "the revocation list was not signed by this organisation's root",
            path=str(path),
            remedy="Put back the list that belongs to these keys; entries would be lost otherwise.",
        )
    number = old.extensions.get_extension_for_class(x509.CRLNumber).value.crl_number
    fresh = {entry.serial_number for entry in added}
    # An entry keeps its first date: a second revocation must not move it forward.
    fresh -= {entry.serial_number for entry in old}
    entries = (*old, *(entry for entry in added if entry.serial_number in fresh))
    with _disk(directory):
        _write_list(directory, make_list(root, entries, number=number + 1, now=whole_seconds(now)))


def _p12(pair: Pair, above: tuple[x509.Certificate, ...], label: str, passphrase: str) -> bytes:
    return pkcs12.serialize_key_and_certificates(
        label.encode(), pair.key, pair.certificate, list(above), BestAvailableEncryption(passphrase.encode())
    )


def _write_signer(directory: Path, signer: Pair, root: Pair, passphrase: str) -> None:
    _write(directory / SIGNER_PEM, signer.certificate.public_bytes(Encoding.PEM), mode=0o644)
    _write(directory / SIGNER_P12, _p12(signer, (root.certificate,), "signer", passphrase), mode=0o600)


def _write_list(directory: Path, certificate_list: x509.CertificateRevocationList) -> None:
    _write(directory / REVOKED_PEM, certificate_list.public_bytes(Encoding.PEM), mode=0o644)


def _open_p12(path: Path, passphrase: str) -> tuple[Any, x509.Certificate, tuple[x509.Certificate, ...]]:
    data = _read(path)
    try:
        key, certificate, others = pkcs12.load_key_and_certificates(data, passphrase.encode())
    except (ValueError, TypeError, UnsupportedAlgorithm, InvalidSignature) as error:
        raise InputError(
            "the key file does not open with this passphrase, or it is damaged",
            path=str(path),
            remedy="Type the passphrase again; if it still fails, take the key file from its backup copy.",
        ) from error
    if key is None or certificate is None:
        raise _no_key(path)
    return key, certificate, tuple(others)


def _no_key(path: Path) -> InputError:
    return InputError(
        "the file holds no private key with its certificate",
        path=str(path),
        remedy="Name the PKCS#12 file that holds the signer's key, not only certificates.",
    )


def _open_root(directory: Path, passphrase: str) -> Pair:
    path = directory / ROOT_P12
    key, certificate, _ = _open_p12(path, passphrase)
    if not isinstance(key, ec.EllipticCurvePrivateKey):
        raise InputError(
            "the root key is not one that this program made",
            path=str(path),
            remedy="Renew and revoke with the tools of the authority that issued it.",
        )
    return Pair(key=key, certificate=certificate)


def _root_facts(directory: Path) -> CertificateFacts:
    return _certificate_facts(directory / ROOT_PEM)


def _certificate_facts(path: Path) -> CertificateFacts:
    try:
        return facts(read_certificates(_read(path))[0])
    except ValueError as error:
        raise InputError(str(error), path=str(path), remedy="Take the certificate from its backup copy.") from error


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise InputError(
            f"cannot be read ({error.strerror})", path=str(path), remedy="Check the name of the file."
        ) from error


@contextmanager
def _disk(directory: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise MachineError(
            f"{directory}: the keys cannot be written ({error.strerror})",
            remedy="Choose a folder that you may write to, on a disk with room.",
        ) from error


def _write(path: Path, data: bytes, *, mode: int) -> None:
    """Write beside, bring to disk, rename; the file never exists with wider permissions than ``mode``."""
    beside = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        beside.replace(path)
    except BaseException:
        beside.unlink(missing_ok=True)
        raise
