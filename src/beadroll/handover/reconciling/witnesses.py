"""What each radiograph says of itself: header, file name, folder, and its place in time among the others.

Knows which header fields people write weld numbers into. Refuses to choose between witnesses; that is resolving.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import PurePosixPath
from typing import Final

from beadroll.handover.reconciling.expected import plain_crew
from beadroll.handover.stages import DeliveredRadiograph
from beadroll.images import ImageFacts
from beadroll.record.evidence import Address
from beadroll.record.job import NumberPattern
from beadroll.record.number import Marked, parse, parse_event, parse_segment
from beadroll.record.radiograph import Witness

NAMING_FIELDS: Final = ("component_name", "component_id")
"""Header fields that name the component and nothing else; a bare number there is a weld number."""
SPEAKING_FIELDS: Final = (
    "study_description", "series_description", "accession_number", "study_id", "component_notes", "image_comments",
    "protocol_name", "image_description", "document_name", "page_name",
)  # fmt: skip
"""Header fields that people also write weld numbers into, among other things; a bare number there says nothing."""
_MOMENTS: Final = (
    ("acquisition_date_time", ""), ("acquisition_date", "acquisition_time"), ("date_time", ""),
    ("content_date", "content_time"), ("series_date", "series_time"), ("study_date", "study_time"),
)  # fmt: skip
_CREW_FOLDERS: Final = 3
"""Folders before the crew's own: ``crews/<crew>/<date>``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Statement:
    """What one witness says: its text, how it is read, where it stands."""

    witness: Witness
    text: str
    read: Marked
    stated_at: Address


@dataclass(frozen=True, slots=True, kw_only=True)
class Hearing:
    """One radiograph with all it says of itself. ``lines`` to ``segments`` are the distinct values stated."""

    radiograph: DeliveredRadiograph
    statements: tuple[Statement, ...]
    lines: tuple[str, ...]
    numbers: tuple[str, ...]
    events: tuple[str, ...]
    segments: tuple[str, ...]
    doubts: tuple[str, ...]
    crew: str = ""
    on: date | None = None

    @property
    def path(self) -> str:
        """The file as delivered."""
        return self.radiograph.file.path

    @property
    def agreed(self) -> bool:
        """True when the witnesses name one weld and contradict each other in nothing."""
        return len(self.numbers) == 1 and all(len(x) <= 1 for x in (self.lines, self.events, self.segments))


def hear(radiograph: DeliveredRadiograph, pattern: NumberPattern, lines: tuple[str, ...]) -> Hearing:
    """Gather what one radiograph says of itself."""
    file = radiograph.file
    said = [*_header(radiograph, pattern, lines), *_name_and_folders(file.path, pattern, lines)]
    named = [s for s in said if s.read.number]
    sound = [s for s in named if s.read.certain]
    doubts = () if sound else tuple(f"{s.text!r}: {doubt}" for s in named for doubt in s.read.doubts)
    certain = sound or named
    numbers = _distinct(n for s in certain for n in (s.read.number, *(o.number for o in s.read.others)))
    doubtful = [s for s in named if not s.read.certain and s.read.number not in numbers]
    return Hearing(
        radiograph=radiograph,
        statements=tuple(said),
        lines=_distinct(s.read.line for s in said),
        numbers=numbers + _distinct(s.read.number for s in doubtful if s.read.number not in numbers),
        events=_distinct(s.read.event for s in said),
        segments=_distinct(s.read.segment for s in said),
        doubts=doubts,
        crew=plain_crew(file.crew),
        on=file.on,
    )


def _distinct(values: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(v for v in values if v))


def _header(radiograph: DeliveredRadiograph, pattern: NumberPattern, lines: tuple[str, ...]) -> list[Statement]:
    if radiograph.facts is None:
        return []
    header, said = radiograph.facts.header, []
    for key in (*NAMING_FIELDS, *SPEAKING_FIELDS, *(k for k in header if k.startswith("text_"))):
        text = header.get(key, "")
        if not text:
            continue
        read = parse(text, pattern, lines)
        if read.bare and key not in NAMING_FIELDS:
            continue
        if not read.number and key in ("series_description", "image_comments", "component_notes"):
            read = _part_only(text, pattern, read)
        if read.number or read.line or read.event or read.segment:
            at = Address(file=radiograph.file.path, element=key)
            said.append(Statement(witness=Witness.HEADER, text=text, read=read, stated_at=at))
    return said


def _part_only(text: str, pattern: NumberPattern, read: Marked) -> Marked:
    """Read a field that holds a segment or a suffix alone."""
    segment = parse_segment(text, pattern)
    event = "" if segment else parse_event(text, pattern) or ""
    return Marked(as_marked=text, line=read.line, segment=segment or read.segment, event=event)


def _name_and_folders(path: str, pattern: NumberPattern, lines: tuple[str, ...]) -> list[Statement]:
    pure = PurePosixPath(path)
    at = Address(file=path)
    said = [Statement(witness=Witness.FILE_NAME, text=pure.name, read=parse(pure.name, pattern, lines), stated_at=at)]
    parts = pure.parts[:-1]
    for part in parts[_CREW_FOLDERS:] if parts[:1] == ("crews",) else parts:
        read = parse(part, pattern, lines)
        if (read.number and not read.bare) or read.line:
            said.append(Statement(witness=Witness.FOLDER, text=part, read=read, stated_at=at))
    return [s for s in said if s.read.number or s.read.line or s.read.segment]


# --- time ------------------------------------------------------------------------------------------------------


def moment_of(facts: ImageFacts | None) -> datetime | None:
    """Return when the header says the image was made, without a zone; None where it does not say a time of day."""
    if facts is None:
        return None
    for day, clock in _MOMENTS:
        text = facts.header.get(day, "") + (facts.header.get(clock, "") if clock else "")
        digits = "".join(c for c in text.partition(".")[0].partition("+")[0] if c.isdigit())
        if len(digits) >= 12:  # noqa: PLR2004 - YYYYMMDDHHMM
            try:
                return datetime.strptime(digits[:14].ljust(14, "0"), "%Y%m%d%H%M%S").replace(tzinfo=UTC)
            except ValueError:
                continue
    return None


def in_order(hearings: Iterable[Hearing]) -> list[list[Hearing]]:
    """Return the radiographs of each crew and day in the order they were made, as far as that is known.

    By the header's time where most images of the group have their own; else by the time the file was written, where
    those differ. Images without a time are left out, and so is a group whose times do not tell.
    """
    groups: dict[tuple[str, date | None], list[Hearing]] = defaultdict(list)
    for hearing in hearings:
        groups[hearing.crew, hearing.on].append(hearing)
    ordered = []
    for group in groups.values():
        times = _times(group)
        timed = [h for h in group if h.path in times]
        if len(timed) > 1:
            ordered.append(sorted(timed, key=lambda h: (times[h.path], h.path)))
    return ordered


def _times(group: list[Hearing]) -> Mapping[str, float]:
    moments = {h.path: moment_of(h.radiograph.facts) for h in group}
    stamped = {path: moment.timestamp() for path, moment in moments.items() if moment}
    if len(stamped) > len(group) / 2 and _tells(stamped.values()):
        return stamped
    written = {h.path: float(h.radiograph.file.modified_ns) for h in group}
    return written if _tells(written.values()) else {}


def _tells(times: Iterable[float]) -> bool:
    """Say whether times order a group: nearly all differ from one another."""
    found = list(times)
    return len(found) > 1 and len(set(found)) > 0.9 * len(found)
