"""Readers and writers that others wrote: dcmtk, dicom3tools, libtiff's tools, pydicom with its own decoders."""

from __future__ import annotations

import io
import subprocess
import warnings
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pydicom
import pytest
from PIL import Image
from pydicom.data import get_testdata_file

from beadroll.errors import InputError
from beadroll.images import Codec, Origin, convert, decode, digest_of_object, read_facts, restore
from tests import radiographs
from tests.radiographs import WELD
from tests.tools import need

SAMPLES = sorted(path for path in (Path(pydicom.__file__).parent / "data" / "test_files").rglob("*") if path.is_file())

# pydicom's samples that are refused, and why; each sentence is what the technician is told.
REFUSED = {
    "ExplVR_BigEndNoMeta.dcm": "neither DICOM",
    "ExplVR_LitEndNoMeta.dcm": "neither DICOM",
    "JPEG2000-embedded-sequence-delimiter.dcm": "cannot be decoded",
    "MR_small_padded.dcm": "8320 bytes where its attributes need 8192",
    "MR_truncated.dcm": "cut short",
    "SC_rgb_jpeg.dcm": "type is unreadable",
    "badVR.dcm": "number of frames",
    "meta_missing_tsyntax.dcm": "no transfer syntax",
    "nested_priv_SQ.dcm": "rows and columns",
    "DICOMDIR-nooffset": "sequence is damaged",
    "rtplan_truncated.dcm": "cut short",
}
NO_IMAGE = ("holds no image", "neither DICOM")

# dciodvfy knows the medical standard. What it says of the objects written here, and why it stays:
EXPLAINED = (
    "(7fdf,1001",  # the documented private recipe
    "is not present in standard DICOM IOD",  # group 0014: DICONDE's own attributes
    "</Laterality(0020,0060)>",  # empty: a weld has no left and right
    "needed to build DICOMDIR",  # date, time or number the record does not know
    "</PixelIntensityRelationship(0028,1040)>",  # DR from a TIFF: the file does not say; nothing is made up
    "</PatientOrientation(0020,0020)>",  # a weld has no anatomical orientation
)


def run(*command):
    return subprocess.run([str(part) for part in command], capture_output=True, check=False)


def written(tmp_path, data, name="a.dcm"):
    path = tmp_path / name
    path.write_bytes(data)
    return path


def refusal(path):
    """The sentence a sample is refused with, None where it is read and decoded."""
    try:
        read_facts(path)
        decode(path)
    except InputError as refused:
        return refused.fault
    return None


REFUSALS = {path: refusal(path) for path in SAMPLES}
READ = [path for path in SAMPLES if REFUSALS[path] is None]
# Twelve-bit JPEG and the older lossless JPEG: pydicom has no decoder for these here, dcmtk has.
BY_DCMTK = ("JPEG-lossy.dcm", "JPGExtended.dcm", "SC_rgb_jpeg_gdcm.dcm")


def test_of_pydicoms_own_samples_only_those_are_refused_that_have_a_stated_reason():
    for path, sentence in REFUSALS.items():
        expected = (REFUSED[path.name],) if path.name in REFUSED else NO_IMAGE
        assert sentence is None or any(one in sentence for one in expected), path.name
        assert not (sentence is None and path.name in REFUSED), path.name
    assert len(READ) > 80


@pytest.mark.parametrize("path", READ, ids=[path.name for path in READ])
def test_every_sample_is_converted_and_comes_back(path):
    facts, data = read_facts(path), path.read_bytes()
    made = convert(data, WELD, codec=Codec.JPEG_LS, name=path.name)
    assert (made.rows, made.columns, made.frames) == (facts.rows, facts.columns, facts.frames)
    assert digest_of_object(made.data) == made.pixel_sha512
    if not made.keep_delivered:
        assert restore(made.data) == data


@pytest.mark.parametrize("path", [p for p in READ if p.name not in BY_DCMTK], ids=lambda path: path.name)
def test_pixels_of_the_samples_are_those_pydicom_reads(path):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its remarks on its own odd samples
        expected = pydicom.pixels.pixel_array(pydicom.dcmread(path), raw=True)
    found = decode(path).array
    assert np.array_equal(found, expected.reshape(found.shape))


