from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from beadroll.images import Codec, DisplayFilter, convert, decode, preview, window_level
from beadroll.images.display import apply_filter, reduce
from tests import radiographs


def slab(low=1800, high=2200, shape=(400, 600)):
    return np.random.default_rng(2).integers(low, high, shape).astype("<u2")


def test_the_window_spans_the_slab():
    window = window_level(slab())
    assert 1700 < window.low < 1850
    assert 2150 < window.high < 2300


@pytest.mark.parametrize("border", [0, 4095, 65535])
def test_an_unexposed_or_burnt_out_border_does_not_set_the_window(border):
    image = slab()
    image[:, :150] = border
    image[:40, :] = border
    window = window_level(image)
    assert 1700 < window.low < 1850
    assert 2150 < window.high < 2300


def test_lead_markers_do_not_set_the_window():
    image = slab()
    image[20:50, 20:50] = 30
    image[300:310, 200:260] = 60_000
    window = window_level(image)
    assert 1700 < window.low < 1850
    assert 2150 < window.high < 2300


def test_a_constant_image_has_a_window_of_some_width():
    window = window_level(np.full((30, 40), 7, np.uint8))
    assert window.low < window.high


@pytest.mark.parametrize("shape", [(1, 1), (1, 5000), (5000, 1), (799, 801), (2001, 4999)])
def test_a_preview_has_its_longest_side_within_the_bound(shape):
    made = preview(decode(radiographs.tiff(np.full(shape, 9, np.uint16))), longest=800)
    with Image.open(io.BytesIO(made)) as read:
        assert read.mode == "L"
        assert max(read.size) <= 800
        assert max(read.size) >= min(max(shape), 400)


def test_blocks_are_means():
    image = np.arange(64, dtype=np.uint16).reshape(8, 8)
    assert np.allclose(reduce(image, 4), image.reshape(4, 2, 4, 2).mean(axis=(1, 3)))


def test_monochrome1_is_shown_the_other_way_round():
    image = slab()
    image[:200] -= 300
    light = preview(decode(radiographs.tiff(image)))
    dark = preview(decode(radiographs.tiff(image, photometric="miniswhite")))
    shown = [np.asarray(Image.open(io.BytesIO(one)), int) for one in (light, dark)]
    assert shown[0][:150].mean() < shown[0][250:].mean()
    assert shown[1][:150].mean() > shown[1][250:].mean()


def test_the_display_filter_steepens_an_edge_and_is_never_stored():
    image = np.full((60, 60), 1000.0, np.float32)
    image[:, 30:] = 1400
    window = window_level(image)
    sharp = apply_filter(image, window, DisplayFilter())
    assert sharp[:, 29].mean() < 1000
    assert sharp[:, 30].mean() > 1400
    assert np.allclose(sharp[:, :20], 1000)
    data = radiographs.tiff(slab())
    plain = convert(data, radiographs.WELD, codec=Codec.RLE, name="a")
    shown = convert(data, radiographs.WELD, codec=Codec.RLE, name="a", display_filter=DisplayFilter())
    assert plain.data == shown.data
    assert plain.preview != shown.preview
