"""What people read of a handover: the page for browsers, the sheets on paper, and the transmittal beside the package.

Knows where a job keeps its report template, and under which names pages and sheets go into a package. Refuses to know
what they say, which is the report's matter, and to leave a handover unmade for want of a letter: where the template's
font cannot print a character, the sheets are left out and a finding names it.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import partial
from importlib import resources
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Final

from beadroll.errors import InputError, MachineError
from beadroll.findings import Finding, Report, finding
from beadroll.handover.assembling import places
from beadroll.handover.assembling.papers import Packaged
from beadroll.handover.stages import Assembled
from beadroll.package import layout
from beadroll.package.sinks import write_all
from beadroll.package.staging import Staging, machine_error
from beadroll.record.handover import HandoverRecord
from beadroll.record.weld import WeldRecord

if TYPE_CHECKING:
    from beadroll.report.template import Template

TEMPLATE: Final = "report/template.toml"
"""Where a job keeps its report template, in its folder; the files it names lie beside it."""
WELDS_A_FILE: Final = 100
PREVIEWS_A_FILE: Final = 300
"""Most welds, and most previews, in one file of sheets, so that it is made in bounded memory: about 25 MB of previews,
which lie in memory some five times while the file is made."""
MAX_BESIDE: Final = 16 * 1024 * 1024
"""Largest file a template may name, in bytes; a font of many scripts has about 10 MB."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pages:
    """Makes the pages of the job in ``folder``; its template is read when it is first needed."""

    folder: Path

    def template(self) -> Template:
        """Return the job's report template, or the default one. Raises ``InputError`` naming what is wrong with it."""
        # Here and not above: fonts and layouts need not lie in memory beside pixels.
        from beadroll.report import template as templates  # noqa: PLC0415

        path = self.folder / TEMPLATE
        if not path.is_file():
            return templates.default()
        return templates.parse(_read(path, TEMPLATE), partial(_beside, path.parent), name=TEMPLATE)

    def find(self, record: HandoverRecord, report: Report) -> tuple[Finding, ...]:
        """Return a finding for every character that the sheets cannot print."""
        from beadroll.report import sheets  # noqa: PLC0415 - as above

        lacking = sheets.unprintable(record, report, self.template())
        return tuple(finding("RPT-NO-SIGN", each) for each in lacking)

    def __call__(self, record: HandoverRecord, report: Report, package: Packaged) -> Iterator[tuple[str, bytes]]:
        """Yield the sheets, then the page, which knows them all."""
        from beadroll.report import sheets, viewer  # noqa: PLC0415 - as above

        template = self.template()
        if not sheets.unprintable(record, report, template):
            for name, make in self._sheets(record, report, package, template):
                yield f"{layout.REPORTS}/{name}.pdf", make()
        name = places.package_name(record.handover)
        yield layout.PAGE, viewer.page(record, package.index(), report, package=name, language=template.words)

    def _sheets(
        self, record: HandoverRecord, report: Report, package: Packaged, template: Template
    ) -> Iterator[tuple[str, Callable[[], bytes]]]:
        from beadroll.report import sheets  # noqa: PLC0415 - as above

        edition = sheets.Edition(record=record, index=package.index(), report=report, template=template)
        makers = {"weld-summary": sheets.summary, "findings": sheets.findings, "counts": sheets.counts}
        for sheet in template.sheets:
            if sheet in makers:
                yield sheet, partial(makers[sheet], edition)
                continue
            for name, welds in _parts(record):
                yield (
                    f"{sheet}_{name}",
                    partial(
                        sheets.weld_sheets,
                        edition,
                        welds,
                        lambda film: package.read(film.preview) if film.preview else b"",
                    ),
                )


def template_to_fill_in() -> bytes:
    """Return a report template that says in comments what it may say: what a new job may begin with."""
    return (resources.files("beadroll.report") / "templates" / "default.toml").read_bytes()


def reading(folder: Path) -> Pages:
    """Return the pages of a job. Raises ``InputError`` for a template that cannot be used, before any work is done."""
    made = Pages(folder=folder)
    if (folder / TEMPLATE).is_file():
        made.template()
    return made


def _parts(record: HandoverRecord) -> Iterator[tuple[str, tuple[WeldRecord, ...]]]:
    """Yield the welds line by line, a long line in parts, each with a name for its file."""
    for line, group in groupby(record.welds, key=lambda weld: weld.weld.id.line):
        name = layout.safe_name(line or "NO-LINE")
        for part, welds in enumerate(_portions(group), start=1):
            yield name if part == 1 else f"{name}.{part}", welds


def _portions(welds: Iterable[WeldRecord]) -> Iterator[tuple[WeldRecord, ...]]:
    portion: list[WeldRecord] = []
    previews = 0
    for weld in welds:
        if portion and (len(portion) == WELDS_A_FILE or previews + len(weld.radiographs) > PREVIEWS_A_FILE):
            yield tuple(portion)
            portion, previews = [], 0
        portion.append(weld)
        previews += len(weld.radiographs)
    if portion:
        yield tuple(portion)


def write_transmittal(made: Assembled, folder: Path) -> Path | None:
    """Write the transmittal beside a finished package, taking the place of an older one, and return where it lies.

    ``folder`` is the job's. None where the font cannot print the record, which the package's findings say. Raises
    ``InputError`` for a template that cannot be used and ``MachineError`` when the system refuses.
    """
    from beadroll.report import sheets  # noqa: PLC0415 - as above

    template = Pages(folder=folder).template()
    if sheets.unprintable(made.record, made.report, template):
        transmittal_path(made).unlink(missing_ok=True)  # one left of an older build would name another digest
        return None
    package = made.package
    delivery = sheets.Delivery(
        name=package.name,
        tagmanifest_sha512=package.tagmanifest_sha512,
        payload_oxum=package.payload_oxum,
        sealed_by=tuple(sorted(package.seals)),
    )
    edition = sheets.Edition(record=made.record, index=made.index, report=made.report, template=template)
    data = sheets.transmittal(edition, delivery)
    path = transmittal_path(made)
    staging = Staging(path, folder=False, replace=True)
    published = False
    try:
        write_all(staging.fd, data, 0)
        os.fsync(staging.fd)
        staging.publish()
        published = True
    except OSError as error:
        raise machine_error("could not write the transmittal", path, error) from error
    finally:
        if not published:
            staging.discard()
    return path


def transmittal_path(made: Assembled) -> Path:
    """Return where the transmittal of a finished package lies."""
    return made.package.path.with_name(f"{made.package.name}.transmittal.pdf")


def _beside(folder: Path, name: str) -> bytes:
    if "/" in name or "\\" in name or name in {"", ".", ".."}:
        raise InputError(
            f"names {name!r}, which is no plain file name", path=TEMPLATE, remedy="Put the file beside the template."
        )
    return _read(folder / name, f"report/{name}")


def _read(path: Path, name: str) -> bytes:
    try:
        with path.open("rb") as file:
            data = file.read(MAX_BESIDE + 1)
    except FileNotFoundError as error:
        raise InputError(
            "is not there", path=name, remedy="Put the file beside the template, or take it out."
        ) from error
    except OSError as error:
        raise MachineError(f"{name}: could not be read: {error.strerror or error}") from error
    if len(data) > MAX_BESIDE:
        raise InputError(f"is larger than {MAX_BESIDE} bytes", path=name, remedy="Use a smaller file.")
    return data
