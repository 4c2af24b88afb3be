"""A countersigner's statement: what the inspector saw and agrees to, naming the seal that was there.

Knows the statement's fields and whether they fit a package. Refuses to know who signed it: the statement is sealed
like anything else.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import rfc8785

from beadroll.errors import InputError
from beadroll.findings import Finding, finding
from beadroll.package.seal_sign import signature_value

STATEMENT = "beadroll-countersignature/1"
LARGEST_STATEMENT = 1 << 20
"""Bytes; our own bound."""


def sha512(data: bytes) -> str:
    """Return the SHA-512 as 128 lower-case hex digits."""
    return hashlib.sha512(data).hexdigest()


def seal_digests(p7s: bytes) -> dict[str, str]:
    """Return both digests by which a document names a seal.

    ``sha512`` is of the file as it was then; ``signature_sha512`` is of the signature value, which stays the same
    when a time-stamp token is added later. Raises ``InputError`` for bytes that are no seal.
    """
    return {"sha512": sha512(p7s), "signature_sha512": sha512(signature_value(p7s))}


def utc(at: datetime) -> str:
    """Return a moment as documents carry it: UTC, whole seconds. Raises ``ValueError`` without a time zone."""
    if at.tzinfo is None:
        raise ValueError("the time must carry its time zone")
    return at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def make_statement(  # noqa: PLR0913 - what is stated is named, field by field
    tagmanifest: bytes,
    seals: Mapping[str, bytes],
    *,
    handover: str,
    role: str,
    by: str,
    remarks: str = "",
    now: datetime,
) -> bytes:
    """Return the canonical JSON (RFC 8785) of a statement by a countersigner over the seals named by role.

    It goes to ``seals/<role>.json`` and is sealed to ``seals/<role>.p7s``. Raises ``InputError`` for a seal that
    cannot be read, ``ValueError`` where no seal is given: there is then nothing to countersign.
    """
    if not seals:
        raise ValueError("a countersignature names at least one seal")
    document = {
        "document": STATEMENT,
        "handover": handover,
        "role": role,
        "by": by,
        "at": utc(now),
        "remarks": remarks,
        "tagmanifest_sha512": sha512(tagmanifest),
        "seals": {name: seal_digests(p7s) for name, p7s in sorted(seals.items())},
    }
    return rfc8785.dumps(document)


def parse_canonical(data: bytes) -> dict[str, Any]:
    """Return the object in canonical JSON bytes.

    Raises ``ValueError`` where the bytes are too many, are no JSON object, or are not exactly what RFC 8785 would
    write: two texts for one content would give two digests.
    """
    if len(data) > LARGEST_STATEMENT:
        raise ValueError(f"it has more than {LARGEST_STATEMENT} bytes")
    try:
        document = json.loads(data.decode("utf-8"))
        canonical = rfc8785.dumps(document)
    except (UnicodeDecodeError, json.JSONDecodeError, rfc8785.CanonicalizationError, RecursionError) as error:
        raise ValueError("it is not JSON that can be read") from error
    if not isinstance(document, dict):
        raise ValueError("it is no JSON object")
    if canonical != data:
        raise ValueError("it is not canonical JSON (RFC 8785)")
    return document


def check_statement(
    statement: bytes, tagmanifest: bytes, seals: Mapping[str, bytes], *, subject: str
) -> tuple[Finding, ...]:
    """Return what does not fit between a statement and the package it lies in."""
    try:
        document = parse_canonical(statement)
    except ValueError as error:
        return (finding("SEAL-STATEMENT-UNREADABLE", subject, reason=str(error)),)
    if document.get("document") != STATEMENT:
        return (finding("SEAL-STATEMENT-KIND", subject, kind=str(document.get("document"))[:64]),)
    found = []
    if document.get("tagmanifest_sha512") != sha512(tagmanifest):
        found.append(finding("SEAL-STATEMENT-OTHER-PACKAGE", subject))
    named = document.get("seals")
    if not isinstance(named, dict) or not named:
        found.append(finding("SEAL-STATEMENT-NAMES-NOTHING", subject))
        return tuple(found)
    for role, digests in sorted(named.items()):
        found.extend(_check_named(role, digests, seals.get(role), subject))
    return tuple(found)


def _check_named(role: str, digests: Any, p7s: bytes | None, subject: str) -> list[Finding]:
    if p7s is None:
        return [finding("SEAL-STATEMENT-SEAL-GONE", subject, role=role)]
    try:
        actual = seal_digests(p7s)
    except InputError:
        return [finding("SEAL-STATEMENT-OTHER-SEAL", subject, role=role)]
    if not isinstance(digests, dict) or digests.get("signature_sha512") != actual["signature_sha512"]:
        return [finding("SEAL-STATEMENT-OTHER-SEAL", subject, role=role)]
    if digests.get("sha512") != actual["sha512"]:
        return [finding("SEAL-STATEMENT-SEAL-COMPLETED", subject, role=role)]
    return []
