"""What a check has found, as data: a code, a severity, a subject, a clause and the numbers.

The sentences live in ``schemas/findings/*.json`` (code -> severity, text, clause, remedy), one file per area, so
that a code means the same in the terminal, in a package, in a PDF and in another team's reader. Knows no files but
those, and never decides what to do about a finding.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cache
from importlib import resources

Value = str | int | float | bool | None


class Severity(StrEnum):
    """How much a finding weighs."""

    STOP = "stop"
    """Contradicts itself, the contract or a digest; the handover or package cannot go on."""
    QUERY = "query"
    """Needs a person's note."""
    NOTE = "note"
    """For information."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Definition:
    """One entry of the published catalogue of findings."""

    code: str
    severity: Severity
    text: str
    clause: str
    remedy: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing found: ``code`` of the catalogue, about ``subject``, with the numbers in ``values``.

    ``clause`` names the standard, edition and clause where a published rule stands behind the finding.
    """

    code: str
    severity: Severity
    subject: str
    clause: str = ""
    values: Mapping[str, Value] = field(default_factory=dict)

    @property
    def text(self) -> str:
        """The sentence, with the subject and the values filled in."""
        return catalogue()[self.code].text.format(subject=self.subject, **self.values)

    @property
    def remedy(self) -> str:
        """What to do next, in a sentence."""
        return catalogue()[self.code].remedy.format(subject=self.subject, **self.values)


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """Everything an inspection found, in a stable order. Empty means clean."""

    findings: tuple[Finding, ...] = ()

    def lines(self) -> list[str]:
        """Return one readable sentence per finding, stops first."""
        return [f"{f.code}  {f.text}" for f in self.ordered()]

    def ordered(self) -> list[Finding]:
        """Return the findings by severity, then code, then subject."""
        rank = {Severity.STOP: 0, Severity.QUERY: 1, Severity.NOTE: 2}
        return sorted(self.findings, key=lambda f: (rank[f.severity], f.code, f.subject))

    @property
    def stops(self) -> tuple[Finding, ...]:
        """The findings that stop the work."""
        return tuple(f for f in self.findings if f.severity is Severity.STOP)

    @property
    def open(self) -> tuple[Finding, ...]:
        """The findings that ask for a person: stops and queries."""
        return tuple(f for f in self.findings if f.severity is not Severity.NOTE)

    @property
    def clean(self) -> bool:
        """True when nothing asks for a person."""
        return not self.open

    def __add__(self, other: Report) -> Report:
        """Join two reports."""
        return Report(findings=self.findings + other.findings)


@cache
def catalogue() -> Mapping[str, Definition]:
    """Return the published catalogue, code -> definition.

    Raises ``ValueError`` when two areas define the same code: a fault of the build, not of any input.
    """
    found: dict[str, Definition] = {}
    folder = resources.files("beadroll") / "schemas" / "findings"
    for file in sorted(folder.iterdir(), key=lambda f: f.name):
        if not file.name.endswith(".json"):
            continue
        for code, entry in json.loads(file.read_text(encoding="utf-8")).items():
            if code in found:
                raise ValueError(f"finding code {code} is defined twice, second time in {file.name}")
            found[code] = Definition(
                code=code,
                severity=Severity(entry["severity"]),
                text=entry["text"],
                clause=entry.get("clause", ""),
                remedy=entry.get("remedy", ""),
            )
    return found


def finding(code: str, subject: str, *, clause: str = "", **values: Value) -> Finding:
    """Make a finding of the catalogue; severity and clause come from its definition.

    ``clause`` overrides the catalogue's where the table used decides the edition. Raises ``KeyError`` for an unknown
    code or a sentence whose blanks ``values`` does not fill: both are faults of the caller, found by its first test.
    """
    definition = catalogue()[code]
    made = Finding(
        code=code,
        severity=definition.severity,
        subject=subject,
        clause=clause or definition.clause,
        values=values,
    )
    _ = made.text, made.remedy
    return made


def report(findings: Iterable[Finding]) -> Report:
    """Gather findings into a report."""
    return Report(findings=tuple(findings))
