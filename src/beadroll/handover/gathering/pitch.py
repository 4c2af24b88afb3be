"""The pixel pitch that headers state against the scanners and detectors of the job.

A wrong pitch makes every length on the image wrong, so one that no scanner of the job is set to is asked about. Knows
pitches only; refuses to say which scanner made which image.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from pathlib import PurePosixPath
from typing import Final

from beadroll.findings import Finding, finding
from beadroll.handover.stages import DeliveredRadiograph
from beadroll.record.equipment import Equipment

USUAL_UM: Final = (25.0, 50.0, 100.0)
"""Pitches film scanners are usually set to, in um (common practice, no published source)."""
TOLERANCE: Final = 0.02
"""Share by which a stated pitch may differ: resolutions are written as whole dots per inch or per cm."""


def pitch_findings(radiographs: Sequence[DeliveredRadiograph], equipment: Sequence[Equipment]) -> list[Finding]:
    """Return a finding for every folder and pitch that no scanner or detector of the job is set to.

    Where the job states no pitches, the usual ones count. Radiographs of one folder with the same pitch are told of
    together, by the first.
    """
    presets = sorted({e.pixel_pitch_um for e in equipment if e.pixel_pitch_um})
    groups: dict[tuple[str, float | None], list[str]] = defaultdict(list)
    for radiograph in radiographs:
        if radiograph.facts is not None:
            pitch = radiograph.facts.pixel_pitch_mm
            folder = str(PurePosixPath(radiograph.file.path).parent)
            for stated in dict.fromkeys([round(p * 1000, 2) for p in pitch] if pitch else [None]):
                if stated is None or not _is_one_of(stated, presets or USUAL_UM):
                    groups[folder, stated].append(radiograph.file.path)
    known = ", ".join(f"{p:g}" for p in presets or USUAL_UM)
    expected = (
        f"the scanners and detectors of the job are set to {known} um"
        if presets
        else f"the equipment list states none, and usual are {known} um"
    )
    found = []
    for (_, stated), paths in groups.items():
        if stated is not None:
            found.append(
                finding("INT-PITCH-PRESET", paths[0], others=len(paths) - 1, pitch_um=stated, expected=expected)
            )
        elif len(presets) != 1:
            # One scanner with one setting says it for the file; with none or several nobody can tell.
            found.append(finding("INT-PITCH-UNKNOWN", paths[0], others=len(paths) - 1))
    return found


def _is_one_of(stated: float, presets: Sequence[float]) -> bool:
    return any(abs(stated - preset) <= TOLERANCE * preset for preset in presets)
