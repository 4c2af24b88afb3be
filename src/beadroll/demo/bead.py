"""A weld's own metal, all the way round: cap, root, ripples, starts and stops, and what lies in it.

Made once a weld, in mm along the circumference, so that neighbouring films show the same bead where they overlap, a
reshoot shows the same weld, and a repair changes only the repaired stretch. Knows steel, not film.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, Final

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

Curve = NDArray[Any]
"""Floating-point values; numpy's own types do not follow the width through arithmetic."""

STEP_MM: Final = 0.25
"""Spacing of the curves along the weld."""
_ACROSS_MM: Final = 1.0
_ACROSS: Final = 25
_WAVE_STEP_MM: Final = 0.04
_REACH_MM: Final = 4.0
"""How far beyond its ends a flaw may still change the metal."""


class FlawKind(StrEnum):
    """What may lie in the demo's welds, by ISO 6520-1 number."""

    PORE = "2011"
    CLUSTER = "2013"
    SLAG = "301"
    LACK_OF_PENETRATION = "4021"


@dataclass(frozen=True, slots=True, kw_only=True)
class Flaw:
    """One imperfection in the metal. ``position_mm`` is where it begins, from the datum along the weld."""

    kind: FlawKind
    position_mm: float
    length_mm: float
    size_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Bead:
    """Profiles of one weld along its circumference, all in mm (``phase`` in radians), one value every ``STEP_MM``."""

    length_mm: float
    centre: Curve
    half_width: Curve
    cap: Curve
    root_centre: Curve
    root_half_width: Curve
    root: Curve
    phase: Curve
    ripple: Curve
    undercut_up: Curve
    undercut_down: Curve
    texture: Curve
    high_low_mm: float
    spatter: tuple[tuple[float, float, float], ...] = ()
    flaws: tuple[Flaw, ...] = ()

    def at(self, curve: Curve, along_mm: Curve) -> Curve:
        """Return a curve's values at places along the weld; the weld closes on itself."""
        places = (along_mm / STEP_MM) % len(curve)
        low = places.astype(np.int64)
        part = (places - low).astype(np.float32)
        following = (low + 1) % len(curve)
        return (curve[low] * (1 - part) + curve[following] * part).astype(np.float32)


def _wander(rng: Generator, count: int, scale_mm: float, amplitude: float) -> Curve:
    """Return smooth noise on a closed curve: ``amplitude`` is its standard deviation, ``scale_mm`` its grain."""
    spectrum = np.fft.rfft(rng.standard_normal(count))
    frequency = np.fft.rfftfreq(count, STEP_MM)
    shaped = np.fft.irfft(spectrum * np.exp(-0.5 * (frequency * scale_mm) ** 2), count)
    return (shaped * (amplitude / (shaped.std() or 1.0))).astype(np.float32)


def _starts(rng: Generator, count: int, every_mm: float) -> Curve:
    """Return what an electrode change leaves on the cap: a hump where the next one starts, a crater before it."""
    along = np.arange(count) * STEP_MM
    made = np.zeros(count)
    total = count * STEP_MM
    place = rng.uniform(0, every_mm)
    while place < total:
        away = (along - place + total / 2) % total - total / 2
        made += 0.45 * np.exp(-((away / 2.6) ** 2)) - 0.5 * np.exp(-(((away + 4.2) / 1.9) ** 2))
        place += rng.uniform(0.75, 1.25) * every_mm
    return made.astype(np.float32)


