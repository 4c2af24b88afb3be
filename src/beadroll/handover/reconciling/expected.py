"""What the week's papers lead one to expect: welds of the log, and places for radiographs from the reader sheets.

A place is one segment of one weld in one state. Knows how cells are read by the contract's number pattern. Refuses to
look at a radiograph: what papers expect must not bend to what was delivered.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Final

from beadroll.findings import Finding, Value, finding
from beadroll.handover.stages import ReaderLine, WeldLogRow
from beadroll.record.evidence import Address
from beadroll.record.job import Job
from beadroll.record.number import Marked, parse, parse_event, parse_segment, split_number

WeldKey = tuple[str, str]
"""Line and number."""
_DOUBLE: Final = 2
"""Films in one cassette, at most."""
PlaceKey = tuple[str, str, str, str]
"""Line, number, event label, segment."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """One segment of one weld in one state, as the reader sheets list it. ``films`` is how many images belong there."""

    key: PlaceKey
    lines: tuple[ReaderLine, ...]
    films: int = 1

    @property
    def weld(self) -> WeldKey:
        """Line and number of the weld."""
        return self.key[:2]

    @property
    def event(self) -> str:
        """The event label: empty for the weld as first made and first shot."""
        return self.key[2]

    @property
    def segment(self) -> str:
        """The segment between two location markers."""
        return self.key[3]

    @property
    def days(self) -> tuple[date, ...]:
        """The days the sheets say it was shot on."""
        return tuple(sorted({line.exposed_on for line in self.lines if line.exposed_on}))

    @property
    def crews(self) -> tuple[str, ...]:
        """The crews the sheets say shot it."""
        return tuple(sorted({plain_crew(line.crew) for line in self.lines if line.crew}))

    @property
    def stated_at(self) -> Address:
        """The cell that names the weld on the first sheet line."""
        return cell_of(self.lines[0], "number")

    @property
    def name(self) -> str:
        """The place as it is said: ``LN-204 W-0117 R1 1-2``."""
        return name_of(self.key)


@dataclass(frozen=True, slots=True, kw_only=True)
class LoggedWeld:
    """One weld of the log: the row of the weld itself, and rows that tell of its repairs or its end, by label."""

    key: WeldKey
    row: WeldLogRow
    events: tuple[tuple[str, WeldLogRow], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """Everything the papers expect, with the look-ups that resolving needs."""

    job: Job
    line_names: tuple[str, ...]
    logged: Mapping[WeldKey, LoggedWeld]
    places: Mapping[PlaceKey, Place]
    by_number: Mapping[str, tuple[Place, ...]]
    by_weld: Mapping[WeldKey, tuple[Place, ...]]
    lines_of: Mapping[str, tuple[str, ...]]
    order: Mapping[WeldKey, int]
    """Where each weld first stands on the sheets, counted along them: crews write sheets in shooting order."""
    findings: tuple[tuple[str, Finding], ...] = field(default=())
    """Cells that could not be read, with the subject of each."""

    @property
    def has_log(self) -> bool:
        """True when the week came with a weld log at all."""
        return bool(self.logged)


def name_of(key: PlaceKey) -> str:
    """Return a place as it is said: ``LN-204 W-0117 R1 1-2``."""
    return " ".join(part for part in key if part)


def listed(names: Iterable[str], most: int = 5) -> str:
    """Return names as a sentence lists them, the first few and how many more."""
    every = list(names)
    more = f" and {len(every) - most} more" if len(every) > most else ""
    return ", ".join(every[:most]) + more


def plain_crew(crew: str) -> str:
    """Return a crew's name without the word crew and in one case: ``Crew A`` and ``a`` are one crew."""
    return crew.casefold().replace("crew", "").strip(" -_.")


def cell_of(row: ReaderLine | WeldLogRow, name: str) -> Address:
    """Return the address of a cell of a row: of the field itself, else of the row."""
    if name in row.at:
        return row.at[name]
    if "number" in row.at:
        return row.at["number"]
    return next(iter(row.at.values()), Address(file=getattr(row, "report", "") or "weld-log"))


