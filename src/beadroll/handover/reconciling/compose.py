"""Builds each weld's record from what was reconciled: events, shots, radiographs, readings, dispositions, sign-offs.

Knows how one week's papers tell a weld's story. Refuses to judge it: a standing is computed from the readings, and
what the papers leave out is left out here and found by the chain's checks. Ids are made from line, number, event and
segment, so that two runs over one week give the same.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Final
from zoneinfo import ZoneInfo

from beadroll.handover.reconciling.dispositions import dispositions_of
from beadroll.handover.reconciling.expected import Expected, LoggedWeld, Place, PlaceKey, WeldKey
from beadroll.handover.reconciling.resolve import Resolution
from beadroll.handover.reconciling.testimony import testimonies
from beadroll.handover.reconciling.weldevents import addresses, events_of
from beadroll.handover.reconciling.witnesses import Hearing, moment_of
from beadroll.handover.stages import DeliveredRadiograph, Gathered, ReaderLine, WeldLogRow
from beadroll.images import ImageFacts
from beadroll.record.equipment import Equipment, EquipmentKind
from beadroll.record.handover import Decision, Period
from beadroll.record.interpretation import Interpretation, Result
from beadroll.record.job import NumberPattern, SuffixMeaning
from beadroll.record.number import parse, repair_of, reshoot_of, split_event, split_number, state_of
from beadroll.record.people import Role, SignOff
from beadroll.record.radiograph import Exposure, Origin, Radiograph
from beadroll.record.technique import Arrangement
from beadroll.record.weld import EventKind, Standing, Weld, WeldEvent, WeldId, WeldKind, WeldRecord
from beadroll.record.weld import Place as Where

Ordering = tuple[int, int]
"""How often repaired, how often shot again: what makes one image of a segment later than another."""
_KINDS: Final = {
    WeldKind.BUTT: ("butt", "girth", "bw"),
    WeldKind.SOCKET: ("socket",),
    WeldKind.FILLET: ("fillet",),
    WeldKind.BRANCH: ("branch", "set-on", "olet"),
}
_PLACES: Final = {Where.SHOP: ("shop", "works"), Where.FIELD: ("field", "site")}


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """What composing needs: what the papers expect, the outcome, hearings by file, the decisions that placed files."""

    gathered: Gathered
    expected: Expected
    found: Resolution
    hearings: Mapping[str, Hearing]
    decided: Mapping[str, Decision]
    welds: frozenset[WeldKey]
    """The welds whose identity is certain enough to have a record."""


def compose(settled: Settled) -> tuple[WeldRecord, ...]:
    """Return the records of the week's welds, by line and number."""
    files: dict[WeldKey, list[tuple[PlaceKey, str]]] = defaultdict(list)
    for path, key in settled.found.assigned.items():
        files[key[:2]].append((key, path))
    keys = sorted(settled.welds | set(files))
    replaced = _replacements(settled.expected, keys)
    return tuple(_weld_record(settled, key, sorted(files.get(key, ())), replaced) for key in keys)


def weeks_welds(expected: Expected, period: Period, known_only: frozenset[WeldKey]) -> frozenset[WeldKey]:
    """Return the welds that the week is about: on a reader sheet, or welded, repaired or cut out in its days.

    ``known_only`` are welds of the sheets that may have a record although the log does not list them.
    """
    on_sheets = {k for k in expected.by_weld if not expected.has_log or k in expected.logged or k in known_only}
    return frozenset(on_sheets | {key for key, weld in expected.logged.items() if _in_days(weld, period)})


def _in_days(weld: LoggedWeld, period: Period) -> bool:
    rows = (weld.row, *(row for _, row in weld.events))
    days = [day for row in rows for day in (row.welded_on, row.repaired_on, row.cut_out_on) if day]
    return any(period.first <= day <= period.last for day in days)


# --- which weld replaces which ---------------------------------------------------------------------------------


def replaces_of(expected: Expected, key: WeldKey) -> WeldKey | None:
    """Return the weld that ``key`` was made in place of: as its log row says, else by its reweld suffix."""
    pattern = expected.job.numbers
    logged = expected.logged.get(key)
    if logged and logged.row.replaces.strip():
        read = parse(logged.row.replaces, pattern, expected.line_names)
        if read.number and not read.others:
            return read.line or key[0], read.number
    parts = split_number(key[1], pattern)
    rewelds = [(s, m, n) for s, m, n in split_event(parts.tail, pattern) if m is SuffixMeaning.REWELD]
    if not rewelds:
        return None
    label, _, count = rewelds[-1]
    base = key[1].removesuffix(label)
    earlier = f"{base}{label.rstrip('0123456789')}{count - 1}" if count > 1 else base
    return key[0], earlier


