"""People and equipment on the day: certificates, level, near vision, welder qualification, calibrations."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Final

from beadroll.findings import Finding, finding
from beadroll.record.equipment import EquipmentKind
from beadroll.record.people import Certificate, Person, Role
from beadroll.record.weld import EventKind
from beadroll.rules.table import table
from beadroll.rules.week import Week, weld_name

VISION_MONTHS: Final = 12
"""Near vision is tested every twelve months (ISO 9712 and SNT-TC-1A; public summaries)."""
CONTINUITY_MONTHS: Final = 6
"""A welder has welded within the preceding six calendar months (49 CFR 192.229(c); ASME IX likewise)."""
INTERPRETER_LEVEL: Final = 2
"""Interpretation is by level 2 or 3 (ISO 9712; SNT-TC-1A practice)."""


def add_months(day: date, months: int) -> date:
    """Return the same day of a later month, or that month's last day."""
    index = day.year * 12 + day.month - 1 + months
    year, month = divmod(index, 12)
    following = date(year + (month == 11), (month + 1) % 12 + 1, 1)  # noqa: PLR2004 - December wraps
    return min(date(year, month + 1, 1) + timedelta(days=day.day - 1), following - timedelta(days=1))


def covers(certificate: Certificate, day: date) -> bool:
    """Return whether a certificate is in force on a day: dates inclusive, not withdrawn."""
    started = certificate.valid_from is None or certificate.valid_from <= day
    running = certificate.valid_until is not None and day <= certificate.valid_until
    kept = certificate.withdrawn_on is None or day < certificate.withdrawn_on
    return started and running and kept


def _radiographic(person: Person) -> list[Certificate]:
    return [c for c in person.certificates if c.method.strip().upper().startswith("RT")]


def _once(findings: Iterator[Finding]) -> Iterator[Finding]:
    """Say the same thing about the same person on the same day once, not once a radiograph."""
    seen = set()
    for item in findings:
        key = (item.code, item.subject, tuple(item.values.items()))
        if key not in seen:
            seen.add(key)
            yield item


def interpreters(week: Week) -> Iterator[Finding]:
    """Check every reading's interpreter: known, level 2 or 3 in RT in force on the day, near vision within a year."""

    def found() -> Iterator[Finding]:
        for weld, reading, _, _ in week.readings():
            if not reading.interpreter or reading.read_on is None:
                continue
            person, day = week.people.get(reading.interpreter), reading.read_on
            if person is None:
                yield finding("RULE-PERSON-UNKNOWN", reading.interpreter, part="interpreter", example=weld_name(weld))
                continue
            held = [c for c in _radiographic(person) if c.level is not None and c.level >= INTERPRETER_LEVEL]
            if not held:
                yield finding("RULE-LEVEL", person.name, day=str(day))
            elif not any(covers(c, day) for c in held):
                latest = max(held, key=lambda c: c.valid_until or date.min)
                ends = latest.withdrawn_on or latest.valid_until
                yield finding("RULE-CERTIFICATE", person.name, number=latest.number, ends=str(ends), day=str(day))
            if person.near_vision_on and day > add_months(person.near_vision_on, VISION_MONTHS):
                yield finding("RULE-VISION", person.name, tested=str(person.near_vision_on), day=str(day))

    yield from _once(found())


def radiographers(week: Week) -> Iterator[Finding]:
    """Check every shot's radiographer: known, an RT certificate of some level in force on the day."""

    def found() -> Iterator[Finding]:
        for weld, exposure, _ in week.shots():
            if not exposure.radiographer or exposure.day is None:
                continue
            person, day = week.people.get(exposure.radiographer), exposure.day
            if person is None:
                name = weld_name(weld)
                yield finding("RULE-PERSON-UNKNOWN", exposure.radiographer, part="radiographer", example=name)
            elif not any(covers(c, day) for c in _radiographic(person)):
                yield finding("RULE-RADIOGRAPHER", person.name, day=str(day))

    yield from _once(found())


def welders(week: Week) -> Iterator[Finding]:
    """Check every welder on the day of welding: known stencil, a qualification in force, welded within six months."""

    def found() -> Iterator[Finding]:
        for weld in week.record.welds:
            for event in weld.events:
                if event.on is None or event.kind is EventKind.CUT_OUT:
                    continue
                for stencil in event.stencils:
                    yield from _welder(week, stencil, event.on, weld_name(weld, event.label))

    yield from _once(found())


def _welder(week: Week, stencil: str, day: date, weld: str) -> Iterator[Finding]:
    person = week.people.get(stencil)
    if person is None or (person.roles and Role.WELDER not in person.roles):
        yield finding("RULE-STENCIL-UNKNOWN", stencil, example=weld)
        return
    if not any(covers(c, day) for c in person.certificates):
        yield finding("RULE-WELDER", f"{person.name} ({stencil})", day=str(day))
    if person.last_welded_on and add_months(person.last_welded_on, CONTINUITY_MONTHS) < day:
        yield finding("RULE-CONTINUITY", f"{person.name} ({stencil})", last=str(person.last_welded_on), day=str(day))


def calibrations(week: Week) -> Iterator[Finding]:
    """Check that densitometer, scanner and detector were in calibration on the day they were used."""

    def found() -> Iterator[Finding]:
        for weld, exposure, _ in week.shots():
            if exposure.detector and exposure.day:
                yield from _calibrated(week, exposure.detector, exposure.day, weld_name(weld))
        for weld, reading, _, _ in week.readings():
            if reading.densitometer and reading.read_on:
                yield from _calibrated(week, reading.densitometer, reading.read_on, weld_name(weld))

    yield from _once(found())


def _calibrated(week: Week, serial: str, day: date, weld: str) -> Iterator[Finding]:
    item = week.equipment.get(serial)
    if item is None:
        yield finding("RULE-EQUIPMENT-UNKNOWN", serial, example=weld)
        return
    if not item.calibrations:
        return
    (longest,) = (r["days"] for r in table("calibration").rows if r["equipment"] == EquipmentKind.DENSITOMETER)
    asme = week.family == "asme" and item.kind is EquipmentKind.DENSITOMETER
    for calibration in item.calibrations:
        done, until = calibration.done_on, calibration.valid_until
        if asme and done is not None:
            by_code = done + timedelta(days=int(week.limit("RULE-CALIBRATION", longest)))
            until = min(until, by_code) if until else by_code
        if (done is None or done <= day) and (until is None or day <= until):
            return
    latest = max(item.calibrations, key=lambda c: c.done_on or date.min)
    yield finding(
        "RULE-CALIBRATION",
        f"{str(item.kind).replace('_', ' ')} {serial}",
        clause=table("calibration").citation if asme else "",
        done=str(latest.done_on or "no date"),
        until=str(latest.valid_until or "no end date"),
        day=str(day),
    )
