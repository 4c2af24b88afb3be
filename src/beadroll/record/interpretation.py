"""What a reader saw and what was decided: lines of reader sheets, indications, dispositions."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from beadroll.record.evidence import Address


class Result(StrEnum):
    """The reader's result for one segment, as reader sheets abbreviate it (common practice, no published source)."""

    ACC = "ACC"
    REJ = "REJ"
    RS = "RS"
    """Reshoot: the radiograph cannot be used; it says nothing of the weld."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Indication:
    """One indication on a radiograph.

    ``code`` is as written on the sheet (an ISO 6520-1 number or a trade abbreviation), ``iso6520`` the number it was
    read as, empty where it could not be. Positions and lengths in mm along the weld from the datum.
    """

    code: str
    iso6520: str = ""
    position_mm: float | None = None
    length_mm: float | None = None
    size_mm: float | None = None
    remark: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Interpretation:
    """One reader-sheet line: one segment of one weld in one state, read by one interpreter.

    Densities are optical densities (film) in the area of interest; ``iqi_seen`` is the value achieved, as written;
    ``duplex_seen`` the duplex wire pair and ``snr_n`` the normalised signal-to-noise ratio of a digital image.
    """

    id: str
    report: str
    radiograph: str = ""
    event: str = ""
    segment: str = ""
    interpreter: str = ""
    read_on: date | None = None
    result: Result | None = None
    indications: tuple[Indication, ...] = ()
    iqi_required: str = ""
    iqi_seen: str = ""
    density_min: float | None = None
    density_max: float | None = None
    density_at_iqi: float | None = None
    densitometer: str = ""
    duplex_seen: str = ""
    snr_n: float | None = None
    film_count: int | None = None
    stencils: tuple[str, ...] = ()
    technique: str = ""
    remark: str = ""
    stated_at: tuple[Address, ...] = ()


class DispositionKind(StrEnum):
    """What was decided about a rejected weld or an unusable radiograph."""

    REPAIR = "repair"
    CUT_OUT = "cut_out"
    RESHOOT = "reshoot"
    CONCESSION = "concession"


@dataclass(frozen=True, slots=True, kw_only=True)
class Disposition:
    """The answer to one REJ or RS: which interpretation it answers, what was decided, who decided.

    ``event`` is the label of the state that follows: ``R1`` for the first repair, ``RS1`` for the first reshoot.
    """

    kind: DispositionKind
    interpretation: str
    event: str = ""
    on: date | None = None
    by: str = ""
    reference: str = ""
    stated_at: tuple[Address, ...] = ()
