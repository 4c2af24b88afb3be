"""A package as other programs see it, and radiographs that this project did not write on their way into one."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import bagit
import duckdb
import pyarrow.parquet as pq
import pydicom
import pytest
from PIL import Image
from pydicom.data import get_testdata_file

from beadroll import images
from beadroll.handover.assembling.assemble import assemble
from beadroll.handover.check import check
from beadroll.handover.stages import DeliveredRadiograph
from beadroll.package.content import judge_content
from beadroll.package.layout import Form
from beadroll.package.verify import inspect
from tests.handovers import checked_week, delivered, noisy, reconciled_week, write_week
from tests.tools import need
from tests.weeks import weld


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    folder = tmp_path_factory.mktemp("foreign")
    write_week(folder / "job")
    return assemble(checked_week(folder / "job"), folder / "out", form=Form.FOLDER)


def test_bagit_finds_the_folder_valid(built):
    bag = bagit.Bag(str(built.package.path))
    bag.validate()
    assert bag.info["Bagging-Date"] == "2031-04-07"
    assert bag.info["Source-Organization"] == "Pellin & Oake Radiography"


def test_bagit_finds_the_unzipped_package_valid(tmp_path):
    write_week(tmp_path / "job")
    made = assemble(checked_week(tmp_path / "job"), tmp_path / "out.zip", form=Form.ZIP)
    subprocess.run([need("unzip"), "-q", str(made.package.path), "-d", str(tmp_path / "un")], check=True)
    (top,) = (tmp_path / "un").iterdir()
    bagit.Bag(str(top)).validate()


def test_sha512sum_checks_every_file(built):
    for manifest in ("manifest-sha512.txt", "tagmanifest-sha512.txt"):
        command = [need("sha512sum"), "-c", "--strict", "--quiet", manifest]
        done = subprocess.run(command, cwd=built.package.path, capture_output=True, check=False)
        assert done.returncode == 0, done.stderr


def test_other_parquet_readers_answer_a_question_about_a_weld(built):
    catalog = built.package.path / "data" / "catalog"
    shots = duckdb.read_parquet(str(catalog / "radiographs.parquet")).set_alias("r")
    readings = duckdb.read_parquet(str(catalog / "interpretations.parquet")).set_alias("i")
    joined = shots.join(readings, "r.weld_key = i.weld_key and r.radiograph = i.radiograph")
    found = joined.filter("r.weld_key = 'W00000102'").project("r.radiograph, i.result").order("1").fetchall()
    assert found == [("R1", "ACC"), ("R2", "ACC"), ("R3", "ACC")]
    for segment in built.index.segments:
        assert pq.read_table(built.package.path / segment.path).num_rows == segment.rows


def test_dcmtk_and_pydicom_read_every_radiograph_pixel_exact(built, tmp_path):
    for each in (radiograph for record in built.record.welds for radiograph in record.radiographs):
        path = built.package.path / each.path
        subprocess.run([need("dcmdjpls"), str(path), str(tmp_path / "plain.dcm")], check=True)
        plain = pydicom.dcmread(tmp_path / "plain.dcm")
        assert images.digest_of_object((tmp_path / "plain.dcm").read_bytes()) == each.pixel_sha512
        assert plain.pixel_array.shape == (each.rows, each.columns)


SAMPLES = (
    "CT_small.dcm",
    "MR_small_bigendian.dcm",
    "693_J2KI.dcm",
    "JPEG2000.dcm",
    "JPGExtended.dcm",
    "image_dfl.dcm",
    "liver_1frame.dcm",
    "rtdose.dcm",
    "rtdose_1frame.dcm",
)
"""Files of medical scanners that ship inside pydicom: other makers, other syntaxes, signed words, many frames."""


def libtiff(path: Path, seed: int, *options: str) -> None:
    plain = path.with_suffix(".plain.tif")
    Image.fromarray(noisy(seed, 60, 90)).save(plain)
    subprocess.run([need("tiffcp"), *options, str(plain), str(path)], check=True)
    plain.unlink()


def foreign_files(folder: Path) -> list[Path]:
    folder.mkdir(parents=True)
    for name in SAMPLES:
        shutil.copy(get_testdata_file(name, download=False), folder / name)
    Image.fromarray(noisy(1, 50, 70)).save(folder / "pillow raw.tif")
    Image.fromarray(noisy(2, 50, 70)).save(
        folder / "pillow deflate.tif", compression="tiff_adobe_deflate", dpi=(300, 300)
    )
    Image.fromarray(noisy(3, 50, 70)).save(folder / "pillow.png")
    libtiff(folder / "libtiff lzw.tif", 4, "-c", "lzw:2")
    libtiff(folder / "libtiff tiled.tif", 5, "-t", "-w", "32", "-l", "32")
    libtiff(folder / "libtiff big-endian.tif", 6, "-B", "-r", "7")
    return sorted(folder.iterdir())


@pytest.mark.parametrize("form", list(Form))
def test_files_of_other_programs_go_through_with_their_pixels_proved(tmp_path, form):
    job = tmp_path / "job"
    write_week(job, welds=1)
    files = foreign_files(job / "crews" / "B" / "2031-04-01")
    made = weld("W-0900")
    radiographs = tuple(
        replace(made.radiographs[0], id=f"R{n:02}", segment=f"{n}-{n + 1}", delivered_as=delivered(job, path).path)
        for n, path in enumerate(files)
    )
    reconciled = reconciled_week(job, welds=1)
    keep = {each.delivered_as for each in reconciled.record.welds[0].radiographs}
    seen = tuple(DeliveredRadiograph(file=delivered(job, path), facts=images.read_facts(path)) for path in files)
    reconciled = replace(
        reconciled,
        record=replace(reconciled.record, welds=(*reconciled.record.welds, replace(made, radiographs=radiographs))),
        gathered=replace(
            reconciled.gathered,
            radiographs=(*(r for r in reconciled.gathered.radiographs if r.file.path in keep), *seen),
        ),
    )
    out = tmp_path / ("out.zip" if form is Form.ZIP else "out")
    assembled = assemble(check(reconciled), out, form=form)
    report = inspect(out, judge_seals=None, judge_content=judge_content).report
    assert [each.code for each in report.findings] == ["PKG-SEALS-UNJUDGED"]
    packed = {each.delivered_as: each for record in assembled.record.welds for each in record.radiographs}
    for path in files:
        each = packed[delivered(job, path).path]
        assert each.restorable or each.delivered_path
        assert images.pixel_digest(images.decode(path.read_bytes(), name=path.name)) == each.pixel_sha512
    lossy = {each.subject for each in assembled.report.findings if each.code == "ASM-LOSSY"}
    assert lossy == {f"crews/B/2031-04-01/{name}" for name in ("693_J2KI.dcm", "JPEG2000.dcm", "JPGExtended.dcm")}
