"""A template is data: it is taken whole or refused with the place of the fault."""

from __future__ import annotations

import io
from importlib import resources

import pytest
from PIL import Image

from beadroll.errors import InputError
from beadroll.record.people import Role
from beadroll.report import template
from beadroll.report.facts import COLUMNS
from beadroll.report.typeface import noto_sans
from beadroll.rules.counts import GROUPS


def beside(**files):
    def fetch(name):
        try:
            return files[name.replace(".", "_")]
        except KeyError:
            raise InputError("is not there", path=name) from None

    return fetch


def parse(text, **files):
    return template.parse(text.encode(), beside(**files), name="template.toml")


def image(mode="RGBA", size=(40, 20), form="PNG"):
    made = io.BytesIO()
    Image.new(mode, size, (200, 30, 30, 0) if mode == "RGBA" else (200, 30, 30)).save(made, form)
    return made.getvalue()


def test_what_a_template_leaves_out_is_as_in_the_default():
    made, default = parse('language = "de"'), template.default()
    assert made.language == "de"
    assert (made.columns, made.paper, made.sheets) == (default.columns, default.paper, default.sheets)


def test_columns_come_in_the_order_and_under_the_names_a_client_wants():
    made = parse('columns = ["number", "standing"]\n[labels]\n"column.number" = "Joint"')
    assert made.columns == ("number", "standing")
    assert made.words("column.number") == "Joint"


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ('language = "xx"', "language"),
        ("language = 3", "language"),
        ('paper = "A5"', "paper"),
        ('columns = ["number", "colour"]', "columns"),
        ('columns = ["number", "number"]', "columns"),
        ("columns = []", "columns"),
        ('columns = "number"', "columns"),
        ('signatures = ["king"]', "signatures"),
        ("colour = 1", "colour"),
        ('[labels]\n"column.nothing" = "x"', "column.nothing"),
        ('[labels]\n"step.wps" = "no blank"', "step.wps"),
        ('[labels]\n"step.wps" = "{wps.__class__}"', "step.wps"),
        ('[labels]\n"step.wps" = "{wps} {other}"', "step.wps"),
        ('[labels]\n"step.wps" = "{wps"', "step.wps"),
        ('logo = "logo.png"', "logo.png"),
        ("[fonts]\nitalic = 'x'", "fonts"),
        ('[labels]\n"column.number" = "' + "x" * 201 + '"', "column.number"),
        ("not toml", "TOML"),
    ],
)
def test_a_fault_is_named_with_its_place(text, place):
    with pytest.raises(InputError) as caught:
        parse(text)
    assert place in caught.value.message
    assert caught.value.remedy or "there" in caught.value.message


def test_a_logo_loses_its_transparency_to_white():
    made = parse('logo = "logo.png"', logo_png=image())
    with Image.open(io.BytesIO(made.logo)) as seen:
        assert seen.mode == "RGB"
        assert seen.getpixel((0, 0)) == (255, 255, 255)


@pytest.mark.parametrize("data", [b"", b"\x89PNG\r\n", b"<svg/>", image("RGB", (3000, 3000))])
def test_a_logo_that_is_no_fit_picture_is_refused(data):
    with pytest.raises(InputError, match="logo"):
        parse('logo = "logo.png"', logo_png=data)


def test_a_template_may_bring_its_fonts():
    static = noto_sans().cut(400, "abcäö")
    made = parse('[fonts]\nregular = "a.ttf"', a_ttf=static)
    assert made.typeface.missing("abÖ") == ("Ö",)


@pytest.mark.parametrize("data", [b"", b"no font", b"\0\1\0\0" + bytes(60)])
def test_a_font_that_is_none_is_refused(data):
    with pytest.raises(InputError, match="font"):
        parse('[fonts]\nregular = "a.ttf"', a_ttf=data)


def test_the_comments_of_the_default_template_name_all_there_is():
    text = (resources.files("beadroll.report") / "templates" / "default.toml").read_text(encoding="utf-8")
    comments = " ".join(line.lstrip("# ") for line in text.splitlines() if line.startswith("#"))
    for name in (*COLUMNS, *GROUPS, *Role):
        assert name in comments
    uncommented = text.replace("# logo", "logo").replace("# [", "[").replace('# "', '"').replace("# regular", "regular")
    assert (
        template.parse(
            uncommented.encode(),
            lambda name: image() if name.endswith("png") else noto_sans().regular,
            name="t",
        ).words("column.number")
        == "Joint"
    )


def test_the_default_template_is_the_published_file_in_every_language():
    text = (resources.files("beadroll.report") / "templates" / "default.toml").read_text(encoding="utf-8")
    assert 'language = "en"' in text
    for language in ("de", "en", "es", "fr"):
        assert template.default(language).language == language
