from __future__ import annotations

import hashlib
import io
import struct
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pydicom
import pytest
import tifffile

from beadroll.errors import InputError
from beadroll.images import Codec, Origin, convert, decode, digest_of_object, pixel_digest, restore
from beadroll.images.walk import EXPLICIT_LITTLE
from tests import radiographs
from tests.radiographs import WELD

COMPRESSED = [codec for codec in Codec if codec is not Codec.UNCOMPRESSED]


def elements(data):
    """Every element of an object as pydicom reads it, without pixels, our own block and group lengths."""
    with pydicom.dcmread(io.BytesIO(data)) as made:
        return {
            (element.tag, str(element.value))
            for element in made.iterall()
            if element.tag.group not in (0x7FE0, 0x7FDF, 0xFFFC) and element.tag.elem != 0
        }


@pytest.mark.parametrize("codec", COMPRESSED)
@pytest.mark.parametrize("syntax", ["1.2.840.10008.1.2", "1.2.840.10008.1.2.1", "1.2.840.10008.1.2.2"])
def test_a_native_dicom_keeps_every_attribute_and_comes_back_byte_for_byte(codec, syntax):
    delivered = radiographs.dicom(radiographs.film(), syntax=syntax)
    made = convert(delivered, WELD, codec=codec, name="a.dcm")
    assert made.restorable
    assert not made.keep_delivered
    assert restore(made.data) == delivered
    assert elements(made.data) == elements(delivered)
    assert made.sop_instance_uid == "1.2.826.0.1.3680043.8.498.1"
    assert made.delivered_sha512 == hashlib.sha512(delivered).hexdigest()
    assert made.pixel_sha512 == digest_of_object(made.data) == digest_of_object(delivered)
    assert made.transfer_syntax in made.changes[0]


def test_an_explicit_little_endian_dicom_kept_uncompressed_is_the_delivered_file_itself():
    delivered = radiographs.dicom(radiographs.film())
    made = convert(delivered, WELD, codec=Codec.UNCOMPRESSED, name="a.dcm")
    assert made.data is delivered
    assert made.unchanged
    assert made.changes == ()
    assert restore(made.data) == delivered


def test_pixels_that_came_compressed_are_kept_as_they_came():
    first = convert(radiographs.dicom(radiographs.film()), WELD, codec=Codec.JPEG_LS, name="a.dcm")
    again = convert(first.data, WELD, codec=Codec.HTJ2K, name="b.dcm")
    assert again.unchanged
    assert again.data is first.data
    assert not again.keep_delivered
    assert again.pixel_sha512 == first.pixel_sha512
    assert restore(again.data, delivered_sha512=again.delivered_sha512) == first.data
    assert restore(first.data, delivered_sha512=first.delivered_sha512) == radiographs.dicom(radiographs.film())


def test_a_deflated_dicom_is_rewritten_and_its_bytes_are_kept_beside():
    delivered = radiographs.dicom(radiographs.film(), syntax="1.2.840.10008.1.2.1.99")
    made = convert(delivered, WELD, codec=Codec.JPEG_LS, name="a.dcm")
    assert made.keep_delivered
    assert not made.restorable
    assert elements(made.data) == elements(delivered)
    with pytest.raises(InputError, match="cannot be made from this object alone"):
        restore(made.data)


@pytest.mark.parametrize("codec", list(Codec))
@pytest.mark.parametrize("origin", list(Origin))
def test_a_plain_tiff_becomes_a_diconde_object_and_comes_back_byte_for_byte(codec, origin):
    image = radiographs.film(bits=16)
    delivered = radiographs.tiff(image, description="W-0117 R1 0-1", rowsperstrip=7)
    made = convert(delivered, replace(WELD, origin=origin), codec=codec, name="a.tif")
    assert made.restorable
    assert restore(made.data) == delivered
    assert np.array_equal(decode(made.data).array[0], image)
    assert made.pixel_pitch_mm == pytest.approx((0.02, 0.02))
    read = pydicom.dcmread(io.BytesIO(made.data))
    assert read.PatientName == "W-0117 R1^"
    assert read.PatientID == "J-88/LN-204/W-0117"
    assert list(read.ComponentWelderIDs) == ["7K", "3B"]
    assert read.MaterialThickness == 12.7
    assert read.MaterialPipeDiameter == 273.1
    assert read.DistanceSourceToDetector == 700
    assert "Ir-192 S-5521" in read.ImageComments
    assert "Norrå Energi" in read.ImageComments
    assert read.file_meta.MediaStorageSOPInstanceUID == read.SOPInstanceUID == made.sop_instance_uid
    assert read.SOPInstanceUID.startswith("2.25.")


