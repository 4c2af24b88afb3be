"""What the record knows of one radiograph, in the few plain fields that go into its DICONDE attributes.

A value object and nothing else. It is not the record, and it decides nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Final

LEAST_LOSS: Final = "DS"
"""The class of least loss, meant for archiving (ISO 14096-2, by its abstract)."""


class Origin(StrEnum):
    """How the image came to be digital."""

    FILM_DIGITISED = "film_digitised"
    CR = "cr"
    DR = "dr"


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """Names and numbers of one radiograph. Only job, line and weld must be known; empty means not known.

    ``event`` is the event's label on the weld (empty for the first, ``R1``, ``C1`` …), ``segment`` the location
    markers (``0-1``), ``exposed_at`` carries its time zone, ``pixel_pitch_mm`` (row, column) counts only where the
    delivered file gives none. ``result`` is what the named interpreter recorded: ``accept``, ``reject`` or empty.
    """

    job: str
    line: str
    weld: str
    event: str = ""
    segment: str = ""
    exposure_id: str = ""
    technique: str = ""
    component: str = ""
    material: str = ""
    thickness_mm: float | None = None
    outside_diameter_mm: float | None = None
    welders: tuple[str, ...] = ()
    source_isotope: str = ""
    source_serial: str = ""
    tube_kv: float | None = None
    exposed_at: datetime | None = None
    exposure_s: float | None = None
    sfd_mm: float | None = None
    iqi: str = ""
    pixel_pitch_mm: tuple[float, float] | None = None
    origin: Origin = Origin.FILM_DIGITISED
    iso14096_class: str = ""
    radiographer: str = ""
    interpreter: str = ""
    interpreted_at: datetime | None = None
    result: str = ""
    client: str = ""
    contractor: str = ""
    project: str = ""

    @property
    def label(self) -> str:
        """The weld number with its event, as the office says it: ``W-0117 R1``."""
        return f"{self.weld} {self.event}".strip()


def replaces_film(identity: Identity) -> bool:
    """Tell whether the image may be called a replacement of its film: only a digitised film of class DS may."""
    return identity.origin is Origin.FILM_DIGITISED and identity.iso14096_class == LEAST_LOSS
