"""The demo week: the same every time, and true to the story it tells."""

from __future__ import annotations

import csv
import hashlib
from dataclasses import replace

import numpy as np
import pytest

from beadroll.demo import write_week
from beadroll.demo.bead import Flaw, FlawKind, metal_mm, repaired, weld_bead
from beadroll.demo.film import OVERLAP_MM, Shot, densities, expose, pitch_mm
from beadroll.demo.lead import GLYPHS, set_text
from beadroll.demo.story import MESS, SEGMENTS, tell
from beadroll.errors import InputError
from beadroll.images import decode, read_facts
from beadroll.tables import read_book

PIXELS = (200, 500)


@pytest.fixture(scope="module")
def week(tmp_path_factory):
    return write_week(tmp_path_factory.mktemp("demo") / "week", welds=6, pixels=PIXELS)


def digests(folder):
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_the_same_arguments_give_the_same_bytes(week, tmp_path):
    again = write_week(tmp_path / "again", welds=6, pixels=PIXELS)
    assert digests(again.folder) == digests(week.folder)


def test_another_seed_gives_other_films_and_the_same_story(week, tmp_path):
    other = write_week(tmp_path / "other", welds=6, pixels=PIXELS, seed=5)
    assert digests(other.folder).keys() == digests(week.folder).keys()
    one, two = (digests(w.folder)[week.transposed] for w in (week, other))
    assert one != two


def test_every_film_is_read_as_delivered(week):
    films = [p for p in week.folder.rglob("*") if p.suffix in {".tif", ".dcm"}]
    assert len(films) == week.radiographs
    for path in films:
        facts = read_facts(path)
        assert (facts.rows, facts.columns, facts.bits_stored) == (*PIXELS, 16)
        assert facts.pixel_pitch_mm is not None
    assert {path.suffix for path in films} == {".tif", ".dcm"}


def test_only_the_named_file_has_a_header_that_contradicts_its_name(week):
    for path in week.folder.rglob("*.dcm"):
        said = read_facts(path).header["component_id"].partition(" ")[2]
        named = path.name.partition("_")[0]
        contradicts = path.relative_to(week.folder).as_posix() == week.transposed
        assert (said != named) == contradicts


def test_every_film_but_one_has_a_line_on_a_reader_sheet(week):
    lines = 0
    for path in week.folder.rglob("reader-sheet.csv"):
        with path.open(newline="", encoding="utf-8") as file:
            lines += len(list(csv.DictReader(file)))
    for path in (week.folder / "crews" / "B").rglob("*.xlsx"):
        (sheet,) = read_book(path)
        heading = next(n for n, row in enumerate(sheet.rows) if row[0] == "Joint")
        lines += len(sheet.rows) - heading - 1
    assert lines == week.radiographs - 1
    assert (week.folder / week.unlisted).is_file()


def test_every_weld_of_the_log_is_covered_all_round():
    story = tell(40, 1)
    for weld in story.welds:
        seen = {SEGMENTS[s.segment] for s in story.shots if s.weld is weld and not s.label and s.reading}
        assert seen == set(SEGMENTS)


def test_welding_shooting_reading_and_review_follow_each_other():
    story = tell(30, 1)
    for shot in story.shots:
        made = shot.weld.repaired_on if shot.label == "R1" else shot.weld.welded_on
        assert made < shot.on
        if shot.reading:
            assert shot.on <= shot.reading.read_on <= shot.reading.reviewed_on


def test_no_crew_shoots_two_films_at_once():
    story = tell(400, 1)
    for crew in "AB":
        moments = [shot.exposed_at for shot in story.shots if shot.weld.line.crew == crew]
        assert len(set(moments)) == len(moments)


def test_the_repaired_weld_is_rejected_repaired_by_another_welder_and_accepted():
    story = tell(12, 1)
    shots = [s for s in story.shots if s.weld.number == MESS.repaired]
    rejected = [s for s in shots if s.reading.result == "REJ"]
    assert [SEGMENTS[s.segment] for s in rejected] == ["1-2"]
    assert rejected[0].reading.flaw.kind is FlawKind.LACK_OF_PENETRATION
    (after,) = (s for s in shots if s.label == "R1")
    assert after.reading.result == "ACC"
    assert after.weld.repair_welder != after.weld.welder
    assert (after.weld.repaired_on - rejected[0].reading.read_on).days == 2


