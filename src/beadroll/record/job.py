"""The contract a week is recorded under: parties, code, numbering, who must sign."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum


class SuffixMeaning(StrEnum):
    """What a suffix behind a weld number means under this contract.

    No public standard fixes the syntax; it is a contract item (common practice, no published source).
    """

    REPAIR = "repair"
    """The same weld, partly excavated and rewelded: R1, R2."""
    RESHOOT = "reshoot"
    """The weld unchanged, the radiograph made again: RS, RX."""
    CUT_OUT = "cut_out"
    """The weld removed."""
    REWELD = "reweld"
    """A new weld in the place of a cut-out one: a new identity, linked to the old."""
    TIE_IN = "tie_in"
    """A closing weld between two tested sections: part of the number, kept as marked."""
    PENALTY = "penalty"
    """An added weld of a progressive sample: part of the number, kept as marked."""


class SegmentStyle(StrEnum):
    """How location markers name the segments of a weld."""

    NUMBERS = "numbers"
    """0-1, 1-2, 2-0"""
    LETTERS = "letters"
    """A-B, B-C, C-A"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Suffix:
    """One suffix of the contract: the letters, what they mean, whether a count follows (R1, R2)."""

    letters: str
    meaning: SuffixMeaning
    counted: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberPattern:
    """How weld numbers are written under this contract.

    ``prefixes`` are kept apart: FW-014 and SW-014 are two welds. ``digits`` is the width numbers are padded to.
    """

    prefixes: tuple[str, ...] = ("W",)
    separator: str = "-"
    digits: int = 4
    suffixes: tuple[Suffix, ...] = (
        Suffix(letters="R", meaning=SuffixMeaning.REPAIR),
        Suffix(letters="RS", meaning=SuffixMeaning.RESHOOT),
        Suffix(letters="CO", meaning=SuffixMeaning.CUT_OUT, counted=False),
        Suffix(letters="RW", meaning=SuffixMeaning.REWELD),
    )
    segments: SegmentStyle = SegmentStyle.NUMBERS


@dataclass(frozen=True, slots=True, kw_only=True)
class Code:
    """The code the radiographs are evaluated against, as the contract names it."""

    standard: str
    edition: str
    testing_class: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A pipe line of the contract. ``chainage`` says what locations on it are counted from."""

    id: str
    description: str = ""
    nps: str = ""
    outside_diameter_mm: float | None = None
    wall_mm: float | None = None
    material: str = ""
    examination_percent: int = 100
    chainage: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One contract: who delivers to whom, under which code, how welds are numbered, who must sign.

    ``regulation`` is the law that sets how many welds are examined (``49 CFR 192``). ``rules_off`` names rules the
    contract does not want; ``limits`` replaces a rule's limit by the contract's, keyed by rule id. They travel in the
    package, so that a reader sees under which rules a week was checked.
    """

    id: str
    title: str
    client: str
    contractor: str
    contract: str
    time_zone: str
    code: Code
    lines: tuple[Line, ...]
    numbers: NumberPattern = field(default_factory=NumberPattern)
    handover_prefix: str = "HO"
    repair_limit: int = 2
    required_roles: tuple[str, ...] = ("contractor",)
    regulation: str = ""
    retention: str = "life of the facility"
    codec: str = "jpeg-ls"
    rules_off: tuple[str, ...] = ()
    limits: Mapping[str, float] = field(default_factory=dict)
