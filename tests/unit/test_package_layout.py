"""Names and paths of a package."""

from __future__ import annotations

import re

import pytest

from beadroll.package import layout


@pytest.mark.parametrize("text", ["W-0117", "LN-204", "3017A", "W_1.5", "R1"])
def test_a_plain_upper_case_number_keeps_its_spelling(text):
    assert layout.safe_name(text) == text


@pytest.mark.parametrize(
    "text",
    [
        "",
        ".",
        "..",
        "-rf",
        ".hidden",
        "CON",
        "NUL.TXT",
        "COM1",
        "W 12/3",
        "W%2F",
        "Ä-1",
        "a\nb",
        "W-1.",
        "w-17a",
        "X" * 49,
    ],
)
def test_any_other_text_gets_a_safe_tagged_name(text):
    name = layout.safe_name(text)
    assert name != text
    assert re.search(r"_[0-9a-f]{10}(\.[A-Za-z0-9]+)?$", name)
    assert layout.path_fault(f"data/{name}") == ""
    assert len(name) <= layout.SAFE_NAME_LENGTH


def test_a_text_that_looks_tagged_is_tagged_itself():
    tagged = layout.safe_name("W 1")
    assert layout.safe_name(tagged.upper()) != tagged.upper()
    assert layout.safe_name(tagged) != tagged


def test_a_file_keeps_its_extension():
    assert layout.safe_name("Weld log, week 14.xlsx").endswith(".xlsx")


def test_names_that_share_a_folder_stay_readable_where_nothing_clashes():
    names = layout.distinct_names(["weld-log.xlsx", "Sheet.csv", "SHEET.csv", "Prüfer.csv"])
    assert names["weld-log.xlsx"] == "weld-log.xlsx"
    assert len({name.casefold() for name in names.values()}) == 4
    assert names == layout.distinct_names(["Prüfer.csv", "SHEET.csv", "Sheet.csv", "weld-log.xlsx"])


def test_a_weld_has_one_folder():
    assert layout.weld_folder("LN-204", "W-0117") == "data/welds/LN-204/W-0117"
    assert layout.weld_record("LN-204", "W-0117") == "data/welds/LN-204/W-0117/weld.json"
    assert layout.radiograph("L", "W", "A.dcm") == "data/welds/L/W/radiographs/A.dcm"


def test_only_the_formats_tables_have_a_segment():
    assert layout.catalog_table("welds") == "data/catalog/welds.parquet"
    with pytest.raises(ValueError, match="not a table"):
        layout.catalog_table("secrets")


@pytest.mark.parametrize("role", ["", "../x", "a/b", "con", ".x", "ä"])
def test_a_seal_cannot_leave_its_folder(role):
    with pytest.raises(ValueError, match="cannot name a seal"):
        layout.seal_path(role)


REFUSED = {
    "": "empty",
    "/etc/passwd": "absolute",
    "//server/share/x": "network share",
    "\\\\server\\share": "network share",
    "C:/x": "drive letter",
    "c:x": "drive letter",
    "data\\x": "backslash",
    "~/x": "home folder",
    "~root/x": "home folder",
    "../x": "climbs",
    "data/../../x": "climbs",
    "data/./x": "climbs",
    "data//x": "empty name",
    "data/x/": "empty name",
    "data/NUL": "reserved",
    "data/aux.json": "reserved",
    "data/com7.dcm": "reserved",
    "data/a%2e%2e": "percent",
    "data/e\u0301": "outside ASCII",
    "data/\u00e9": "outside ASCII",
    "data/a\x1b[31m": "control",
    "data/a\nb": "control",
    "data/a b": "not made of",
    "data/-rf": "not made of",
    "data/.x": "not made of",
    "data/x.": "not made of",
    "data/a:b": "not made of",
    "data/" + "x" * 81: "longer",
    "data/" + "/".join(["x" * 40] * 5): "longer",
    "a/b/c/d/e/f/g/h/i": "deep",
}


@pytest.mark.parametrize("path", REFUSED)
def test_a_path_that_some_system_would_take_otherwise_is_refused_with_its_reason(path):
    assert REFUSED[path] in layout.path_fault(path)


def test_clashes_are_found_between_files_folders_and_both():
    assert layout.clashes(["data/a", "data/b"]) == {}
    assert layout.clashes(["data/A", "data/a"]) == {"data/a": "data/A"}
    assert layout.clashes(["data/A/x", "data/a/y"]) == {"data/a/y": "data/A"}
    assert layout.clashes(["data/a", "data/a/b"]) == {"data/a/b": "data/a"}


def test_a_foreign_name_is_shown_without_touching_the_terminal():
    assert layout.shown("a\x1b]0;x\x07\u202e\udcff") == "a\\x1b]0;x\\x07\\u202e\\udcff"
    assert len(layout.shown("\u202e" * 500)) == 120
