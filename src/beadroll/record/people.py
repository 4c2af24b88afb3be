"""People, their certificates and what they signed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum

from beadroll.record.evidence import Address


class Role(StrEnum):
    """The part a person signs in. Roles that seal a package use the same words."""

    RADIOGRAPHER = "radiographer"
    INTERPRETER = "interpreter"
    REVIEWER = "reviewer"
    CONTRACTOR = "contractor"
    INSPECTOR = "inspector"
    CLIENT = "client"
    WELDER = "welder"


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificate:
    """A certificate of a person.

    ``scheme`` such as ISO 9712 or SNT-TC-1A; ``method`` RT for radiographic testing, or a welding process for a
    welder; ``level`` 1 to 3 for testing personnel. Dates are inclusive.
    """

    number: str
    scheme: str = ""
    method: str = ""
    level: int | None = None
    valid_from: date | None = None
    valid_until: date | None = None
    withdrawn_on: date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """A person of the contract. ``id`` is how sheets name them: initials, a staff number, a welder's stencil."""

    id: str
    name: str
    employer: str = ""
    roles: tuple[Role, ...] = ()
    stencil: str = ""
    certificates: tuple[Certificate, ...] = ()
    near_vision_on: date | None = None
    last_welded_on: date | None = None
    stated_at: tuple[Address, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SignOff:
    """A signature on a sheet: who, in which role, when, under which document.

    This records that the crew's document carries the signature; the package's own seals are separate files.
    """

    role: Role
    person: str
    on: date | None = None
    at: datetime | None = None
    document: str = ""
    stated_at: tuple[Address, ...] = ()
