"""What stands on the sheets, read back by another program, and that the same handover gives the same file."""

from __future__ import annotations

import re
import subprocess
from dataclasses import replace

import pytest

from beadroll.errors import InputError
from beadroll.findings import Report
from beadroll.record.people import Person
from beadroll.report import sheets, template
from beadroll.report.language import LANGUAGES
from tests.reports import FOREIGN, LONG_NUMBER, found, hostile, index_of, preview, python, repaired, story, text_of
from tests.tools import need

DIGEST = "0123456789abcdef" * 8
DELIVERY = sheets.Delivery(name="VTH-2031-W14", tagmanifest_sha512=DIGEST, payload_oxum="1000.12")


def edition(record, chosen=None, report=None):
    return sheets.Edition(
        record=record, index=index_of(record), report=report or Report(), template=chosen or template.default()
    )


def every(record, language="en"):
    made = edition(record, template.default(language), found())
    return {
        "summary": sheets.summary(made),
        "welds": sheets.weld_sheets(made, record.welds, lambda film: preview(len(film.id))),
        "findings": sheets.findings(made),
        "counts": sheets.counts(made),
        "transmittal": sheets.transmittal(made, DELIVERY),
    }


def squeezed(text):
    return re.sub(r"\s", "", text)


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_sheet_says_what_it_is_and_numbers_its_pages(tmp_path, language):
    words = template.default(language).words
    titles = {"welds": "weld"}
    for name, pdf in every(story(), language).items():
        text = text_of(pdf, tmp_path)
        pages = text.count("\f")
        assert words(f"sheet.{titles.get(name, name)}") in text
        assert words("sheet.page", page=pages, pages=pages) in text
        assert squeezed(words("caution.short")) in squeezed(text)


def test_a_weld_sheet_tells_the_repair_with_its_place(tmp_path):
    record = story()
    (weld,) = [each for each in record.welds if each.weld.id.number == "W-0117"]
    pdf = sheets.weld_sheets(edition(record), [weld], lambda _: preview(0))
    text = squeezed(text_of(pdf, tmp_path, "-layout"))
    order = ["Welded", "Shot", "Read,rejected(REJ)", "at452mmfromthedatum", "Decided:repair,R1", "Repaired,R1"]
    order += ["Shotagain,R1", "Read,accepted(ACC),R1", "Signedasreviewer"]
    places = [text.index(each) for each in order]
    assert places == sorted(places)
    assert "madeinplaceof1-2,whichiskept" in text


def test_long_numbers_and_foreign_names_are_never_cut(tmp_path):
    record = story(repaired(LONG_NUMBER))
    record = replace(record, people=(*record.people, Person(id="AK", name=FOREIGN)))
    record = replace(record, job=replace(record.job, client=f"{FOREIGN} {LONG_NUMBER}"))
    for name, pdf in every(record).items():
        text = squeezed(text_of(pdf, tmp_path))
        assert squeezed(FOREIGN) in text, name
        if name in ("summary", "welds", "transmittal"):
            assert LONG_NUMBER in text, name


@pytest.mark.parametrize("length", [400, 5_000])
def test_every_word_stands_inside_the_page(tmp_path, length):
    record = hostile("Überlänge" + "M" * length)
    for name, pdf in every(record).items():
        boxes = text_of(pdf, tmp_path, "-bbox")
        width, height = map(float, re.search(r'<page width="([\d.]+)" height="([\d.]+)"', boxes).groups())
        words = re.findall(r'xMin="([\d.-]+)" yMin="([\d.-]+)" xMax="([\d.-]+)" yMax="([\d.-]+)"', boxes)
        assert words
        for left, top, right, bottom in (tuple(map(float, each)) for each in words):
            assert left >= 42, name  # 15 mm
            assert right <= width - 42, name
            assert top >= 0, name
            assert bottom <= height, name