def _replacements(expected: Expected, keys: Iterable[WeldKey]) -> tuple[dict[WeldKey, WeldKey], dict[WeldKey, WeldKey]]:
    olds: dict[WeldKey, WeldKey] = {}
    news: dict[WeldKey, WeldKey] = {}
    for key in dict.fromkeys((*keys, *expected.logged)):
        old = replaces_of(expected, key)
        if old:
            olds[key], news[old] = old, key
    return olds, news


# --- one weld --------------------------------------------------------------------------------------------------


def _weld_record(
    settled: Settled,
    key: WeldKey,
    files: list[tuple[PlaceKey, str]],
    replaced: tuple[dict[WeldKey, WeldKey], dict[WeldKey, WeldKey]],
) -> WeldRecord:
    expected, pattern = settled.expected, settled.expected.job.numbers
    places = sorted(expected.by_weld.get(key, ()), key=lambda p: (ordering(p.event, pattern), p.segment))
    weld = _weld(settled, key, files, places, replaced)
    exposures, shot_of = _exposures(settled, key, places, files)
    radiographs = _radiographs(settled, files, shot_of)
    readings = _interpretations(places, radiographs)
    events = events_of(expected.logged.get(key), places, pattern, reweld=weld.replaces is not None)
    rows = {reading.id: row for reading, row in readings}
    interpretations = tuple(reading for reading, _ in readings)
    dispositions = dispositions_of(
        interpretations, {i: r.disposition for i, r in rows.items()}, events, radiographs, pattern
    )
    return WeldRecord(
        weld=weld,
        standing=standing_of(
            interpretations, events, {d.interpretation for d in dispositions if _excuses(d.kind)}, pattern
        ),
        events=events,
        exposures=exposures,
        radiographs=radiographs,
        interpretations=interpretations,
        dispositions=dispositions,
        sign_offs=_sign_offs(row for _, row in readings),
    )


def _excuses(kind: str) -> bool:
    return kind == "concession"


def ordering(event: str, pattern: NumberPattern) -> Ordering:
    """Return the place of an event label in time: repairs first, then reshoots of each state."""
    return repair_of(event, pattern), reshoot_of(event, pattern)


def _weld(
    settled: Settled,
    key: WeldKey,
    files: list[tuple[PlaceKey, str]],
    places: Sequence[Place],
    replaced: tuple[dict[WeldKey, WeldKey], dict[WeldKey, WeldKey]],
) -> Weld:
    expected, job = settled.expected, settled.expected.job
    logged = expected.logged.get(key)
    row = logged.row if logged else WeldLogRow(number=key[1])
    line = next((x for x in job.lines if x.id == key[0]), None)
    sheet = places[0].lines[0] if places else None
    marked = [row.number] if logged else []
    marked += [x.number for place in places for x in place.lines]
    marked += [s.text for _, path in files for s in settled.hearings[path].statements if s.read.number == key[1]]
    old, new = replaced[0].get(key), replaced[1].get(key)
    return Weld(
        id=_id(job.id, key),
        as_marked=tuple(dict.fromkeys(marked)),
        kind=next((kind for kind, words in _KINDS.items() if _says(row.kind, words)), WeldKind.BUTT),
        place=next((place for place, words in _PLACES.items() if _says(row.place, words)), None),
        drawing=row.drawing,
        drawing_revision=row.drawing_revision,
        spool=row.spool,
        location=row.location,
        nps=row.nps or (line.nps if line else "") or (sheet.nps if sheet else ""),
        schedule=row.schedule,
        outside_diameter_mm=row.outside_diameter_mm or (line.outside_diameter_mm if line else None),
        wall_mm=row.wall_mm or (line.wall_mm if line else None),
        material=row.material or (line.material if line else ""),
        heats=row.heats,
        wps=row.wps,
        examination=row.examination or "RT",
        heat_treated_on=row.heat_treated_on,
        replaces=_id(job.id, old) if old else None,
        replaced_by=_id(job.id, new) if new else None,
        remark=row.remark,
        stated_at=addresses([row] if logged else [x for place in places[:1] for x in place.lines]),
    )


def _id(job: str, key: WeldKey) -> WeldId:
    return WeldId(job=job, line=key[0], number=key[1])


def _says(text: str, words: tuple[str, ...]) -> bool:
    plain = text.casefold()
    return any(word in plain for word in words)


