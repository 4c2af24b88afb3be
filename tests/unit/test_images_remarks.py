from __future__ import annotations

from dataclasses import replace

import pytest

from beadroll.findings import catalogue, finding
from beadroll.images import Codec, Origin, convert, remarks, replaces_film
from tests import radiographs
from tests.radiographs import WELD


def codes(data, identity):
    made = convert(data, identity, codec=Codec.JPEG_LS, name="a")
    return [one.code for one in remarks(made, identity, subject="W-0117 R1 0-1")]


def test_a_film_of_class_ds_with_pitch_needs_no_remark():
    assert codes(radiographs.tiff(radiographs.film()), replace(WELD, iso14096_class="DS")) == []


@pytest.mark.parametrize(("named", "code"), [("DA", "IMG-CLASS-BELOW-DS"), ("", "IMG-CLASS-UNKNOWN")])
def test_a_lower_class_is_never_called_a_film_replacement(named, code):
    identity = replace(WELD, iso14096_class=named)
    assert not replaces_film(identity)
    assert codes(radiographs.tiff(radiographs.film()), identity) == [code]


def test_only_digitised_film_replaces_film():
    assert replaces_film(replace(WELD, iso14096_class="DS"))
    assert not replaces_film(replace(WELD, iso14096_class="DS", origin=Origin.DR))


def test_unknown_and_differing_pitch_are_asked_about():
    cr = replace(WELD, origin=Origin.CR)
    unknown = radiographs.tiff(radiographs.film(), resolutionunit="NONE")
    assert codes(unknown, cr) == ["IMG-PITCH-UNKNOWN"]
    assert codes(unknown, replace(cr, pixel_pitch_mm=(0.05, 0.05))) == []
    known = radiographs.tiff(radiographs.film())
    assert codes(known, replace(cr, pixel_pitch_mm=(0.05, 0.05))) == ["IMG-PITCH-DIFFERS"]
    assert codes(known, replace(cr, pixel_pitch_mm=(0.0201, 0.02))) == []


def test_bytes_kept_beside_are_told():
    assert codes(radiographs.png(radiographs.film()), replace(WELD, origin=Origin.CR)) == ["IMG-KEPT-BESIDE"]


def test_every_sentence_of_the_area_can_be_filled():
    values = dict.fromkeys(("reason", "found", "recorded", "file_um", "record_um", "film_class"), "x")
    area = [code for code in catalogue() if code.startswith("IMG-")]
    assert len(area) == 9
    assert all("{" not in finding(code, "W-1", **values).text for code in area)
