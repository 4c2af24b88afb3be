"""The package's page in a real browser, opened from a file with nothing else at hand."""

from __future__ import annotations

import hashlib
import shutil
import time
from dataclasses import replace
from importlib import resources

import pytest

from beadroll.findings import Report
from beadroll.package import layout
from beadroll.report import viewer
from tests.browser.opened import Opened, check, until
from tests.reports import found, hostile, index_of, placed, preview, repaired, story
from tests.weeks import weld


def lay_out(folder, record, report=None):
    """Write a package's files as the page finds them, and the page; return its path."""
    data = {}
    for one in record.welds:
        for number, film in enumerate(one.radiographs):
            for path, content in ((film.path, f"{one.weld.id} {film.id}".encode()), (film.preview, preview(number))):
                target = folder / path
                target.parent.mkdir(parents=True, exist_ok=True)
                target.write_bytes(content)
                data[path] = (len(content), hashlib.sha512(content).hexdigest())
    made = folder / "data/index.html"
    made.parent.mkdir(exist_ok=True)
    made.write_bytes(viewer.page(record, index_of(record, data), report or Report(), package="P-1"))
    return made


@pytest.fixture(scope="module")
def package(tmp_path_factory):
    folder = tmp_path_factory.mktemp("package")
    return lay_out(folder, story(welds=4), found())


@pytest.fixture
def opened(browser, package):
    made = Opened(browser, package)
    yield made
    made.page.context.close()


def test_the_page_opens_from_a_file_and_asks_for_nothing_else(opened, package):
    assert opened.said == []
    assert opened.asked == [package.as_uri()]
    assert opened.page.inner_text("#shown") == "5 of 5 welds"


@pytest.mark.parametrize("typed", ["W-0117", "w117", "w 0117", "W0117", "repaired", "4021", "RS-2", "karl 0117"])
def test_the_repaired_weld_is_found_by_what_people_type(opened, typed):
    opened.page.fill("#text", typed)
    assert opened.shown() == 1
    assert opened.page.inner_text("#list tbody tr:visible th") == "W-0117"


def test_the_filter_narrows_by_line_standing_and_rejects_and_can_be_cleared(opened):
    page = opened.page
    page.check("#rejects")
    assert opened.shown() == 1
    page.uncheck("#rejects")
    page.select_option("#standing", "accepted")
    assert opened.shown() == 5
    page.select_option("#standing", "cut_out")
    assert opened.shown() == 0
    assert page.inner_text("#shown") == "0 of 5 welds"
    page.click("button[type=reset]")
    until(page, "document.getElementById('shown').textContent === '5 of 5 welds'")


def test_the_repaired_weld_is_opened_by_keyboard_and_tells_its_life(opened):
    page = opened.page
    page.focus("#text")
    page.keyboard.type("0117")
    page.focus("#list tbody tr:not([hidden]) a")
    page.keyboard.press("Enter")
    page.wait_for_selector("#weld:visible")
    assert page.evaluate("document.activeElement.id") == "weld-title"
    titles = page.locator(".steps .what").all_inner_texts()
    assert titles == [
        "Welded",
        "Shot",
        "Read, accepted (ACC)",
        "Read, rejected (REJ)",
        "Decided: repair, R1",
        "Repaired, R1",
        "Shot again, R1",
        "Read, accepted (ACC), R1",
        "Signed as reviewer",
    ]
    rejected = page.inner_text(".steps li.rejected")
    assert "at 452 mm from the datum, length 34 mm" in rejected
    assert page.title().startswith("LN-204 W-0117")
    page.go_back()
    page.wait_for_selector("#welds:visible")
    assert opened.said == []


def test_a_radiograph_of_a_step_is_reached_and_its_preview_is_seen(opened):
    page = opened.page
    page.fill("#text", "0117")
    page.click("#list tbody tr:visible a")
    page.click(".steps li.rejected a.to-film")
    focused = page.evaluate("document.activeElement.id")
    assert focused == "film-1"
    until(page, "document.querySelector('#film-1 img').naturalWidth === 160")
    assert page.inner_text("#film-1 .name") == "1-2"
    assert page.get_attribute("#film-1 figcaption a", "href") == "welds/LN-204/W-0117/radiographs/R2.dcm"
    assert opened.said == []


def test_previews_in_the_list_are_loaded_when_they_come_near(opened, package):
    page = opened.page
    page.check("#thumbs")
    until(page, "[...document.images].some((each) => each.naturalWidth === 160)")
    inside = package.parent.as_uri()
    assert len(opened.asked) > 1
    assert all(url.startswith(inside) for url in opened.asked)


def test_a_file_is_checked_against_the_list_in_the_page(opened, package, tmp_path):
    film = package.parent / "welds/LN-204/W-0117/radiographs/R2.dcm"
    (said,), good = check(opened.page, film)
    assert good == 1
    assert "the digest is that of data/welds/LN-204/W-0117/radiographs/R2.dcm, as listed in this page" in said
    assert hashlib.sha512(film.read_bytes()).hexdigest() in said
    renamed = tmp_path / "other.dcm"
    shutil.copy(film, renamed)
    altered = tmp_path / "R1A.dcm"
    altered.write_bytes(b"one byte more")
    unknown = tmp_path / "unknown.bin"
    unknown.write_bytes(b"unknown")
    said, good = check(opened.page, renamed, altered, unknown)
    assert good == 1
    assert "the digest is that of data/welds/LN-204/W-0117/radiographs/R2.dcm" in said[0]
    assert "NOT that of data/welds/LN-204/W-0117/radiographs/R1A.dcm" in said[1]
    assert "no file of this digest or name" in said[2]
    assert opened.said == []