def _exposures(
    settled: Settled, key: WeldKey, places: Sequence[Place], files: list[tuple[PlaceKey, str]]
) -> tuple[tuple[Exposure, ...], dict[PlaceKey, str]]:
    """Return the shots of a weld and which one each place was made by.

    A panoramic technique makes all segments of an event in one shot; any other makes one shot a segment.
    """
    pattern = settled.expected.job.numbers
    panoramic = {t.number for t in settled.gathered.techniques if t.arrangement is Arrangement.PANORAMIC}
    by_place = {place.key: place for place in places}
    paths: dict[PlaceKey, str] = {}
    for place_key, path in files:
        paths.setdefault(place_key, path)
    shots: dict[tuple[object, ...], Exposure] = {}
    shot_of: dict[PlaceKey, str] = {}
    counts: dict[str, int] = defaultdict(int)
    for place_key in sorted({*by_place, *paths}, key=lambda k: (ordering(k[2], pattern), k[2], k[3])):
        place, path = by_place.get(place_key), paths.get(place_key, "")
        row = place.lines[0] if place else None
        hearing = settled.hearings.get(path)
        together = row is not None and row.technique in panoramic
        group = (place_key[2], row.technique if row and together else "", "" if together else place_key[3])
        if group not in shots:
            counts[place_key[2]] += 1
            name = "_".join(part for part in (*key, place_key[2], f"x{counts[place_key[2]]}") if part)
            shots[group] = _exposure(name, state_of(place_key[2], pattern), row, hearing, settled)
        shot_of[place_key] = shots[group].id
    return tuple(shots.values()), shot_of


def _exposure(name: str, state: str, row: ReaderLine | None, hearing: Hearing | None, settled: Settled) -> Exposure:
    facts = hearing.radiograph.facts if hearing else None
    if row is None:
        crew = hearing.radiograph.file.crew if hearing else ""
        return Exposure(id=name, event=state, crew=crew, exposed_at=_made_at(facts, settled, None))
    return Exposure(
        id=name,
        event=state,
        technique=row.technique,
        source=row.source,
        detector=row.detector,
        crew=row.crew or (hearing.radiograph.file.crew if hearing else ""),
        radiographer=row.radiographer,
        exposed_on=row.exposed_on,
        exposed_at=row.exposed_at or _made_at(facts, settled, row.exposed_on),
        activity_ci=row.activity_ci,
        tube_kv=row.tube_kv,
        exposure_s=row.exposure_s,
        sfd_mm=row.sfd_mm,
        stated_at=addresses([row]),
    )


def _made_at(facts: ImageFacts | None, settled: Settled, on: date | None) -> datetime | None:
    """Return the header's moment in the job's zone where it can be the shot's own: not for a film scanned later."""
    moment = moment_of(facts)
    if facts is None or moment is None or origin_of(facts, "", {})[0] is Origin.FILM_DIGITISED:
        return None
    if on is not None and moment.date() != on:
        return None
    return moment.replace(tzinfo=ZoneInfo(settled.expected.job.time_zone))


def origin_of(facts: ImageFacts, detector: str, equipment: Mapping[str, Equipment]) -> tuple[Origin, str]:
    """Return what an image is, and the ISO 14096 class of the scanner: by equipment, else by the header's modality."""
    item = equipment.get(detector) or equipment.get(facts.header.get("device_serial", ""))
    if item is not None and item.kind is EquipmentKind.SCANNER:
        return Origin.FILM_DIGITISED, item.iso14096_class
    modality = facts.header.get("modality", "").upper()
    if modality == "CR":
        return Origin.CR, ""
    if modality in ("DX", "RF", "DR") or (item is not None and item.kind is EquipmentKind.DETECTOR):
        return Origin.DR, ""
    return Origin.FILM_DIGITISED, ""


def _radiographs(
    settled: Settled, files: list[tuple[PlaceKey, str]], shot_of: Mapping[PlaceKey, str]
) -> tuple[Radiograph, ...]:
    pattern = settled.expected.job.numbers
    equipment = {item.serial: item for item in settled.gathered.equipment}
    count: dict[PlaceKey, int] = defaultdict(int)
    latest: dict[tuple[str, int], str] = {}
    made = []
    for key, path in sorted(files, key=lambda f: (ordering(f[0][2], pattern), f[0], f[1])):
        count[key] += 1
        place = settled.expected.places.get(key)
        hearing = settled.hearings[path]
        facts = hearing.radiograph.facts
        name = radiograph_id(key, count[key])
        before = latest.get((key[3], count[key]), "")
        latest[key[3], count[key]] = name
        made.append(
            replace(
                _radiograph(hearing.radiograph, facts, place.lines[0].detector if place else "", equipment),
                id=name,
                exposure=shot_of[key],
                event=key[2],
                segment=key[3],
                supersedes=before if any(ordering(key[2], pattern)) else "",
                witnesses=testimonies(hearing, key, settled.expected, settled.found, settled.decided.get(path)),
            )
        )
    return tuple(made)


