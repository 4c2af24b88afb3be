"""Whom an archive trusts: for each role the roots that were confirmed out of band, and under which limits.

Knows a folder: ``trust.toml`` with the pins, ``roots/``, ``tsa/`` and ``crls/`` with certificates and revocation
lists. Refuses to take a fingerprint from anything that came with a package, and to judge a seal.
"""

from __future__ import annotations

import os
import re
import secrets
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import tomlkit
from asn1crypto import x509
from tomlkit.items import AoT

from beadroll.errors import InputError, MachineError
from beadroll.package.seals.algorithms import DIGESTS, SIGNATURES, AllowList
from beadroll.package.seals.certificates import (
    DOCUMENT_SIGNING,
    TIME_STAMPING,
    CertificateFacts,
    facts,
    fingerprint,
    plain_fingerprint,
    read_certificates,
    read_revocation_lists,
    spoken_fingerprint,
)

TIME_ROLE = "timestamp"
"""The role of time-stamping authorities; their roots are kept apart from everybody else's."""
ROLE = re.compile(r"[a-z][a-z0-9-]{0,31}\Z")
TRUST_TOML = "trust.toml"

_HEADING = """\
# Whom this archive trusts. One [[pin]] for each root and role.
# Fingerprints come by telephone, letter or meeting; never from a package.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pin:
    """One root trusted for one role, within limits."""

    role: str
    fingerprint: str
    """SHA-256 of the root certificate, 64 lower-case hex digits."""
    subjects: tuple[str, ...] = ()
    """Common names, or whole subjects, that may sign; empty where anybody below the root may."""
    usages: tuple[str, ...] = (DOCUMENT_SIGNING,)
    """Extended key usages of which the signer must have one; never empty."""
    valid_from: date | None = None
    valid_until: date | None = None
    """First and last day (UTC) on which a seal may have been made."""

    def covers(self, at: datetime) -> bool:
        """Return whether a seal made at that time lies within the pin's window."""
        if self.valid_from is not None and at < _midnight(self.valid_from):
            return False
        return self.valid_until is None or at < _midnight(self.valid_until) + timedelta(days=1)

    def allows(self, certificate: CertificateFacts) -> bool:
        """Return whether the pin lets this subject sign."""
        return not self.subjects or certificate.name in self.subjects or certificate.subject in self.subjects


@dataclass(frozen=True, slots=True, kw_only=True)
class Trust:
    """The pins of an archive with their certificates and revocation lists, ready to judge by."""

    pins: tuple[Pin, ...] = ()
    roots: Mapping[str, bytes] = field(default_factory=dict)
    """Fingerprint -> DER."""
    revocation_lists: tuple[bytes, ...] = ()
    """DER."""
    algorithms: AllowList = field(default_factory=AllowList)

    @classmethod
    def nobody(cls) -> Trust:
        """Return the trust of someone who has pinned nobody: every seal is then of an unknown root."""
        return cls()

    @classmethod
    def load(cls, directory: Path) -> Trust:
        """Read a trust folder.

        Raises ``InputError`` where it is none, a pin is malformed, a root is missing or is not the one pinned.
        """
        path = directory / TRUST_TOML
        pins, sunsets = _read_toml(path)
        roots = {pin.fingerprint: _root(directory, pin) for pin in pins}
        return cls(
            pins=pins,
            roots=roots,
            revocation_lists=_lists(directory / "crls"),
            algorithms=AllowList(earlier=sunsets),
        )

    def pinned(self, role: str) -> tuple[Pin, ...]:
        """Return the pins of a role."""
        return tuple(pin for pin in self.pins if pin.role == role)

    def others(self, role: str) -> tuple[Pin, ...]:
        """Return the pins of every other role, to name the role that a seal really belongs to."""
        return tuple(pin for pin in self.pins if pin.role not in (role, TIME_ROLE))


def root_fingerprint(data: bytes) -> str:
    """Return the fingerprint of the one certificate in PEM or DER bytes, for a person to compare.

    Raises ``ValueError`` where there is not exactly one.
    """
    certificates = read_certificates(data)
    if len(certificates) != 1:
        raise ValueError(f"holds {len(certificates)} certificates, where one root is wanted")
    return fingerprint(certificates[0].dump())


