"""Film counts on reader sheets against radiographs delivered.

Offices count in three ways: films of the line (two for double film), of the weld, of the whole sheet. Each sheet is
read in the way that explains most of its counts; what then does not add up is reported. Knows numbers, never films.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from beadroll.findings import Finding, finding
from beadroll.handover.reconciling.expected import Expected, Place, PlaceKey, cell_of
from beadroll.handover.reconciling.resolve import Resolution
from beadroll.handover.reconciling.witnesses import Hearing
from beadroll.handover.stages import ReaderLine

_WAYS: Final = ("line", "weld", "sheet")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Entry:
    place: Place
    line: ReaderLine


def check(expected: Expected, found: Resolution, hearings: Iterable[Hearing]) -> Iterable[tuple[str, Finding]]:
    """Yield a finding for each count that neither the sheet's own lines nor the delivered radiographs explain."""
    reports: dict[str, list[_Entry]] = defaultdict(list)
    for place in expected.places.values():
        for line in place.lines:
            reports[line.report].append(_Entry(place=place, line=line))
    delivered: dict[PlaceKey | tuple[str, str, str], int] = defaultdict(int)
    for key in found.claims.values():
        delivered[key] += 1
        delivered[key[:3]] += 1
    for hearing in hearings:
        if hearing.path not in found.claims and hearing.agreed:
            # Held for another reason, it still counts among the films of the weld it names.
            event = hearing.events[0] if hearing.events else ""
            for name in hearing.lines or expected.lines_of.get(hearing.numbers[0], ()):
                delivered[name, hearing.numbers[0], event] += 1
    for report, entries in reports.items():
        if any(entry.line.film_count for entry in entries):
            yield from _of_report(report, entries, delivered)


def _of_report(
    report: str, entries: list[_Entry], delivered: Mapping[PlaceKey | tuple[str, str, str], int]
) -> Iterable[tuple[str, Finding]]:
    ways = {way: _deviating(way, entries, delivered) for way in _WAYS}
    totals = {way: len(_groups(way, entries)) for way in _WAYS}
    way = min(_WAYS, key=lambda w: (len(ways[w]) / totals[w], _WAYS.index(w)))
    off = ways[way]
    if len(off) > max(1, totals[way] // 2):
        first = str(cell_of(entries[0].line, "film_count"))
        yield first, finding("REC-FILM-COUNT-SHEET", first, report=report, off=len(off), of=totals[way])
        return
    for group, count, have in off:
        subject = str(cell_of(group[0].line, "film_count"))
        about = {"line": group[0].place.name, "weld": " ".join(group[0].place.weld), "sheet": f"sheet {report}"}[way]
        yield subject, finding("REC-FILM-COUNT", subject, about=about, count=count, have=have)


def _groups(way: str, entries: list[_Entry]) -> list[list[_Entry]]:
    groups: dict[object, list[_Entry]] = defaultdict(list)
    for entry in entries:
        key: object = {"line": entry.place.key, "weld": entry.place.key[:3], "sheet": ""}[way]
        groups[key].append(entry)
    return list(groups.values())


def _deviating(
    way: str, entries: list[_Entry], delivered: Mapping[PlaceKey | tuple[str, str, str], int]
) -> list[tuple[list[_Entry], int, int]]:
    found = []
    for group in _groups(way, entries):
        counts = {entry.line.film_count for entry in group if entry.line.film_count is not None}
        have = _delivered(way, group, delivered)
        listed = sum(entry.place.films for entry in group) if way == "line" else len(group)
        wrong = sorted(counts - {have, listed})
        if wrong:
            found.append((group, wrong[0], have))
    return found


def _delivered(way: str, group: list[_Entry], delivered: Mapping[PlaceKey | tuple[str, str, str], int]) -> int:
    if way == "weld":
        return delivered.get(group[0].place.key[:3], 0)
    return sum(delivered.get(key, 0) for key in {entry.place.key for entry in group})
