"""Technique sheets: how a kind of weld is to be shot."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from beadroll.record.evidence import Address


class Arrangement(StrEnum):
    """Single or double wall exposure and viewing, which are two things (ASME V T-291)."""

    SWSI = "swsi"
    """Single wall exposure, single image."""
    DWSI = "dwsi"
    """Double wall exposure, single wall viewed."""
    DWDI_ELLIPTICAL = "dwdi_elliptical"
    DWDI_SUPERIMPOSED = "dwdi_superimposed"
    PANORAMIC = "panoramic"
    """Source on the axis, film all round."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TechniqueSheet:
    """One technique sheet. Distances, thicknesses and sizes in mm, voltage in kV."""

    number: str
    revision: str = ""
    issued_on: date | None = None
    superseded_on: date | None = None
    procedure: str = ""
    procedure_revision: str = ""
    arrangement: Arrangement | None = None
    testing_class: str = ""
    source_kind: str = ""
    focal_size_mm: float | None = None
    tube_kv: float | None = None
    sfd_mm: float | None = None
    object_to_film_mm: float | None = None
    outside_diameter_mm: float | None = None
    wall_mm: float | None = None
    reinforcement_mm: float | None = None
    exposures: int | None = None
    film_system: str = ""
    film_length_mm: float | None = None
    screens: str = ""
    iqi_type: str = ""
    iqi_required: str = ""
    iqi_side: str = ""
    iqi_count: int | None = None
    density_min: float | None = None
    density_max: float | None = None
    pixel_pitch_um: float | None = None
    snr_n_min: float | None = None
    approved_by: str = ""
    approved_on: date | None = None
    stated_at: tuple[Address, ...] = ()
