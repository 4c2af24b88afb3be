"""Small radiograph files for tests, written by independent libraries: pydicom, tifffile, Pillow."""

from __future__ import annotations

import io
import warnings

import numpy as np
import tifffile
from PIL import Image, PngImagePlugin
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.sequence import Sequence

from beadroll.images import Identity

WELD = Identity(
    job="J-88",
    line="LN-204",
    weld="W-0117",
    event="R1",
    segment="0-1",
    exposure_id="X-0042",
    technique="TS-03",
    component="Girth weld, pipe to elbow",
    material="P91",
    thickness_mm=12.7,
    outside_diameter_mm=273.1,
    welders=("7K", "3B"),
    source_isotope="Ir-192",
    source_serial="S-5521",
    sfd_mm=700.0,
    iqi="10 FE EN",
    client="Norrå Energi",
    contractor="Brückner Rohrbau",
    project="Station 4",
)


def film(rows=64, columns=97, *, kind="u2", bits=12, seed=7):
    """Return a noisy slab with a bead and two markers, whole numbers within ``bits``."""
    rng = np.random.default_rng(seed)
    top = (1 << bits) - 1
    low = -(1 << (bits - 1)) if kind[0] == "i" else 0
    across = np.linspace(-1, 1, rows)[:, None]
    image = top * (0.4 + 0.2 * np.exp(-((across / 0.3) ** 2)) + rng.normal(0, 0.004, (rows, columns)))
    image[: rows // 8, : columns // 8] = top
    image[-(rows // 10 or 1) :, :] = 0
    return (np.clip(image, 0, top) + low).astype(np.dtype(f"<{kind}"))


def dicom(array, *, bits=12, syntax="1.2.840.10008.1.2.1", photometric="MONOCHROME2", extra=None):
    """Return a DICOM file of one frame (rows, columns) or several (frames, rows, columns)."""
    made = Dataset()
    made.file_meta = FileMetaDataset()
    made.file_meta.TransferSyntaxUID = syntax
    made.file_meta.MediaStorageSOPClassUID = made.SOPClassUID = "1.2.840.10008.5.1.4.1.1.1"
    made.file_meta.MediaStorageSOPInstanceUID = made.SOPInstanceUID = "1.2.826.0.1.3680043.8.498.1"
    made.SpecificCharacterSet = "ISO_IR 192"
    made.PatientName = "W-0117^"
    made.PatientID = "J-88/LN-204/W-0117"
    made.OperatorsName = "Ekström^Å"
    made.AcquisitionDate, made.AcquisitionTime, made.TimezoneOffsetFromUTC = "20310402", "101530", "+0200"
    made.PixelSpacing = [0.05, 0.1]
    inner = Dataset()
    inner.CodeValue, inner.CodingSchemeDesignator, inner.CodeMeaning = "A", "99TEST", "inner"
    outer = Dataset()
    outer.ConceptNameCodeSequence = Sequence([inner])
    made.AcquisitionContextSequence = Sequence([outer])
    made.MaterialThickness = "12.7"
    block = made.private_block(0x0021, "TEST MAKER", create=True)
    block.add_new(0x01, "LO", "kept as it is")
    made.Rows, made.Columns = array.shape[-2:]
    if array.ndim == 3:
        made.NumberOfFrames = array.shape[0]
    made.SamplesPerPixel, made.PhotometricInterpretation = 1, photometric
    made.BitsAllocated, made.BitsStored, made.HighBit = array.dtype.itemsize * 8, bits, bits - 1
    made.PixelRepresentation = int(array.dtype.kind == "i")
    for keyword, value in (extra or {}).items():
        setattr(made, keyword, value)
    order = ">" if syntax == "1.2.840.10008.1.2.2" else "<"
    data = array.astype(array.dtype.newbyteorder(order)).tobytes()
    made.PixelData = data + b"\x00" * (len(data) % 2)
    made["PixelData"].VR = "OB" if array.dtype.itemsize == 1 and syntax != "1.2.840.10008.1.2" else "OW"
    held = io.BytesIO()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # pydicom remarks on what a test makes wrong on purpose
        made.save_as(held, enforce_file_format=True)
    return held.getvalue()


def tiff(array, **options):
    """Return a TIFF written by tifffile; 20 um pitch unless told otherwise."""
    held = io.BytesIO()
    options = {"resolution": (500, 500), "resolutionunit": "CENTIMETER", "metadata": None, **options}
    tifffile.imwrite(held, array, **options)
    return held.getvalue()


def png(array, **texts):
    """Return a PNG written by Pillow."""
    held = io.BytesIO()
    info = PngImagePlugin.PngInfo()
    for key, value in texts.items():
        info.add_text(key, value)
    Image.fromarray(array).save(held, "PNG", pnginfo=info, dpi=(254, 508))
    return held.getvalue()
