"""Headings become fields: exactly, or nearly and asked, or not at all and asked; a confirmed profile settles them."""

from __future__ import annotations

from datetime import date

import pytest

from beadroll.errors import InputError
from beadroll.handover.gathering.columns import find_layout, layout_findings, profile_of
from beadroll.handover.gathering.headings import How, TableKind, key_of, meaning_of, vocabulary
from beadroll.handover.gathering.profiles import Meant, load_profiles, save_profile
from beadroll.handover.gathering.quantities import Manner
from beadroll.tables import Sheet


def sheet(*rows, merged=()):
    return Sheet(file="weld-log/log.xlsx", name="Log", rows=[list(r) for r in rows], merged=merged)


def fields_of(layout):
    return {c.heading: c.meaning.field for c in layout.columns}


@pytest.mark.parametrize("kind", list(TableKind))
def test_every_heading_of_the_data_file_means_its_own_field_and_no_other(kind):
    for name, field in vocabulary(kind).fields.items():
        for heading in field.headings:
            meaning = meaning_of(heading.title(), kind)
            assert (meaning.field, meaning.how) == (name, How.EXACT if name else How.IGNORED), heading


@pytest.mark.parametrize(
    ("heading", "field", "unit"),
    [
        ("Weld No.", "number", ""),
        ("WELD #", "number", ""),
        ("Wall (mm)", "wall_mm", "mm"),
        ("Wall thickness [in]", "wall_mm", "in"),
        ("OD, mm", "outside_diameter_mm", "mm"),
        ("O.D. in mm", "outside_diameter_mm", "mm"),
        ("Nominal Pipe Size", "nps", ""),
        ("Schweißnaht-Nr.", "number", ""),
        ("Date Welded", "welded_on", ""),
    ],
)
def test_units_and_punctuation_do_not_hide_a_heading(heading, field, unit):
    meaning = meaning_of(heading, TableKind.WELD_LOG)
    assert (meaning.field, meaning.unit) == (field, unit)


def test_the_least_density_is_not_a_density_in_minutes():
    meaning = meaning_of("Density min", TableKind.READER_SHEET)
    assert (meaning.field, meaning.unit) == ("density_min", "")


def test_a_heading_that_is_nearly_right_is_used_and_asked_about():
    page = sheet(["Weld No", "Line", "Date weldet"], ["W-0117", "LN-204", "2031-03-31"])
    layout = find_layout(page, TableKind.WELD_LOG)
    assert layout.of(How.CLOSE)[0].meaning.field == "welded_on"
    (found,) = layout_findings(page, layout)
    assert (found.code, found.subject) == ("INT-COLUMN-CLOSE", "weld-log/log.xlsx, sheet Log, cell C1")


def test_a_heading_that_may_mean_two_fields_is_not_used():
    page = sheet(["Weld No", "Line", "Date", "Size"], ["W-0117", "LN-204", "2031-03-31", "12"])
    layout = find_layout(page, TableKind.WELD_LOG)
    assert fields_of(layout)["Date"] == ""
    texts = [f.text for f in layout_findings(page, layout)]
    assert any("'Date' may mean welded on or repaired on" in t for t in texts)
    assert any("'Size' may mean nps or dn or outside diameter" in t for t in texts)


def test_two_columns_for_one_field_are_both_asked_about_but_welders_add_up():
    page = sheet(["Weld No", "Line", "WPS", "WPS no", "Welder", "Welder"], ["W-0117", "L", "1", "2", "7K", "4M"])
    layout = find_layout(page, TableKind.WELD_LOG)
    assert [c.heading for c in layout.of(How.UNCLEAR)] == ["WPS", "WPS no"]
    assert [c.meaning.field for c in layout.columns[4:]] == ["stencils", "stencils"]


def test_the_heading_is_found_below_title_rows_and_labels():
    page = sheet(
        ["Radiographic inspection report", "", ""],
        ["Report No.:", "R-31", ""],
        [],
        ["Weld", "Film", "Result"],
        ["W-0117", "0-1", "ACC"],
    )
    layout = find_layout(page, TableKind.READER_SHEET)
    assert layout.first_row == 3


def test_headings_in_two_rows_are_joined_where_the_upper_is_merged():
    page = sheet(
        ["Weld", "Density", "", "Result"],
        ["Weld", "min", "max", "Result"],
        ["W-0117", 2.3, 3.1, "ACC"],
        merged=((0, 0, 1, 0), (0, 1, 0, 2), (0, 3, 1, 3)),
    )
    layout = find_layout(page, TableKind.READER_SHEET)
    assert layout.last_row == 1
    assert [c.meaning.field for c in layout.columns] == ["number", "density_min", "density_max", "result"]


