"""The page of a package built from a week on disk, as a client opens it beside the manifests."""

from __future__ import annotations

import pytest

from beadroll.handover.assembling.assemble import assemble
from beadroll.package import layout
from beadroll.package.layout import Form
from tests.browser.opened import Opened, check, until
from tests.handovers import checked_week, write_week


@pytest.fixture
def package(tmp_path):
    write_week(tmp_path / "job")
    assemble(checked_week(tmp_path / "job"), tmp_path / "out", form=Form.FOLDER)
    return tmp_path / "out"


def test_every_file_of_a_package_is_confirmed_through_the_chain_of_manifests(browser, package):
    opened = Opened(browser, package / layout.PAGE)
    payload = [path for path in sorted((package / "data").rglob("*")) if path.is_file()]
    said, good = check(opened.page, *payload, package / layout.MANIFEST, package / layout.TAG_MANIFEST)
    assert good == len(payload) + 1, [each for each in said if "NOT" in each or "no file" in each]
    victim = next(path for path in payload if path.suffix == ".dcm")
    data = bytearray(victim.read_bytes())
    data[len(data) // 2] ^= 1
    victim.write_bytes(data)
    said, good = check(opened.page, *payload, package / layout.MANIFEST, package / layout.TAG_MANIFEST)
    assert good == len(payload)
    assert len([each for each in said if "NOT that of" in each or "none of them" in each]) == 1
    opened.page.context.close()


def test_the_previews_of_a_package_are_seen_from_its_page(browser, package):
    opened = Opened(browser, package / layout.PAGE)
    page = opened.page
    page.click("#list tbody tr:visible a")
    page.wait_for_selector("#weld:visible")
    until(page, "document.querySelectorAll('.films img').length === 3")
    page.eval_on_selector(".films", "films => films.scrollIntoView()")
    until(page, "[...document.querySelectorAll('.films img')].every((each) => each.naturalWidth > 0)")
    assert opened.said == []
    page.context.close()