def weld_bead(rng: Generator, *, length_mm: float, wall_mm: float, flaws: tuple[Flaw, ...] = ()) -> Bead:
    """Lay a bead of ``length_mm`` round a pipe of ``wall_mm``: stick-welded cap over a root run."""
    count = round(length_mm / STEP_MM)
    turns = round(length_mm / rng.uniform(2.3, 2.9))
    advance = 1 + _wander(rng, count, 6.0, 0.16)
    phase = np.cumsum(advance / advance.sum()) * turns * 2 * np.pi
    return Bead(
        length_mm=count * STEP_MM,
        centre=_wander(rng, count, 30.0, 0.35) + _wander(rng, count, 5.0, 0.10),
        half_width=(0.55 * wall_mm + 1.6 + _wander(rng, count, 16.0, 0.35) + _wander(rng, count, 2.5, 0.12)),
        cap=1.5 + _wander(rng, count, 25.0, 0.18) + _starts(rng, count, 95.0),
        root_centre=_wander(rng, count, 40.0, 0.25),
        root_half_width=1.9 + _wander(rng, count, 8.0, 0.22) + _wander(rng, count, 2.0, 0.10),
        root=1.1 + _wander(rng, count, 12.0, 0.20) + _wander(rng, count, 2.2, 0.13),
        phase=phase.astype(np.float32),
        ripple=np.abs(0.17 + _wander(rng, count, 8.0, 0.05)).astype(np.float32),
        undercut_up=np.maximum(_wander(rng, count, 9.0, 0.12) - 0.12, 0).astype(np.float32),
        undercut_down=np.maximum(_wander(rng, count, 9.0, 0.12) - 0.12, 0).astype(np.float32),
        texture=np.stack([_wander(rng, count, 1.2, 0.085) for _ in range(_ACROSS)]),
        high_low_mm=float(rng.normal(0, 0.12)),
        spatter=tuple(
            (float(rng.uniform(0, length_mm)), float(rng.choice((-1, 1)) * rng.uniform(8.5, 12.0)), float(size))
            for size in rng.uniform(0.5, 1.4, round(length_mm / 45))
        ),
        flaws=flaws,
    )


def repaired(bead: Bead, rng: Generator, *, first_mm: float, last_mm: float) -> Bead:
    """Return the weld after the stretch was ground out and welded again: wider, its own ripples, its flaws gone."""
    count = len(bead.centre)
    along = np.arange(count) * STEP_MM
    inside = (0.5 * (np.tanh((along - first_mm) / 1.5) - np.tanh((along - last_mm) / 1.5))).astype(np.float32)
    fresh = weld_bead(rng, length_mm=bead.length_mm, wall_mm=9.5)

    def blend(old: Curve, new: Curve) -> Curve:
        return np.asarray((old * (1 - inside) + new * inside).astype(np.float32))

    return replace(
        bead,
        centre=blend(bead.centre, fresh.centre),
        half_width=blend(bead.half_width, bead.half_width + 1.3 + _wander(rng, count, 5.0, 0.2)),
        cap=blend(bead.cap, fresh.cap + 0.35),
        root=blend(bead.root, fresh.root),
        root_half_width=blend(bead.root_half_width, fresh.root_half_width),
        # The phase may jump where the new metal begins: ripples of two runs do not meet.
        phase=np.where(inside > 0.5, fresh.phase * 1.15, bead.phase).astype(np.float32),  # noqa: PLR2004 - halfway
        texture=bead.texture * (1 - inside) + fresh.texture * inside,
        flaws=tuple(flaw for flaw in bead.flaws if not (first_mm <= flaw.position_mm + flaw.length_mm / 2 <= last_mm)),
    )


def metal_mm(bead: Bead, along_mm: Curve, across_mm: Curve) -> Curve:
    """Return the weld metal standing proud of the wall in mm, rows across and columns along; less where flaws lie."""
    across = across_mm.astype(np.float32)[:, None]
    centre = bead.at(bead.centre, along_mm)
    half = bead.at(bead.half_width, along_mm)
    off = across - centre
    out = off / half
    dome = np.maximum(1 - out * out, 0)
    edge = np.sqrt(dome)
    # Ripples are crescents: the bead's middle ran ahead of its edges.
    lag = np.float32(5.0) * (1 - dome)
    made = _waves(bead, along_mm.astype(np.float32) + lag)
    made *= bead.at(bead.ripple, along_mm)
    made *= edge
    made += _texture(bead, along_mm, across_mm) * np.minimum(dome * 2, 1)
    made += bead.at(bead.cap, along_mm) * (edge * np.sqrt(edge))
    root_off = across - bead.at(bead.root_centre, along_mm)
    root_out = root_off / bead.at(bead.root_half_width, along_mm)
    made += bead.at(bead.root, along_mm) * np.maximum(1 - root_out * root_out, 0)
    step = root_off / np.float32(5.0)
    made += np.float32(bead.high_low_mm) * np.tanh(root_off / np.float32(0.5)) * np.exp(-step * step)
    for side, curve in ((-1, bead.undercut_up), (1, bead.undercut_down)):
        toe = (off - side * half) / np.float32(0.45)
        made -= bead.at(curve, along_mm) * np.exp(-toe * toe)
    _spatter(made, bead, along_mm, across)
    for flaw in bead.flaws:
        _hollow(made, bead, flaw, along_mm, across)
    return made.astype(np.float32, copy=False)


