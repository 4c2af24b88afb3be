"""The description of the format says what the code does: the columns, the roles, the worked examples."""

from __future__ import annotations

import re
from importlib import resources

import numpy as np
import pytest

from beadroll import images
from beadroll.images import Pixels
from beadroll.package import layout
from beadroll.package.columns import SCHEMAS, search_key
from beadroll.package.index import FORMAT_VERSION, FileRole
from beadroll.record.weld import Standing

TEXT = (resources.files("beadroll") / "schemas" / "FORMAT.md").read_text(encoding="utf-8")
TYPES = {
    "string": "text",
    "list<element: string>": "list of text",
    "double": "double",
    "int64": "int64",
    "bool": "boolean",
    "date32[day]": "date",
    "timestamp[us, tz=UTC]": "timestamp",
}


@pytest.mark.parametrize("table", SCHEMAS)
def test_every_column_is_described_in_order_with_its_type(table):
    section = TEXT.partition(f"### `{table}`\n")[2].partition("\n#")[0]
    described = re.findall(r"^\| `(\w+)` \| ([\w ]+) \| \S.*\. \|$", section, re.MULTILINE)
    assert described == [(field.name, TYPES[str(field.type)]) for field in SCHEMAS[table]]


def test_every_role_standing_and_the_version_are_named():
    assert TEXT.startswith(f"# The delivery package, format {FORMAT_VERSION}\n")
    assert all(f"`{word.value}`" in TEXT for word in (*FileRole, *Standing))


def test_the_limits_of_paths_are_those_of_the_code():
    for limit in (layout.MAX_NAME, layout.MAX_PATH, layout.MAX_DEPTH):
        assert re.search(rf"\b{limit}\b", TEXT)
    assert f"{layout.MAX_FILES:_}".replace("_", " ") in " ".join(TEXT.split())


def test_the_example_of_canonical_pixels_is_right():
    array = np.array([[[1, 258]]], dtype="<u2")
    pixels = Pixels(array=array, photometric="MONOCHROME2", bits_stored=16, signed=False)
    (shown,) = re.findall(r"```\n([0-9a-f]{64})\n([0-9a-f]{64})\n```", TEXT)
    assert images.pixel_digest(pixels) == "".join(shown)


def test_the_example_of_search_keys_is_right():
    names = re.search(r"`([^`]+)`, `([^`]+)` and\n`([^`]+)` have the key `([^`]+)`", TEXT)
    assert {search_key(name) for name in names.groups()[:3]} == {names.group(4)}