def test_a_folder_with_something_in_it_is_left_alone(tmp_path):
    (tmp_path / "mine.txt").write_text("keep")
    with pytest.raises(InputError, match="not an empty folder"):
        write_week(tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]


@pytest.mark.parametrize(("welds", "pixels"), [(5, (500, 1250)), (12, (10, 10)), (12, (5000, 500)), (99_999, PIXELS)])
def test_a_week_that_cannot_tell_its_story_is_refused_before_anything_is_written(tmp_path, welds, pixels):
    with pytest.raises(InputError):
        write_week(tmp_path / "new", welds=welds, pixels=pixels)
    assert not (tmp_path / "new").exists()


SHOT = Shot(
    outside_diameter_mm=323.8,
    wall_mm=9.53,
    sfd_mm=450,
    first_mm=339.0,
    last_mm=678.0,
    marks=("1", "2"),
    letters=("LN-204 W-0117", "VTH07"),
    density=3.75,
)


def bead(*flaws):
    return weld_bead(np.random.default_rng(1), length_mm=1017.2, wall_mm=9.53, flaws=flaws)


@pytest.mark.parametrize("kind", list(FlawKind))
def test_an_indication_shows_dark_where_the_sheet_says(kind):
    flaw = Flaw(kind=kind, position_mm=452.0, length_mm=2.0 if kind is FlawKind.PORE else 34.0, size_mm=2.0)
    sound, flawed = (expose(SHOT, b, np.random.default_rng(3), (500, 1250)).astype(int) for b in (bead(), bead(flaw)))
    darker = np.argwhere(sound - flawed > 800)
    places = darker[:, 1] * pitch_mm(SHOT, 1250) - OVERLAP_MM + SHOT.first_mm
    assert len(darker) > 5
    assert flaw.position_mm - 3 < places.min() < places.max() < flaw.position_mm + flaw.length_mm + 3
    assert (sound - flawed).min() > -800


def test_a_repair_takes_the_flaw_away_and_leaves_the_rest_of_the_weld_as_it_was():
    flaw = Flaw(kind=FlawKind.LACK_OF_PENETRATION, position_mm=452.0, length_mm=34.0, size_mm=1.2)
    before = bead(flaw)
    after = repaired(before, np.random.default_rng(2), first_mm=440, last_mm=498)
    along, across = np.arange(339.0, 678.0), np.linspace(-5, 5, 30)
    change = np.abs(metal_mm(after, along, across) - metal_mm(before, along, across)).max(axis=0)
    assert not after.flaws
    assert change[(along > 445) & (along < 495)].min() > 0.1
    assert change[(along < 430) | (along > 510)].max() < 0.01


def test_neighbouring_films_show_the_same_bead_where_they_overlap():
    metal = bead()
    across = np.linspace(-8, 8, 40)
    one = metal_mm(metal, np.arange(670.0, 690.0), across)
    two = metal_mm(metal, np.arange(670.0, 690.0) + metal.length_mm, across)
    assert np.abs(one - two).max() < 0.1


def test_a_film_exposed_too_short_is_measured_too_light():
    good = densities(expose(SHOT, bead(), np.random.default_rng(3), (500, 1250)), SHOT)
    assert good[0] >= 2.25
    assert good[1] <= 4.0
    light = densities(expose(replace(SHOT, density=2.0), bead(), np.random.default_rng(3), (500, 1250)), SHOT)
    assert light[1] < 2.3


def test_the_letter_box_holds_what_the_demo_sets():
    for letter in GLYPHS:
        mask = set_text(letter + "A", 20.0, 1.5)
        assert mask.max() == 1.0
    with pytest.raises(KeyError):
        set_text("é", 20.0, 1.5)


def test_decoded_pixels_are_the_film_that_was_computed(week):
    path = week.folder / week.transposed
    pixels = decode(path.read_bytes(), name=path.name)
    assert pixels.array.shape == (1, *PIXELS)
    assert pixels.array.std() > 500
