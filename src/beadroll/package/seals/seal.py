"""Seals on a package: made by role, examined one by one, and judged together.

The public face of sealing. Knows the roles' files beside the tag manifest. Refuses to know how bytes reach it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping
from datetime import datetime
from pathlib import PurePosixPath

from beadroll.findings import Finding, finding
from beadroll.package.seals.examine import STEPS, examine
from beadroll.package.seals.sign import (
    COMMITMENTS,
    Sealed,
    Timestamper,
    complete_pending,
    pending,
    seal,
    sign,
    signature_value,
)
from beadroll.package.seals.statement import check_statement
from beadroll.package.seals.trust import ROLE, TIME_ROLE, Trust
from beadroll.package.seals.verdict import Outcome, SealTime, SealVerdict, Step, TimeKind

__all__ = [
    "COMMITMENTS",
    "STEPS",
    "Outcome",
    "SealTime",
    "SealVerdict",
    "Sealed",
    "Step",
    "TimeKind",
    "Timestamper",
    "complete_pending",
    "examine",
    "judge",
    "pending",
    "seal",
    "seal_name",
    "sign",
    "signature_value",
    "statement_name",
]

USUAL_COMMITMENT: Mapping[str, str] = {
    "contractor": "origin",
    "interpreter": "approval",
    "inspector": "approval",
    "client": "receipt",
}
"""What each role usually signs for; our choice."""


def seal_name(role: str) -> str:
    """Return the address of a role's seal in a package."""
    return f"seals/{role}.p7s"


def statement_name(role: str) -> str:
    """Return the address of a countersigner's statement in a package; the role's seal is then over the statement."""
    return f"seals/{role}.json"


def judge(
    tagmanifest: bytes,
    seals: Mapping[str, bytes],
    trust: Trust,
    *,
    required_roles: Collection[str] = (),
    now: datetime,
    held_since: datetime | None = None,
) -> tuple[tuple[SealVerdict, ...], tuple[Finding, ...]]:
    """Judge every seal of a package, and tell which required role has none.

    ``seals`` maps the name of each file under ``seals/`` (with or without the folder) to its bytes: ``<role>.p7s``,
    and ``<role>.json`` for a countersigner's statement. The findings are those of all verdicts and of the whole.
    """
    files = {PurePosixPath(name).name: data for name, data in seals.items()}
    signatures = {role: data for name, data in files.items() if (role := _role(name, ".p7s"))}
    statements = {role: data for name, data in files.items() if (role := _role(name, ".json"))}
    verdicts: list[SealVerdict] = []
    found: list[Finding] = []
    for role, data in sorted(signatures.items()):
        statement = statements.get(role)
        verdict = examine(
            data, tagmanifest if statement is None else statement, trust, role=role, now=now, held_since=held_since
        )
        verdicts.append(verdict)
        found.extend(verdict.findings)
        if statement is not None:
            found.extend(check_statement(statement, tagmanifest, signatures, role=role, subject=statement_name(role)))
    found.extend(_check_whole(files, signatures, statements, required_roles))
    return tuple(verdicts), tuple(found)


def _role(name: str, suffix: str) -> str:
    role = name.removesuffix(suffix)
    return role if role != name and ROLE.match(role) and role != TIME_ROLE else ""


def _check_whole(
    files: Mapping[str, bytes],
    signatures: Mapping[str, bytes],
    statements: Mapping[str, bytes],
    required_roles: Collection[str],
) -> list[Finding]:
    known = {f"{role}.p7s" for role in signatures} | {f"{role}.json" for role in statements}
    found = [finding("SEAL-FILE-UNKNOWN", f"seals/{name}") for name in sorted(set(files) - known)]
    found += [
        finding("SEAL-MISSING", seal_name(role), role=role) for role in sorted(set(required_roles) - set(signatures))
    ]
    found += [
        finding("SEAL-STATEMENT-UNSIGNED", statement_name(role), role=role)
        for role in sorted(set(statements) - set(signatures))
    ]
    seen: dict[str, str] = {}
    for role, data in sorted(signatures.items()):
        digest = hashlib.sha512(data).hexdigest()
        if digest in seen:
            found.append(finding("SEAL-COPIED", seal_name(role), other=seal_name(seen[digest])))
        seen.setdefault(digest, role)
    if not signatures and not required_roles:
        found.append(finding("SEAL-NONE", "seals/"))
    return found
