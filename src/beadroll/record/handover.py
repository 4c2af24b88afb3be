"""A handover: one numbered delivery of a period's records, and what the office decided while making it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum

from beadroll.record.equipment import Equipment
from beadroll.record.job import Job
from beadroll.record.people import Person
from beadroll.record.technique import TechniqueSheet
from beadroll.record.weld import WeldId, WeldRecord


@dataclass(frozen=True, slots=True, kw_only=True)
class Period:
    """The days a handover covers, both inclusive."""

    first: date
    last: date

    @classmethod
    def of_week(cls, week: str) -> Period:
        """Return Monday to Sunday of an ISO 8601 week written ``2031-W14``. Raises ``ValueError``."""
        year, _, number = week.partition("-W")
        first = date.fromisocalendar(int(year), int(number), 1)
        return cls(first=first, last=first + timedelta(days=6))

    @property
    def week(self) -> str:
        """The ISO 8601 week of the first day, ``2031-W14``."""
        year, number, _ = self.first.isocalendar()
        return f"{year}-W{number:02d}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Previous:
    """The handover before this one, named by the digest of its tag manifest, so that a gap or a fork shows."""

    number: str
    tagmanifest_sha512: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Amendment:
    """What a later handover corrects in an earlier one, and why. Both remain."""

    handover: str
    weld: WeldId
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Handover:
    """One numbered delivery. ``dated`` stands in for the clock, so that two builds of a week are the same bytes."""

    number: str
    revision: int
    period: Period
    dated: date
    previous: Previous | None = None
    amends: tuple[Amendment, ...] = ()


class DecisionKind(StrEnum):
    """What the office decided about something the crews delivered."""

    ASSIGN = "assign"
    """This radiograph belongs to that weld, event and segment."""
    SET_ASIDE = "set_aside"
    """This file is not part of the handover, for a stated reason; it travels as delivered."""
    CONFIRM = "confirm"
    """The finding was looked at and the records stand as they are."""
    CORRECT = "correct"
    """A value on a sheet is to be read as another; the sheet itself is not altered."""
    UNDO = "undo"
    """An earlier decision no longer holds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """One recorded decision: who, when, what about what, and why.

    ``subject`` is the delivered file or the address of the row it is about; ``subject_sha512`` ties the decision to
    the file as it was, so that a changed file is reported. ``finding`` is the code it answers. For ``assign``:
    ``line``, ``number``, ``event``, ``segment``. For ``correct``: ``field``, ``stands`` (as written) and ``reads``.
    """

    id: str
    kind: DecisionKind
    subject: str
    by: str
    at: datetime
    reason: str
    subject_sha512: str = ""
    finding: str = ""
    line: str = ""
    number: str = ""
    event: str = ""
    segment: str = ""
    field: str = ""
    stands: str = ""
    reads: str = ""
    undoes: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class HandoverRecord:
    """The whole record of one handover: what the package carries besides the files as delivered."""

    job: Job
    handover: Handover
    welds: tuple[WeldRecord, ...]
    techniques: tuple[TechniqueSheet, ...] = ()
    people: tuple[Person, ...] = ()
    equipment: tuple[Equipment, ...] = ()
    decisions: tuple[Decision, ...] = ()