def test_the_chain_of_manifests_is_checked_when_they_are_chosen_too(opened, package, tmp_path):
    film = package.parent / "welds/LN-204/W-0117/radiographs/R1.dcm"
    manifest, tags = tmp_path / layout.MANIFEST, tmp_path / layout.TAG_MANIFEST
    path = film.relative_to(package.parents[1]).as_posix()
    manifest.write_text(f"{hashlib.sha512(film.read_bytes()).hexdigest()}  {path}\n")
    tags.write_text(f"{hashlib.sha512(manifest.read_bytes()).hexdigest()}  {manifest.name}\n")
    said, good = check(opened.page, film, manifest, tags)
    assert good == 2
    assert "as listed in manifest-sha512.txt" in said[0]
    assert "as listed in tagmanifest-sha512.txt" in said[1]
    assert hashlib.sha512(tags.read_bytes()).hexdigest() in said[2]
    manifest.write_text("0" * 128 + f"  {path}\n")
    said, good = check(opened.page, film, manifest, tags)
    assert good == 0
    assert "NOT that of" in said[0]
    assert "NOT that of" in said[1]


HOSTILE = (
    "</script><script>document.title='taken'</script>",
    "<img src=x onerror=\"document.title='taken'\">",
    "'\"`><svg onload=alert(1)>",
    "javascript:document.title='taken'",
    "{{script}}${alert(1)}\u2028\u202e",
)


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_in_every_field_stays_text(browser, tmp_path, text):
    opened = Opened(browser, lay_out(tmp_path, hostile(text), found()))
    page = opened.page
    page.check("#thumbs")
    page.fill("#text", text)
    page.fill("#text", "")
    page.select_option("#line", index=1)
    page.click("#list tbody tr:visible a")
    page.wait_for_selector("#weld:visible")
    seen = page.inner_text("#weld-title")
    assert text.split("\u2028")[0].strip() in seen
    assert "taken" not in page.title().replace(text, "")
    assert page.locator("#main script, #main svg, #main iframe, [onerror], [onload]").count() == 0
    hrefs = page.eval_on_selector_all("a", "links => links.map((each) => each.getAttribute('href'))")
    assert all(each.startswith(("#", "welds/")) for each in hrefs)
    assert opened.said == []
    assert all(url.startswith(tmp_path.as_uri()) for url in opened.asked)
    page.context.close()


def test_the_policy_would_stop_a_script_that_got_in_all_the_same(opened):
    page = opened.page
    markup = "document.createElement('div').innerHTML = '<b>x</b>'"
    stopped = page.evaluate(f"() => {{ try {{ {markup}; return 'set'; }} catch {{ return 'stopped'; }} }}")
    assert stopped == "stopped"
    reached = page.evaluate("() => fetch('index.json').then(() => 'reached', () => 'stopped')")
    assert reached == "stopped"


def test_a_browser_without_scripts_shows_the_plain_list(browser, package):
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(package.as_uri())
    seen = page.inner_text("body")
    assert "This browser runs no scripts" in seen
    assert "LN-204 W-0117: accepted\nRadiographs: 0-1, 1-2, 2-0, R1 1-2" in seen
    context.close()


def many(count):
    record = story(welds=0)
    welds = [repaired(f"W-{number:04d}") if number % 9 == 0 else weld(f"W-{number:04d}") for number in range(count)]
    return replace(record, welds=tuple(map(placed, welds)))


def test_fifteen_hundred_radiographs_are_there_in_two_seconds(browser, tmp_path):
    record = many(500)
    assert sum(len(each.radiographs) for each in record.welds) >= 1500
    path = tmp_path / "index.html"
    path.write_bytes(viewer.page(record, index_of(record), Report(), package="P-1"))
    page = browser.new_context().new_page()
    began = time.monotonic()
    page.goto(path.as_uri())
    page.wait_for_selector("html[data-ready]", state="attached")
    assert page.inner_text("#shown") == "500 of 500 welds"
    assert time.monotonic() - began < 2
    page.fill("#text", "W-0441")
    assert page.locator("#list tbody tr:visible").count() == 1
    page.context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("place", ["list", "weld"])
def test_no_rule_of_accessibility_is_broken(browser, package, scheme, place):
    opened = Opened(browser, package, color_scheme=scheme, bypass_csp=True)
    page = opened.page
    if place == "weld":
        page.fill("#text", "0117")
        page.click("#list tbody tr:visible a")
        page.wait_for_selector("#weld:visible")
    else:
        page.check("#thumbs")
    page.evaluate((resources.files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8"))
    broken = page.evaluate("() => axe.run(document).then((found) => found.violations)")
    assert [(each["id"], each["impact"], [node["html"][:200] for node in each["nodes"]]) for each in broken] == []
    page.context.close()


def test_everything_is_reached_at_twice_the_size_on_a_narrow_screen(browser, package):
    opened = Opened(browser, package)
    page = opened.page
    page.set_viewport_size({"width": 640, "height": 800})
    page.fill("#text", "0117")
    page.click("#list tbody tr:visible a")
    page.wait_for_selector("#weld:visible")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    page.context.close()


def test_on_paper_stand_the_welds_shown_and_nothing_to_press(opened):
    page = opened.page
    page.fill("#text", "0117")
    page.emulate_media(media="print")
    assert page.locator("#list tbody tr:visible").count() == 1
    assert page.locator("button:visible, input:visible, nav:visible").count() == 0
    assert page.locator("#cautions").is_visible()