@pytest.mark.parametrize(
    ("options", "restorable"),
    [
        ({"compression": "zlib"}, False),
        ({"compression": "lzw", "predictor": True}, False),
        ({"tile": (16, 16)}, False),
        ({"bigtiff": True}, True),
        ({"byteorder": ">"}, True),
        ({"photometric": "miniswhite"}, True),
    ],
)
def test_every_kind_of_tiff_keeps_its_samples(options, restorable):
    image = radiographs.film(bits=16)
    delivered = radiographs.tiff(image, **options)
    made = convert(delivered, WELD, codec=Codec.JPEG_LS, name="a.tif")
    assert np.array_equal(decode(made.data).array[0], image)
    assert made.restorable is restorable
    assert made.keep_delivered is not restorable
    assert made.pixel_sha512 == pixel_digest(decode(delivered)) == digest_of_object(made.data)
    if restorable:
        assert restore(made.data) == delivered


def test_a_twelve_bit_packed_tiff_keeps_its_depth():
    image = radiographs.film(rows=16, columns=32)
    packed = np.zeros((16, 48), np.uint8)
    packed[:, 0::3] = image[:, 0::2] >> 4
    packed[:, 1::3] = (image[:, 0::2] & 15) << 4 | image[:, 1::2] >> 8
    packed[:, 2::3] = image[:, 1::2] & 255
    values = {256: 32, 257: 16, 258: 12, 259: 1, 262: 1, 273: 8 + 2 + 9 * 12 + 4, 277: 1, 278: 16, 279: packed.size}
    entries = b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in values.items())
    delivered = b"II*\x00" + struct.pack("<IH", 8, 9) + entries + b"\x00" * 4 + packed.tobytes()
    assert np.array_equal(tifffile.imread(io.BytesIO(delivered)), image)
    made = convert(delivered, WELD, codec=Codec.JPEG_LS, name="a.tif")
    assert made.bits_stored == 12
    assert made.bits_allocated == 16
    assert np.array_equal(decode(made.data).array[0], image)


def test_a_tiff_with_lossy_compression_says_so_and_its_bytes_are_kept():
    image = radiographs.film(kind="u1", bits=8)
    made = convert(radiographs.tiff(image, compression="jpeg"), WELD, codec=Codec.JPEG_LS, name="a.tif")
    assert made.lossy
    assert made.keep_delivered
    assert pydicom.dcmread(io.BytesIO(made.data)).LossyImageCompression == "01"
    assert not convert(radiographs.tiff(image), WELD, codec=Codec.JPEG_LS, name="a.tif").lossy


def test_a_multi_page_tiff_becomes_frames():
    pages = np.stack([radiographs.film(seed=n, bits=16) for n in range(3)])
    delivered = radiographs.tiff(pages, photometric="minisblack")
    made = convert(delivered, WELD, codec=Codec.JPEG_LS, name="a.tif")
    assert made.frames == 3
    assert np.array_equal(decode(made.data).array, pages)
    assert restore(made.data) == delivered
    assert pydicom.dcmread(io.BytesIO(made.data)).SOPClassUID == "1.2.840.10008.5.1.4.1.1.7.3"


@pytest.mark.parametrize("kind", ["u1", "u2"])
def test_a_png_keeps_its_samples_and_its_bytes_beside(kind):
    image = radiographs.film(kind=kind, bits=8 if kind == "u1" else 16)
    made = convert(radiographs.png(image), WELD, codec=Codec.JPEG_LS, name="a.png")
    assert np.array_equal(decode(made.data).array[0], image)
    assert made.keep_delivered


def test_the_digest_is_the_same_whatever_the_container():
    image = radiographs.film(bits=16)
    files = [radiographs.tiff(image), radiographs.tiff(image, tile=(32, 32)), radiographs.png(image)]
    files.append(radiographs.dicom(image, bits=16))
    digests = {convert(data, WELD, codec=codec, name="x").pixel_sha512 for data in files for codec in Codec}
    assert len(digests) == 1
    line = b"beadroll-pixels 1 frames=1 rows=64 columns=97 samples=1 bits=16 signed=0\n"
    assert digests == {hashlib.sha512(line + image.astype("<u2").tobytes()).hexdigest()}


