"""The sheets of a handover on paper: weld summary, one sheet a weld, findings, counts, and the transmittal.

Knows what each sheet says and in which order. Refuses to read anything: record, index, findings and the bytes of
previews are handed in, and bytes are handed back; the same arguments give the same bytes. The transmittal carries the
digest of the tag manifest, which covers every file inside the package; so it cannot lie inside and goes beside.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

from beadroll.findings import Report
from beadroll.package.index import FileRole, Index
from beadroll.record.handover import HandoverRecord
from beadroll.record.radiograph import Radiograph
from beadroll.record.weld import WeldRecord
from beadroll.report import facts
from beadroll.report.language import Words, legible
from beadroll.report.paper import BODY, BOLD, LABEL, MARGIN_MM, TITLE, Paper, Style
from beadroll.report.properties import Label
from beadroll.report.template import Template
from beadroll.report.timeline import Names, Step, radiograph_name, steps
from beadroll.report.typeface import name_of, texts_of
from beadroll.rules.counts import NOWHERE, Count, count, counted_week

Preview = Callable[[Radiograph], bytes]
"""Returns the JPEG of a radiograph's preview, empty where there is none."""

PICTURE_MM: Final = 46.0
_DIGEST_GROUP: Final = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """A package as it was finished: what the transmittal names it by. ``sealed_by`` are the roles that sealed."""

    name: str
    tagmanifest_sha512: str
    payload_oxum: str
    sealed_by: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Edition:
    """What is printed: a handover's record with its index and findings, by one template. All sheets share its font."""

    record: HandoverRecord
    index: Index
    report: Report
    template: Template

    @cached_property
    def characters(self) -> frozenset[str]:
        """Every character a sheet of this handover may print; looked for once, however many sheets are made."""
        return _characters(self.record, self.report, self.template) | set(self.index.written_by)

    @property
    def words(self) -> Words:
        """The template's words."""
        return self.template.words


def unprintable(record: HandoverRecord, report: Report, template: Template) -> tuple[str, ...]:
    """Return every character of the record that the template's font cannot print, by code point and name."""
    return tuple(map(name_of, template.typeface.missing("".join(sorted(_characters(record, report, template))))))


def summary(edition: Edition) -> bytes:
    """Return the weld summary: one row a weld, with the template's columns. Raises ``InputError`` as ``Paper``."""
    words, record = edition.words, edition.record
    names, columns = Names.of(record.people), edition.template.columns
    sheet = _begin(edition, words("sheet.summary"), landscape=True)
    _top(sheet, edition, words("sheet.summary"))
    for text in facts.of_totals(edition.index.totals, words):
        sheet.paragraph(text, after=0.5)
    sheet.skip(2)
    heads = [words(f"column.{column}") for column in columns]
    rows = [[facts.cell(column, weld, names, words) for column in columns] for weld in record.welds]
    if rows:
        sheet.table(heads, rows)
    else:
        sheet.paragraph(words("sheet.no_welds"))
    _signatures(sheet, edition)
    return sheet.finish()


def weld_sheets(edition: Edition, welds: Sequence[WeldRecord], preview: Preview) -> bytes:
    """Return one sheet for each of ``welds``, with timeline, previews and signature blocks, in one document.

    One weld gives a single-weld sheet. Raises ``InputError`` as ``Paper`` does.
    """
    names = Names.of(edition.record.people)
    subject = legible(str(welds[0].weld.id)) if len(welds) == 1 else ""
    sheet = _begin(edition, edition.words("sheet.weld"), subject=subject)
    for weld in welds:
        _weld_sheet(sheet, edition, weld, names, preview)
    return sheet.finish()


def findings(edition: Edition) -> bytes:
    """Return the list of findings with their basis and what to do. Raises ``InputError`` as ``Paper`` does."""
    words = edition.words
    sheet = _begin(edition, words("sheet.findings"))
    _top(sheet, edition, words("sheet.findings"))
    sheet.paragraph(words("caution.findings"), after=3)
    ordered = edition.report.ordered()
    if not ordered:
        sheet.paragraph(words("sheet.no_findings"))
        return sheet.finish()
    rows = []
    for each in ordered:
        said = [legible(each.text)]
        said += [words("sheet.remedy", remedy=legible(each.remedy))] if each.remedy else []
        said += [words("sheet.clause", clause=legible(each.clause))] if each.clause else []
        rows.append([words(f"severity.{each.severity.value}"), each.code, " ".join(said)])
    sheet.table([words(f"column.{key}") for key in ("severity", "code", "finding")], rows)
    return sheet.finish()


_COUNTED: Final = ("made", "examined", "rejected", "repaired", "cut_out", "concession", "open")


def counts(edition: Edition) -> bytes:
    """Return the counts of welds made, examined, rejected and disposed, grouped as the template says."""
    words = edition.words
    sheet = _begin(edition, words("sheet.counts"))
    _top(sheet, edition, words("sheet.counts"))
    sheet.paragraph(words("sheet.counts.about"), after=3)
    counted = counted_week(edition.record)
    heads = [words(f"column.{key}") for key in ("group", *_COUNTED, "rate")]
    for group in edition.template.counts_by:
        rows, total = count(counted, group)
        sheet.section(words(f"sheet.counts.{group}"))
        listed = [
            _counted(each, words("sheet.not_stated") if each.group == NOWHERE else legible(each.group), words)
            for each in rows
        ]
        sheet.table(heads, [*listed, _counted(total, words("sheet.total"), words)], last_bold=True)
    _signatures(sheet, edition)
    return sheet.finish()