def add(  # noqa: PLR0913 - each limit of a pin is its own argument, so that a call reads like the pin
    directory: Path,
    role: str,
    root: bytes,
    confirmed_fingerprint: str,
    *,
    subjects: tuple[str, ...] = (),
    usages: tuple[str, ...] = (),
    valid_from: date | None = None,
    valid_until: date | None = None,
    revocation_lists: bytes | None = None,
) -> Pin:
    """Pin a root (PEM or DER) for a role; ``confirmed_fingerprint`` is what the other party told out of band.

    Makes the folder on first use. Raises ``InputError`` where the fingerprint is not the certificate's, the role is
    no role, the certificate cannot issue others, or the same pin exists.
    """
    certificate = _check_root(directory, role, root, confirmed_fingerprint)
    given = fingerprint(certificate.dump())
    existing = _read_toml(directory / TRUST_TOML)[0] if (directory / TRUST_TOML).exists() else ()
    if any(pin.role == role and pin.fingerprint == given for pin in existing):
        raise InputError(
            f"this root is pinned for the role {role} already",
            path=str(directory / TRUST_TOML),
            remedy="Remove the pin first where its limits are to change.",
        )
    pin = Pin(
        role=role,
        fingerprint=given,
        subjects=subjects,
        usages=usages or ((TIME_STAMPING,) if role == TIME_ROLE else (DOCUMENT_SIGNING,)),
        valid_from=valid_from,
        valid_until=valid_until,
    )
    _write(_root_path(directory, pin), _armour("CERTIFICATE", certificate.dump()))
    if revocation_lists is not None:
        add_revocation_lists(directory, revocation_lists)
    _append(directory / TRUST_TOML, pin)
    return pin


def add_revocation_lists(directory: Path, data: bytes) -> tuple[Path, ...]:
    """Keep revocation lists (PEM or DER) in the folder; older ones stay, since each proves its own time.

    Raises ``InputError`` where the bytes are none.
    """
    try:
        found = read_revocation_lists(data)
    except ValueError as error:
        raise InputError(
            str(error), path=str(directory / "crls"), remedy="Give the organisation's revocation list as PEM or DER."
        ) from error
    written = []
    for one in found:
        path = directory / "crls" / f"{fingerprint(one.dump())[:32]}.crl.pem"
        _write(path, _armour("X509 CRL", one.dump()))
        written.append(path)
    return tuple(written)


def remove(directory: Path, role: str, root_sha256: str) -> None:
    """Take a pin away; the certificate's file stays, so that the change can be understood later.

    Raises ``InputError`` where there is no such pin.
    """
    path = directory / TRUST_TOML
    wanted = plain_fingerprint(root_sha256)
    pins, _ = _read_toml(path)
    if not any(pin.role == role and pin.fingerprint == wanted for pin in pins):
        raise InputError(
            f"no root with the fingerprint {wanted[:16]}… is pinned for the role {role}",
            path=str(path),
            remedy="List the pins to see which there are.",
        )
    document = tomlkit.parse(_text(path))
    kept = tomlkit.aot()
    for table in document["pin"]:
        if not (table["role"] == role and plain_fingerprint(str(table["root_sha256"])) == wanted):
            kept.append(table)
    document["pin"] = kept
    _write(path, tomlkit.dumps(document).encode())


def listing(directory: Path) -> tuple[tuple[Pin, CertificateFacts], ...]:
    """Return every pin with the facts of its root, in the order of the file. Raises as ``Trust.load``."""
    trust = Trust.load(directory)
    return tuple((pin, facts(x509.Certificate.load(trust.roots[pin.fingerprint]))) for pin in trust.pins)


# ------------------------------------------------------------------------------------------------------- internals


def _midnight(day: date) -> datetime:
    return datetime.combine(day, time(), tzinfo=UTC)


def _check_root(directory: Path, role: str, root: bytes, confirmed: str) -> x509.Certificate:
    if not ROLE.match(role):
        raise InputError(
            f"{role!r} is no role",
            path=str(directory / TRUST_TOML),
            remedy="Use lower-case letters, digits and dashes, such as contractor or inspector.",
        )
    try:
        actual = root_fingerprint(root)
    except ValueError as error:
        raise InputError(
            str(error), path=str(directory), remedy="Give the other party's root certificate as PEM or DER."
        ) from error
    if plain_fingerprint(confirmed) != actual:
        raise InputError(
            f"the certificate has the fingerprint {spoken_fingerprint(actual)}, and that is not the one confirmed",
            path=str(directory),
            remedy="Ask the other party again, by another way than the one the certificate came by.",
        )
    certificate = read_certificates(root)[0]
    if not certificate.ca:
        raise InputError(
            "the certificate is a signer's, not a root that issues signers",
            path=str(directory),
            remedy="Ask the other party for the root certificate.",
        )
    return certificate


def _root_path(directory: Path, pin: Pin) -> Path:
    return directory / ("tsa" if pin.role == TIME_ROLE else "roots") / f"{pin.fingerprint[:32]}.pem"


def _root(directory: Path, pin: Pin) -> bytes:
    path = _root_path(directory, pin)
    try:
        certificate = read_certificates(_bytes(path))[0]
    except ValueError as error:
        raise InputError(str(error), path=str(path), remedy="Pin the root again.") from error
    der: bytes = certificate.dump()
    if fingerprint(der) != pin.fingerprint:
        raise InputError(
            f"is not the certificate pinned for the role {pin.role}",
            path=str(path),
            remedy="Someone has replaced the file; find out who, then pin the right root again.",
        )
    return der


