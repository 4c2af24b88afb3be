"""A digitised film of one segment: density from the steel in the beam, lead marks, wire IQI, grain.

The model is plain and stated: exposure falls with exp(-mu x steel), with the square of the distance and with the slant
on the film wrapped round the pipe; film density grows in proportion to exposure; grain is Poisson noise in its normal
limit, shared a little between neighbours. Values are stored as 65535 x (1 - density / 4.6), so that the image looks as
on a viewer: thick metal and lead bright, hollows dark. Knows nothing of welds' numbers beyond the letters it sets.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from beadroll.demo.bead import Bead, Curve, metal_mm
from beadroll.demo.lead import ADVANCE, set_text

OVERLAP_MM: Final = 20.0
"""How far a film reaches beyond each of its two location markers."""
_DENSITY_FULL: Final = 4.6
_MU_PER_MM: Final = 0.085
"""Effective attenuation of Se-75 radiation in steel behind two walls, per mm (common practice, no published source)."""
_LEAD_DENSITY: Final = 0.42
"""What scatter leaves under a lead letter, as a part of the density beside it."""
_UNSHARP_MM: Final = 0.22
_SNR_AT_88_6_UM: Final = 130.0
"""Signal to noise in an 88.6 um square, the aperture SNR is normalised to."""
_HALF_STRIP_MM: Final = 12.5
_WIRES_MM: Final = (0.40, 0.32, 0.25, 0.20, 0.16, 0.125, 0.10)
"""W10 to W16 of ISO 19232-1."""
_IQI_WIRE_MM: Final = 25.0
_IQI_PITCH_MM: Final = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """What decides how one film looks.

    ``first_mm`` and ``last_mm`` are the location markers along the weld from the datum, ``marks`` their names;
    ``letters`` the lines of lead letters; ``density`` the optical density of the wall in the middle of the film.
    """

    outside_diameter_mm: float
    wall_mm: float
    sfd_mm: float
    first_mm: float
    last_mm: float
    marks: tuple[str, str]
    letters: tuple[str, ...]
    density: float = 2.9

    @property
    def film_length_mm(self) -> float:
        """Length of the film along the weld."""
        return self.last_mm - self.first_mm + 2 * OVERLAP_MM


def pitch_mm(shot: Shot, columns: int) -> float:
    """Return the pixel pitch of a film scanned into so many columns."""
    return shot.film_length_mm / columns


def expose(shot: Shot, bead: Bead, rng: Generator, pixels: tuple[int, int]) -> NDArray[np.uint16]:
    """Return the digitised film, (rows, columns) of 16-bit values."""
    rows, columns = pixels
    pitch = pitch_mm(shot, columns)
    along = (np.arange(columns) + 0.5) * pitch - OVERLAP_MM + shot.first_mm
    across = (np.arange(rows) - rows / 2 + 0.5) * pitch
    column_part, steel = _wall(shot, along)
    row_part = _far_weld(shot, across)
    density = np.outer(row_part, column_part * np.float32(shot.density)).astype(np.float32, copy=False)
    density *= _mottle(rng, density.shape)
    strip = _rows(np.abs(across) < _HALF_STRIP_MM)
    proud = metal_mm(bead, along, across[strip])
    density[strip] *= np.exp(np.float32(-_MU_PER_MM) * proud * steel)
    _iqi(density, across, pitch)
    _letters(density, shot, rng, pitch)
    return _scan(density, rng, pitch)


def _rows(inside: NDArray[np.bool_]) -> slice:
    found = np.flatnonzero(inside)
    return slice(int(found[0]), int(found[-1]) + 1)


def _wall(shot: Shot, along: Curve) -> tuple[Curve, Curve]:
    """Return exposure through both walls along the film, 1 in its middle, and the slant factor of the beam there."""
    radius = shot.outside_diameter_mm / 2
    behind = shot.sfd_mm - radius
    turn = (along - (shot.first_mm + shot.last_mm) / 2) / radius
    x, y = radius * np.sin(turn), radius * np.cos(turn) + behind
    distance = np.hypot(x, y)
    cosine = (x * np.sin(turn) + y * np.cos(turn)) / distance
    steel = shot.wall_mm * (1 / cosine - 1)
    exposure = np.exp(-_MU_PER_MM * steel) * (shot.sfd_mm / distance) ** 2 * cosine
    return exposure.astype(np.float32), (1 / cosine).astype(np.float32)


def _far_weld(shot: Shot, across: Curve) -> Curve:
    """Return the broad, unsharp shadow of the weld on the far wall, thrown to one side by setting the source over."""
    width = 0.02 * shot.sfd_mm + 16.0
    shadow = 0.7 / (1 + np.exp((np.abs(across - 12.0) - width) / 11.0))
    return np.exp(-_MU_PER_MM * shadow).astype(np.float32)


def _mottle(rng: Generator, shape: tuple[int, int]) -> Curve:
    """Return the slow unevenness of processing and screens, about half a per cent."""
    coarse = 1 + 0.005 * rng.standard_normal((6, 14))
    lines = np.stack([np.interp(np.linspace(0, 13, shape[1]), np.arange(14), line) for line in coarse])
    places = np.linspace(0, 4.999, shape[0])
    low = places.astype(np.int64)
    part = (places - low).astype(np.float32)[:, None]
    lines = lines.astype(np.float32)
    return lines[low] * (1 - part) + lines[low + 1] * part


def _iqi(density: Curve, across: Curve, pitch: float) -> None:
    """Lay the seven wires across the weld near the left end of the film, with their lead frame letters above."""
    left = OVERLAP_MM + 26.0
    first = int((left - 2) / pitch)
    last = min(int((left + 6 * _IQI_PITCH_MM + 2) / pitch), density.shape[1])
    rows = _rows(np.abs(across) < _IQI_WIRE_MM / 2 + 1)
    x = (np.arange(first, last) + 0.5) * pitch
    steel = np.zeros(last - first, np.float32)
    for number, wire in enumerate(_WIRES_MM):
        away = x - (left + number * _IQI_PITCH_MM)
        # A wire narrower than a pixel and the unsharpness keeps its area and loses its height.
        wide = max(wire, pitch * 0.9, _UNSHARP_MM)
        steel += wire * (wire / wide) * np.sqrt(np.maximum(1 - (away / (wide * 0.72)) ** 2, 0))
    ends = np.clip((_IQI_WIRE_MM / 2 - np.abs(across[rows])) / 0.3 + 0.5, 0, 1).astype(np.float32)
    density[rows, first:last] *= np.exp(-_MU_PER_MM * 1.1 * np.outer(ends, steel)).astype(np.float32)


def _letters(density: Curve, shot: Shot, rng: Generator, pitch: float) -> None:
    """Set the identification, the IQI's letters and the location markers in lead."""
    rows = density.shape[0]
    middle = rows / 2 * pitch
    size = min(8.0, middle / 7.5)
    right = shot.film_length_mm - OVERLAP_MM
    widest = max(len(line) for line in shot.letters) * size * ADVANCE
    for number, line in enumerate(shot.letters):
        top = middle - 38.0 * min(1.0, middle / 54) + number * size * 1.7 - size
        _stamp(density, line, right - widest - 14 + rng.normal(0, 0.7), max(top, 1.0), size, pitch)
    below = middle + 17.0
    _stamp(density, "10 FE EN", OVERLAP_MM + 24.0, middle - 13.5 - 5.2, 3.6, pitch)
    _stamp(density, "F", OVERLAP_MM + 24.0 + 33.0, middle - 13.5 - 5.2, 3.6, pitch)
    for mark, place in zip(shot.marks, (OVERLAP_MM, shot.film_length_mm - OVERLAP_MM), strict=True):
        _stamp(density, mark, place - size * 0.33, below, size, pitch)
        _arrow(density, place, middle + 11.5, pitch)


