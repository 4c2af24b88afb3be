"""Batch numbers and field cards: the week's welds and the lead letters of each shot, before the first exposure.

From the job and a range: the numbers the contract gives, the segments of each weld, the lines of lead letters that
belong on each film, and a file name that reads back to the same place. Rows for CSV and XLSX; laying cards out on paper
is for reports. Refuses numbers that the weld log has already.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Final

from beadroll.findings import Finding, finding
from beadroll.record.job import Job, SegmentStyle
from beadroll.record.number import number_of, parse

COLUMNS: Final = (
    "line",
    "number",
    "segment",
    "lead 1",
    "lead 2",
    "lead 3",
    "file name",
    "nps",
    "outside diameter mm",
    "wall mm",
)
"""Headings of the rows, in order."""
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")
"""Openings that a spreadsheet would take for a formula."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """One shot to be made: where it belongs, the lead letters line by line, the name its file should have."""

    line: str
    number: str
    segment: str
    lead: tuple[str, ...]
    file_stem: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """The cards of a batch in shooting order, and findings about numbers that cannot be given."""

    cards: tuple[Card, ...]
    numbers: tuple[str, ...]
    findings: tuple[Finding, ...] = ()


def segments_of(count: int, style: SegmentStyle) -> tuple[str, ...]:
    """Return the segments of a weld shot in ``count`` exposures: ``0-1, 1-2, 2-0``; one goes from the datum to itself.

    Raises ``ValueError`` below one, or above 26 for letters.
    """
    if count < 1 or (style is SegmentStyle.LETTERS and count > 26):  # noqa: PLR2004 - letters of the alphabet
        raise ValueError(f"a weld cannot be shot in {count} segments marked by {style.value}")
    marks = [chr(65 + i) if style is SegmentStyle.LETTERS else str(i) for i in range(count)]
    return tuple(f"{marks[i]}-{marks[(i + 1) % count]}" for i in range(count))


def batch(
    job: Job,
    line: str,
    *,
    first: int,
    last: int,
    segments: Sequence[str],
    prefix: str = "",
    taken: Collection[tuple[str, str]] = (),
) -> Batch:
    """Return the cards for welds ``first`` to ``last`` of ``line``, both inclusive, one card a segment.

    ``taken`` are (line, number) of welds that exist; they get a finding and no card. Raises ``ValueError`` for a line
    or prefix that the job does not have, an empty range, or more numbers than the pattern has digits for.
    """
    _refuse(job, line, first, last, prefix)
    cards: list[Card] = []
    numbers: list[str] = []
    findings: list[Finding] = []
    for count in range(first, last + 1):
        number = number_of(count, job.numbers, prefix)
        if (line, number) in taken:
            findings.append(finding("REC-CARD-TAKEN", number, line=line))
            continue
        numbers.append(number)
        cards += [_card(job, line, number, segment) for segment in segments]
    return Batch(cards=tuple(cards), numbers=tuple(numbers), findings=tuple(findings))


def _refuse(job: Job, line: str, first: int, last: int, prefix: str) -> None:
    if line not in {x.id for x in job.lines}:
        raise ValueError(f"the job has no line {line}; it has {', '.join(x.id for x in job.lines)}")
    if prefix and prefix.upper() not in {p.upper() for p in job.numbers.prefixes}:
        raise ValueError(f"{prefix} is not a prefix of this contract ({', '.join(job.numbers.prefixes)})")
    if not 0 <= first <= last:
        raise ValueError(f"{first} to {last} is not a range of weld numbers")
    if len(str(last)) > job.numbers.digits:
        raise ValueError(f"{last} has more digits than the {job.numbers.digits} of this contract's numbers")


def _card(job: Job, line: str, number: str, segment: str) -> Card:
    stem = f"{line}_{number}_{segment}"
    read = parse(stem, job.numbers, tuple(x.id for x in job.lines))
    if not read.certain or (read.line, read.number, read.segment) != (line, number, segment):
        # A pattern whose names do not read back would plant the very mistakes that cards are to prevent.
        raise ValueError(f"the file name {stem} would be read as {read.line} {read.number} {read.segment}")
    return Card(
        line=line, number=number, segment=segment, lead=(job.contract, f"{line} {number}", segment), file_stem=stem
    )


def rows(job: Job, cards: Sequence[Card]) -> list[tuple[str, ...]]:
    """Return the cards as rows under ``COLUMNS``, numbers as text; empty where the job does not give a value."""
    lines = {line.id: line for line in job.lines}
    made = []
    for card in cards:
        line = lines[card.line]
        sizes = (line.nps, _plain(line.outside_diameter_mm), _plain(line.wall_mm))
        made.append((card.line, card.number, card.segment, *card.lead, card.file_stem, *sizes))
    return made


def _plain(value: float | None) -> str:
    return "" if value is None else f"{value:g}"


def as_csv(job: Job, cards: Sequence[Card]) -> bytes:
    """Return the rows as CSV: UTF-8 with a byte order mark for spreadsheets, CRLF, no cell that starts a formula."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    writer.writerows([f"'{cell}" if cell.startswith(_FORMULA) else cell for cell in row] for row in rows(job, cards))
    return out.getvalue().encode("utf-8-sig")


def as_xlsx(job: Job, cards: Sequence[Card]) -> bytes:
    """Return the rows as a workbook with one sheet, every cell as text, so that 0117 stays 0117."""
    import xlsxwriter  # noqa: PLC0415 - only this export needs it

    out = io.BytesIO()
    workbook = xlsxwriter.Workbook(out, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False})
    sheet = workbook.add_worksheet("Cards")
    bold = workbook.add_format({"bold": True})
    sheet.freeze_panes(1, 0)
    for column, heading in enumerate(COLUMNS):
        sheet.write_string(0, column, heading, bold)
    for n, row in enumerate(rows(job, cards), 1):
        for column, cell in enumerate(row):
            sheet.write_string(n, column, cell)
    sheet.set_column(0, len(COLUMNS) - 1, 16)
    workbook.close()
    return out.getvalue()