def _lists(directory: Path) -> tuple[bytes, ...]:
    found: list[bytes] = []
    for path in sorted(directory.iterdir()) if directory.is_dir() else ():
        if path.name.startswith("."):
            continue
        try:
            found.extend(one.dump() for one in read_revocation_lists(_bytes(path)))
        except ValueError as error:
            raise InputError(
                str(error), path=str(path), remedy="Replace the revocation list by an undamaged copy."
            ) from error
    return tuple(found)


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise InputError(
            f"cannot be read ({error.strerror})",
            path=str(path),
            remedy="Name a trust folder, or make one by pinning a first root.",
        ) from error


def _text(path: Path) -> str:
    try:
        return _bytes(path).decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError("is not UTF-8 text", path=str(path), remedy="Save the file as UTF-8.") from error


def _read_toml(path: Path) -> tuple[tuple[Pin, ...], dict[str, date]]:
    try:
        document = tomllib.loads(_text(path))
    except tomllib.TOMLDecodeError as error:
        raise InputError(
            f"cannot be understood ({error})", path=str(path), remedy="Mend the line that the message names."
        ) from error
    tables = document.get("pin", [])
    if not isinstance(tables, list) or set(document) - {"pin", "sunset"}:
        raise InputError(
            "holds something other than [[pin]] and [sunset]", path=str(path), remedy="Remove the other tables."
        )
    pins = tuple(_pin(table, path, number) for number, table in enumerate(tables, start=1))
    return pins, _sunsets(document.get("sunset", {}), path)


_FIELDS = {"role", "root_sha256", "subjects", "usages", "valid_from", "valid_until"}


def _pin(table: Any, path: Path, number: int) -> Pin:
    place = f"pin {number}"

    def fault(message: str) -> InputError:
        return InputError(message, path=str(path), place=place, remedy="Mend the pin, or remove and add it again.")

    if not isinstance(table, dict) or set(table) - _FIELDS:
        raise fault("has a field that a pin does not have")
    role, root = table.get("role"), table.get("root_sha256")
    if not isinstance(role, str) or not ROLE.match(role):
        raise fault("has no proper role")
    if not isinstance(root, str) or not re.fullmatch(r"[0-9a-f]{64}", plain_fingerprint(root)):
        raise fault("root_sha256 is not a fingerprint of 64 hex digits")
    usages = _strings(table.get("usages"))
    subjects = _strings(table.get("subjects", []))
    if not usages or subjects is None:
        raise fault("usages must be a list with one text at least, subjects a list of texts")
    window = table.get("valid_from"), table.get("valid_until")
    if any(day is not None and type(day) is not date for day in window):
        raise fault("valid_from and valid_until are days, written as 2031-04-07")
    return Pin(
        role=role,
        fingerprint=plain_fingerprint(root),
        subjects=subjects,
        usages=usages,
        valid_from=window[0],
        valid_until=window[1],
    )


def _strings(value: Any) -> tuple[str, ...] | None:
    if not isinstance(value, list) or not all(isinstance(one, str) for one in value):
        return None
    return tuple(value)


def _sunsets(table: Any, path: Path) -> dict[str, date]:
    known = {*DIGESTS, *SIGNATURES}
    if not isinstance(table, dict) or any(name not in known or type(day) is not date for name, day in table.items()):
        raise InputError(
            "sunset names an algorithm that is not on the list, or its last day is no day",
            path=str(path),
            place="sunset",
            remedy=f"Write a line such as sha256 = 2033-12-31; known are {', '.join(sorted(known))}.",
        )
    return dict(table)


def _append(path: Path, pin: Pin) -> None:
    document = tomlkit.parse(_text(path) if path.exists() else _HEADING)
    table = tomlkit.table()
    table["role"] = pin.role
    table["root_sha256"] = pin.fingerprint
    table["subjects"] = list(pin.subjects)
    table["usages"] = list(pin.usages)
    if pin.valid_from is not None:
        table["valid_from"] = pin.valid_from
    if pin.valid_until is not None:
        table["valid_until"] = pin.valid_until
    pins = document.get("pin")
    if not isinstance(pins, AoT):
        document["pin"] = pins = tomlkit.aot()
    pins.append(table)
    _write(path, tomlkit.dumps(document).encode())


def _armour(kind: str, der: bytes) -> bytes:
    from asn1crypto import pem  # noqa: PLC0415 - only writing needs it

    return bytes(pem.armor(kind, der))


def _write(path: Path, data: bytes) -> None:
    """Write beside, bring to disk, rename."""
    beside = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with beside.open("xb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        beside.replace(path)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise MachineError(
            f"{path}: cannot be written ({error.strerror})",
            remedy="Check the folder's permissions and the disk's room.",
        ) from error