def _counted(each: Count, name: str, words: Words) -> list[str]:
    rate = ""
    if each.reject_rate:
        share, low, high = (words.number(round(100 * part, 1)) for part in each.reject_rate)
        rate = words("sheet.counts.rate", share=share, low=low, high=high)
    return [name, *(str(getattr(each, key)) for key in _COUNTED), rate]


def transmittal(edition: Edition, delivery: Delivery) -> bytes:
    """Return the cover list that goes beside a finished package: parties, contents, and the digest to compare.

    Raises ``InputError`` as ``Paper`` does.
    """
    words, record, index = edition.words, edition.record, edition.index
    job = record.job
    subject = "" if delivery.name == facts.handover_name(record.handover) else delivery.name
    sheet = _begin(edition, words("sheet.transmittal"), subject=subject)
    _top(sheet, edition, words("sheet.transmittal"))
    asked, sealed = (_roles(roles, words) for roles in (job.required_roles, delivery.sealed_by))
    pairs = [
        (words("sheet.from"), legible(job.contractor)),
        (words("sheet.to"), legible(job.client)),
        (words("sheet.package"), legible(delivery.name)),
        (words("sheet.payload"), delivery.payload_oxum),
        (words("sheet.seals_asked"), asked),
        (words("sheet.sealed_by"), sealed),
    ]
    sheet.pairs([(label, value) for label, value in pairs if value])
    _digest(sheet, delivery, words)
    sheet.section(words("fact.totals"))
    for text in facts.of_totals(index.totals, words):
        sheet.paragraph(text, after=0.5)
    sheet.skip(2)
    sheet.table([words("column.item"), words("column.quantity"), words("column.size")], _contents(index, words))
    if record.welds:
        sheet.section(words("sheet.welds_listed"))
        sheet.table(*_welds_listed(record, words))
    sheet.section(words("sheet.receipt"), keep=45)
    sheet.boxes(
        [words("role.contractor"), words("role.client")],
        [words(f"sheet.signature.{key}") for key in ("name", "signature", "date")],
    )
    return sheet.finish()


def _roles(roles: Sequence[str], words: Words) -> str:
    """Return the names of roles; a role of the contract's own stands as it is."""
    return ", ".join(words.texts.get(f"role.{role}", legible(role)) for role in roles)


def _digest(sheet: Paper, delivery: Delivery, words: Words) -> None:
    side, digest = 42.0, delivery.tagmanifest_sha512
    sheet.room(side + 4)
    top, x = sheet.y, MARGIN_MM + side + 4
    sheet.qr(f"sha512:{digest}", MARGIN_MM, top, side)
    y = top + 3
    for line in sheet.wrap(words("sheet.digest"), sheet.width - side - 4, BOLD):
        sheet.line(line, x, y, BOLD)
        y += BOLD.line_mm
    groups = [digest[start : start + _DIGEST_GROUP] for start in range(0, len(digest), _DIGEST_GROUP)]
    for start in range(0, len(groups), 4):
        sheet.line("  ".join(groups[start : start + 4]), x, y)
        y += BODY.line_mm
    y += 1
    for line in sheet.wrap(words("sheet.digest.about"), sheet.width - side - 4, LABEL):
        sheet.line(line, x, y, LABEL)
        y += LABEL.line_mm
    sheet.y = max(top + side, y) + 2


def _contents(index: Index, words: Words) -> list[list[str]]:
    number = Counter(file.role for file in index.files)
    sizes: Counter[FileRole] = Counter()
    for file in index.files:
        sizes[file.role] += file.size_bytes
    return [
        [words(f"item.{role.value}"), str(number[role]), facts.size_text(sizes[role], words)]
        for role in FileRole
        if number[role]
    ]


def _welds_listed(record: HandoverRecord, words: Words) -> tuple[list[str], list[list[str]]]:
    columns, names = ("line", "number", "radiographs", "reports", "standing"), Names.of(record.people)
    heads = [words(f"column.{column}") for column in columns]
    return heads, [[facts.cell(column, weld, names, words) for column in columns] for weld in record.welds]


def _characters(record: HandoverRecord, report: Report, template: Template) -> frozenset[str]:
    found: set[str] = set()
    for text in texts_of((record, tuple(template.words.texts.values()))):
        found.update(legible(text))
    for each in report.findings:
        for text in (each.text, each.remedy, each.clause, each.code):
            found.update(legible(text))
    return frozenset(found | set(". ,;:/()[]-+%?0123456789"))


