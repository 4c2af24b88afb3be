"""A weld: one identity for life, the events on it, and the whole record a handover carries of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum

from beadroll.record.evidence import Address
from beadroll.record.interpretation import Disposition, Interpretation
from beadroll.record.people import SignOff
from beadroll.record.radiograph import Exposure, Radiograph


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class WeldId:
    """The identity of a weld for life. R1, a reshoot or a cut-out are events on it, not other welds."""

    job: str
    line: str
    number: str

    def __str__(self) -> str:
        """Return ``LN-204 W-0117``, as it is said on site."""
        return f"{self.line} {self.number}"


class WeldKind(StrEnum):
    """The kind of joint. Never inferred from the prefix of a number: FW means field weld to some, fillet to others."""

    BUTT = "butt"
    SOCKET = "socket"
    FILLET = "fillet"
    BRANCH = "branch"


class Place(StrEnum):
    """Where the weld was made."""

    SHOP = "shop"
    FIELD = "field"


class EventKind(StrEnum):
    """What happened to a weld."""

    WELDED = "welded"
    REPAIR = "repair"
    CUT_OUT = "cut_out"
    REWELD = "reweld"


@dataclass(frozen=True, slots=True, kw_only=True)
class WeldEvent:
    """One event in the life of a weld.

    ``label`` is the suffix that radiographs of this state carry: empty for the weld as first made, ``R1`` after the
    first repair. ``stencils`` are the marks of those who welded.
    """

    kind: EventKind
    label: str = ""
    on: date | None = None
    stencils: tuple[str, ...] = ()
    wps: str = ""
    remark: str = ""
    stated_at: tuple[Address, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Weld:
    """What the weld log says of a weld.

    ``as_marked`` keeps every way the number was literally written; ``id.number`` is the normalised form.
    ``replaces`` names the weld that was cut out for this one, ``replaced_by`` the other direction.
    """

    id: WeldId
    as_marked: tuple[str, ...] = ()
    kind: WeldKind = WeldKind.BUTT
    place: Place | None = None
    drawing: str = ""
    drawing_revision: str = ""
    spool: str = ""
    location: str = ""
    nps: str = ""
    schedule: str = ""
    outside_diameter_mm: float | None = None
    wall_mm: float | None = None
    material: str = ""
    heats: tuple[str, ...] = ()
    wps: str = ""
    examination: str = "RT"
    heat_treated_on: date | None = None
    replaces: WeldId | None = None
    replaced_by: WeldId | None = None
    remark: str = ""
    stated_at: tuple[Address, ...] = ()


class Standing(StrEnum):
    """Where a weld stands at the end of a handover, from its records alone. The tool computes it; people accepted."""

    ACCEPTED = "accepted"
    """The latest interpretation of every segment is ACC."""
    REJECTED = "rejected"
    """At least one segment's latest interpretation is REJ and nothing later answers it."""
    RESHOOT_OWED = "reshoot_owed"
    """At least one segment's latest interpretation is RS."""
    CUT_OUT = "cut_out"
    """Removed; see ``replaced_by``."""
    NOT_EXAMINED = "not_examined"
    """No interpretation in the record."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WeldRecord:
    """Everything one handover says of one weld: the content of its ``weld.json``.

    A rejected radiograph is never replaced by its reshoot; both stay, linked by ``Radiograph.supersedes``.
    """

    weld: Weld
    standing: Standing
    events: tuple[WeldEvent, ...] = ()
    exposures: tuple[Exposure, ...] = ()
    radiographs: tuple[Radiograph, ...] = ()
    interpretations: tuple[Interpretation, ...] = ()
    dispositions: tuple[Disposition, ...] = ()
    sign_offs: tuple[SignOff, ...] = field(default=())
