"""A countersigner's statement: what the inspector saw and agrees to, naming the seals that were there.

Knows the statement's fields and whether they fit a package. Refuses to know who signed it: the statement is sealed
like anything else.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final, TypeVar

import msgspec
import rfc8785

from beadroll.documents import VERSION, Kind, parse_json, read
from beadroll.errors import InputError
from beadroll.findings import Finding, finding
from beadroll.package.seals.sign import signature_value

T = TypeVar("T")

LARGEST_STATEMENT = 1 << 22
"""Bytes; a receipt that returns ten thousand welds with reasons fits. Our own bound."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SealDigests:
    """Both digests by which a document names a seal, 128 lower-case hex digits each."""

    sha512: str
    """Of the file as it was then."""
    signature_sha512: str
    """Of the signature value, which stays the same when a time-stamp token is added later."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Statement:
    """What a countersigner states."""

    handover: str
    role: str
    by: str
    at: datetime
    tagmanifest_sha512: str
    seals: dict[str, SealDigests]
    """Role -> the seal that was seen."""
    remarks: str = ""


STATEMENT: Final[Kind[Statement]] = Kind(name="countersignature", content=Statement)


def sha512(data: bytes) -> str:
    """Return the SHA-512 as 128 lower-case hex digits."""
    return hashlib.sha512(data).hexdigest()


def seal_digests(p7s: bytes) -> SealDigests:
    """Return the digests by which a document names a seal. Raises ``InputError`` for bytes that are no seal."""
    return SealDigests(sha512=sha512(p7s), signature_sha512=sha512(signature_value(p7s)))


def make_statement(
    tagmanifest: bytes,
    seals: Mapping[str, bytes],
    *,
    handover: str,
    role: str,
    by: str,
    remarks: str = "",
    now: datetime,
) -> bytes:
    """Return the canonical JSON (RFC 8785) of a statement by a countersigner over seals, given role -> p7s.

    It goes to ``seals/<role>.json`` and is sealed to ``seals/<role>.p7s``. Raises ``InputError`` for a seal that
    cannot be read, ``ValueError`` where no seal is given: there is then nothing to countersign.
    """
    if not seals:
        raise ValueError("a countersignature names at least one seal")
    statement = Statement(
        handover=handover,
        role=role,
        by=by,
        at=utc(now),
        tagmanifest_sha512=sha512(tagmanifest),
        seals={name: seal_digests(p7s) for name, p7s in sorted(seals.items())},
        remarks=remarks,
    )
    return write_canonical(statement, STATEMENT)


def utc(at: datetime) -> datetime:
    """Return a moment as documents carry it: UTC, whole seconds. Raises ``ValueError`` without a time zone."""
    if at.tzinfo is None:
        raise ValueError("the time must carry its time zone")
    return at.astimezone(UTC).replace(microsecond=0)


def write_canonical(value: T, kind: Kind[T]) -> bytes:
    """Return the document as canonical JSON (RFC 8785); its digest then names its content.

    What is written is read back against the published schema first. Raises ``InputError`` where it does not fit:
    an empty name, a line break in it.
    """
    built: Any = msgspec.to_builtins({"document": kind.name, "version": VERSION, "content": value})
    data: bytes = rfc8785.dumps(built)
    read_canonical(data, kind, name=f"the new {kind.name}")
    return data


def read_canonical(data: bytes, kind: Kind[T], *, name: str) -> T:
    """Return the value of a document in canonical JSON.

    Raises ``InputError`` where it is too long, does not fit the schema, or is not exactly what RFC 8785 would write:
    two texts for one content would have two digests.
    """
    value = parse_json(data, name=name, max_bytes=LARGEST_STATEMENT)
    try:
        canonical = rfc8785.dumps(value)
    except (rfc8785.CanonicalizationError, RecursionError, UnicodeEncodeError) as error:
        raise _not_canonical(name) from error
    if canonical != data:
        raise _not_canonical(name)
    return read(data, kind, name=name).value


def _not_canonical(name: str) -> InputError:
    return InputError(
        "is not written in the canonical form of RFC 8785",
        path=name,
        remedy="Ask whoever wrote it for the file as it was signed, without any editing.",
    )


def check_statement(
    statement: bytes, tagmanifest: bytes, seals: Mapping[str, bytes], *, role: str, subject: str
) -> tuple[Finding, ...]:
    """Return what does not fit between a statement, the role it stands for and the package it lies in."""
    try:
        stated = read_canonical(statement, STATEMENT, name=subject)
    except InputError as error:
        return (finding("SEAL-STATEMENT-UNREADABLE", subject, reason=error.fault),)
    found = []
    if stated.tagmanifest_sha512 != sha512(tagmanifest):
        found.append(finding("SEAL-STATEMENT-OTHER-PACKAGE", subject))
    if stated.role != role:
        found.append(finding("SEAL-STATEMENT-OTHER-ROLE", subject, said=stated.role, role=role))
    for named, digests in sorted(stated.seals.items()):
        found.extend(_check_named(named, digests, seals.get(named), subject))
    return tuple(found)


def _check_named(role: str, digests: SealDigests, p7s: bytes | None, subject: str) -> list[Finding]:
    if p7s is None:
        return [finding("SEAL-STATEMENT-SEAL-GONE", subject, role=role)]
    difference = seal_difference(digests, p7s)
    if difference == "other":
        return [finding("SEAL-STATEMENT-OTHER-SEAL", subject, role=role)]
    if difference == "completed":
        return [finding("SEAL-STATEMENT-SEAL-COMPLETED", subject, role=role)]
    return []


def seal_difference(digests: SealDigests, p7s: bytes) -> str:
    """Return how a seal differs from the one named: '' not at all, 'completed' since by a token, or 'other'."""
    try:
        actual = seal_digests(p7s)
    except InputError:
        return "other"
    if digests.signature_sha512 != actual.signature_sha512:
        return "other"
    return "" if digests.sha512 == actual.sha512 else "completed"
