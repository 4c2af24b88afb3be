"""Geometry of a shot: unsharpness, distance, source against thickness, exposures for the whole circumference."""

from __future__ import annotations

import math
from collections.abc import Iterator

from beadroll.findings import Finding, finding
from beadroll.record.technique import Arrangement, TechniqueSheet
from beadroll.record.weld import WeldRecord
from beadroll.rules.table import table
from beadroll.rules.week import SINGLE_WALL, Week, isotope_of, penetrated_mm, wall_mm, weld_name


def geometric_unsharpness_mm(focal_size_mm: float, source_to_object_mm: float, object_to_film_mm: float) -> float:
    """Return Ug = F d / D in mm (ASME V Article 2 T-274.1).

    ``source_to_object_mm`` is measured from the source to the source side of the weld, not to the film. Raises
    ``ValueError`` when it is not positive.
    """
    if source_to_object_mm <= 0:
        raise ValueError("the source must stand before the weld")
    return focal_size_mm * object_to_film_mm / source_to_object_mm


def least_distance_mm(focal_size_mm: float, object_to_film_mm: float, testing_class: str) -> float:
    """Return the least source-to-object distance f in mm: 7.5 d b^(2/3) for class A, 15 d b^(2/3) for class B.

    ISO 17636-1 and -2 clause 7.6; d the source size, b the object-to-film distance, both in mm.
    """
    return (15.0 if testing_class == "B" else 7.5) * focal_size_mm * math.pow(object_to_film_mm, 2 / 3)


def _distances(sheet: TechniqueSheet, sfd_mm: float | None) -> tuple[float, float, float] | None:
    """Return (source size, source to object, object to film) in mm where all are stated."""
    sfd = sfd_mm if sfd_mm is not None else sheet.sfd_mm
    if sheet.focal_size_mm is None or sfd is None or sheet.object_to_film_mm is None:
        return None
    if sfd <= sheet.object_to_film_mm:
        return None
    return sheet.focal_size_mm, sfd - sheet.object_to_film_mm, sheet.object_to_film_mm


def unsharpness(week: Week) -> Iterator[Finding]:
    """Compare the geometric unsharpness of every shot with the recommended limit for its thickness."""
    if week.family != "asme":
        return
    limits = table("unsharpness")
    for weld, exposure, sheet in week.shots():
        wall = wall_mm(weld, sheet)
        known = _distances(sheet, exposure.sfd_mm) if sheet else None
        if wall is None or known is None:
            continue
        row = limits.up_to("up_to_thickness_mm", wall)
        assert row is not None
        limit = week.limit("RULE-UNSHARPNESS", row["limit_mm"])
        ug = geometric_unsharpness_mm(*known)
        if ug > limit:
            yield finding(
                "RULE-UNSHARPNESS",
                weld_name(weld, exposure.event),
                clause=limits.citation,
                ug_mm=round(ug, 3),
                limit_mm=limit,
                focal_size_mm=known[0],
                source_to_object_mm=round(known[1], 1),
                object_to_film_mm=known[2],
            )


def _object_to_film(week: Week, weld: WeldRecord, sheet: TechniqueSheet, wall: float, to_film_mm: float) -> float:
    """Return b of ISO 17636 clause 7.6 in mm: the diameter for double images, t for DWSI or below 1.2 t."""
    if sheet.arrangement in (Arrangement.DWDI_ELLIPTICAL, Arrangement.DWDI_SUPERIMPOSED):
        return week.diameter_mm(weld) or to_film_mm
    if sheet.arrangement is Arrangement.DWSI or to_film_mm < 1.2 * wall:
        return wall
    return to_film_mm


