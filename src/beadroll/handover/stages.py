"""The office's path in types: Gathered -> Reconciled -> Checked -> Assembled -> Sealed.

One public function a stage, each taking only its predecessor's type. This module holds the types and nothing else, so
that a reader sees what passes from one stage to the next.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path

from beadroll.findings import Finding, Report
from beadroll.images import ImageFacts
from beadroll.package.index import Index
from beadroll.package.write import Finished
from beadroll.record.equipment import Equipment
from beadroll.record.evidence import Address
from beadroll.record.handover import Decision, Handover, HandoverRecord, Period
from beadroll.record.interpretation import Indication, Result
from beadroll.record.job import Job
from beadroll.record.people import Person
from beadroll.record.technique import TechniqueSheet


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveredFile:
    """One file as the crew left it. ``path`` is relative to the job folder, with ``/``; it is never altered.

    ``crew`` and ``on`` come from the folder ``crews/<crew>/<date>/``, empty and None elsewhere.
    """

    path: str
    size_bytes: int
    modified_ns: int
    crew: str = ""
    on: date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveredRadiograph:
    """A radiograph file with the facts of its header. ``fault`` says why it could not be read; then no ``facts``."""

    file: DeliveredFile
    facts: ImageFacts | None = None
    fault: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class WeldLogRow:
    """One row of a weld log, units already normalised; texts as they stand. ``at`` addresses each field's cell.

    ``number`` is the weld number as written, suffixes and all; ``at["number"]`` is its cell.
    ``repair_label`` and the dates belong to repairs or cut-outs that the log states beside the weld.
    """

    number: str
    line: str = ""
    kind: str = ""
    place: str = ""
    drawing: str = ""
    drawing_revision: str = ""
    spool: str = ""
    location: str = ""
    nps: str = ""
    schedule: str = ""
    outside_diameter_mm: float | None = None
    wall_mm: float | None = None
    material: str = ""
    heats: tuple[str, ...] = ()
    wps: str = ""
    stencils: tuple[str, ...] = ()
    welded_on: date | None = None
    heat_treated_on: date | None = None
    examination: str = ""
    repaired_on: date | None = None
    repair_stencils: tuple[str, ...] = ()
    cut_out_on: date | None = None
    replaces: str = ""
    remark: str = ""
    at: Mapping[str, Address] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReaderLine:
    """One line of a reader sheet with its sheet's header values filled in; texts as they stand.

    ``number`` is the weld number as written, which may carry suffix and segment; ``segment`` and ``suffix`` are the
    sheet's own columns where it has them. ``at`` addresses each field's cell. Lengths in mm.
    """

    report: str
    number: str
    line: str = ""
    suffix: str = ""
    segment: str = ""
    technique: str = ""
    source: str = ""
    detector: str = ""
    activity_ci: float | None = None
    tube_kv: float | None = None
    exposure_s: float | None = None
    sfd_mm: float | None = None
    crew: str = ""
    radiographer: str = ""
    exposed_on: date | None = None
    exposed_at: datetime | None = None
    interpreter: str = ""
    read_on: date | None = None
    reviewer: str = ""
    reviewed_on: date | None = None
    stencils: tuple[str, ...] = ()
    nps: str = ""
    wall_mm: float | None = None
    iqi_required: str = ""
    iqi_seen: str = ""
    density_min: float | None = None
    density_max: float | None = None
    density_at_iqi: float | None = None
    densitometer: str = ""
    duplex_seen: str = ""
    snr_n: float | None = None
    film_count: int | None = None
    result: Result | None = None
    indications: tuple[Indication, ...] = ()
    disposition: str = ""
    remark: str = ""
    at: Mapping[str, Address] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Gathered:
    """Everything the week's folders hold, read once, nothing decided.

    ``sheets`` are the weld logs, reader sheets and other papers, to travel as delivered. ``findings`` are the faults
    of reading, each with its file and cell.
    """

    folder: Path
    job: Job
    handover: Handover
    weld_log: tuple[WeldLogRow, ...]
    reader_lines: tuple[ReaderLine, ...]
    radiographs: tuple[DeliveredRadiograph, ...]
    techniques: tuple[TechniqueSheet, ...]
    people: tuple[Person, ...]
    equipment: tuple[Equipment, ...]
    sheets: tuple[DeliveredFile, ...]
    decisions: tuple[Decision, ...] = ()
    findings: tuple[Finding, ...] = ()

    @property
    def period(self) -> Period:
        """The days the handover covers."""
        return self.handover.period


@dataclass(frozen=True, slots=True, kw_only=True)
class Suggestion:
    """One way to settle a discrepancy, best first in its list: where the radiograph may belong, and why."""

    line: str
    number: str
    event: str
    segment: str
    reason: str
    score: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Discrepancy:
    """Something the evidence does not settle: the finding that says it, about which file or row, with suggestions."""

    finding: Finding
    subject: str
    suggestions: tuple[Suggestion, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Reconciled:
    """One weld, one story: every delivered radiograph on one weld, event and segment, or a discrepancy.

    In ``record`` each radiograph has ``delivered_as`` and its image facts; package paths and digests come at assembly.
    ``set_aside`` names delivered files that a decision keeps out of the welds; they travel as delivered.
    """

    gathered: Gathered
    record: HandoverRecord
    discrepancies: tuple[Discrepancy, ...]
    set_aside: tuple[DeliveredFile, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """A reconciled week with everything the rules found."""

    reconciled: Reconciled
    report: Report


@dataclass(frozen=True, slots=True, kw_only=True)
class Assembled:
    """A package that is whole: where it lies, its index, and the record and findings as it carries them."""

    package: Finished
    index: Index
    record: HandoverRecord
    report: Report
