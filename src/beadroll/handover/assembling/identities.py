"""What the record says of one radiograph, put into the plain fields that its DICONDE object carries.

Knows the record. Refuses to know images, and to say what nobody recorded: an unknown field stays empty.
"""

from __future__ import annotations

from collections.abc import Mapping

from beadroll.images import Identity, Origin
from beadroll.record.equipment import Equipment
from beadroll.record.handover import HandoverRecord
from beadroll.record.interpretation import Interpretation, Result
from beadroll.record.radiograph import Exposure, Radiograph
from beadroll.record.weld import Weld, WeldRecord

_RESULTS: Mapping[Result | None, str] = {Result.ACC: "accept", Result.REJ: "reject"}


class Identities:
    """Finds what belongs to a radiograph, with the record's equipment looked up once."""

    def __init__(self, record: HandoverRecord) -> None:
        """Index the handover's equipment by serial number."""
        self._job = record.job
        self._equipment = {each.serial: each for each in record.equipment}

    def of(self, record: WeldRecord, radiograph: Radiograph) -> Identity:
        """Return the identity of one radiograph of a weld."""
        weld = record.weld
        exposure = next((e for e in record.exposures if e.id == radiograph.exposure), Exposure(id=radiograph.exposure))
        reading = _last_reading(record, radiograph)
        source = self._equipment.get(exposure.source)
        return Identity(
            job=self._job.id,
            line=weld.id.line,
            weld=weld.id.number,
            event=radiograph.event,
            segment=radiograph.segment,
            exposure_id=exposure.id,
            technique=exposure.technique,
            component=_component(weld),
            material=weld.material,
            thickness_mm=weld.wall_mm,
            outside_diameter_mm=weld.outside_diameter_mm,
            welders=_welders(record, radiograph.event),
            source_isotope=source.isotope if source else "",
            source_serial=exposure.source,
            tube_kv=exposure.tube_kv,
            exposed_at=exposure.exposed_at,
            exposure_s=exposure.exposure_s,
            sfd_mm=exposure.sfd_mm,
            iqi=reading.iqi_seen if reading else "",
            pixel_pitch_mm=_pitch(self._equipment.get(exposure.detector)),
            origin=Origin(radiograph.origin.value),
            iso14096_class=radiograph.iso14096_class,
            radiographer=exposure.radiographer,
            interpreter=reading.interpreter if reading else "",
            result=_RESULTS.get(reading.result, "") if reading else "",
            client=self._job.client,
            contractor=self._job.contractor,
            project=self._job.title,
        )


def _last_reading(record: WeldRecord, radiograph: Radiograph) -> Interpretation | None:
    """Return the latest reading of exactly this radiograph; several of one day count in the order of the record."""
    mine = [each for each in record.interpretations if each.radiograph == radiograph.id]
    dated = [each for each in mine if each.read_on is not None]
    return max(dated or mine, key=lambda each: (each.read_on.toordinal() if each.read_on else 0, each.id), default=None)


def _welders(record: WeldRecord, event: str) -> tuple[str, ...]:
    """Return the stencils of those who made the state that was shot."""
    return next((each.stencils for each in record.events if each.label == event), ())


def _component(weld: Weld) -> str:
    named = (("drawing", weld.drawing), ("spool", weld.spool), ("NPS", weld.nps), ("schedule", weld.schedule))
    return ", ".join(f"{name} {text}" for name, text in named if text)


def _pitch(detector: Equipment | None) -> tuple[float, float] | None:
    if detector is None or detector.pixel_pitch_um is None:
        return None
    pitch_mm = detector.pixel_pitch_um / 1000
    return pitch_mm, pitch_mm
