"""Image quality of a radiograph: IQI seen against IQI required, duplex pair, normalised SNR, density."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from beadroll.findings import Finding, finding
from beadroll.record.interpretation import Interpretation, Result
from beadroll.record.technique import Arrangement, TechniqueSheet
from beadroll.record.weld import WeldRecord
from beadroll.rules.table import table
from beadroll.rules.week import SINGLE_WALL, Week, is_gamma, isotope_of, penetrated_mm, wall_mm, weld_name

INCH_MM: Final = 25.4
_WIRE = re.compile(r"(?<![0-9.])(?:W|WIRE|NO\.?|#)?\s*([0-9]{1,2})(?![0-9./])", re.IGNORECASE | re.ASCII)
_HOLE = re.compile(r"(?<![0-9])([0-9]{1,3})\s*(?:-\s*([124])\s*T)?(?![0-9])", re.IGNORECASE | re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class Required:
    """The IQI value a code asks for: a wire number, or a hole designation with its essential 2T hole."""

    kind: str
    value: int
    clause: str

    def __str__(self) -> str:
        """Return ``W13``, ``wire 6`` or ``15-2T``."""
        return {"iso wire": f"W{self.value}", "e747 wire": f"wire {self.value}", "hole": f"{self.value}-2T"}[self.kind]


def read_wire(text: str) -> int | None:
    """Return the wire number in a text as reader sheets write it (``W13``, ``13``, ``wire 6``, ``10 FE EN W13``)."""
    named = re.findall(r"(?:W|WIRE)\s*([0-9]{1,2})(?![0-9])", text, re.IGNORECASE | re.ASCII)
    found = named or _WIRE.findall(text)
    return int(found[-1]) if found else None


def read_hole(text: str) -> tuple[int, int] | None:
    """Return (designation, hole as a multiple of T) of ``15-2T``; a bare designation means its 2T hole."""
    found = _HOLE.search(text)
    return (int(found[1]), int(found[2] or 2)) if found else None


def wire_iso(grade: str, placement: str, thickness_mm: float) -> tuple[int, str] | None:
    """Return the ISO 19232-1 wire required by ISO 17636 annex B and the table it comes from.

    ``placement`` is the table's own: ``single wall, source side``, ``double wall double image, source side`` or
    ``double wall, film side``; ``thickness_mm`` is the nominal wall t for the first, the penetrated w for the others.
    """
    known = table("iqi_iso")
    row = known.up_to("up_to_mm", thickness_mm, **{"class": grade, "placement": placement})
    return (row["wire"], f"{known.standard}, {known.edition}, table {row['table']}") if row else None


def iqi_asme(thickness_mm: float, *, film_side: bool) -> tuple[int, int] | None:
    """Return (hole designation, ASTM E747 wire) required by ASME V table T-276.

    ``thickness_mm`` is the nominal single wall plus the estimated reinforcement; None beyond the table's 20 in.
    """
    row = table("iqi_asme").up_to("up_to_in", thickness_mm / INCH_MM)
    if row is None:
        return None
    return (row["film_hole"], row["film_wire"]) if film_side else (row["source_hole"], row["source_wire"])


def equivalent_sensitivity_percent(iqi_percent: float, hole: float) -> float:
    """Return the equivalent penetrameter sensitivity of a quality level such as 2-2T, in per cent of thickness.

    EPS = X sqrt(H / 2), with X the IQI's thickness in per cent and H its hole as a multiple of T (ASTM E746 relation).
    """
    return iqi_percent * math.sqrt(hole / 2)


def equivalent_wire_in(designation: int, hole: int = 2) -> float:
    """Return the wire diameter in inches equal to a hole of an ASTM E1025 IQI, by the ASTM E747 equation.

    F^3 D^3 L = T^2 H^2 (pi / 4), with F 0.79 and L 0.3 in; holes are at least 0.010, 0.020 and 0.040 in for 1T, 2T, 4T.
    """
    thickness = designation / 1000
    width = max(hole * thickness, {1: 0.010, 2: 0.020, 4: 0.040}[hole])
    return float((thickness**2 * width**2 * (math.pi / 4) / (0.79**3 * 0.3)) ** (1 / 3))


def _placement(sheet: TechniqueSheet) -> str:
    film_side = sheet.iqi_side.strip().casefold().startswith(("film", "detector", "f"))
    if sheet.arrangement in SINGLE_WALL:
        return "double wall, film side" if film_side else "single wall, source side"
    if sheet.arrangement is Arrangement.DWSI or film_side:
        return "double wall, film side"
    return "double wall double image, source side"


def required_iqi(week: Week, weld: WeldRecord, sheet: TechniqueSheet) -> Required | None:
    """Return the IQI value the job's code asks of a radiograph of ``weld`` under ``sheet``, where its data say."""
    wall, penetrated = wall_mm(weld, sheet), penetrated_mm(weld, sheet)
    if wall is None or penetrated is None:
        return None
    placement = _placement(sheet)
    if week.family == "iso":
        thickness = wall if placement.startswith("single") else penetrated
        found = wire_iso(week.testing_class(sheet), placement, thickness)
        return Required(kind="iso wire", value=found[0], clause=found[1]) if found else None
    if week.family == "asme":
        both = iqi_asme(wall + (sheet.reinforcement_mm or 0.0), film_side="film side" in placement)
        if both is None:
            return None
        hole = "hole" in sheet.iqi_type.casefold() or "e1025" in sheet.iqi_type.casefold()
        value = both[0] if hole else both[1]
        return Required(kind="hole" if hole else "e747 wire", value=value, clause=table("iqi_asme").citation)
    return None


