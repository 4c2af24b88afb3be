"""What was found about one seal: every step, the findings, who signed and when, as text and as JSON.

Knows how to say it. Refuses to judge: that has been done by the time a verdict exists.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any

from beadroll.findings import Finding, Severity
from beadroll.package.seals.certificates import CertificateFacts, spoken_fingerprint


class Outcome(StrEnum):
    """How a step came out."""

    YES = "yes"
    NO = "no"
    NOT_REACHED = "not reached"


class TimeKind(StrEnum):
    """What stands behind the time at which a seal was made."""

    TRUSTED = "trusted time"
    """A time-stamping authority that the archive pins has attested it."""
    HELD = "held since"
    """The archive's own record of when it first held the seal."""
    CLAIMED = "claimed time only"
    """Nothing but the signer's word."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One question asked of a seal, in the order asked."""

    name: str
    outcome: Outcome
    detail: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SealTime:
    """When a seal was made, as far as that is known."""

    kind: TimeKind
    at: datetime | None
    """The proven time; None where there is only a claim."""
    claimed: datetime | None
    """The signer's own word."""
    authority: str = ""
    """Name of the time-stamping authority."""

    def __str__(self) -> str:
        """Say it in one line."""
        if self.kind is TimeKind.CLAIMED:
            return f"{_moment(self.claimed)}, claimed time only"
        source = f"trusted time by {self.authority}" if self.kind is TimeKind.TRUSTED else "held by the archive since"
        return f"{_moment(self.at)}, {source}"


@dataclass(frozen=True, slots=True, kw_only=True)
class SealVerdict:
    """Everything found about one seal."""

    subject: str
    role: str
    steps: tuple[Step, ...]
    findings: tuple[Finding, ...]
    time: SealTime
    signer: CertificateFacts | None = None
    root: str = ""
    """Fingerprint of the pinned root that the chain reached; empty where it reached none."""
    commitment: str = ""
    seal_sha512: str = ""

    @property
    def good(self) -> bool:
        """Whether nothing found stops the seal from counting."""
        return not any(finding.severity is Severity.STOP for finding in self.findings)

    @property
    def demo(self) -> bool:
        """Whether the key that signed is only for demonstration."""
        return self.signer is not None and self.signer.demo

    @property
    def summary(self) -> str:
        """The verdict in a few words."""
        words = "counts" if self.good else "does not count"
        marks = [str(self.time.kind)] if self.good else []
        if self.demo:
            marks.append("demonstration key")
        return f"{words} ({', '.join(marks)})" if marks else words

    def certificate(self) -> str:
        """Return the verdict as a short text that a person can read and file."""
        signer = self.signer
        rows = [("Seal", self.subject), ("Verdict", self.summary), ("Role", self.role)]
        if signer is not None:
            demo = "  [DEMONSTRATION KEY]" if signer.demo else ""
            rows.append(("Signer", f"{signer.name}, {signer.organisation}{demo}"))
            rows.append(
                ("Certificate", f"{signer.serial}, {signer.valid_from:%Y-%m-%d} to {signer.valid_until:%Y-%m-%d}")
            )
        if self.root:
            rows.append(("Root", spoken_fingerprint(self.root)))
        rows.append(("Time", str(self.time)))
        if self.commitment:
            rows.append(("Stands for", self.commitment))
        lines = [f"{label:<12} {value}" for label, value in rows]
        lines.append("")
        lines.extend(
            f"  {step.outcome:<12} {step.name}{': ' if step.detail else ''}{step.detail}" for step in self.steps
        )
        if self.findings:
            lines.append("")
            lines.extend(f"  {finding.code}  {finding.text}" for finding in self.findings)
        return "\n".join(lines) + "\n"

    def as_json(self) -> dict[str, Any]:
        """Return the verdict as plain data for JSON, times in ISO 8601."""
        return {
            "seal": self.subject,
            "seal_sha512": self.seal_sha512,
            "role": self.role,
            "good": self.good,
            "demo": self.demo,
            "time": {
                "kind": str(self.time.kind),
                "at": _iso(self.time.at),
                "claimed": _iso(self.time.claimed),
                "authority": self.time.authority,
            },
            "signer": None if self.signer is None else self.signer.as_json(),
            "root_sha256": self.root,
            "commitment": self.commitment,
            "steps": [{"step": step.name, "outcome": str(step.outcome), "detail": step.detail} for step in self.steps],
            "findings": [
                {
                    "code": finding.code,
                    "severity": str(finding.severity),
                    "text": finding.text,
                    "remedy": finding.remedy,
                }
                for finding in self.findings
            ],
        }


def _moment(at: datetime | None) -> str:
    return "no time given" if at is None else at.astimezone(UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def _iso(at: datetime | None) -> str | None:
    return None if at is None else at.astimezone(UTC).isoformat()