def expect(job: Job, log: Iterable[WeldLogRow], sheet_lines: Iterable[ReaderLine]) -> Expected:
    """Read weld log and reader sheets by the contract's pattern into what they expect. Never raises on their texts."""
    log, sheet_lines = tuple(log), tuple(sheet_lines)
    findings: list[tuple[str, Finding]] = []
    names = _line_names(job, log)
    logged = _logged(job, names, log, findings)
    lines_of: dict[str, set[str]] = defaultdict(set)
    for line, number in logged:
        lines_of[number].add(line)
    gathered: dict[PlaceKey, list[ReaderLine]] = defaultdict(list)
    lineless: list[tuple[PlaceKey, ReaderLine]] = []
    for sheet_line in sheet_lines:
        key = _place_key(job, names, sheet_line, lines_of, findings)
        if key and key[0]:
            gathered[key].append(sheet_line)
        elif key:
            lineless.append((key, sheet_line))
    usual, beside = _usual_lines(gathered), _LinesByNumber(job, logged)
    for (_, number, event, segment), sheet_line in lineless:
        line = usual.get(sheet_line.report, "") or beside.line_of(number)
        gathered[line, number, event, segment].append(sheet_line)
    findings += _listed_twice(gathered)
    findings += _prefixes_in_question(job, logged.values())
    films = _films(gathered)
    places = {key: Place(key=key, lines=tuple(lines), films=films[key]) for key, lines in gathered.items()}
    by_number: dict[str, list[Place]] = defaultdict(list)
    by_weld: dict[WeldKey, list[Place]] = defaultdict(list)
    order: dict[WeldKey, int] = {}
    for place in places.values():
        by_number[place.key[1]].append(place)
        by_weld[place.weld].append(place)
        order.setdefault(place.weld, len(order))
        lines_of[place.key[1]].add(place.key[0])
    return Expected(
        job=job,
        line_names=names,
        logged=logged,
        places=places,
        by_number={k: tuple(v) for k, v in by_number.items()},
        by_weld={k: tuple(v) for k, v in by_weld.items()},
        lines_of={k: tuple(sorted(v)) for k, v in lines_of.items()},
        order=order,
        findings=tuple(findings),
    )


def line_named(text: str, job: Job, names: tuple[str, ...]) -> str:
    """Return the job's line that a cell names, or the text itself, tidied, where the job has no such line."""
    if not text.strip():
        return ""
    return parse(text, job.numbers, names).line or " ".join(text.split()).upper()


def _line_names(job: Job, log: tuple[WeldLogRow, ...]) -> tuple[str, ...]:
    """Return the lines of the job, and those that the log names beside them."""
    names = [line.id for line in job.lines]
    for text in dict.fromkeys(row.line for row in log if row.line):
        if not parse(text, job.numbers, tuple(names)).line:
            names.append(" ".join(text.split()).upper())
    return tuple(dict.fromkeys(names))


def _logged(
    job: Job, names: tuple[str, ...], log: tuple[WeldLogRow, ...], findings: list[tuple[str, Finding]]
) -> dict[WeldKey, LoggedWeld]:
    found: dict[WeldKey, WeldLogRow] = {}
    events: dict[WeldKey, list[tuple[str, WeldLogRow]]] = defaultdict(list)
    for row in log:
        read = parse(row.number, job.numbers, names)
        subject = str(cell_of(row, "number"))
        if not _usable(read, row.number, subject, "REC-LOG-NUMBER", findings):
            continue
        key = (line_named(row.line, job, names) or read.line or _only_line(names), read.number)
        if read.event:
            events[key].append((read.event, row))
        elif key in found:
            where = str(cell_of(found[key], "number"))
            findings.append((subject, finding("REC-LOG-TWICE", subject, weld=" ".join(key).strip(), other=where)))
        else:
            found[key] = row
    for key, rows in events.items():
        found.setdefault(key, rows[0][1])
    return {key: LoggedWeld(key=key, row=row, events=tuple(events.get(key, ()))) for key, row in found.items()}


def _only_line(names: tuple[str, ...]) -> str:
    return names[0] if len(names) == 1 else ""


def _usable(read: Marked, text: str, subject: str, code: str, findings: list[tuple[str, Finding]]) -> bool:
    if read.certain:
        return True
    why = "; ".join(read.doubts) or "no weld number of this contract stands in it"
    findings.append((subject, finding(code, subject, found=text, why=why)))
    return bool(read.number) and not read.others


