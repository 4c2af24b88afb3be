"""A week's record with what every rule looks up: by number, by serial, by stencil, and pairs that belong together."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Final

from beadroll.record.equipment import Equipment
from beadroll.record.handover import HandoverRecord
from beadroll.record.interpretation import Interpretation
from beadroll.record.people import Person
from beadroll.record.radiograph import Exposure
from beadroll.record.technique import Arrangement, TechniqueSheet
from beadroll.record.weld import WeldRecord
from beadroll.rules.table import table

SINGLE_WALL: Final = (Arrangement.SWSI, Arrangement.PANORAMIC)


@dataclass(frozen=True, kw_only=True)
class Week:
    """The record under check, with look-ups made once."""

    record: HandoverRecord

    @cached_property
    def techniques(self) -> Mapping[str, TechniqueSheet]:
        """Technique sheets by number; of several revisions the last listed."""
        return {sheet.number: sheet for sheet in self.record.techniques}

    @cached_property
    def equipment(self) -> Mapping[str, Equipment]:
        """Equipment by serial number."""
        return {item.serial: item for item in self.record.equipment}

    @cached_property
    def people(self) -> Mapping[str, Person]:
        """People by the id, name or stencil that sheets use."""
        found = {person.name: person for person in self.record.people}
        found.update({person.stencil: person for person in self.record.people if person.stencil})
        found.update({person.id: person for person in self.record.people})
        return found

    @cached_property
    def family(self) -> str:
        """``iso`` or ``asme``: whose tables apply; empty when the code is not among those known."""
        for row in table("codes").rows:
            if self.record.job.code.standard.casefold().startswith(row["standard"].casefold()):
                return str(row["family"])
        return ""

    def limit(self, rule: str, default: float) -> float:
        """Return the contract's own limit for ``rule`` where the job sets one, else ``default``."""
        return self.record.job.limits.get(rule, default)

    def diameter_mm(self, weld: WeldRecord) -> float | None:
        """Return the outside diameter in mm: the weld log's, else the line's."""
        if weld.weld.outside_diameter_mm is not None:
            return weld.weld.outside_diameter_mm
        return next((x.outside_diameter_mm for x in self.record.job.lines if x.id == weld.weld.id.line), None)

    def shots(self) -> Iterator[tuple[WeldRecord, Exposure, TechniqueSheet | None]]:
        """Yield every exposure with its weld and technique sheet."""
        for weld in self.record.welds:
            for exposure in weld.exposures:
                yield weld, exposure, self.techniques.get(exposure.technique)

    def readings(self) -> Iterator[tuple[WeldRecord, Interpretation, TechniqueSheet | None, Exposure | None]]:
        """Yield every interpretation with its weld, its technique sheet and the shot its radiograph came from."""
        for weld in self.record.welds:
            shots = {exposure.id: exposure for exposure in weld.exposures}
            shot_of = {radiograph.id: shots.get(radiograph.exposure) for radiograph in weld.radiographs}
            for reading in weld.interpretations:
                shot = shot_of.get(reading.radiograph)
                sheet = self.techniques.get(reading.technique or (shot.technique if shot else ""))
                yield weld, reading, sheet, shot

    def testing_class(self, sheet: TechniqueSheet | None) -> str:
        """Return the testing class A or B, from the technique sheet or the job; A where neither says."""
        stated = (sheet.testing_class if sheet else "") or self.record.job.code.testing_class or "A"
        return stated.strip().upper()[-1:]


def weld_name(weld: WeldRecord, event: str = "", segment: str = "") -> str:
    """Return a weld's name as findings say it: ``LN-204 W-0117 R1 1-2``."""
    return " ".join(part for part in (str(weld.weld.id), event, segment) if part)


def wall_mm(weld: WeldRecord, sheet: TechniqueSheet | None) -> float | None:
    """Return the nominal wall in mm: the weld log's, else the technique sheet's."""
    return weld.weld.wall_mm if weld.weld.wall_mm is not None else (sheet.wall_mm if sheet else None)


def penetrated_mm(weld: WeldRecord, sheet: TechniqueSheet) -> float | None:
    """Return the penetrated thickness w in mm: one nominal wall, or two where the beam crosses the pipe.

    ISO 17636-1 clause 3 reckons with nominal thickness; reinforcement is not added.
    """
    wall = wall_mm(weld, sheet)
    if wall is None or sheet.arrangement is None:
        return None
    return wall if sheet.arrangement in SINGLE_WALL else 2 * wall


def isotope_of(week: Week, exposure: Exposure | None, sheet: TechniqueSheet | None) -> str:
    """Return the isotope (``Ir-192``) of a shot, from its source's certificate, else from the technique sheet."""
    item = week.equipment.get(exposure.source) if exposure else None
    stated = (item.isotope if item else "") or (sheet.source_kind if sheet else "")
    known = {str(row["isotope"]) for row in table("half_life").rows}
    return next((isotope for isotope in known if isotope.casefold() == stated.strip().casefold()), "")


def is_gamma(week: Week, exposure: Exposure | None, sheet: TechniqueSheet | None) -> bool:
    """Return whether a shot was made with an isotope."""
    return bool(isotope_of(week, exposure, sheet))