@pytest.mark.parametrize("path", [p for p in READ if p.name in BY_DCMTK], ids=lambda path: path.name)
def test_pixels_of_the_older_jpeg_kinds_are_those_dcmtk_reads(tmp_path, path):
    done = run(need("dcmdjpeg"), "+cn", path, tmp_path / "b.dcm")
    assert done.returncode == 0, done.stderr
    found, expected = decode(path), decode(tmp_path / "b.dcm")
    # Two libraries may round the inverse cosine transform of a lossy image differently by one.
    bound = 0 if path.name == "SC_rgb_jpeg_gdcm.dcm" else 1
    assert np.abs(found.array.astype(int) - expected.array.astype(int)).max() <= bound


@pytest.mark.parametrize("codec", [Codec.JPEG_LS, Codec.HTJ2K, Codec.RLE, Codec.UNCOMPRESSED])
@pytest.mark.parametrize(("kind", "bits"), [("u1", 8), ("u2", 12), ("u2", 14), ("u2", 16), ("i2", 12), ("i2", 16)])
def test_pydicoms_decoders_read_the_same_pixels(codec, kind, bits):
    image = np.stack([radiographs.film(33, 47, kind=kind, bits=bits, seed=n) for n in range(2)])
    made = convert(radiographs.dicom(image, bits=bits), WELD, codec=codec, name="a")
    read = pydicom.dcmread(io.BytesIO(made.data))
    assert np.array_equal(read.pixel_array, image)


@pytest.mark.parametrize("photometric", ["MONOCHROME1", "MONOCHROME2"])
@pytest.mark.parametrize(("kind", "bits"), [("u1", 8), ("u2", 12), ("u2", 16), ("i2", 16)])
@pytest.mark.parametrize("codec", [Codec.JPEG_LS, Codec.RLE])
def test_dcmtk_decodes_to_the_delivered_words(tmp_path, codec, kind, bits, photometric):
    image = radiographs.film(61, 83, kind=kind, bits=bits)
    made = convert(radiographs.dicom(image, bits=bits, photometric=photometric), WELD, codec=codec, name="a")
    path = written(tmp_path, made.data)
    tool = need("dcmdjpls" if codec is Codec.JPEG_LS else "dcmdrle")
    done = run(tool, path, tmp_path / "b.dcm")
    assert done.returncode == 0, done.stderr
    assert np.array_equal(decode(tmp_path / "b.dcm").array[0], image)
    assert digest_of_object((tmp_path / "b.dcm").read_bytes()) == made.pixel_sha512


@pytest.mark.parametrize("codec", [Codec.JPEG_LS, Codec.RLE])
def test_what_dcmtk_encodes_is_read_to_the_same_digest(tmp_path, codec):
    delivered = radiographs.dicom(radiographs.film(61, 83))
    path = written(tmp_path, delivered)
    done = run(need("dcmcjpls" if codec is Codec.JPEG_LS else "dcmcrle"), path, tmp_path / "b.dcm")
    assert done.returncode == 0, done.stderr
    assert digest_of_object((tmp_path / "b.dcm").read_bytes()) == digest_of_object(delivered)


@pytest.mark.parametrize("option", ["+e1", "+el"])
@pytest.mark.parametrize(("kind", "bits"), [("u1", 8), ("u2", 12), ("u2", 16), ("i2", 16)])
def test_the_older_lossless_jpeg_kinds_are_read_at_every_depth(tmp_path, kind, bits, option):
    image = radiographs.film(61, 83, kind=kind, bits=bits)
    done = run(need("dcmcjpeg"), option, written(tmp_path, radiographs.dicom(image, bits=bits)), tmp_path / "b.dcm")
    assert done.returncode == 0, done.stderr
    made = convert((tmp_path / "b.dcm").read_bytes(), WELD, codec=Codec.JPEG_LS, name="b.dcm")
    assert made.unchanged
    assert np.array_equal(decode(made.data).array[0], image)


@pytest.mark.parametrize("codec", list(Codec))
@pytest.mark.parametrize("origin", list(Origin))
def test_dcmtk_finds_a_whole_file_without_complaint(tmp_path, codec, origin):
    made = convert(radiographs.tiff(radiographs.film()), replace(WELD, origin=origin), codec=codec, name="a")
    path = written(tmp_path, made.data)
    assert b"yes:" in run(need("dcmftest"), path).stdout
    done = run(need("dcmdump"), "+E", path)
    assert done.returncode == 0
    # dcmtk 3.6.7 has no name for the JPEG XL and HTJ2K transfer syntaxes, which came later.
    known = codec not in (Codec.HTJ2K, Codec.JPEG_XL)
    assert not [line for line in done.stderr.splitlines() if line.startswith((b"E:", b"F:")) or known]


