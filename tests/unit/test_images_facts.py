from __future__ import annotations

import subprocess
import sys
import time

import numpy as np
import pytest
import tifffile

from beadroll.errors import InputError
from beadroll.images import facts_of_bytes, read_facts
from tests import radiographs


def test_importing_the_package_loads_no_image_library():
    code = (
        "import sys, beadroll.images\n"
        "heavy = {'numpy', 'pydicom', 'imagecodecs', 'tifffile', 'PIL'} & set(sys.modules)\n"
        "sys.exit(f'loaded {heavy}' if heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_public_names_are_what_they_say_after_their_modules_are_loaded():
    code = (
        "import beadroll.images as i\n"
        "for n in i.__all__: getattr(i, n)\n"
        "from beadroll.images import convert, decode, preview, restore\n"
        "assert all(callable(f) for f in (convert, decode, preview, restore))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@pytest.mark.parametrize("syntax", ["1.2.840.10008.1.2", "1.2.840.10008.1.2.1", "1.2.840.10008.1.2.2"])
def test_a_dicom_header_gives_its_witnesses_in_every_byte_order(syntax):
    facts = facts_of_bytes(radiographs.dicom(radiographs.film(), syntax=syntax), name="a.dcm")
    assert (facts.container, facts.rows, facts.columns, facts.frames) == ("dicom", 64, 97, 1)
    assert (facts.bits_allocated, facts.bits_stored, facts.signed) == (16, 12, False)
    assert facts.transfer_syntax == syntax
    assert facts.pixel_pitch_mm == (0.05, 0.1)
    assert facts.header["component_name"] == "W-0117^"
    assert facts.header["component_id"] == "J-88/LN-204/W-0117"
    assert facts.header["operator"] == "Ekström^Å"
    assert facts.header["acquisition_date"] == "20310402"
    assert facts.header["timezone_offset"] == "+0200"
    assert facts.header["thickness_mm"] == "12.7"
    assert "image_comments" not in facts.header


def test_a_tiff_header_gives_description_dates_and_pitch():
    data = radiographs.tiff(
        radiographs.film(), description="W-0117 R1", datetime="2031:04:02 10:15:30", software="Scan 3"
    )
    facts = facts_of_bytes(data, name="a.tif")
    assert (facts.container, facts.rows, facts.columns, facts.bits_stored) == ("tiff", 64, 97, 16)
    assert facts.pixel_pitch_mm == pytest.approx((0.02, 0.02))
    assert facts.header == {
        "image_description": "W-0117 R1",
        "date_time": "2031:04:02 10:15:30",
        "software": "Scan 3",
    }


def test_a_tiff_resolution_without_unit_leaves_the_pitch_unknown():
    data = radiographs.tiff(radiographs.film(), resolution=(72, 72), resolutionunit="NONE")
    assert facts_of_bytes(data, name="a.tif").pixel_pitch_mm is None


def test_min_is_white_is_monochrome1():
    data = radiographs.tiff(radiographs.film(), photometric="miniswhite")
    assert facts_of_bytes(data, name="a.tif").photometric == "MONOCHROME1"


def test_a_png_header_gives_texts_and_pitch_by_row_and_column():
    facts = facts_of_bytes(radiographs.png(radiographs.film(), Comment="W-0117"), name="a.png")
    assert (facts.container, facts.rows, facts.columns, facts.bits_stored) == ("png", 64, 97, 16)
    assert facts.header == {"text_comment": "W-0117"}
    assert facts.pixel_pitch_mm == pytest.approx((25.4 / 508, 25.4 / 254), rel=1e-4)


def test_colour_is_reported_as_colour():
    data = radiographs.tiff(np.zeros((8, 9, 3), np.uint8), photometric="rgb")
    assert facts_of_bytes(data, name="a.tif").samples == 3


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        (b"", "the file is empty"),
        (b"PK\x03\x04" + b"\x00" * 400, "neither DICOM, TIFF nor PNG"),
        (b"\x30\x82\x10\x00" + b"\x00" * 400, "or it is encrypted"),
    ],
)
def test_what_is_no_radiograph_is_named_with_a_remedy(tmp_path, data, sentence):
    path = tmp_path / "film 7.dcm"
    path.write_bytes(data)
    with pytest.raises(InputError, match=sentence) as refused:
        read_facts(path)
    assert refused.value.path == str(path)
    assert refused.value.remedy


def test_a_missing_file_is_an_input_error(tmp_path):
    with pytest.raises(InputError, match="not there"):
        read_facts(tmp_path / "gone.dcm")


def test_500_headers_a_second_can_be_read(tmp_path):
    path = tmp_path / "a.dcm"
    path.write_bytes(radiographs.dicom(radiographs.film(400, 500)))
    read_facts(path)
    best = min(_seconds(lambda: [read_facts(path) for _ in range(50)]) for _ in range(5))
    assert 50 / best >= 500


def _seconds(work):
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def test_bigtiff_and_thumbnails_are_understood(tmp_path):
    path = tmp_path / "a.tif"
    image = radiographs.film()
    with tifffile.TiffWriter(path, bigtiff=True) as writer:
        writer.write(image, metadata=None)
        writer.write(image[::4, ::4], metadata=None, subfiletype=1)
    facts = read_facts(path)
    assert (facts.rows, facts.columns, facts.frames) == (64, 97, 1)
