"""From a checked week to a package: radiographs, records, papers, tables, METS and the index, each written once.

Knows the order in which a package's files come to be, and that two builds of the same week give the same payload
bytes. Refuses to begin while a finding stops the handover, and to finish when one turns up on the way.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from beadroll.errors import InputError, NotReady
from beadroll.findings import Finding, Report, finding
from beadroll.handover.assembling import places
from beadroll.handover.assembling.pages import Pages as Reading
from beadroll.handover.assembling.pages import reading
from beadroll.handover.assembling.papers import Pages, bag_info, composed, write_records
from beadroll.handover.assembling.radiographs import Meter, Packed, Radiographs, in_threads, indexed, refuse_changed
from beadroll.handover.check import answer, answered_by, in_force
from beadroll.handover.decisions import Standing
from beadroll.handover.stages import Assembled, Checked, DeliveredFile, Reconciled
from beadroll.images import Codec
from beadroll.package.digests import Progress
from beadroll.package.index import FileRole, IndexedFile
from beadroll.package.layout import Form
from beadroll.package.write import PackageWriter, Sealer
from beadroll.record.handover import HandoverRecord


def assemble(  # noqa: PLR0913 - each is a choice of the caller's; commands and pages name the few they make
    checked: Checked,
    destination: Path,
    *,
    form: Form,
    codec: Codec | None = None,
    threads: int = 2,
    sealer: Sealer | None = None,
    progress: Progress | None = None,
    pages: Pages | None = None,
    replace_existing: bool = False,
) -> Assembled:
    """Write the package of a checked week to ``destination``, a folder or a ZIP file.

    ``codec`` defaults to the job's. ``progress`` hears of delivered bytes done. ``pages`` makes what people read, in
    place of the page and sheets by the job's template; it is sealed with the rest. Raises ``NotReady`` with the report
    while findings stop the handover, also such as show only when pixels are read: every damaged radiograph is named,
    and nothing is left at the destination. Raises ``InputError`` and ``MachineError`` as the package's writer does.
    """
    _refuse_stops(checked.report)
    reconciled = checked.reconciled
    record = _ordered(reconciled.record)
    radiographs = tuple(each.file for each in reconciled.gathered.radiographs)
    papers = _papers(reconciled)
    every = {file.path: file for file in (*radiographs, *(paper.file for paper in papers))}
    paths, folder = places.delivered_paths(every), reconciled.gathered.folder
    made = pages or reading(folder)
    meter = Meter(sum(file.size_bytes for file in every.values()), progress)
    with PackageWriter.create(
        destination, name=places.package_name(record.handover), form=form, replace=replace_existing
    ) as writer:

        def carry(paper: _Paper) -> IndexedFile:
            carried = _carry(writer, folder / paper.file.path, paths[paper.file.path], paper)
            meter.add(paper.file.size_bytes)
            return carried

        carried = in_threads(carry, papers, threads=threads)
        packed = Radiographs(
            folder=folder,
            delivered={file.path: file for file in radiographs},
            paths=paths,
            codec=codec or Codec(record.job.codec),
            writer=writer,
            meter=meter,
            threads=threads,
        ).pack(record)
        decisions = in_force(reconciled)
        report = checked.report + _of_the_pixels(packed, decisions)
        _refuse_stops(report)
        record = composed(_with_radiographs(record, packed))
        report = composed(report + _of_the_pages(made, record, report, decisions))
        files = composed((*carried, *(file for one in packed for file in one.files)))
        index = write_records(writer, record, report, files, made)
        finished = writer.finish(bag_info(record, index), sealer=sealer)
    return Assembled(package=finished, index=index, record=record, report=report)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Paper:
    file: DeliveredFile
    role: FileRole


def _refuse_stops(report: Report) -> None:
    if report.stops:
        raise NotReady(
            f"{len(report.stops)} findings stop the handover",
            report,
            remedy="Settle each of them: correct the record, decide where a file belongs, or confirm with a reason.",
        )


def _ordered(record: HandoverRecord) -> HandoverRecord:
    """Put what has no order of its own into one, so that the order of gathering changes no byte."""
    return replace(
        record,
        welds=tuple(sorted(record.welds, key=lambda weld: weld.weld.id)),
        techniques=tuple(sorted(record.techniques, key=lambda each: (each.number, each.revision))),
        people=tuple(sorted(record.people, key=lambda each: each.id)),
        equipment=tuple(sorted(record.equipment, key=lambda each: (each.serial, each.kind))),
    )


def _papers(reconciled: Reconciled) -> tuple[_Paper, ...]:
    """Return the files that travel as delivered: sheets, and what a decision set aside."""
    aside = {file.path: _Paper(file=file, role=FileRole.SET_ASIDE) for file in reconciled.set_aside}
    sheets = {file.path: _Paper(file=file, role=FileRole.SHEET) for file in reconciled.gathered.sheets}
    return tuple(paper for _, paper in sorted({**sheets, **aside}.items()))


def _carry(writer: PackageWriter, source: Path, target: str, paper: _Paper) -> IndexedFile:
    """Copy one file into the package as it is. Raises ``InputError`` when it is not the file that was gathered."""
    try:
        refuse_changed(source.stat(), paper.file)
    except OSError as error:
        raise InputError(
            f"it cannot be read: {error.strerror or error}",
            path=paper.file.path,
            remedy="Gather the week again, so that what is checked is what is handed over.",
        ) from error
    return indexed(writer.add_file(target, source), paper.role, delivered_as=paper.file.path)


def _same_pixels(packed: Iterable[Packed], decisions: Standing) -> Iterator[Finding]:
    """Find radiographs with the same decoded pixels: one file delivered twice, or under two names.

    Where the files are the same byte for byte, reconciliation has asked already, and what was decided then answers.
    """
    first: dict[str, Packed] = {}
    for each in packed:
        other = first.setdefault(each.radiograph.pixel_sha512, each) if each.radiograph.pixel_sha512 else each
        if other is each:
            continue
        here, there = _stands_for(each), _stands_for(other)
        code = "ASM-PIXELS-TWICE" if here == there else "ASM-PIXELS-OTHER-WELD"
        values = {"other": other.radiograph.delivered_as, "here": here}
        if here != there:
            values["there"] = there
        found = finding(code, each.radiograph.delivered_as, **values)
        if each.radiograph.delivered_sha512 != other.radiograph.delivered_sha512:
            yield answer(found, decisions, also=(other.radiograph.delivered_as,))
            continue
        names = (each.radiograph.delivered_as, other.radiograph.delivered_as)
        placed = next((decisions.assigned[name] for name in names if name in decisions.assigned), None)
        yield answered_by(found, placed) if placed else answer(found, decisions, also=names, code="REC-SAME-BYTES")


def _stands_for(packed: Packed) -> str:
    radiograph = packed.radiograph
    return " ".join(part for part in (str(packed.weld), radiograph.event, radiograph.segment) if part)


def _of_the_pixels(packed: Sequence[Packed], decisions: Standing) -> Report:
    """Return what only the pixels could show, after the decisions."""
    found = [answer(each, decisions) for one in packed for each in one.findings]
    return Report(findings=(*found, *_same_pixels(packed, decisions)))


def _of_the_pages(pages: Pages, record: HandoverRecord, report: Report, decisions: Standing) -> Report:
    """Return what the job's own pages cannot show, after the decisions."""
    found = pages.find(record, report) if isinstance(pages, Reading) else ()
    return Report(findings=tuple(answer(each, decisions) for each in found))


def _with_radiographs(record: HandoverRecord, packed: Iterable[Packed]) -> HandoverRecord:
    """Return the record with its radiographs as they lie in the package."""
    made = iter(packed)
    welds = tuple(
        replace(weld, radiographs=tuple(next(made).radiograph for _ in weld.radiographs)) for weld in record.welds
    )
    return replace(record, welds=welds)
