"""Writes the demo week: a job folder as an office and two crews would leave it, with computed radiographs.

Deterministic: the same arguments give the same bytes. Knows where files lie in a job folder; what happened is in
``story``, how films look in ``film``, how papers are laid out in ``sheets`` and ``papers``.
"""

from __future__ import annotations

import os
import shutil
import zlib
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from itertools import groupby
from pathlib import Path
from typing import Final

import numpy as np
from numpy.random import Generator, default_rng

from beadroll.demo import papers, sheets
from beadroll.demo.bead import Bead, repaired, weld_bead
from beadroll.demo.film import Shot, densities, expose, pitch_mm
from beadroll.demo.story import JOB, MESS, SEGMENTS, WEEK, Story, StoryShot, StoryWeld, tell
from beadroll.errors import InputError, MachineError
from beadroll.images.scanner import ScanLabel, write_dicom, write_tiff

DEFAULT_PIXELS: Final = (500, 1250)
SEED: Final = 20310331


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoWeek:
    """What was written, and where the story is: the weld to look at, the mess to settle.

    ``transposed`` and ``unlisted`` are delivered files relative to the folder: one whose header has a transposed
    weld number (it belongs to ``transposed_is``), and one that no reader sheet lists.
    """

    folder: Path
    week: str
    line: str
    number: str
    welds: int
    radiographs: int
    size_bytes: int
    transposed: str
    transposed_is: str
    unlisted: str


def write_week(
    folder: Path,
    *,
    welds: int = 12,
    pixels: tuple[int, int] = DEFAULT_PIXELS,
    seed: int = SEED,
    progress: Callable[[int, int, int], None] | None = None,
) -> DemoWeek:
    """Write the demo week into ``folder``, which must be new or empty; ``pixels`` are (rows, columns) of each film.

    Written beside and renamed: an interrupted run leaves nothing. ``progress`` is told files done, files in all and
    bytes so far. Raises ``InputError`` where the folder holds something, the week is too small for its story or the
    films too small to read, ``MachineError`` where the disk refuses.
    """
    _check(folder, welds, pixels)
    story = tell(welds, seed)
    unfinished = folder.with_name(f".{folder.name}.unfinished")
    try:
        shutil.rmtree(unfinished, ignore_errors=True)
        unfinished.mkdir(parents=True)
        papers.write(unfinished, pixels[1])
        (unfinished / "weld-log").mkdir()
        log = unfinished / "weld-log" / "weld-log.xlsx"
        sheets.write_workbook(log, "Weld log", sheets.weld_log(story.welds), heading_row=0)
        size = _shoot(unfinished, story, pixels, seed, progress or _nobody)
        # An empty folder may be there already; a rename takes its place.
        unfinished.replace(folder)
    except OSError as refused:
        raise MachineError(
            f"{folder}: the demo week could not be written: {refused.strerror}",
            remedy="Choose a folder on a disk with room, for instance: beadroll demo ./demo",
        ) from refused
    finally:
        shutil.rmtree(unfinished, ignore_errors=True)
    lines = {shot.weld.number: shot.weld.line.id for shot in story.shots}
    turned = next(shot for shot in story.shots if shot.header_number == MESS.transposed_to)
    return DemoWeek(
        folder=folder,
        week=WEEK,
        line=lines[MESS.repaired],
        number=MESS.repaired,
        welds=len(story.welds),
        radiographs=len(story.shots),
        size_bytes=size,
        transposed=turned.file,
        transposed_is=f"{turned.weld.line.id} {turned.weld.number} {SEGMENTS[turned.segment]}",
        unlisted=next(shot.file for shot in story.shots if shot.reading is None),
    )


def _nobody(done: int, total: int, size_bytes: int) -> None:
    """Tell nobody how far it is."""