def test_one_changed_bit_changes_the_digest():
    image = radiographs.film()
    other = image.copy()
    other[3, 5] ^= 1
    assert digest_of_object(radiographs.dicom(image)) != digest_of_object(radiographs.dicom(other))


def test_two_builds_give_the_same_bytes_and_another_weld_another_identity():
    delivered = radiographs.tiff(radiographs.film())
    one = convert(delivered, WELD, codec=Codec.JPEG_LS, name="a.tif")
    assert convert(delivered, WELD, codec=Codec.JPEG_LS, name="b.tif") == one
    assert convert(delivered, WELD, codec=Codec.RLE, name="a.tif").sop_instance_uid == one.sop_instance_uid
    other = convert(delivered, replace(WELD, weld="W-0118"), codec=Codec.JPEG_LS, name="a.tif")
    assert other.sop_instance_uid != one.sop_instance_uid


def test_noise_that_does_not_compress_is_kept_uncompressed():
    image = np.random.default_rng(1).integers(0, 1 << 16, (64, 64)).astype("<u2")
    made = convert(radiographs.tiff(image), WELD, codec=Codec.JPEG_LS, name="a.tif")
    assert made.transfer_syntax == EXPLICIT_LITTLE
    assert "does not pay" in made.changes[-1]


def test_values_above_bits_stored_are_not_lost():
    image = radiographs.film(bits=12)
    image[5, 5] = 0xF00F
    for codec in COMPRESSED:
        made = convert(radiographs.dicom(image, bits=12), WELD, codec=codec, name="a.dcm")
        assert decode(made.data).array[0, 5, 5] == 0xF00F
        assert made.restorable


def test_signed_samples_under_jpeg_xl_fall_back_and_say_so():
    image = radiographs.film(kind="i2")
    made = convert(radiographs.dicom(image), WELD, codec=Codec.JPEG_XL, name="a.dcm")
    assert np.array_equal(decode(made.data).array[0], image)
    assert "no signed samples" in made.changes[-1]


def test_a_pitch_from_the_record_is_told_and_never_overrides_the_file():
    known = replace(WELD, pixel_pitch_mm=(0.1, 0.1))
    without = convert(radiographs.tiff(radiographs.film(), resolutionunit="NONE"), known, codec=Codec.RLE, name="a")
    assert without.pixel_pitch_mm == (0.1, 0.1)
    assert any("from the record" in change for change in without.changes)
    given = convert(radiographs.tiff(radiographs.film()), known, codec=Codec.RLE, name="a")
    assert given.pixel_pitch_mm == pytest.approx((0.02, 0.02))


def test_what_the_interpreter_recorded_is_carried_and_nothing_is_made_up():
    data = radiographs.tiff(radiographs.film())
    read = pydicom.dcmread(io.BytesIO(convert(data, WELD, codec=Codec.RLE, name="a").data))
    assert "ApprovalStatus" not in read
    told = replace(WELD, interpreter="N. Okafor", result="reject")
    read = pydicom.dcmread(io.BytesIO(convert(data, told, codec=Codec.RLE, name="a").data))
    assert read.ApprovalStatus == "REJECTED"
    assert read.EvaluatorSequence[0].EvaluatorName == "N. Okafor^"


@pytest.mark.parametrize("image", [np.zeros((9, 9, 3), np.uint8), np.zeros((9, 9), np.float32)])
def test_colour_and_floating_point_are_refused_with_a_remedy(image):
    with pytest.raises(InputError) as refused:
        convert(radiographs.tiff(image), WELD, codec=Codec.JPEG_LS, name="a.tif")
    assert refused.value.remedy


def test_an_altered_recipe_is_noticed():
    made = convert(radiographs.tiff(radiographs.film()), WELD, codec=Codec.UNCOMPRESSED, name="a.tif")
    altered = bytearray(made.data)
    altered[-40] ^= 1
    with pytest.raises(InputError, match="differs from the one received"):
        restore(bytes(altered))


def test_threads_give_the_same_as_one():
    files = [radiographs.tiff(radiographs.film(200, 301, seed=n)) for n in range(8)]
    alone = [convert(data, WELD, codec=Codec.JPEG_LS, name="a").data for data in files]
    with ThreadPoolExecutor(4) as pool:
        assert list(pool.map(lambda data: convert(data, WELD, codec=Codec.JPEG_LS, name="a").data, files)) == alone
