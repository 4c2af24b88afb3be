from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from beadroll.images import Codec, convert, decode, digest_of_object, pixel_digest, restore
from tests import radiographs
from tests.radiographs import WELD

KINDS = {8: "u1", 12: "u2", 14: "u2", 16: "u2"}


@st.composite
def images(draw, *, frames=3):
    """Frames of any depth, sign and shape, from flat to pure noise, with the odd extreme value."""
    bits = draw(st.sampled_from(sorted(KINDS)))
    signed = draw(st.booleans())
    kind = KINDS[bits].replace("u", "i") if signed else KINDS[bits]
    shape = (draw(st.integers(1, frames)), draw(st.integers(1, 33)), draw(st.integers(1, 41)))
    low = -(1 << (bits - 1)) if signed else 0
    high = low + (1 << bits) - 1
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    spread = draw(st.sampled_from([1, 5, 300, 1 << bits]))
    middle = draw(st.integers(low, high))
    array = np.clip(rng.integers(middle - spread // 2, middle + spread // 2 + 1, shape), low, high)
    if draw(st.booleans()):
        array[0, 0, 0], array[-1, -1, -1] = low, high
    return array.astype(f"<{kind}"), bits


@settings(max_examples=120, deadline=None)
@given(
    image=images(),
    codec=st.sampled_from(list(Codec)),
    photometric=st.sampled_from(["MONOCHROME1", "MONOCHROME2"]),
    syntax=st.sampled_from(["1.2.840.10008.1.2", "1.2.840.10008.1.2.1", "1.2.840.10008.1.2.2"]),
)
def test_a_dicom_of_any_depth_sign_and_shape_comes_back_bit_for_bit(image, codec, photometric, syntax):
    array, bits = image
    delivered = radiographs.dicom(array, bits=bits, syntax=syntax, photometric=photometric)
    made = convert(delivered, WELD, codec=codec, name="x")
    read = decode(made.data)
    assert np.array_equal(read.array, array)
    assert read.array.dtype == array.dtype
    assert (read.photometric, read.bits_stored, read.signed) == (photometric, bits, array.dtype.kind == "i")
    assert made.pixel_sha512 == digest_of_object(made.data) == digest_of_object(delivered)
    assert made.restorable or made.unchanged or made.keep_delivered
    if not made.keep_delivered:
        assert restore(made.data) == delivered


@settings(max_examples=120, deadline=None)
@given(
    image=images(),
    codec=st.sampled_from(list(Codec)),
    photometric=st.sampled_from(["minisblack", "miniswhite"]),
    order=st.sampled_from(["<", ">"]),
    bigtiff=st.booleans(),
    strip=st.integers(1, 40),
    packing=st.sampled_from([None, "zlib", "packbits", "lzw"]),
)
def test_a_tiff_of_any_depth_sign_and_shape_keeps_its_samples(
    image, codec, photometric, order, bigtiff, strip, packing
):
    array, _ = image
    delivered = radiographs.tiff(
        array, photometric=photometric, byteorder=order, bigtiff=bigtiff, rowsperstrip=strip, compression=packing
    )
    made = convert(delivered, WELD, codec=codec, name="x")
    assert np.array_equal(decode(made.data).array, array)
    assert made.photometric == ("MONOCHROME1" if photometric == "miniswhite" else "MONOCHROME2")
    assert made.pixel_sha512 == pixel_digest(decode(delivered))
    assert made.restorable is not made.keep_delivered
    assert made.restorable is (packing is None)
    if made.restorable:
        assert restore(made.data) == delivered


@settings(max_examples=60, deadline=None)
@given(image=images(frames=1), axis=st.integers(1, 3), step=st.integers(1, 3), flip=st.booleans())
def test_the_digest_knows_values_and_not_how_memory_lies(image, axis, step, flip):
    array, bits = image
    wide = np.zeros((*array.shape[:2], array.shape[2] * step), array.dtype.newbyteorder(">" if flip else "<"))
    wide[..., ::step] = array
    plain = decode(radiographs.dicom(array, bits=bits))
    strided = type(plain)(array=wide[..., ::step], photometric="X", bits_stored=axis, signed=plain.signed)
    assert pixel_digest(strided) == pixel_digest(plain)