def _check(folder: Path, welds: int, pixels: tuple[int, int]) -> None:
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise InputError(
            "is not an empty folder", path=str(folder), remedy="Name a new folder; the demo overwrites nothing."
        )
    rows, columns = pixels
    if not (200 <= rows <= 8000 and 500 <= columns <= 20000 and 0.2 <= rows / columns <= 1.2):  # noqa: PLR2004 - a film
        raise InputError(
            f"{columns}x{rows} pixels do not make a film of a weld",
            path=str(folder),
            remedy="Give width x height such as 1250x500 or 5000x2000.",
        )
    if not 6 <= welds <= 2000:  # noqa: PLR2004 - numbers of four digits on two lines
        raise InputError(f"{welds} welds are outside 6 to 2000", path=str(folder), remedy="Give --welds 12 or more.")


def _random(seed: int, *names: str) -> Generator:
    return default_rng([seed, zlib.crc32("\x1f".join(names).encode())])


def _bead(weld: StoryWeld, label: str, seed: int) -> Bead:
    """Return the weld's metal in the state that was shot."""
    made = weld_bead(
        _random(seed, weld.line.id, weld.number, "bead"),
        length_mm=weld.line.circumference_mm,
        wall_mm=weld.line.wall_mm,
        flaws=weld.flaws,
    )
    if label.startswith("R") and not label.startswith("RS"):
        first, last = weld.repair_mm
        return repaired(made, _random(seed, weld.line.id, weld.number, label), first_mm=first, last_mm=last)
    return made


def _shoot(
    folder: Path, story: Story, pixels: tuple[int, int], seed: int, progress: Callable[[int, int, int], None]
) -> int:
    """Write every film and, day by day, each crew's reader sheet; return the bytes of the films."""
    done = size = 0

    def film(shot: StoryShot) -> tuple[float, float]:
        return _film(folder, shot, pixels, seed)

    with _pool() as pool:
        for (crew, day), group in groupby(story.shots, key=lambda shot: (shot.weld.line.crew, shot.on)):
            shots = list(group)
            where = folder / "crews" / crew / day.isoformat()
            where.mkdir(parents=True)
            measured = []
            for shot, found in zip(shots, pool.map(film, shots), strict=True):
                measured.append(found)
                done += 1
                size += (folder / shot.file).stat().st_size
                progress(done, len(story.shots), size)
            if crew == "A":
                sheets.write_csv(where / "reader-sheet.csv", sheets.crew_a_sheet(shots, measured))
            else:
                rows = sheets.crew_b_sheet(shots, measured)
                sheets.write_workbook(
                    where / f"report {day:%d-%m}.xlsx", "Films", rows, heading_row=sheets.CREW_B_HEADING_ROW
                )
    return size


@contextmanager
def _pool() -> Iterator[ThreadPoolExecutor]:
    """Give threads to compute films in; an interruption does not wait for films nobody has begun."""
    pool = ThreadPoolExecutor(max_workers=min(4, os.cpu_count() or 1))
    try:
        yield pool
    finally:
        pool.shutdown(cancel_futures=True)


def _film(folder: Path, story: StoryShot, pixels: tuple[int, int], seed: int) -> tuple[float, float]:
    """Compute and write one film; return least and greatest density over the weld between the markers."""
    line, day = story.weld.line, story.on
    first, last = story.span_mm
    shot = Shot(
        outside_diameter_mm=line.outside_diameter_mm,
        wall_mm=line.wall_mm,
        sfd_mm=line.sfd_mm,
        first_mm=first,
        last_mm=last,
        marks=story.marks,
        letters=(f"{line.id} {story.weld.number} {story.label}".strip(), f"VTH07 PO {day:%d-%m-%y}"),
        density=story.density,
    )
    bead = _bead(story.weld, story.label, seed)
    image = expose(shot, bead, _random(seed, story.file), pixels)
    label = ScanLabel(
        identification=f"{line.id} {story.header_number}",
        segment=story.marks[0] + "-" + story.marks[1],
        job=JOB,
        operator=line.radiographer,
        scanned_at=story.exposed_at + timedelta(minutes=42),
        pitch_mm=pitch_mm(shot, pixels[1]),
        make="Lumen & Tray",
        model="FD-100",
        serial=line.scanner,
    )
    write = write_tiff if story.file.endswith(".tif") else write_dicom
    write(folder / story.file, np.ascontiguousarray(image), label)
    return densities(image, shot)
