"""Sources, detectors and densitometers, and their calibrations."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from beadroll.record.evidence import Address


class EquipmentKind(StrEnum):
    """What kind of equipment a certificate is about."""

    SOURCE = "source"
    XRAY_SET = "xray_set"
    SCANNER = "scanner"
    DETECTOR = "detector"
    DENSITOMETER = "densitometer"


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """One calibration or check, with the dates it covers, both inclusive."""

    certificate: str
    done_on: date | None = None
    valid_until: date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Equipment:
    """One piece of equipment by serial number.

    For a source: ``isotope`` (``Ir-192``), ``activity_ci`` on ``activity_on``, ``focal_size_mm`` (greatest dimension).
    For a scanner or detector: ``pixel_pitch_um``, ``basic_resolution_um`` (SRb), ``iso14096_class`` (DS, DB, DA).
    """

    serial: str
    kind: EquipmentKind
    make: str = ""
    model: str = ""
    isotope: str = ""
    activity_ci: float | None = None
    activity_on: date | None = None
    focal_size_mm: float | None = None
    tube_kv_max: float | None = None
    pixel_pitch_um: float | None = None
    basic_resolution_um: float | None = None
    iso14096_class: str = ""
    calibrations: tuple[Calibration, ...] = ()
    stated_at: tuple[Address, ...] = ()
