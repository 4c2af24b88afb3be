"""What a person should know of a converted radiograph, as findings.

Knows the conversion's outcome and the record's few facts. Refuses to judge the radiograph: image quality, density and
indications are not looked at here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from beadroll.findings import Finding, finding
from beadroll.images.identity import Identity, Origin, replaces_film

if TYPE_CHECKING:
    from beadroll.images.conversion import Converted

_PITCH_TOLERANCE: Final = 0.02
"""Share by which a pitch in the file may differ from the record's: rounding of dots per inch. Own choice."""


def remarks(converted: Converted, identity: Identity, *, subject: str) -> tuple[Finding, ...]:
    """Return what a person should know of this radiograph; ``subject`` is what the office calls it."""
    found = [*_pitch(converted, identity, subject)]
    if converted.lossy:
        found.append(finding("IMG-LOSSY", subject))
    if identity.origin is Origin.FILM_DIGITISED and not replaces_film(identity):
        named = identity.iso14096_class
        found.append(
            finding("IMG-CLASS-BELOW-DS", subject, film_class=named) if named else finding("IMG-CLASS-UNKNOWN", subject)
        )
    if converted.keep_delivered:
        found.append(finding("IMG-KEPT-BESIDE", subject))
    return tuple(found)


def _pitch(converted: Converted, identity: Identity, subject: str) -> list[Finding]:
    told, known = converted.pixel_pitch_mm, identity.pixel_pitch_mm
    if told is None:
        return [finding("IMG-PITCH-UNKNOWN", subject)] if known is None else []
    if known is None or all(abs(a - b) <= _PITCH_TOLERANCE * b for a, b in zip(told, known, strict=True)):
        return []
    return [finding("IMG-PITCH-DIFFERS", subject, file_um=_um(told), record_um=_um(known))]


def _um(pitch: tuple[float, float]) -> str:
    row, column = (f"{side * 1000:.4g}" for side in pitch)
    return row if row == column else f"{row} x {column}"