def _place_key(
    job: Job,
    names: tuple[str, ...],
    row: ReaderLine,
    lines_of: Mapping[str, set[str]],
    findings: list[tuple[str, Finding]],
) -> PlaceKey | None:
    read = parse(row.number, job.numbers, names)
    subject = str(cell_of(row, "number"))
    if not _usable(read, row.number, subject, "REC-SHEET-NUMBER", findings):
        return None
    event = parse_event(row.suffix, job.numbers)
    segment = parse_segment(row.segment, job.numbers)
    if event is None or (event and read.event and event != read.event):
        findings.append((subject, finding("REC-SHEET-SUFFIX", subject, number=row.number, suffix=row.suffix)))
        return None
    if (row.segment.strip() and not segment) or (segment and read.segment and segment != read.segment):
        found = row.segment.strip() or read.segment
        findings.append((subject, finding("REC-SHEET-SEGMENT", subject, number=row.number, segment=found)))
    line = line_named(row.line, job, names) or read.line
    if not line:
        known = lines_of.get(read.number, set())
        if len(known) > 1:
            lines = ", ".join(sorted(known))
            findings.append((subject, finding("REC-SHEET-LINE", subject, number=read.number, lines=lines)))
            return None
        line = next(iter(known), "") or _only_line(names)
    return line, read.number, event or read.event, segment or read.segment


def _usual_lines(gathered: Mapping[PlaceKey, list[ReaderLine]]) -> Mapping[str, str]:
    """Return the line of sheets that are of one line only: the likely one of a weld that no log knows."""
    lines: dict[str, set[str]] = defaultdict(set)
    for key, rows in gathered.items():
        for row in rows:
            lines[row.report].add(key[0])
    return {report: next(iter(found)) for report, found in lines.items() if len(found) == 1}


def _prefixes_in_question(job: Job, logged: Iterable[LoggedWeld]) -> Iterable[tuple[str, Finding]]:
    """Ask what FW or SW means where the log leaves it open: field or fillet, shop or socket. It is never inferred."""
    rows = [weld.row for weld in logged if not weld.row.kind.strip() and not weld.row.place.strip()]
    for prefix, first, second in (("FW", "field weld", "fillet weld"), ("SW", "shop weld", "socket weld")):
        if prefix not in {p.upper() for p in job.numbers.prefixes}:
            continue
        unsaid = [row for row in rows if split_number(row.number, job.numbers).prefix == prefix]
        if unsaid:
            subject = str(cell_of(unsaid[0], "number"))
            values: dict[str, Value] = {"prefix": prefix, "count": len(unsaid), "first": first, "second": second}
            yield subject, finding("REC-PREFIX-MEANING", subject, clause="", **values)


class _LinesByNumber:
    """The likely line of a number that no log knows: the one on which the numbers before and after it stand."""

    def __init__(self, job: Job, logged: Iterable[WeldKey]) -> None:
        self._pattern = job.numbers
        self._sorted = sorted((*self._order(number), line) for line, number in logged)

    def _order(self, number: str) -> tuple[str, int]:
        parts = split_number(number, self._pattern)
        return parts.prefix, int(parts.digits or 0)

    def line_of(self, number: str) -> str:
        at = bisect_left(self._sorted, (*self._order(number), ""))
        around = {line for _, _, line in self._sorted[max(0, at - 1) : at + 1]}
        return around.pop() if len(around) == 1 else ""


def _listed_twice(gathered: Mapping[PlaceKey, list[ReaderLine]]) -> Iterable[tuple[str, Finding]]:
    """Report places that one interpreter lists twice; a second reader's line is a reading of its own."""
    for key, rows in gathered.items():
        seen: dict[tuple[date | None, str], ReaderLine] = {}
        for row in rows:
            reading = (row.exposed_on, row.interpreter)
            if reading not in seen:
                seen[reading] = row
            else:
                subject, other = str(cell_of(row, "number")), str(cell_of(seen[reading], "number"))
                yield subject, finding("REC-LINE-TWICE", subject, place=name_of(key), other=other)


def _films(gathered: Mapping[PlaceKey, list[ReaderLine]]) -> dict[PlaceKey, int]:
    """Return how many images belong to each place: one, or two where the whole sheet is of double film.

    A sheet is of double film when most of its counts are two and most of them cannot be sums of a weld's two lines.
    In doubt one image is expected, and a second is asked about.
    """
    lines_of: dict[tuple[str, str, str, str], int] = defaultdict(int)
    for key, lines in gathered.items():
        for line in lines:
            lines_of[(line.report, *key[:3])] += 1
    votes: dict[str, int] = defaultdict(int)
    for key, lines in gathered.items():
        for line in lines:
            if line.film_count:
                double = line.film_count == _DOUBLE != lines_of[(line.report, *key[:3])]
                votes[line.report] += 1 if double else -1
    return {
        key: max(_DOUBLE if line.film_count == _DOUBLE and votes[line.report] > 0 else 1 for line in lines)
        for key, lines in gathered.items()
    }
