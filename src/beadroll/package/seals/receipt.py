"""The client's receipt for a handover: accepted, or returned with reasons for each weld; and the chain of handovers.

Knows the receipt's fields, how it is signed, and whether it answers the package that was sent. Refuses to know where
receipts lie and what the office does about a return.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal

from beadroll.documents import Kind
from beadroll.errors import InputError
from beadroll.findings import Finding, Severity, finding
from beadroll.package.seals.examine import examine
from beadroll.package.seals.keys import Signer
from beadroll.package.seals.sign import Sealed, Timestamper, seal
from beadroll.package.seals.statement import (
    SealDigests,
    make_statement,
    read_canonical,
    seal_difference,
    seal_digests,
    sha512,
    utc,
    write_canonical,
)
from beadroll.package.seals.trust import Trust
from beadroll.package.seals.verdict import SealVerdict

__all__ = [
    "CLIENT",
    "RECEIPT",
    "Predecessor",
    "Reason",
    "Receipt",
    "ReceiptVerdict",
    "check_succession",
    "examine_receipt",
    "make_receipt",
    "make_statement",
    "sign_receipt",
]

CLIENT: Final = "client"
"""The role that receipts are signed in."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """Why the client returns one weld; ``weld`` is empty where the reason holds for the whole handover."""

    weld: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Receipt:
    """What the client says to a handover."""

    handover: str
    result: Literal["accepted", "returned"]
    by: str
    """The person who received it."""
    at: datetime
    tagmanifest_sha512: str
    seals: dict[str, SealDigests]
    """Role -> the seal as it came."""
    reasons: tuple[Reason, ...] = ()
    remarks: str = ""


RECEIPT: Final[Kind[Receipt]] = Kind(name="receipt", content=Receipt)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceiptVerdict:
    """Everything found about one receipt. ``receipt`` is None where it could not be read."""

    receipt: Receipt | None
    seal: SealVerdict
    findings: tuple[Finding, ...]

    @property
    def good(self) -> bool:
        """Whether the receipt answers this package and its seal counts."""
        return self.receipt is not None and not any(one.severity is Severity.STOP for one in self.findings)

    @property
    def closes(self) -> bool:
        """Whether the receipt closes the handover: it counts, and the client has accepted."""
        return self.good and self.receipt is not None and self.receipt.result == "accepted"


def make_receipt(
    tagmanifest: bytes,
    seals: Mapping[str, bytes],
    *,
    handover: str,
    result: Literal["accepted", "returned"],
    reasons: Sequence[Reason] = (),
    by: str,
    remarks: str = "",
    now: datetime,
) -> bytes:
    """Return the canonical JSON (RFC 8785) of a receipt, ready to be signed; ``seals`` is role -> p7s.

    Raises ``InputError`` where a return has no reason, an acceptance has one, or a seal cannot be read.
    """
    receipt = Receipt(
        handover=handover,
        result=result,
        by=by,
        at=utc(now),
        tagmanifest_sha512=sha512(tagmanifest),
        seals={role: seal_digests(p7s) for role, p7s in sorted(seals.items())},
        reasons=tuple(reasons),
        remarks=remarks,
    )
    fault = _fault(receipt)
    if fault:
        raise InputError(
            fault, path="the new receipt", remedy="Return the handover with reasons, or accept it without any."
        )
    return write_canonical(receipt, RECEIPT)


def sign_receipt(receipt: bytes, signer: Signer, *, timestamper: Timestamper | None, now: datetime) -> Sealed:
    """Sign a receipt as the client; the seal is detached and lies beside it. Raises as ``seal``."""
    return seal(
        receipt,
        signer,
        role=CLIENT,
        commitment="receipt",
        timestamper=timestamper,
        now=now,
        subject="the receipt's seal",
    )


def examine_receipt(
    receipt: bytes,
    p7s: bytes,
    trust: Trust,
    *,
    tagmanifest: bytes,
    seals: Mapping[str, bytes],
    handover: str,
    welds: Collection[str] | None = None,
    now: datetime,
) -> ReceiptVerdict:
    """Judge a receipt: signed by the client, and an answer to this package with these seals (role -> p7s).

    ``welds`` are the names of the handover's welds; a return that names another is refused. Never raises for a bad
    receipt.
    """
    verdict = examine(p7s, receipt, trust, role=CLIENT, now=now, subject="the receipt's seal")
    try:
        read = read_canonical(receipt, RECEIPT, name="the receipt")
    except InputError as error:
        unreadable = finding("RECEIPT-UNREADABLE", "the receipt", reason=error.fault)
        return ReceiptVerdict(receipt=None, seal=verdict, findings=(*verdict.findings, unreadable))
    found = list(verdict.findings)
    fault = _fault(read)
    if fault:
        found.append(finding("RECEIPT-FAULTY", "the receipt", reason=fault))
    if read.tagmanifest_sha512 != sha512(tagmanifest):
        found.append(finding("RECEIPT-OTHER-PACKAGE", "the receipt"))
    if read.handover != handover:
        found.append(finding("RECEIPT-OTHER-HANDOVER", "the receipt", named=read.handover, handover=handover))
    found.extend(_check_seals(read, seals))
    found.extend(_check_reasons(read, welds))
    return ReceiptVerdict(receipt=read, seal=verdict, findings=tuple(found))


def _fault(receipt: Receipt) -> str:
    if receipt.result == "returned" and not receipt.reasons:
        return "it returns the handover and gives no reason"
    if receipt.result == "accepted" and receipt.reasons:
        return "it accepts the handover and gives reasons for a return"
    return ""


def _check_seals(receipt: Receipt, seals: Mapping[str, bytes]) -> list[Finding]:
    found = []
    for role, p7s in sorted(seals.items()):
        if role not in receipt.seals:
            found.append(finding("RECEIPT-SEAL-UNNAMED", "the receipt", role=role))
        elif seal_difference(receipt.seals[role], p7s) == "other":
            found.append(finding("RECEIPT-OTHER-SEAL", "the receipt", role=role))
    found += [
        finding("RECEIPT-SEAL-UNSENT", "the receipt", role=role) for role in sorted(set(receipt.seals) - set(seals))
    ]
    return found


def _check_reasons(receipt: Receipt, welds: Collection[str] | None) -> list[Finding]:
    named = sorted({one.weld for one in receipt.reasons if one.weld})
    found = []
    if welds is not None:
        found += [finding("RECEIPT-WELD-UNKNOWN", "the receipt", weld=weld) for weld in named if weld not in welds]
    if receipt.result == "returned":
        found.append(
            finding("RECEIPT-RETURNED", "the receipt", welds=len(named), reasons=len(receipt.reasons), by=receipt.by)
        )
    return found


# ------------------------------------------------------------------------------------------- one handover after another


@dataclass(frozen=True, slots=True, kw_only=True)
class Predecessor:
    """A handover received earlier: its name, the digest of its tag manifest, and of the one it followed."""

    handover: str
    tagmanifest_sha512: str
    previous_sha512: str = ""
    """Empty for the first one of a job."""


def check_succession(handover: str, previous_sha512: str, received: Sequence[Predecessor]) -> tuple[Finding, ...]:
    """Return what is wrong with the place of a new handover behind those received, given in their order.

    ``previous_sha512`` is the tag manifest's digest that the new one names as the one before it, or empty. A digest
    nobody here knows is a gap; one that another handover has followed already is a fork.
    """
    if not received:
        return () if not previous_sha512 else (finding("CHAIN-GAP", handover, named=previous_sha512[:16], last="none"),)
    follower = next((one for one in received if one.previous_sha512 == previous_sha512), None)
    if follower is not None:
        return (finding("CHAIN-FORK", handover, last=follower.handover),)
    last = received[-1]
    if previous_sha512 == last.tagmanifest_sha512:
        return ()
    known = {one.tagmanifest_sha512 for one in received}
    if previous_sha512 in known:
        return (finding("CHAIN-FORK", handover, last=last.handover),)
    return (finding("CHAIN-GAP", handover, named=previous_sha512[:16] or "none", last=last.handover),)