def achieved(required: Required, seen: str) -> bool | None:
    """Return whether what was seen is at least what is required; None where the text cannot be read.

    ISO wires: a higher number is thinner. ASTM wires: a lower number is thinner. Holes: compared by the equivalent
    sensitivity of designation and hole.
    """
    if required.kind == "hole":
        hole = read_hole(seen)
        if hole is None or hole[1] not in (1, 2, 4):
            return None
        return equivalent_wire_in(*hole) <= equivalent_wire_in(required.value) * 1.0001
    wire = read_wire(seen)
    if wire is None:
        return None
    return wire >= required.value if required.kind == "iso wire" else 0 < wire <= required.value


def iqi(week: Week) -> Iterator[Finding]:
    """Compare the IQI value seen on every accepted or rejected radiograph with the one required."""
    for weld, reading, sheet, _ in week.readings():
        if sheet is None or reading.result in (None, Result.RS) or not reading.iqi_seen:
            continue
        required = required_iqi(week, weld, sheet)
        if required is None:
            continue
        name = weld_name(weld, reading.event, reading.segment)
        verdict = achieved(required, reading.iqi_seen)
        if verdict is None:
            yield finding(
                "RULE-IQI-UNREADABLE", name, clause=required.clause, seen=reading.iqi_seen, need=str(required)
            )
        elif not verdict:
            yield finding("RULE-IQI", name, clause=required.clause, seen=reading.iqi_seen, need=str(required))


def iqi_missing(week: Week) -> Iterator[Finding]:
    """Ask about every accepted or rejected radiograph whose sheet states no IQI value."""
    if not week.family:
        return
    for weld, reading, _, _ in week.readings():
        if reading.result in (Result.ACC, Result.REJ) and not reading.iqi_seen:
            yield finding("RULE-IQI-MISSING", weld_name(weld, reading.event, reading.segment))


def iqi_placement(week: Week) -> Iterator[Finding]:
    """Check side and count of the IQIs on every technique sheet.

    ASME V T-277: double-wall viewing source side only; panoramic three, or four under API 1104 (from memory).
    """
    if week.family != "asme":
        return
    api = week.record.job.code.standard.casefold().startswith("api")
    for sheet in week.record.techniques:
        double_view = sheet.arrangement in (Arrangement.DWDI_ELLIPTICAL, Arrangement.DWDI_SUPERIMPOSED)
        if double_view and sheet.iqi_side.strip().casefold().startswith("film"):
            yield finding("RULE-IQI-SIDE", f"technique {sheet.number}", clause="ASME V Article 2, T-277.1")
        least = 4 if api else 3
        if sheet.arrangement is Arrangement.PANORAMIC and sheet.iqi_count is not None and sheet.iqi_count < least:
            clause = "API 1104, from memory" if api else "ASME V Article 2, T-277.2"
            yield finding(
                "RULE-IQI-COUNT", f"technique {sheet.number}", clause=clause, count=sheet.iqi_count, least=least
            )


def duplex(week: Week) -> Iterator[Finding]:
    """Compare the duplex pair resolved, or the detector's basic spatial resolution, with ISO 17636-2 annex B."""
    if not week.record.job.code.standard.casefold().startswith("iso 17636-2"):
        return
    known, pairs = table("duplex_required"), table("duplex_pairs")
    gap = {row["pair"]: row["gap_mm"] for row in pairs.rows}
    for weld, reading, sheet, shot in week.readings():
        thickness = penetrated_mm(weld, sheet) if sheet else None
        row = known.up_to("up_to_mm", thickness, **{"class": week.testing_class(sheet)}) if thickness else None
        if row is None or reading.result in (None, Result.RS):
            continue
        detector = week.equipment.get(shot.detector) if shot else None
        found = re.search(r"([0-9]{1,2})(?![0-9])", reading.duplex_seen)
        if found:
            short, seen = int(found[1]) < row["pair"], f"pair D{int(found[1])}"
        elif detector and detector.basic_resolution_um:
            short = detector.basic_resolution_um / 1000 > gap[row["pair"]] * 1.0001
            seen = f"a basic spatial resolution of {detector.basic_resolution_um:g} um"
        else:
            continue
        if short:
            yield finding(
                "RULE-DUPLEX",
                weld_name(weld, reading.event, reading.segment),
                clause=f"{known.standard}, {known.edition}, table {row['table']}",
                seen=seen,
                need=row["pair"],
                gap_mm=gap[row["pair"]],
            )