def radiograph_id(key: PlaceKey, count: int) -> str:
    """Return the id of a place's ``count``-th image: line, number, event, segment, and from the second which film."""
    return "_".join(part for part in (*key, f"f{count}" if count > 1 else "") if part)


def _radiograph(
    delivered: DeliveredRadiograph, facts: ImageFacts | None, detector: str, equipment: Mapping[str, Equipment]
) -> Radiograph:
    file = delivered.file
    bare = Radiograph(id="", exposure="", delivered_as=file.path, delivered_size_bytes=file.size_bytes)
    if facts is None:
        return bare
    origin, iso14096_class = origin_of(facts, detector, equipment)
    pitch = facts.pixel_pitch_mm
    return replace(
        bare,
        origin=origin,
        iso14096_class=iso14096_class,
        transfer_syntax=facts.transfer_syntax,
        rows=facts.rows,
        columns=facts.columns,
        frames=facts.frames,
        bits_stored=facts.bits_stored,
        pixel_pitch_row_mm=pitch[0] if pitch else None,
        pixel_pitch_column_mm=pitch[1] if pitch else None,
    )


# --- readings and signatures -----------------------------------------------------------------------------------


def _interpretations(
    places: Sequence[Place], radiographs: Sequence[Radiograph]
) -> list[tuple[Interpretation, ReaderLine]]:
    image_of: dict[tuple[str, str], str] = {}
    for radiograph in radiographs:
        image_of.setdefault((radiograph.event, radiograph.segment), radiograph.id)
    made = []
    for place in places:
        for n, row in enumerate(sorted(place.lines, key=lambda x: (x.read_on or date.min, x.report)), 1):
            reading = Interpretation(
                id="_".join(part for part in (*place.key, f"i{n}") if part),
                report=row.report,
                radiograph=image_of.get((place.event, place.segment), ""),
                event=place.event,
                segment=place.segment,
                interpreter=row.interpreter,
                read_on=row.read_on,
                result=row.result,
                indications=row.indications,
                iqi_required=row.iqi_required,
                iqi_seen=row.iqi_seen,
                density_min=row.density_min,
                density_max=row.density_max,
                density_at_iqi=row.density_at_iqi,
                densitometer=row.densitometer,
                duplex_seen=row.duplex_seen,
                snr_n=row.snr_n,
                film_count=row.film_count,
                stencils=row.stencils,
                technique=row.technique,
                remark=row.remark,
                stated_at=addresses([row]),
            )
            made.append((reading, row))
    return made


def _sign_offs(rows: Iterable[ReaderLine]) -> tuple[SignOff, ...]:
    """Return who signed the sheets that name this weld, each person, role, day and sheet once."""
    made: dict[tuple[Role, str, date | None, str], SignOff] = {}
    for row in rows:
        for role, person, on in (
            (Role.RADIOGRAPHER, row.radiographer, row.exposed_on),
            (Role.INTERPRETER, row.interpreter, row.read_on),
            (Role.REVIEWER, row.reviewer, row.reviewed_on),
        ):
            if person:
                made.setdefault(
                    (role, person, on, row.report),
                    SignOff(role=role, person=person, on=on, document=row.report, stated_at=addresses([row])),
                )
    return tuple(made.values())


def latest_readings(readings: Sequence[Interpretation], pattern: NumberPattern) -> Mapping[str, Interpretation]:
    """Return the latest reading of each segment: of the latest repair, then reshoot, then day read."""
    found: dict[str, Interpretation] = {}
    ranked = sorted(readings, key=lambda r: (ordering(r.event, pattern), r.read_on or date.min, r.id))
    for reading in ranked:
        found[reading.segment] = reading
    return found


def standing_of(
    readings: Sequence[Interpretation], events: Sequence[WeldEvent], excused: set[str], pattern: NumberPattern
) -> Standing:
    """Return where a weld stands from its records alone; ``excused`` are readings answered by a concession."""
    if any(event.kind is EventKind.CUT_OUT for event in events):
        return Standing.CUT_OUT
    latest = latest_readings(readings, pattern).values()
    results = [r.result for r in latest if r.id not in excused and r.result is not None]
    if Result.REJ in results:
        return Standing.REJECTED
    if Result.RS in results:
        return Standing.RESHOOT_OWED
    return Standing.ACCEPTED if any(r.result is not None for r in latest) else Standing.NOT_EXAMINED