def _begin(edition: Edition, title: str, *, subject: str = "", landscape: bool = False) -> Paper:
    words, record = edition.words, edition.record
    job, name = record.job, facts.handover_name(record.handover)
    label = Label(
        kind=title,
        title=" - ".join(part for part in (title, subject, name, legible(job.client)) if part),
        subject=f"{legible(job.title)}, {legible(job.contract)}",
        author=legible(job.contractor),
        program=edition.index.written_by,
        dated=record.handover.dated,
        caution=words("caution.short"),
        page=words.texts["sheet.page"],
    )
    return Paper(edition.template, label, edition.characters | set(subject), landscape=landscape)


def _top(sheet: Paper, edition: Edition, title: str, *, about: str = "") -> None:
    """Set the head of a sheet: title, handover, logo, and who hands over what to whom."""
    record, template = edition.record, edition.template
    sheet.page(bookmark=about or title)
    beside = sheet.logo(template.logo)[0] + 4 if template.logo else 0.0
    sheet.paragraph(facts.handover_name(record.handover), LABEL, narrower=beside, after=0)
    sheet.paragraph(" ".join(part for part in (title, about) if part), TITLE, narrower=beside, after=0)
    sheet.y = max(sheet.y, MARGIN_MM + (18 if template.logo else 0)) + 1
    sheet.rule()
    sheet.skip(2)
    sheet.pairs(facts.of_handover(record.job, record.handover, edition.words)[: None if not about else 5], columns=4)
    sheet.rule()
    sheet.skip(3)


def _signatures(sheet: Paper, edition: Edition) -> None:
    template, words = edition.template, edition.words
    if template.signatures:
        sheet.section(words("sheet.signatures"), keep=45)
        sheet.boxes(
            [words(f"role.{role.value}") for role in template.signatures],
            [words(f"sheet.signature.{key}") for key in ("name", "signature", "date")],
        )


def _weld_sheet(sheet: Paper, edition: Edition, weld: WeldRecord, names: Names, preview: Preview) -> None:
    words = edition.words
    _top(sheet, edition, words("sheet.weld"), about=legible(str(weld.weld.id)))
    standing = f"{words('column.standing')}: {words(f'standing.{weld.standing.value}')}"
    sheet.paragraph(standing, Style(size_pt=11, bold=True))
    sheet.pairs(facts.of_weld(weld, words), columns=4)
    sheet.section(words("page.timeline"))
    for step in steps(weld, names, words):
        _step(sheet, step, words)
    sheet.section(words("page.radiographs"), keep=PICTURE_MM + 25)
    if not weld.radiographs:
        sheet.paragraph(words("page.no_radiographs"))
    for start in range(0, len(weld.radiographs), 2):
        _pictures(sheet, weld.radiographs[start : start + 2], weld, words, preview)
    _signatures(sheet, edition)


def _step(sheet: Paper, step: Step, words: Words) -> None:
    day, indent = words.day(step.on), 32.0
    width = sheet.width - indent
    details = sheet.wrap("; ".join(step.details), width, LABEL) if step.details else []
    title = sheet.wrap(step.title, width, BOLD)
    sheet.room(min(len(title) * BOLD.line_mm + len(details) * LABEL.line_mm, 60))
    for depth, line in enumerate(sheet.wrap(day, indent - 2)):
        sheet.line(line, MARGIN_MM, sheet.y + depth * BODY.line_mm)
    for style, lines in ((BOLD, title), (LABEL, details)):
        for line in lines:
            sheet.room(style.line_mm)
            sheet.line(line, MARGIN_MM + indent, sheet.y, style)
            sheet.skip(style.line_mm)
    sheet.skip(1.2)


def _pictures(sheet: Paper, films: Sequence[Radiograph], weld: WeldRecord, words: Words, preview: Preview) -> None:
    """Set two radiographs side by side: a preview that keeps its shape, the name, and what is known of it."""
    gap = 6.0
    width = (sheet.width - gap) / 2
    notes = [_notes(sheet, film, weld, words, width) for film in films]
    deep = max(sum(style.line_mm for _, style in lines) for lines in notes)
    beside = PICTURE_MM + 1 + deep < sheet.bottom - 2 * MARGIN_MM
    sheet.room(PICTURE_MM + 1 + (deep if beside else 0))
    top, tallest = sheet.y, 0.0
    shown = [(preview(film), MARGIN_MM + number * (width + gap)) for number, film in enumerate(films)]
    for data, x in shown:
        if data:
            tallest = max(tallest, sheet.picture(data, x, top, (width, PICTURE_MM))[1])
    sheet.y = top + tallest + 1
    if not beside:
        for line, style in (each for lines in notes for each in lines):
            sheet.paragraph(line, style, after=0)
        return
    for lines, (_, x) in zip(notes, shown, strict=True):
        y = sheet.y
        for line, style in lines:
            sheet.line(line, x, y, style)
            y += style.line_mm
    sheet.skip(deep + 4)


def _notes(sheet: Paper, film: Radiograph, weld: WeldRecord, words: Words, width: float) -> list[tuple[str, Style]]:
    lines = [(line, BOLD) for line in sheet.wrap(radiograph_name(film, words), width, BOLD)]
    said = [*facts.of_radiograph(film, weld, words), film.path]
    lines += [(line, LABEL) for text in said if text for line in sheet.wrap(text, width, LABEL)]
    return lines