def test_a_text_longer_than_a_page_runs_on(tmp_path):
    record = story(welds=0)
    (weld,) = record.welds
    long = " ".join(f"word{n}" for n in range(6000))
    weld = replace(weld, weld=replace(weld.weld, remark=long, location=long))
    record = replace(record, welds=(weld,))
    chosen = template.parse(b'columns = ["number", "location"]', lambda _: b"", name="t")
    for pdf in (
        sheets.summary(edition(record, chosen)),
        sheets.weld_sheets(edition(record, chosen), [weld], lambda _: b""),
    ):
        text = text_of(pdf, tmp_path)
        assert {f"word{n}" for n in range(6000)} <= set(text.split())


def test_hidden_characters_are_spelled_out_on_paper(tmp_path):
    record = hostile("W\u202e1\x00\n2")
    text = squeezed(text_of(every(record)["summary"], tmp_path))
    assert "W\\u202e1\\x002" in text


def test_a_character_without_a_sign_is_named_not_dropped():
    record = hostile("山 W-1")
    with pytest.raises(InputError, match=r"U\+5C71 CJK UNIFIED IDEOGRAPH-5C71"):
        sheets.summary(edition(record))
    named = sheets.unprintable(record, Report(), template.default())
    assert named == ("U+5C71 CJK UNIFIED IDEOGRAPH-5C71",)


@pytest.mark.parametrize("text", ["مرحبا", "नमस्ते", "W\u0301\u0323x\u030c\u0301"])
def test_writing_that_needs_shaping_is_named_instead_of_printed_wrongly(text):
    assert sheets.unprintable(hostile(text), Report(), template.default())


def test_the_same_handover_gives_the_same_bytes_in_another_process():
    code = (
        "import hashlib\nfrom tests.unit.test_report_sheets import every, story\n"
        "print({name: hashlib.sha256(pdf).hexdigest() for name, pdf in every(story()).items()})"
    )
    first, second = (python(code, PYTHONHASHSEED=seed, TZ=zone) for seed, zone in (("1", "UTC"), ("2", "Asia/Tokyo")))
    assert first == second


def test_the_transmittal_carries_the_whole_digest_in_words_and_as_a_code(tmp_path):
    pdf = every(story())["transmittal"]
    assert DIGEST in squeezed(text_of(pdf, tmp_path))
    subprocess.run([need("pdftoppm"), "-r", "150", "-png", "-l", "1", "sheet.pdf", "page"], cwd=tmp_path, check=True)
    (page,) = tmp_path.glob("page*.png")
    seen = subprocess.run([need("zbarimg"), "-q", "--raw", str(page)], capture_output=True, text=True, check=True)
    assert seen.stdout.strip() == f"sha512:{DIGEST}"


def test_the_counts_on_paper_are_those_of_the_week(tmp_path):
    lines = text_of(every(story())["counts"], tmp_path, "-layout").splitlines()
    total = next(line.split() for line in lines if line.strip().startswith("Total"))
    assert total[1:8] == ["3", "3", "1", "1", "0", "0", "0"]


def test_the_findings_say_what_to_do(tmp_path):
    text = squeezed(text_of(every(story())["findings"], tmp_path))
    assert "ASM-LOSSY" in text
    assert squeezed(found().findings[0].text) in text
    clean = sheets.findings(edition(story()))
    assert "nothing to report" in text_of(clean, tmp_path)


def test_a_handover_without_welds_has_its_sheets(tmp_path):
    bare = edition(replace(story(), welds=()))
    assert "no welds" in text_of(sheets.summary(bare), tmp_path)
    assert "Total" in text_of(sheets.counts(bare), tmp_path)
    assert DIGEST in squeezed(text_of(sheets.transmittal(bare, DELIVERY), tmp_path))


def test_many_welds_are_each_found_by_a_bookmark(tmp_path):
    record = story(welds=5)
    pdf = sheets.weld_sheets(edition(record), record.welds, lambda _: b"")
    (tmp_path / "s.pdf").write_bytes(pdf)
    seen = subprocess.run(
        [need("qpdf"), "--json", "--json-key=outlines", "s.pdf"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    for weld in record.welds:
        assert f'"{weld.weld.id}"' in seen