def distance(week: Week) -> Iterator[Finding]:
    """Compare the source-to-object distance of every shot with the least for its class."""
    if week.family != "iso":
        return
    for weld, exposure, sheet in week.shots():
        known = _distances(sheet, exposure.sfd_mm) if sheet else None
        wall = wall_mm(weld, sheet)
        if known is None or wall is None or sheet is None:
            continue
        focal, actual, to_film = known
        b = _object_to_film(week, weld, sheet, wall, to_film)
        grade = week.testing_class(sheet)
        factor = 0.5 if sheet.arrangement is Arrangement.PANORAMIC else 1.0
        least = factor * least_distance_mm(focal, b, grade)
        if actual < week.limit("RULE-DISTANCE", least):
            yield finding(
                "RULE-DISTANCE",
                weld_name(weld, exposure.event),
                clause=f"{week.record.job.code.standard}, {week.record.job.code.edition}, clause 7.6",
                actual_mm=round(actual, 1),
                least_mm=round(week.limit("RULE-DISTANCE", least), 1),
                grade=grade,
                focal_size_mm=focal,
                b_mm=round(b, 1),
            )


def source_range(week: Week) -> Iterator[Finding]:
    """Ask about an isotope used outside the range of penetrated thickness for its class."""
    if week.family != "iso":
        return
    ranges = table("source_range")
    for weld, exposure, sheet in week.shots():
        isotope = isotope_of(week, exposure, sheet)
        thickness = penetrated_mm(weld, sheet) if sheet else None
        grade = week.testing_class(sheet)
        row = next((r for r in ranges.rows if r["source"] == isotope and r["class"] == grade), None)
        if row is None or thickness is None or row["from_mm"] <= thickness <= row["to_mm"]:
            continue
        yield finding(
            "RULE-SOURCE-RANGE",
            weld_name(weld, exposure.event),
            clause=ranges.citation,
            isotope=isotope,
            w_mm=round(thickness, 2),
            from_mm=row["from_mm"],
            to_mm=row["to_mm"],
            grade=grade,
        )


def least_exposures(week: Week, sheet: TechniqueSheet, diameter_mm: float, wall: float) -> tuple[int, str] | None:
    """Return the least number of exposures for the whole circumference and the clause it comes from.

    ASME V T-271.2, or ISO 17636-1 clause 7.1.6: elliptical 2 where t/De < 0.12, else 3; perpendicular 3.
    """
    if week.family == "iso":
        clause = f"{week.record.job.code.standard}, {week.record.job.code.edition}, clause 7.1"
        if sheet.arrangement is Arrangement.DWDI_ELLIPTICAL:
            return (2 if wall / diameter_mm < 0.12 else 3), clause  # noqa: PLR2004 - the bound of the clause
        if sheet.arrangement is Arrangement.DWDI_SUPERIMPOSED:
            return 3, clause
        return (1, clause) if sheet.arrangement is Arrangement.PANORAMIC else None
    known = table("exposures_asme")
    row = next((r for r in known.rows if r["arrangement"] == sheet.arrangement), None)
    return (row["exposures"], known.citation) if row else None


def exposures(week: Week) -> Iterator[Finding]:
    """Count the radiographs of every complete set against the least for its arrangement.

    Only the set of the weld as first made is counted: a repair or a reshoot is examined where it was done.
    """
    for weld in week.record.welds:
        shots = [shot for shot in weld.exposures if shot.event == ""]
        sheet = week.techniques.get(shots[0].technique) if shots else None
        wall, diameter = wall_mm(weld, sheet), week.diameter_mm(weld)
        if sheet is None or wall is None or diameter is None:
            continue
        needed = least_exposures(week, sheet, diameter, wall)
        if needed is None:
            continue
        least = int(week.limit("RULE-EXPOSURES", needed[0]))
        images = sum(1 for r in weld.radiographs if r.event == "")
        made = max(len(shots), images) if sheet.arrangement not in SINGLE_WALL else len(shots)
        if made < least:
            yield finding(
                "RULE-EXPOSURES",
                weld_name(weld),
                clause=needed[1],
                made=made,
                least=least,
                arrangement=str(sheet.arrangement).replace("_", " "),
            )
