"""The page in the package: one file that runs nothing but its own script and asks for nothing from elsewhere."""

from __future__ import annotations

import base64
import hashlib
import html.parser
import json
import re
from dataclasses import replace

import pytest

from beadroll.findings import Report
from beadroll.report import viewer
from beadroll.report.language import LANGUAGES, words
from tests.reports import found, hostile, index_of, python, record_in, story

HOSTILE = (
    "</script><script>alert(1)</script>",
    "<!--<script>",
    "\u2028\u2029'\"`&lt;{{style}}{title}",
    "<img src=x onerror=alert(1)>",
    "javascript:alert(1)",
    "\u202eabc",
)


def page(record, report=None, language="en"):
    return viewer.page(record, index_of(record), report or Report(), package="VTH-2031-W14", language=words(language))


class Seen(html.parser.HTMLParser):
    """Collects the elements and attributes a parser finds."""

    def __init__(self, text):
        super().__init__()
        self.elements = []
        self.text = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.text.append(data)


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_adds_no_element_and_no_attribute(text):
    harmless, attacked = Seen(page(hostile("harmless")).decode()), Seen(page(hostile(text)).decode())
    assert [tag for tag, _ in attacked.elements] == [tag for tag, _ in harmless.elements]
    assert [sorted(attributes) for _, attributes in attacked.elements] == [
        sorted(attributes) for _, attributes in harmless.elements
    ]


@pytest.mark.parametrize("text", HOSTILE[:4])
def test_hostile_text_arrives_as_the_text_it_is(text):
    (weld,) = record_in(page(hostile(text)))["welds"]
    assert weld["number"] == " ".join(text.translate({0x2028: " ", 0x2029: " "}).split(" "))


def test_the_block_of_data_holds_no_sign_that_could_end_it():
    block = page(hostile("</script>&\u2028")).decode().partition('application/json">')[2].partition("</script>")[0]
    assert not set("<>&\u2028\u2029") & set(block)
    json.loads(block)


def test_the_policy_allows_our_script_and_style_alone():
    text = page(story()).decode()
    (policy,) = re.findall(r'Content-Security-Policy" content="([^"]+)"', text)
    script = text.rpartition("<script>")[2].partition("</script>")[0]
    style = text.partition("<style>")[2].partition("</style>")[0]
    for part, directive in ((script, "script-src"), (style, "style-src")):
        digest = base64.b64encode(hashlib.sha256(part.encode()).digest()).decode()
        assert f"{directive} 'sha256-{digest}'" in policy
    assert policy.startswith("default-src 'none'; ")
    assert "unsafe" not in policy
    assert "http" not in policy


def test_the_page_names_no_other_place():
    seen = Seen(page(story()).decode())
    for tag, attributes in seen.elements:
        for name in ("src", "href", "action", "data", "srcset"):
            value = attributes.get(name, "")
            assert not re.match(r"[a-z]+:|//", value or ""), (tag, value)


def test_a_browser_without_scripts_has_every_weld_and_radiograph():
    record = story()
    plain = page(record).decode().partition("<noscript>")[2].partition("</noscript>")[0]
    seen = Seen(plain)
    links = [attributes["href"] for tag, attributes in seen.elements if tag == "a"]
    for weld in record.welds:
        assert f"welds/{weld.weld.id.line}/{weld.weld.id.number}/weld.json" in links
        assert all(film.path.removeprefix("data/") in links for film in weld.radiographs)


def test_the_page_knows_the_digest_of_every_file_of_the_index():
    record = story()
    shown = dict(record_in(page(record))["files"])
    assert shown == {each.path.removeprefix("data/"): each.sha512 for each in index_of(record).files}


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_page_speaks_the_language_of_the_template(language):
    text = page(story(), language=language).decode()
    assert f'<html lang="{language}">' in text
    assert words(language)("caution.short") in text
    assert "{{" not in text


def test_findings_are_shown_with_their_sentence():
    (shown,) = record_in(page(story(), found()))["findings"]
    assert shown["code"] == "ASM-LOSSY"
    assert shown["text"] == found().findings[0].text


def test_the_same_handover_gives_the_same_page_in_another_process():
    code = (
        "import hashlib\nfrom tests.unit.test_viewer import page, story\n"
        "print(hashlib.sha256(page(story())).hexdigest())"
    )
    assert python(code, PYTHONHASHSEED="1", TZ="UTC") == python(code, PYTHONHASHSEED="2", TZ="Asia/Tokyo")


def test_a_handover_without_welds_has_its_page():
    record = replace(story(), welds=())
    assert record_in(page(record))["welds"] == []
