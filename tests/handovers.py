"""A checked week on disk, small, made without the stages before: radiographs, a weld log, and their record."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pydicom
import tifffile
from PIL import Image
from pydicom.dataset import FileDataset, FileMetaDataset
from pydicom.uid import ComputedRadiographyImageStorage, ExplicitVRLittleEndian, generate_uid

from beadroll import images
from beadroll.findings import Report
from beadroll.handover.check import check
from beadroll.handover.stages import Checked, DeliveredFile, DeliveredRadiograph, Gathered, Reconciled
from tests.weeks import MONDAY, week


def noisy(seed: int, rows: int, columns: int) -> np.ndarray:
    """Counts of a slope with Poisson noise: what no codec can make small."""
    slope = np.linspace(8_000, 30_000, columns)[None, :].repeat(rows, axis=0)
    return np.random.default_rng(seed).poisson(slope).astype(np.uint16)


def write_tiff(path: Path, pixels: np.ndarray) -> None:
    tifffile.imwrite(path, pixels, resolution=(500, 500), resolutionunit="CENTIMETER", software="test scanner")


def write_dicom(path: Path, pixels: np.ndarray, number: str) -> None:
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = ComputedRadiographyImageStorage
    meta.MediaStorageSOPInstanceUID = generate_uid(entropy_srcs=[str(path.name)])
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    made = FileDataset(str(path), {}, file_meta=meta, preamble=b"\0" * 128)
    made.SOPClassUID, made.SOPInstanceUID = meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID
    made.PatientName, made.PatientID, made.Modality = f"{number}^", number, "CR"
    made.Rows, made.Columns = pixels.shape
    made.SamplesPerPixel, made.PhotometricInterpretation = 1, "MONOCHROME2"
    made.BitsAllocated, made.BitsStored, made.HighBit, made.PixelRepresentation = 16, 16, 15, 0
    made.PixelData = pixels.tobytes()
    made.save_as(path, enforce_file_format=True)
    assert pydicom.dcmread(path).Rows == pixels.shape[0]


def delivered(folder: Path, path: Path) -> DeliveredFile:
    seen = path.stat()
    return DeliveredFile(
        path=path.relative_to(folder).as_posix(),
        size_bytes=seen.st_size,
        modified_ns=seen.st_mtime_ns,
        crew="A",
        on=MONDAY,
    )


def write_week(folder: Path, *, welds: int = 2, rows: int = 48, columns: int = 64) -> None:
    """Write the files of a week: three radiographs a weld, the first a DICOM file, the others TIFF, one PNG."""
    shots = folder / "crews" / "A" / "2031-03-31"
    shots.mkdir(parents=True)
    for number, weld in enumerate(week(welds).welds):
        for shot, radiograph in enumerate(weld.radiographs):
            pixels = noisy(10 * number + shot, rows, columns)
            stem = f"{weld.weld.id.number} {radiograph.segment}"
            if shot == 0:
                write_dicom(shots / f"{stem}.dcm", pixels, weld.weld.id.number)
            elif shot == 1 or number:
                write_tiff(shots / f"{stem}.tif", pixels)
            else:
                Image.fromarray(pixels).save(shots / f"{stem}.png")
    (folder / "weld-log").mkdir()
    (folder / "weld-log" / "Weld Log März.csv").write_text("weld;welder\nW-0101;7K\n", encoding="utf-8")


def reconciled_week(folder: Path, *, welds: int = 2, codec: str = "jpeg-ls") -> Reconciled:
    """The week of ``write_week`` as reconciliation would hand it on."""
    record = week(welds)
    record = replace(record, job=replace(record.job, codec=codec))
    files = {each.stem: each for each in sorted((folder / "crews").rglob("*.*"))}
    placed = tuple(
        replace(
            weld,
            radiographs=tuple(
                replace(each, delivered_as=delivered(folder, files[f"{weld.weld.id.number} {each.segment}"]).path)
                for each in weld.radiographs
            ),
        )
        for weld in record.welds
    )
    record = replace(record, welds=placed)
    gathered = Gathered(
        folder=folder,
        job=record.job,
        handover=record.handover,
        weld_log=(),
        reader_lines=(),
        radiographs=tuple(
            DeliveredRadiograph(file=delivered(folder, path), facts=images.read_facts(path)) for path in files.values()
        ),
        techniques=record.techniques,
        people=record.people,
        equipment=record.equipment,
        sheets=tuple(delivered(folder, path) for path in sorted((folder / "weld-log").iterdir())),
    )
    return Reconciled(gathered=gathered, record=record, discrepancies=())


def checked_week(folder: Path, *, welds: int = 2, codec: str = "jpeg-ls") -> Checked:
    """The week of ``write_week``, checked without rules."""
    made = check(reconciled_week(folder, welds=welds, codec=codec))
    assert made.report == Report()
    return made