def _stamp(density: Curve, text: str, left: float, top: float, height: float, pitch: float) -> None:
    mask = set_text(text, height / pitch, max(_UNSHARP_MM / pitch, 1.0))
    row, column = round(top / pitch), round(left / pitch)
    part = density[row : row + mask.shape[0], column : column + mask.shape[1]]
    part *= 1 - (1 - _LEAD_DENSITY) * mask[: part.shape[0], : part.shape[1]]


def _arrow(density: Curve, place: float, top: float, pitch: float) -> None:
    """Set the small lead wedge that points from a location marker to the weld."""
    height = 4.0
    row, column, size = round(top / pitch), round((place - 1.5) / pitch), round(height / pitch)
    y, x = np.ogrid[0:size, 0 : round(3.0 / pitch)]
    inside = (y + 0.5) * pitch * 0.36 - np.abs((x + 0.5) * pitch - 1.5)
    mask = np.clip(inside / max(_UNSHARP_MM, pitch) + 0.5, 0, 1).astype(np.float32)
    part = density[row : row + mask.shape[0], column : column + mask.shape[1]]
    part *= 1 - (1 - _LEAD_DENSITY) * mask[: part.shape[0], : part.shape[1]]


def _scan(density: Curve, rng: Generator, pitch: float) -> NDArray[np.uint16]:
    """Add grain and turn density into 16-bit values, some rows at a time so that the work stays in the cache."""
    rows, columns = density.shape
    made = np.empty((rows, columns), np.uint16)
    noise = 1 / _SNR_AT_88_6_UM * min(0.0886 / pitch, 2.2)
    scale = 65535.0 / _DENSITY_FULL
    block = max(1, 262_144 // columns)
    for first in range(0, rows, block):
        part = density[first : first + block]
        grain = rng.standard_normal((part.shape[0] + 1, columns + 1), dtype=np.float32)
        # Clumps of grain span neighbouring pixels: average over two by two, which halves the spread.
        down = grain[1:] + grain[:-1]
        shared = down[:, 1:] + down[:, :-1]
        shared *= np.float32(noise / 2)
        shared *= np.sqrt(part * np.float32(2.9))
        shared += part
        np.clip(shared, 0.15, 4.4, out=shared)
        shared *= np.float32(-scale)
        shared += np.float32(65535.0)
        made[first : first + block] = shared
    return made


def densities(image: NDArray[np.uint16], shot: Shot) -> tuple[float, float]:
    """Return least and greatest density a densitometer finds on the weld between the markers, to 0.05."""
    rows, columns = image.shape
    pitch = pitch_mm(shot, columns)
    half = max(1, round(4.0 / pitch))
    first, last = round(OVERLAP_MM / pitch), round((shot.film_length_mm - OVERLAP_MM) / pitch)
    band = image[rows // 2 - half : rows // 2 + half, first:last]
    spot = max(1, round(6.0 / pitch))
    spots = band[:, : band.shape[1] // spot * spot].reshape(band.shape[0], -1, spot).mean(axis=(0, 2))
    found = (1 - spots / 65535.0) * _DENSITY_FULL
    return _to_twentieth(float(found.min())), _to_twentieth(float(found.max()))


def _to_twentieth(density: float) -> float:
    return round(round(density * 20) / 20, 2)
