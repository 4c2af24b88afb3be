"""The first stage: everything a period's folders hold, read once, nothing decided.

Knows the order of reading and who reads what. A file that cannot be read becomes a finding and still travels as
delivered; nothing the crews delivered is altered or left out. Refuses to compare anything with anything, except the
pixel pitch of a header with the scanners of the job.

>>> from beadroll.handover.gathering.gather import gather                   # doctest: +SKIP
>>> week = gather(Path("vallmora"), Period.of_week("2031-W14"))
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any, Final

from beadroll.errors import BeadrollError, InputError, MachineError
from beadroll.findings import Finding, finding
from beadroll.handover.decisions import FILE_NAME, read_decisions
from beadroll.handover.gathering.delivered import FileKind, Found, crew_files, files_under
from beadroll.handover.gathering.factscache import CACHE_FOLDER, FactsCache, open_cache
from beadroll.handover.gathering.jobfolder import JobFile, read_job, read_small
from beadroll.handover.gathering.pitch import pitch_findings
from beadroll.handover.gathering.profiles import load_profiles
from beadroll.handover.gathering.registers import REGISTERS, Register, from_table, from_toml, together
from beadroll.handover.gathering.sheets import Habits, reader_lines, weld_log_rows
from beadroll.handover.stages import DeliveredFile, DeliveredRadiograph, Gathered, ReaderLine, WeldLogRow
from beadroll.images import ImageFacts, read_facts
from beadroll.record.equipment import Equipment
from beadroll.record.handover import Handover, Period, Previous
from beadroll.record.people import Person
from beadroll.record.technique import TechniqueSheet
from beadroll.tables import Book, read_book

_TABLES: Final = frozenset({FileKind.WORKBOOK, FileKind.TEXT})
_BATCH: Final = 32
"""Radiographs handed to a thread at a time, so that handing over costs nothing against reading."""


@dataclass(slots=True)
class _Reading:
    """What has been read so far, while the folders are walked."""

    folder: Path
    job: JobFile
    habits: Habits
    weld_log: list[WeldLogRow] = field(default_factory=list)
    reader_lines: list[ReaderLine] = field(default_factory=list)
    sheets: list[DeliveredFile] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)

    def book(self, found: Found) -> Book | None:
        """Return the tables of a file, or None after noting why there are none."""
        profile = next((p for p in self.habits.profiles if p.files and p.is_for(found.file.path)), None)
        encoding = (profile.encoding if profile else "") or self.job.encoding
        delimiter = profile.delimiter if profile else ""
        try:
            return read_book(found.path, name=found.file.path, encoding=encoding, delimiter=delimiter)
        except (InputError, MachineError) as fault:
            self.unread(found.file.path, fault)
            return None

    def unread(self, path: str, fault: BeadrollError) -> None:
        """Note that a file could not be read."""
        self.findings.append(finding("INT-FILE", path, reason=_reason(fault), remedy=fault.remedy))


def gather(
    folder: Path,
    period: Period,
    *,
    handover_number: str = "",
    dated: date | None = None,
    previous: Previous | None = None,
    threads: int = 2,
    facts_cache: bool = True,
) -> Gathered:
    """Read the job folder for a period: the whole weld log, the period's crew folders, the registers, the decisions.

    ``handover_number`` is by default the job's prefix and the week, ``dated`` the last day of the period. With
    ``facts_cache`` what headers said is kept in ``.beadroll/`` of the job folder, which is safe to delete. Raises
    ``InputError`` where job.toml, a profile or decisions.toml cannot be used, ``MachineError`` where a folder cannot be
    listed; every other fault is a finding of the result.
    """
    job = read_job(folder)
    habits = Habits(
        manner=job.manner, profiles=load_profiles(folder), zone=job.zone, lines=tuple(line.id for line in job.job.lines)
    )
    reading = _Reading(folder=folder, job=job, habits=habits, findings=list(job.findings))
    crews = crew_files(folder, period, reading.findings)
    _read_weld_logs(reading)
    registers = {register.folder: _read_register(reading, register) for register in REGISTERS}
    techniques: list[TechniqueSheet] = registers["techniques"]
    people: list[Person] = registers["people"]
    equipment: list[Equipment] = registers["equipment"]
    _read_reader_sheets(reading, crews)
    images = [f for f in crews if f.kind is FileKind.RADIOGRAPH]
    cache = open_cache(folder / CACHE_FOLDER if facts_cache else None)
    radiographs = _read_headers(images, cache, threads, reading.findings)
    cache.save()
    if not crews:
        first, last = period.first.isoformat(), period.last.isoformat()
        reading.findings.append(finding("INT-NO-CREWS", "crews", first=first, last=last))
    reading.findings += pitch_findings(radiographs, equipment)
    return Gathered(
        folder=folder,
        job=job.job,
        handover=Handover(
            number=handover_number or f"{job.job.handover_prefix}-{period.week}",
            revision=1,
            period=period,
            dated=dated or period.last,
            previous=previous,
        ),
        weld_log=tuple(reading.weld_log),
        reader_lines=tuple(reading.reader_lines),
        radiographs=radiographs,
        techniques=tuple(techniques),
        people=tuple(people),
        equipment=tuple(equipment),
        sheets=tuple(sorted(reading.sheets, key=lambda f: f.path)),
        decisions=read_decisions(folder / FILE_NAME),
        findings=tuple(reading.findings),
    )


def _reason(fault: BeadrollError) -> str:
    """Return the sentence of a fault without the file's name, which the finding's subject gives."""
    return f"{fault.place}: {fault.fault}".removeprefix(": ") if isinstance(fault, InputError) else fault.message


def _read_weld_logs(reading: _Reading) -> None:
    """Read every weld log: welds made in earlier weeks are repaired and shot again in this one."""
    read = 0
    for found in files_under(reading.folder, "weld-log", reading.findings):
        reading.sheets.append(found.file)
        if found.kind in _TABLES and (book := reading.book(found)) is not None:
            rows, messages = weld_log_rows(book, reading.habits)
            reading.weld_log += rows
            reading.findings += messages
            read += len(rows)
    if not read:
        reading.findings.append(finding("INT-NO-WELD-LOG", "weld-log"))


def _read_register(reading: _Reading, register: Register) -> list[Any]:
    records: list[Any] = []
    for found in files_under(reading.folder, register.folder, reading.findings):
        reading.sheets.append(found.file)
        made, messages = _register_file(reading, found, register)
        records += made
        reading.findings += messages
    joined, messages = together(records, register)
    reading.findings += messages
    return joined


def _register_file(reading: _Reading, found: Found, register: Register) -> tuple[list[Any], list[Finding]]:
    if found.kind is FileKind.TOML:
        try:
            return from_toml(read_small(found.path, found.file.path), found.file.path, register)
        except (InputError, MachineError) as fault:
            reading.unread(found.file.path, fault)
    elif found.kind in _TABLES and (book := reading.book(found)) is not None:
        return from_table(book, register, reading.habits)
    return [], []


def _read_reader_sheets(reading: _Reading, crews: Iterable[Found]) -> None:
    for found in crews:
        if found.kind is FileKind.RADIOGRAPH:
            continue
        reading.sheets.append(found.file)
        if found.kind not in _TABLES:
            reading.findings.append(finding("INT-PAPER", found.file.path))
        elif (book := reading.book(found)) is not None:
            lines, messages = reader_lines(book, found.file, reading.habits)
            reading.reader_lines += lines
            reading.findings += messages


def _read_headers(
    images: Sequence[Found], cache: FactsCache, threads: int, findings: list[Finding]
) -> tuple[DeliveredRadiograph, ...]:
    """Read the headers of the radiographs, several at a time; one that cannot be read is kept with its fault."""
    known = {f.file.path: cache.known(f.file) for f in images}
    fresh = [f for f in images if known[f.file.path] is None]
    read: dict[str, ImageFacts | InputError | MachineError] = {}
    with ThreadPoolExecutor(max_workers=max(1, threads)) as pool:
        for results in pool.map(_facts_of_all, _batches(fresh)):
            read.update(results)
    made = []
    for image in images:
        result = known[image.file.path] or read[image.file.path]
        if isinstance(result, InputError | MachineError):
            reason = _reason(result)
            findings.append(finding("INT-RADIOGRAPH", image.file.path, reason=reason, remedy=result.remedy))
            made.append(DeliveredRadiograph(file=image.file, fault=reason))
        else:
            if known[image.file.path] is None:
                cache.learn(image.file, result)
            made.append(DeliveredRadiograph(file=image.file, facts=result))
    return tuple(made)


def _batches(images: Sequence[Found]) -> list[Sequence[Found]]:
    return [images[n : n + _BATCH] for n in range(0, len(images), _BATCH)]


def _facts_of_all(images: Sequence[Found]) -> list[tuple[str, ImageFacts | InputError | MachineError]]:
    return [(image.file.path, _facts_of(image.path)) for image in images]


def _facts_of(path: Path, read: Callable[[Path], ImageFacts] = read_facts) -> ImageFacts | InputError | MachineError:
    try:
        return read(path)
    except (InputError, MachineError) as fault:
        return fault
