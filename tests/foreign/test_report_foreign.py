"""Independent programs read the sheets: PDFBox Preflight as PDF/A-1b, qpdf as PDF, poppler for the fonts.

Preflight (Debian: libpdfbox2-java) checks ISO 19005-1 level B. The sheets use nothing that later parts of ISO 19005
would be needed for: no transparency, no layers, no attachments.
"""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

from beadroll.report import sheets, template
from tests.reports import FOREIGN, hostile, story
from tests.tools import need
from tests.unit.test_report_sheets import edition, every
from tests.unit.test_report_template import beside, image

JAVA = Path("/usr/share/java")
JARS = ("preflight", "pdfbox2", "xmpbox", "fontbox2", "commons-logging", "javax.activation", "jaxb-api")


def preflight(*pdfs):
    missing = [jar for jar in JARS if not (JAVA / f"{jar}.jar").is_file()]
    if missing:
        if os.environ.get("CI"):
            pytest.fail(f"{missing} are missing in {JAVA}, and CI must have them (see .ci/run)")
        pytest.skip("PDFBox Preflight is not installed on this machine")
    path = ":".join(str(JAVA / f"{jar}.jar") for jar in JARS)
    command = [need("java"), "-cp", path, "org.apache.pdfbox.preflight.Validator_A1b"]
    return [subprocess.run([*command, str(pdf)], capture_output=True, text=True, check=False).stdout for pdf in pdfs]


def written(folder, sheets):
    paths = [folder / f"{name}.pdf" for name in sheets]
    for path, pdf in zip(paths, sheets.values(), strict=True):
        path.write_bytes(pdf)
    return paths


def test_preflight_finds_every_sheet_a_valid_pdf_a(tmp_path):
    paths = written(tmp_path, every(story()) | {f"{FOREIGN[:5]}": every(hostile(f"<&>\"' {FOREIGN}"), "fr")["welds"]})
    for path, said in zip(paths, preflight(*paths), strict=True):
        assert "is a valid PDF/A-1b file" in said, f"{path.name}: {said}"


def test_preflight_refuses_a_sheet_whose_properties_claim_nothing(tmp_path):
    pdf = every(story())["counts"]
    assert b"<pdfaid:part>1<" in pdf
    (path,) = written(tmp_path, {"spoiled": pdf.replace(b"<pdfaid:part>1<", b"<pdfaid:part>7<")})
    assert "is not a valid" in preflight(path)[0]


def test_a_logo_keeps_a_sheet_a_valid_pdf_a(tmp_path):
    chosen = template.parse(b'logo = "logo.png"', beside(logo_png=image()), name="t")
    (path,) = written(tmp_path, {"logo": sheets.summary(edition(story(), chosen))})
    assert "is a valid PDF/A-1b file" in preflight(path)[0]


def test_qpdf_finds_no_fault(tmp_path):
    for path in written(tmp_path, every(story())):
        subprocess.run([need("qpdf"), "--check", str(path)], check=True, capture_output=True)


def test_every_font_is_embedded_with_its_characters(tmp_path):
    for path in written(tmp_path, every(story(), "de")):
        listed = subprocess.run([need("pdffonts"), str(path)], capture_output=True, text=True, check=True).stdout
        fonts = listed.splitlines()[2:]
        assert fonts
        assert all(line.split()[-5:-2] == ["yes", "yes", "yes"] for line in fonts), listed


def test_the_properties_name_the_sheet_its_author_and_its_day(tmp_path):
    (path,) = written(tmp_path, {"counts": every(story())["counts"]})
    said = subprocess.run([need("pdfinfo"), "-meta", str(path)], capture_output=True, text=True, check=True).stdout
    assert "Pellin &amp; Oake Radiography" in said
    assert "Counts of welds - HO-2031-W14" in said
    assert f"CreateDate>{story().handover.dated.isoformat()}T00:00:00+00:00<" in said