def test_a_table_without_weld_numbers_says_which_heading_would_do():
    page = sheet(["Line", "Spool", "WPS", "Welder"], ["LN-204", "SP-1", "W1", "7K"])
    layout = find_layout(page, TableKind.WELD_LOG)
    assert layout.missing == ("number",)
    found = next(f for f in layout_findings(page, layout) if f.code == "INT-COLUMN-MISSING")
    assert "weld no" in found.remedy or "naht" in found.remedy


def test_a_sheet_of_something_else_has_no_layout():
    assert find_layout(sheet(["Menu"], ["Soup"], ["Bread"]), TableKind.WELD_LOG) is None
    assert find_layout(sheet(), TableKind.WELD_LOG) is None


def test_a_confirmed_profile_is_kept_by_name_and_used_without_guessing(tmp_path):
    page = sheet(["Weld No", "Line", "Date", "Dia", "Wal"], ["W-0117", "LN-204", "03/04/2031", 323.8, 9.53])
    guessed = find_layout(page, TableKind.WELD_LOG)
    profile = profile_of(
        guessed,
        name="harrow-bend",
        confirmed_by="P. Sandmeer",
        confirmed_on=date(2031, 4, 7),
        choices={
            "date": Meant(field="welded_on"),
            "dia": Meant(field="outside_diameter_mm", unit="mm"),
            "wal": Meant(field=""),
        },
        files=("weld-log/*",),
        manner=Manner(date_order="dmy", units={"length": "mm"}),
    )
    save_profile(tmp_path, profile)
    (loaded,) = load_profiles(tmp_path)
    assert loaded == profile
    layout = find_layout(page, TableKind.WELD_LOG, [loaded])
    assert fields_of(layout) == {
        "Weld No": "number", "Line": "line", "Date": "welded_on", "Dia": "outside_diameter_mm", "Wal": "",
    }  # fmt: skip
    assert layout_findings(page, layout) == []
    assert layout.profile.name == "harrow-bend"


def test_a_profile_for_other_files_is_left_alone():
    page = sheet(["Weld No", "Line", "Date"], ["W-0117", "LN-204", "2031-04-03"])
    layout = find_layout(page, TableKind.WELD_LOG)
    profile = profile_of(layout, name="x", confirmed_by="P", confirmed_on=date(2031, 4, 7), files=("crews/B/*",))
    assert find_layout(page, TableKind.WELD_LOG, [profile]).profile is None


def test_a_profile_nobody_confirmed_is_not_written(tmp_path):
    layout = find_layout(sheet(["Weld No", "Line"], ["W-1", "L"]), TableKind.WELD_LOG)
    profile = profile_of(layout, name="x", confirmed_by="", confirmed_on=date(2031, 4, 7))
    with pytest.raises(InputError, match="nobody"):
        save_profile(tmp_path, profile)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("kind = 1", "expected one of weld_log"),
        ('kind = "weld_log"', "who confirmed"),
        ('kind = "weld_log"\nconfirmed_by = "P"\nconfirmed_on = 2031-04-07', "no columns"),
        ('kind = "weld_log"\nconfirmed_by = "P"\nconfirmed_on = 2031-04-07\n[columns]\n"a" = "nonsense"', "nonsense"),
        ("kind = ", "not valid TOML"),
    ],
)
def test_a_profile_that_is_not_valid_is_named_with_its_fault(tmp_path, text, said):
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "x.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=said) as fault:
        load_profiles(tmp_path)
    assert fault.value.path == "profiles/x.toml"


def test_words_are_compared_not_letters_case_or_dots():
    assert key_of("  Weld   NO. ") == key_of("weld #") == "weld no"


def typos(heading):
    """Every heading with one letter left out, doubled, or changed for its neighbour."""
    for n in range(len(heading)):
        yield heading[:n] + heading[n + 1 :]
        yield heading[:n] + heading[n] + heading[n:]
        if n + 1 < len(heading):
            yield heading[:n] + heading[n + 1] + heading[n] + heading[n + 2 :]


@pytest.mark.parametrize("kind", list(TableKind))
def test_a_mistyped_heading_is_never_closely_read_as_another_field(kind):
    crossed, met, count = [], 0, 0
    for name, field in vocabulary(kind).fields.items():
        for heading in field.headings:
            for typo in typos(heading):
                meaning = meaning_of(typo, kind)
                if meaning.how is How.CLOSE:
                    crossed += [(heading, typo, meaning)] if meaning.field != name else []
                count += 1
                met += meaning.field == name
    assert crossed == []
    assert met > 0.5 * count


def test_a_row_of_labels_does_not_pass_for_the_heading():
    page = sheet(
        ["Report No", "R-1", "Line", "LN-204", "Technique", "T-1"],
        ["Weld Nmber", "Segmnt", "Interpretr"],
        ["W-0117", "0-1", "ACC"],
    )
    layout = find_layout(page, TableKind.READER_SHEET)
    assert (layout.first_row, layout.missing) == (1, ("number",))
