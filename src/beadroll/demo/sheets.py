"""The week's papers as the offices and crews keep them: weld log, reader sheets of two crews with their own headings.

Knows headings, columns and cells. The headings differ from crew to crew on purpose, as they do in life.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Final

import xlsxwriter

from beadroll.demo.story import JOB, REVIEWER, SEGMENTS, StoryShot, StoryWeld

Cell = str | float | int | date | None

_MADE: Final = datetime(2031, 3, 28, 9, 0)  # noqa: DTZ001 - workbooks hold moments without a zone
"""Creation date in the workbooks' properties, so that the same week gives the same bytes."""


def write_workbook(path: Path, sheet: str, rows: Sequence[Sequence[Cell]], *, heading_row: int) -> None:
    """Write one sheet; real dates are date cells, ``heading_row`` (from 0) is set in bold."""
    with xlsxwriter.Workbook(path) as book:
        book.set_properties({"created": _MADE, "author": "demo office"})
        page = book.add_worksheet(sheet)
        bold, day = book.add_format({"bold": True}), book.add_format({"num_format": "yyyy-mm-dd"})
        for row, cells in enumerate(rows):
            for column, cell in enumerate(cells):
                if isinstance(cell, date):
                    page.write_datetime(row, column, datetime(cell.year, cell.month, cell.day), day)  # noqa: DTZ001 - a day
                elif cell is not None and cell != "":
                    page.write(row, column, cell, bold if row == heading_row else None)
        page.freeze_panes(heading_row + 1, 0)
        page.set_column(0, 30, 13)


def write_csv(path: Path, rows: Sequence[Sequence[Cell]]) -> None:
    """Write a CSV with ISO dates, decimal points and CR LF, UTF-8."""
    text = io.StringIO()
    csv.writer(text).writerows([["" if cell is None else cell for cell in row] for row in rows])
    path.write_bytes(text.getvalue().encode("utf-8"))


_LOG_HEADINGS: Final = (
    "Line", "Weld no.", "Weld type", "Shop/Field", "Isometric", "Iso rev", "Spool", "Location", "NPS", "Schedule",
    "OD (mm)", "Wall (mm)", "Material", "Heat numbers", "WPS", "Welder", "Date welded", "NDE", "Repair date",
    "Repair welder", "Cut out on", "Replaces", "Remarks",
)  # fmt: skip


def weld_log(welds: Sequence[StoryWeld]) -> list[list[Cell]]:
    """Return the welding contractor's log: a heading row and one row a weld."""
    rows: list[list[Cell]] = [list(_LOG_HEADINGS)]
    for weld in welds:
        line, place = weld.line, int(weld.number[2:6]) - weld.line.first_number
        rows.append(
            [
                line.id, weld.number, "butt", "field", f"ISO-{line.id[3:]}-{1 + place // 6:02d}", "2",
                f"SP-{1 + place // 2:02d}", f"{412.0 + 11.8 * place:.1f} m", line.nps, line.schedule,
                line.outside_diameter_mm, line.wall_mm, line.material,
                f"{line.id[-1]}8813{place % 4} / {line.id[-1]}8814{place % 3}", "WPS-111-02", weld.welder,
                weld.welded_on, "RT", weld.repaired_on, weld.repair_welder, weld.cut_out_on, weld.replaces,
                weld.remark,
            ]
        )  # fmt: skip
    return rows


_CREW_A_HEADINGS: Final = (
    "Report no.", "Date exposed", "Line", "Weld no.", "Suffix", "Film", "Technique", "Source", "Activity (Ci)",
    "SFD (mm)", "Exposure (s)", "Radiographer", "Welder", "NPS", "Wall (mm)", "IQI required", "IQI seen",
    "Density min", "Density max", "Indication", "Position (mm)", "Length (mm)", "Result", "Disposition",
    "Interpreter", "Date read", "Reviewer", "Date reviewed", "Scanner", "Remarks",
)  # fmt: skip


def crew_a_sheet(shots: Sequence[StoryShot], densities: Sequence[tuple[float, float]]) -> list[list[Cell]]:
    """Return crew A's reader sheet for one day: everything in every row."""
    rows: list[list[Cell]] = [list(_CREW_A_HEADINGS)]
    for shot, (low, high) in zip(shots, densities, strict=True):
        read, line = shot.reading, shot.weld.line
        if read is None:
            continue
        flaw = read.flaw
        rows.append(
            [
                read.report, shot.on.isoformat(), line.id, shot.weld.number, shot.label, SEGMENTS[shot.segment],
                line.technique, line.source, f"{line.activity(shot.on):.1f}", f"{line.sfd_mm:.0f}",
                str(exposure_s(shot)), line.radiographer, _stencil(shot), line.nps, line.wall_mm, line.iqi_required,
                line.iqi_seen, f"{low:.2f}", f"{high:.2f}", flaw.kind.value if flaw else "",
                f"{flaw.position_mm:.0f}" if flaw else "", f"{flaw.length_mm:g}" if flaw else "", read.result,
                read.disposition, line.interpreter, read.read_on.isoformat(), REVIEWER, read.reviewed_on.isoformat(),
                line.scanner, read.remark,
            ]
        )  # fmt: skip
    return rows


_CREW_B_HEADINGS: Final = (
    "Joint", "Section", "Stencil", "Wire visible", "IQI reqd", "D min", "D max", "ISO 6520 code", "From datum (mm)",
    "Ind. length (mm)", "Evaluation", "Action", "Notes",
)  # fmt: skip


def crew_b_sheet(shots: Sequence[StoryShot], densities: Sequence[tuple[float, float]]) -> list[list[Cell]]:
    """Return crew B's reader sheet for one day: what is the same for all films stands above the table."""
    line = shots[0].weld.line
    first = next(shot.reading for shot in shots if shot.reading)
    head: list[list[Cell]] = [
        ["Report no.", first.report],
        ["Job", JOB],
        ["Line", line.id],
        ["Date exposed", shots[0].on],
        ["Technique", line.technique],
        ["Source", line.source],
        ["Activity (Ci)", round(line.activity(shots[0].on), 1)],
        ["SFD (mm)", line.sfd_mm],
        ["Exposure (s)", exposure_s(shots[0])],
        ["Radiographer", line.radiographer],
        ["Interpreter", line.interpreter],
        ["Date read", first.read_on],
        ["Reviewer", REVIEWER],
        ["Date reviewed", first.reviewed_on],
        ["Scanner", line.scanner],
        [],
        list(_CREW_B_HEADINGS),
    ]
    for shot, (low, high) in zip(shots, densities, strict=True):
        read = shot.reading
        if read is None:
            continue
        flaw = read.flaw
        head.append(
            [
                shot.weld.number + shot.label, SEGMENTS[shot.segment], _stencil(shot), line.iqi_seen,
                line.iqi_required, low, high, int(flaw.kind.value) if flaw else None,
                flaw.position_mm if flaw else None, flaw.length_mm if flaw else None, read.result, read.disposition,
                read.remark,
            ]
        )  # fmt: skip
    return head


CREW_B_HEADING_ROW: Final = 16


def exposure_s(shot: StoryShot) -> int:
    """Return the exposure time in s: longer as the source decays and with the square of the distance."""
    line = shot.weld.line
    return round(76_000 * (line.sfd_mm / 1000) ** 2 / line.activity(shot.on))


def _stencil(shot: StoryShot) -> str:
    return shot.weld.repair_welder if shot.label == "R1" else shot.weld.welder