def normalised_snr(snr: float, basic_resolution_mm: float) -> float:
    """Return SNR_N = SNR x 0.0886 mm / SRb (ISO 17636-2)."""
    return snr * 0.0886 / basic_resolution_mm


def least_snr(isotope: str, tube_kv: float | None, w_mm: float, grade: str) -> float | None:
    """Return the least SNR_N of ISO 17636-2 table 3 for a source and penetrated thickness in mm, None where silent."""
    column = "class_b" if grade == "B" else "class_a"
    row = None
    if isotope:
        row = table("snr").up_to("up_to_w_mm", w_mm, source=isotope)
    elif tube_kv is not None:
        row = next(
            (
                r
                for r in table("snr_tube").rows
                if tube_kv <= r["up_to_kv"] and (r["up_to_w_mm"] is None or w_mm <= r["up_to_w_mm"])
            ),
            None,
        )
    return float(row[column]) if row else None


def snr(week: Week) -> Iterator[Finding]:
    """Compare the normalised SNR stated on the reader sheet with ISO 17636-2 table 3."""
    if not week.record.job.code.standard.casefold().startswith("iso 17636-2"):
        return
    for weld, reading, sheet, shot in week.readings():
        thickness = penetrated_mm(weld, sheet) if sheet else None
        if thickness is None or reading.snr_n is None or reading.result in (None, Result.RS):
            continue
        kv = (shot.tube_kv if shot else None) or (sheet.tube_kv if sheet else None)
        least = least_snr(isotope_of(week, shot, sheet), kv, thickness, week.testing_class(sheet))
        if least is not None and reading.snr_n < week.limit("RULE-SNR", least):
            yield finding(
                "RULE-SNR",
                weld_name(weld, reading.event, reading.segment),
                clause=table("snr").citation,
                snr_n=reading.snr_n,
                least=week.limit("RULE-SNR", least),
                w_mm=round(thickness, 2),
            )


def density_window(density_at_iqi: float) -> tuple[float, float]:
    """Return the least and greatest density allowed for a density at the IQI: -15 % to +30 % (ASME V T-282.2)."""
    rows = {row["what"]: row["value"] for row in table("density_asme").rows}
    return (
        density_at_iqi * (1 - rows["below_iqi_percent"] / 100),
        density_at_iqi * (1 + rows["above_iqi_percent"] / 100),
    )


def _density_bounds(week: Week, reading: Interpretation, *, gamma: bool, grade: str) -> tuple[float, float, float, str]:
    """Return (least, greatest, tolerance, clause)."""
    if week.family == "iso":
        known = table("density_iso")
        row = next(r for r in known.rows if r["class"] == ("B" if grade == "B" else "A"))
        return row["min"], math.inf, row["tolerance"], known.citation
    known = table("density_asme")
    values = {row["what"]: row["value"] for row in known.rows}
    least, most = values["min_gamma" if gamma else "min_x_ray"], values["max"]
    if reading.density_at_iqi is not None:
        window = density_window(reading.density_at_iqi)
        least, most = max(least, window[0]), min(most, window[1])
    return least, most, values["tolerance"], known.citation


def density(week: Week) -> Iterator[Finding]:
    """Compare the densities on the reader sheet with the code's least and greatest."""
    if not week.family:
        return
    for weld, reading, sheet, shot in week.readings():
        if reading.result in (None, Result.RS) or reading.density_min is None:
            continue
        gamma = is_gamma(week, shot, sheet)
        least, most, tolerance, clause = _density_bounds(week, reading, gamma=gamma, grade=week.testing_class(sheet))
        least = week.limit("RULE-DENSITY-LOW", least)
        name = weld_name(weld, reading.event, reading.segment)
        highest = reading.density_max if reading.density_max is not None else reading.density_min
        if reading.density_min < least - tolerance - 1e-9:
            yield finding(
                "RULE-DENSITY-LOW",
                name,
                clause=clause,
                density=reading.density_min,
                least=round(least, 3),
                tolerance=tolerance,
            )
        if highest > week.limit("RULE-DENSITY-HIGH", most) + tolerance + 1e-9:
            yield finding(
                "RULE-DENSITY-HIGH",
                name,
                clause=clause,
                density=highest,
                most=round(week.limit("RULE-DENSITY-HIGH", most), 3),
                tolerance=tolerance,
            )