def _waves(bead: Bead, along_mm: Curve) -> Curve:
    """Return the ripples' height there, -1 to 1, from a fine table: a look-up costs less than two sines a pixel."""
    fine = np.arange(0, bead.length_mm, _WAVE_STEP_MM)
    phase = np.interp(fine, np.arange(len(bead.phase)) * STEP_MM, bead.phase)
    table = (np.sin(phase) + 0.4 * np.sin(2 * phase + 0.9)).astype(np.float32)
    places = (along_mm * np.float32(1 / _WAVE_STEP_MM)).astype(np.int32)
    return np.take(table, places, mode="wrap")


def _texture(bead: Bead, along_mm: Curve, across_mm: Curve) -> Curve:
    lines = np.stack([bead.at(line, along_mm) for line in bead.texture])
    places = np.clip(across_mm / _ACROSS_MM + _ACROSS // 2, 0, _ACROSS - 1.001)
    low = places.astype(np.int64)
    part = (places - low).astype(np.float32)[:, None]
    return lines[low] * (1 - part) + lines[low + 1] * part


def _spatter(made: Curve, bead: Bead, along_mm: Curve, across: Curve) -> None:
    """Leave the drops that flew beside the cap."""
    for place, aside, size in bead.spatter:
        total = bead.length_mm
        away = ((along_mm - place + total / 2) % total - total / 2).astype(np.float32)
        seen = np.flatnonzero(np.abs(away) < size)
        if not seen.size:
            continue
        squared = away[seen] ** 2 + (across - aside) ** 2
        made[:, seen] += np.sqrt(np.maximum((size / 2) ** 2 - squared, 0)).astype(np.float32)


def _hollow(
    made: Curve,
    bead: Bead,
    flaw: Flaw,
    along_mm: Curve,
    across: Curve,
) -> None:
    """Take the flaw's hollow out of the metal where these columns see it."""
    rng = np.random.default_rng(round(flaw.position_mm * 1000) + int(flaw.kind))
    total = bead.length_mm
    away = (along_mm - flaw.position_mm + total / 2) % total - total / 2
    seen = np.flatnonzero((away > -_REACH_MM) & (away < flaw.length_mm + _REACH_MM))
    if not seen.size:
        return
    along = away[seen].astype(np.float32)
    patch = made[:, seen]
    if flaw.kind in (FlawKind.PORE, FlawKind.CLUSTER):
        count = 1 if flaw.kind is FlawKind.PORE else int(rng.integers(9, 15))
        for number in range(count):
            size = flaw.size_mm * (1.0 if number == 0 else rng.uniform(0.35, 0.9))
            where = flaw.length_mm / 2 if count == 1 else rng.uniform(0, flaw.length_mm)
            aside = rng.normal(0, 0.5 if count == 1 else 2.0)
            squared = (along - where) ** 2 + (across - aside) ** 2
            patch -= 2 * np.sqrt(np.maximum((size / 2) ** 2 - squared, 0)).astype(np.float32)
    else:
        patch -= _line_hollow(rng, flaw, along, across)
    made[:, seen] = patch


def _line_hollow(rng: Generator, flaw: Flaw, along: Curve, across: Curve) -> Curve:
    ends = 0.5 * (np.tanh(along / 0.35) - np.tanh((along - flaw.length_mm) / 0.35))
    if flaw.kind is FlawKind.LACK_OF_PENETRATION:
        # The unmelted root faces: straight, narrow, sharp-edged, in the middle of the root.
        edge = (np.float32(flaw.size_mm / 2) - np.abs(across - 0.15)) / np.float32(0.22)
        return np.asarray((2.3 * ends * np.clip(edge + 0.5, 0, 1)).astype(np.float32))
    count = max(6, round(flaw.length_mm / 4))
    knots = rng.normal(0, 1, count)
    place = np.linspace(0, flaw.length_mm, count)
    middle = 3.1 + 0.25 * np.interp(along, place, knots)
    width = flaw.size_mm / 2 * (1 + 0.55 * np.interp(along, place, knots[::-1]))
    edge = 1 - ((across - middle) / np.maximum(width, 0.2)) ** 2
    return (1.15 * ends * np.sqrt(np.maximum(edge, 0))).astype(np.float32)