@pytest.mark.parametrize("photometric", ["minisblack", "miniswhite"])
@pytest.mark.parametrize("kind", ["u1", "u2"])
@pytest.mark.parametrize("origin", list(Origin))
def test_dciodvfy_has_no_complaint_that_is_not_explained(tmp_path, origin, kind, photometric):
    image = radiographs.film(kind=kind, bits=8 if kind == "u1" else 16)
    known = replace(
        WELD,
        origin=origin,
        exposed_at=datetime(2031, 4, 2, 8, 15, tzinfo=UTC),
        interpreter="N. Okafor",
        result="accept",
    )
    made = convert(radiographs.tiff(image, photometric=photometric), known, codec=Codec.JPEG_LS, name="a")
    done = run(need("dciodvfy"), "-new", written(tmp_path, made.data))
    said = [line for line in done.stderr.decode().splitlines() if line.startswith(("Error", "Warning"))]
    assert said
    assert [line for line in said if not any(reason in line for reason in EXPLAINED)] == []


def test_dciodvfy_names_the_class_each_origin_gets(tmp_path):
    expected = {Origin.FILM_DIGITISED: "MultiframeGrayscaleWordSC", Origin.CR: "CRImage", Origin.DR: "DXImage"}
    for origin, name in expected.items():
        made = convert(radiographs.tiff(radiographs.film()), replace(WELD, origin=origin), codec=Codec.RLE, name="a")
        assert name in run(need("dciodvfy"), "-new", written(tmp_path, made.data)).stderr.decode()


@pytest.mark.parametrize(
    "options",
    [
        ["-c", "none"],
        ["-c", "lzw"],
        ["-c", "zip:2"],
        ["-c", "packbits"],
        ["-c", "none", "-t", "-w", "32", "-l", "32"],
        ["-c", "none", "-B"],
        ["-c", "none", "-8"],
        ["-c", "none", "-r", "5"],
    ],
    ids=" ".join,
)
def test_files_libtiff_wrote_keep_their_samples(tmp_path, options):
    image = radiographs.film(70, 91, bits=16)
    first = written(tmp_path, radiographs.tiff(image), "a.tif")
    done = run(need("tiffcp"), *options, first, tmp_path / "b.tif")
    assert done.returncode == 0, done.stderr
    delivered = (tmp_path / "b.tif").read_bytes()
    made = convert(delivered, WELD, codec=Codec.JPEG_LS, name="b.tif")
    assert np.array_equal(decode(made.data).array[0], image)
    assert made.pixel_pitch_mm == pytest.approx((0.02, 0.02))
    if made.restorable:
        assert restore(made.data) == delivered
    else:
        assert made.keep_delivered


@pytest.mark.parametrize("kind", ["u1", "u2"])
def test_files_pillow_wrote_keep_their_samples(kind):
    image = radiographs.film(70, 91, kind=kind, bits=8 if kind == "u1" else 16)
    held = io.BytesIO()
    Image.fromarray(image).save(held, "TIFF", dpi=(508, 508))
    made = convert(held.getvalue(), WELD, codec=Codec.JPEG_LS, name="a.tif")
    assert np.array_equal(decode(made.data).array[0], image)
    assert made.pixel_pitch_mm == pytest.approx((0.05, 0.05))
    assert restore(made.data) == held.getvalue()


def test_a_sample_is_at_hand_for_every_transfer_syntax_that_is_read():
    syntaxes = set()
    for path in SAMPLES:
        try:
            syntaxes.add(read_facts(path).transfer_syntax)
        except InputError:
            continue
    assert {f"1.2.840.10008.1.2{tail}" for tail in ("", ".1", ".2", ".1.99", ".5")} <= syntaxes
    assert {f"1.2.840.10008.1.2.4.{tail}" for tail in (50, 51, 70, 80, 81, 90, 91)} <= syntaxes
    assert get_testdata_file("CT_small.dcm", download=False)
