"""Writes image files the way film scanners do: plain DICOM by one program, plain TIFF by another.

For the demo and for tests that need files this project's own writer did not make. Knows two file formats and the few
attributes a scanner's operator fills in. Nothing here goes into a package.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import numpy as np
import tifffile
from numpy.typing import NDArray
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import UID, ExplicitVRLittleEndian

from beadroll.images.write import uid

_SECONDARY_CAPTURE: Final = UID("1.2.840.10008.5.1.4.1.1.7")
"""Secondary Capture Image Storage (PS3.4, B.5): what digitised film is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanLabel:
    """What the operator types at the scanner. ``scanned_at`` carries its time zone; ``pitch_mm`` is the scan's."""

    identification: str
    segment: str
    job: str
    operator: str
    scanned_at: datetime
    pitch_mm: float
    make: str
    model: str
    serial: str
    number: int = 1


def write_dicom(path: Path, image: NDArray[np.uint16], label: ScanLabel) -> None:
    """Write a 16-bit image as a Secondary Capture object, explicit VR little-endian, pixels uncompressed."""
    made = Dataset()
    made.file_meta = FileMetaDataset()
    made.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    made.file_meta.MediaStorageSOPClassUID = _SECONDARY_CAPTURE
    seeds = [label.serial, label.scanned_at.isoformat(), label.identification, label.segment, str(label.number)]
    made.file_meta.MediaStorageSOPInstanceUID = UID(uid(*seeds))
    for name, value in _attributes(image, label, seeds).items():
        setattr(made, name, value)
    made.SOPInstanceUID = made.file_meta.MediaStorageSOPInstanceUID
    made.PixelData = image.astype("<u2", copy=False).tobytes()
    made["PixelData"].VR = "OW"
    made.save_as(path, enforce_file_format=True)


def _attributes(image: NDArray[np.uint16], label: ScanLabel, seeds: list[str]) -> dict[str, Any]:
    spacing = [f"{label.pitch_mm:.6f}"] * 2
    day, time = label.scanned_at.strftime("%Y%m%d"), label.scanned_at.strftime("%H%M%S")
    return {
        "SOPClassUID": _SECONDARY_CAPTURE,
        "StudyInstanceUID": uid(*seeds, "study"),
        "SeriesInstanceUID": uid(*seeds, "series"),
        "ImageType": ["DERIVED", "SECONDARY"],
        "Modality": "OT",
        "ConversionType": "DF",
        "StudyDate": day,
        "StudyTime": time,
        "AcquisitionDate": day,
        "AcquisitionTime": time,
        "TimezoneOffsetFromUTC": label.scanned_at.strftime("%z"),
        "Manufacturer": label.make,
        "ManufacturerModelName": label.model,
        "DeviceSerialNumber": label.serial,
        "OperatorsName": label.operator,
        "PatientName": f"{label.identification}^",
        "PatientID": label.identification,
        "PatientBirthDate": "",
        "PatientSex": "",
        "ReferringPhysicianName": "",
        "AccessionNumber": "",
        "StudyID": "",
        "StudyDescription": label.job,
        "SeriesDescription": label.segment,
        "SeriesNumber": 1,
        "InstanceNumber": label.number,
        "SamplesPerPixel": 1,
        "PhotometricInterpretation": "MONOCHROME2",
        "Rows": image.shape[0],
        "Columns": image.shape[1],
        "BitsAllocated": 16,
        "BitsStored": 16,
        "HighBit": 15,
        "PixelRepresentation": 0,
        "NominalScannedPixelSpacing": spacing,
        "PixelSpacing": spacing,
    }


def write_tiff(path: Path, image: NDArray[np.uint16], label: ScanLabel) -> None:
    """Write a 16-bit image as a plain TIFF with its resolution, the identification in ImageDescription."""
    per_cm = 10 / label.pitch_mm
    with tifffile.TiffWriter(path, byteorder="<") as writer:
        writer.write(
            image,
            photometric="minisblack",
            resolution=(per_cm, per_cm),
            resolutionunit="CENTIMETER",
            description=f"{label.job} {label.identification} {label.segment}",
            datetime=label.scanned_at.strftime("%Y:%m:%d %H:%M:%S"),
            software=f"{label.model} scan station",
            metadata=None,
            rowsperstrip=max(1, 4_194_304 // (2 * image.shape[1])),
            extratags=[
                (271, "s", 0, label.make, True),
                (272, "s", 0, label.model, True),
                (315, "s", 0, label.operator, True),
            ],
        )
