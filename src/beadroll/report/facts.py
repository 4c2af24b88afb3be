"""What a page or a sheet says of a handover, a weld or a radiograph in short: label and value, in a fixed order.

Knows which fields a reader wants first and what each is called. Refuses to know layouts. A field that the record
leaves empty is left out, never filled in.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Final

from beadroll.package.index import Index, Totals
from beadroll.record.handover import Handover
from beadroll.record.interpretation import Interpretation, Result
from beadroll.record.job import Job
from beadroll.record.radiograph import Origin, Radiograph
from beadroll.record.weld import EventKind, WeldRecord
from beadroll.report.language import Words, legible
from beadroll.report.timeline import Names, indication_text, radiograph_name

Pairs = tuple[tuple[str, str], ...]


def _named(words: Words, pairs: Iterable[tuple[str, str]]) -> Pairs:
    return tuple((words(key), legible(value)) for key, value in pairs if value)


def of_handover(job: Job, handover: Handover, words: Words) -> Pairs:
    """Return who hands over what to whom, under which code, for which days."""
    period = words("period.text", first=words.day(handover.period.first), last=words.day(handover.period.last))
    testing_class = words("fact.class", testing_class=job.code.testing_class) if job.code.testing_class else ""
    code = ", ".join(part for part in (f"{job.code.standard}:{job.code.edition}".strip(":"), testing_class) if part)
    amends = "; ".join(f"{each.handover}, {each.weld}: {each.reason}" for each in handover.amends)
    return _named(
        words,
        (
            ("fact.client", job.client),
            ("fact.contractor", job.contractor),
            ("fact.contract", job.contract),
            ("fact.title", job.title),
            ("fact.period", period),
            ("fact.dated", words.day(handover.dated)),
            ("fact.revision", str(handover.revision) if handover.revision > 1 else ""),
            ("fact.code", code),
            ("fact.previous", handover.previous.number if handover.previous else ""),
            ("fact.amends", amends),
            ("fact.retention", job.retention),
        ),
    )


def of_totals(totals: Totals, words: Words) -> tuple[str, str]:
    """Return two lines of numbers: what the package holds, and how its welds stand."""
    first = words("totals.text", welds=totals.welds, radiographs=totals.radiographs, files=totals.files)
    second = words(
        "totals.standings",
        accepted=totals.accepted,
        rejected=totals.rejected,
        reshoot_owed=totals.reshoot_owed,
        cut_out=totals.cut_out,
        not_examined=totals.not_examined,
    )
    return first, second


def of_weld(record: WeldRecord, words: Words) -> Pairs:
    """Return what the weld log says of a weld."""
    weld = record.weld
    revision = words("fact.drawing_revision", revision=weld.drawing_revision) if weld.drawing_revision else ""
    marked = [each for each in weld.as_marked if each != weld.id.number]
    size = (("column.diameter", weld.outside_diameter_mm), ("column.wall", weld.wall_mm))
    return _named(
        words,
        (
            ("column.line", weld.id.line),
            ("column.location", weld.location),
            ("column.drawing", ", ".join(part for part in (weld.drawing, revision) if part)),
            ("column.spool", weld.spool),
            ("fact.kind", words(f"kind.{weld.kind.value}")),
            ("fact.place", words(f"place.{weld.place.value}") if weld.place else ""),
            ("column.nps", " / ".join(part for part in (weld.nps, weld.schedule) if part)),
            *((key, words.number(value) if value is not None else "") for key, value in size),
            ("column.material", weld.material),
            ("fact.heats", ", ".join(weld.heats)),
            ("column.wps", weld.wps),
            ("fact.examination", weld.examination),
            ("fact.heat_treated", words.day(weld.heat_treated_on) if weld.heat_treated_on else ""),
            ("fact.replaces", str(weld.replaces) if weld.replaces else ""),
            ("fact.replaced_by", str(weld.replaced_by) if weld.replaced_by else ""),
            ("column.remark", weld.remark),
            ("column.marked", "; ".join(marked)),
        ),
    )


_ORIGINS: Final = {
    Origin.FILM_DIGITISED: "radiograph.film_digitised",
    Origin.CR: "radiograph.cr",
    Origin.DR: "radiograph.dr",
}


def of_radiograph(each: Radiograph, record: WeldRecord, words: Words) -> tuple[str, ...]:
    """Return short lines on one radiograph: what it is, how it was read, what it replaces or was replaced by."""
    names = {film.id: radiograph_name(film, words) for film in record.radiographs}
    lines = [_image(each, words)]
    lines += [_reading(one, words) for one in record.interpretations if one.radiograph == each.id]
    if each.supersedes:
        lines.append(words("radiograph.supersedes", other=names.get(each.supersedes, legible(each.supersedes))))
    later = [film for film in record.radiographs if film.supersedes == each.id]
    lines += [words("radiograph.superseded", other=names[film.id]) for film in later]
    if each.delivered_as:
        lines.append(words("radiograph.delivered", name=legible(each.delivered_as)))
    return tuple(line for line in lines if line)


def _image(each: Radiograph, words: Words) -> str:
    parts = [words(_ORIGINS[each.origin])]
    if each.origin is Origin.FILM_DIGITISED and each.iso14096_class:
        parts = [words("radiograph.film_class", scan=legible(each.iso14096_class))]
    if each.rows and each.columns:
        parts.append(words("radiograph.pixels", rows=each.rows, columns=each.columns))
    if each.pixel_pitch_row_mm and each.pixel_pitch_column_mm:
        row, column = (words.number(round(x, 4)) for x in (each.pixel_pitch_row_mm, each.pixel_pitch_column_mm))
        parts.append(words("radiograph.pitch", row=row, column=column))
    return ", ".join(parts)


def _reading(one: Interpretation, words: Words) -> str:
    parts = [words("radiograph.result", result=one.result.value)] if one.result else []
    parts += [indication_text(each, words) for each in one.indications]
    if one.iqi_seen and one.iqi_required:
        parts.append(words("radiograph.iqi", seen=legible(one.iqi_seen), required=legible(one.iqi_required)))
    elif one.iqi_seen:
        parts.append(words("radiograph.iqi_seen", seen=legible(one.iqi_seen)))
    if one.density_min is not None and one.density_max is not None:
        low, high = words.number(one.density_min), words.number(one.density_max)
        parts.append(words("radiograph.density", low=low, high=high))
    return ", ".join(parts)


Column = Callable[[WeldRecord, Names, Words], str]


def _welders(record: WeldRecord) -> str:
    return ", ".join(dict.fromkeys(stencil for event in record.events for stencil in event.stencils))


def _welded(record: WeldRecord, words: Words) -> str:
    made = next((e.on for e in record.events if e.kind in (EventKind.WELDED, EventKind.REWELD) and e.on), None)
    return words.day(made) if made else ""


def _last_read(record: WeldRecord, words: Words) -> str:
    read = max((each.read_on for each in record.interpretations if each.read_on), default=None)
    return words.day(read) if read else ""


def _indications(record: WeldRecord, words: Words) -> str:
    return "; ".join(
        f"{legible(' '.join(x for x in (one.event, one.segment) if x))}: {indication_text(each, words)}"
        for one in record.interpretations
        for each in one.indications
    )


def _size(value: float | None, words: Words) -> str:
    return words.number(value) if value is not None else ""


COLUMNS: Final[Mapping[str, Column]] = {
    "number": lambda r, _n, _w: r.weld.id.number,
    "line": lambda r, _n, _w: r.weld.id.line,
    "marked": lambda r, _n, _w: "; ".join(r.weld.as_marked),
    "location": lambda r, _n, _w: r.weld.location,
    "drawing": lambda r, _n, _w: r.weld.drawing,
    "spool": lambda r, _n, _w: r.weld.spool,
    "nps": lambda r, _n, _w: " / ".join(x for x in (r.weld.nps, r.weld.schedule) if x),
    "diameter": lambda r, _n, w: _size(r.weld.outside_diameter_mm, w),
    "wall": lambda r, _n, w: _size(r.weld.wall_mm, w),
    "material": lambda r, _n, _w: r.weld.material,
    "wps": lambda r, _n, _w: r.weld.wps,
    "welders": lambda r, _n, _w: _welders(r),
    "welded": lambda r, _n, w: _welded(r, w),
    "shots": lambda r, _n, _w: str(len(r.exposures)),
    "radiographs": lambda r, _n, _w: str(len(r.radiographs)),
    "reports": lambda r, _n, _w: ", ".join(dict.fromkeys(x.report for x in r.interpretations if x.report)),
    "read": lambda r, _n, w: _last_read(r, w),
    "indications": lambda r, _n, w: _indications(r, w),
    "repairs": lambda r, _n, _w: ", ".join(e.label for e in r.events if e.kind is EventKind.REPAIR),
    "standing": lambda r, _n, w: w(f"standing.{r.standing.value}"),
    "remark": lambda r, _n, _w: r.weld.remark,
}
"""Columns a list of welds may have, by the names that templates use."""


def cell(column: str, record: WeldRecord, names: Names, words: Words) -> str:
    """Return the text of one cell of a weld list. Raises ``KeyError`` for a column ``COLUMNS`` does not name."""
    return legible(COLUMNS[column](record, names, words))


def ever_rejected(record: WeldRecord) -> bool:
    """Say whether any reading of the weld rejected it."""
    return any(each.result is Result.REJ for each in record.interpretations)


def size_text(count: int, words: Words) -> str:
    """Return a size in decimal units."""
    size, unit = float(count), "B"
    for larger in ("kB", "MB", "GB", "TB"):
        if size < 1000:  # noqa: PLR2004 - the next decimal unit
            break
        size, unit = size / 1000, larger
    return f"{words.number(round(size, 1))} {unit}"


def handover_name(handover: Handover) -> str:
    """Return a handover's number, with its revision from the second on."""
    return legible(handover.number if handover.revision <= 1 else f"{handover.number} r{handover.revision}")


def in_data(path: str) -> str:
    """Return a package path as seen from the folder ``data``."""
    return path.removeprefix("data/")


def paths_of(index: Index) -> Mapping[str, str]:
    """Return package path -> SHA-512 of every file the index names."""
    return {each.path: each.sha512 for each in index.files}
