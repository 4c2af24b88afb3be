"""How fast a week is gathered: 20,000 rows of a spreadsheet, 1,500 radiograph headers, the week again unchanged.

Run by hand: ``python -m tests.benchmarks.gather [--radiographs 1500]``. Bars: 20,000 rows in under 1 s, at least 500
headers a second, an unchanged week of 1,500 radiographs in under 2 s.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pydicom
import tifffile
import xlsxwriter
from pydicom.dataset import FileDataset, FileMetaDataset
from pydicom.uid import ComputedRadiographyImageStorage, ExplicitVRLittleEndian, generate_uid

from beadroll.handover.gathering.gather import gather
from beadroll.handover.gathering.jobfolder import new_job, read_job
from beadroll.handover.gathering.sheets import Habits, weld_log_rows
from beadroll.record.handover import Period
from beadroll.tables import read_book

ROWS = 20_000
HEADINGS = (
    "Line", "Weld no.", "Weld type", "Shop/Field", "Isometric", "Iso rev", "Spool", "NPS", "Schedule", "OD (mm)",
    "Wall (mm)", "Material", "Heat numbers", "WPS", "Welder", "Date welded", "NDE", "Remarks",
)  # fmt: skip


def timed(what: str, work: Callable[[], object], repeat: int = 3) -> float:
    """Print the best of a few runs in s and return it."""
    best = min(_once(work) for _ in range(repeat))
    print(f"{what:58s} {best:8.3f} s", flush=True)  # noqa: T201 - a benchmark prints
    return best


def _once(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def write_log(path: Path) -> None:
    """Write a weld log of ``ROWS`` rows as XLSX, and as CSV beside it."""
    rows = [
        ["LN-204", f"W-{n:05d}", "butt", "field", "ISO-1", "2", f"SP-{n // 2}", "12", "STD", 323.8, 9.53, "P265GH",
         "H1 / H2", "WPS-1", "7K", "2031-03-31", "RT", ""]
        for n in range(ROWS)
    ]  # fmt: skip
    with xlsxwriter.Workbook(path, {"constant_memory": True}) as book:
        page = book.add_worksheet("Weld log")
        page.write_row(0, 0, HEADINGS)
        for number, row in enumerate(rows, start=1):
            page.write_row(number, 0, row)
    text = "\n".join(",".join(str(cell) for cell in row) for row in [HEADINGS, *rows])
    path.with_suffix(".csv").write_text(text, encoding="utf-8")


def write_week(folder: Path, radiographs: int) -> None:
    """Write a job with a week of radiographs, half DICOM, half TIFF, small of pixels since only headers are read."""
    new_job(folder)
    place = folder / "crews" / "A" / "2031-04-01"
    place.mkdir(parents=True)
    pixels = np.random.default_rng(7).integers(0, 4096, (200, 500), dtype=np.uint16)
    for number in range(radiographs):
        stem = f"W-{number // 3:04d}_{number % 3}-{(number + 1) % 3}"
        if number % 2:
            tifffile.imwrite(place / f"{stem}.tif", pixels, resolution=(508, 508), resolutionunit="CENTIMETER")
        else:
            write_dicom(place / f"{stem}.dcm", pixels, stem)


def write_dicom(path: Path, pixels: np.ndarray, weld: str) -> None:
    """Write one small DICOM object."""
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = ComputedRadiographyImageStorage
    meta.MediaStorageSOPInstanceUID = generate_uid()
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    made = FileDataset(str(path), {}, file_meta=meta, preamble=bytes(128))
    made.SOPClassUID, made.SOPInstanceUID = meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID
    made.PatientName, made.PatientID = weld, weld
    made.Rows, made.Columns = pixels.shape
    made.SamplesPerPixel, made.PhotometricInterpretation = 1, "MONOCHROME2"
    made.BitsAllocated, made.BitsStored, made.HighBit, made.PixelRepresentation = 16, 16, 15, 0
    made.PixelSpacing = [0.05, 0.05]
    made.PixelData = pixels.tobytes()
    pydicom.dcmwrite(path, made, enforce_file_format=True)


def main() -> None:
    """Write, measure, print."""
    arguments = argparse.ArgumentParser()
    arguments.add_argument("--radiographs", type=int, default=1500)
    count = arguments.parse_args().radiographs
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        write_log(folder / "log.xlsx")
        timed(f"read {ROWS:,} rows of XLSX", lambda: read_book(folder / "log.xlsx"))
        timed(f"read {ROWS:,} rows of CSV", lambda: read_book(folder / "log.csv"))
        job = folder / "job"
        write_week(job, count)
        read = read_job(job)
        habits = Habits(manner=read.manner, profiles=(), zone=read.zone)
        book = read_book(folder / "log.xlsx")
        timed(f"make {ROWS:,} weld log rows of them", lambda: weld_log_rows(book, habits))
        week = Period.of_week("2031-W14")
        cold = timed(f"gather {count:,} radiographs, no cache", lambda: gather(job, week, facts_cache=False))
        gather(job, week)
        timed(f"gather {count:,} radiographs again, unchanged", lambda: gather(job, week))
        print(f"{count / cold:,.0f} headers a second")  # noqa: T201 - a benchmark prints


if __name__ == "__main__":
    main()
