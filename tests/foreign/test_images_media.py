"""The DICOMDIR as dcmtk and pydicom read it."""

from __future__ import annotations

import contextlib
import subprocess
import time
from dataclasses import replace

import pydicom
import pytest
from pydicom.fileset import FileSet

from beadroll.errors import InputError
from beadroll.images import Codec, convert
from beadroll.images.media import directory, plan, write_media
from tests import radiographs
from tests.radiographs import WELD
from tests.tools import need


def objects(folder, count):
    paths = []
    for number in range(count):
        data = radiographs.tiff(radiographs.film(8, 9, seed=number))
        who = replace(WELD, weld=f"W-{number // 4:04}", exposure_id=f"X-{number // 2}", segment=str(number % 2))
        path = folder / f"{number}.dcm"
        path.write_bytes(convert(data, who, codec=Codec.JPEG_LS, name="a").data)
        paths.append(path)
    return paths


@contextlib.contextmanager
def opened(folder):
    found = FileSet(folder / "DICOMDIR")
    try:
        yield found
    finally:
        found._stage["t"].cleanup()  # pydicom leaves its own temporary folder to the collector, which warns


def test_pydicom_finds_every_image_through_the_directory(tmp_path):
    paths = objects(tmp_path, 24)
    write_media(paths, tmp_path / "media")
    with opened(tmp_path / "media") as found:
        assert len(found) == 24
        assert len(found.find_values("PatientID")) == 6
        assert {one.SOPInstanceUID for one in found} == {pydicom.dcmread(path).SOPInstanceUID for path in paths}
        for one in found:
            assert one.load().SOPInstanceUID == one.SOPInstanceUID
            assert one.load().SeriesInstanceUID == one.SeriesInstanceUID


def test_dcmtk_reads_the_directory_without_complaint(tmp_path):
    write_media(objects(tmp_path, 9), tmp_path / "media")
    done = subprocess.run([need("dcmdump"), "+E", tmp_path / "media" / "DICOMDIR"], capture_output=True, check=False)
    assert done.returncode == 0
    assert done.stderr == b""
    assert done.stdout.count(b"DirectoryRecordType") == 9 + 5 + 3 + 3
    whole = subprocess.run([need("dcmftest"), tmp_path / "media" / "DICOMDIR"], capture_output=True, check=False)
    assert b"yes:" in whole.stdout


def test_dcmtk_can_add_to_the_directory(tmp_path):
    """``dcmmkdir`` in append mode follows every offset before it writes its own."""
    write_media(objects(tmp_path, 6), tmp_path / "media")
    extra = tmp_path / "media" / "DICOM" / "D0000" / "EXTRA"
    data = radiographs.tiff(radiographs.film(8, 9, seed=99))
    extra.write_bytes(convert(data, replace(WELD, weld="W-9999"), codec=Codec.UNCOMPRESSED, name="a").data)
    command = [need("dcmmkdir"), "+A", "-Pgp", "+I", "-W", "+D", "DICOMDIR", "DICOM/D0000/EXTRA"]
    done = subprocess.run(command, cwd=tmp_path / "media", capture_output=True, check=False)
    assert done.returncode == 0, done.stderr
    with opened(tmp_path / "media") as found:
        assert len(found) == 7


def test_names_are_those_the_standard_allows():
    for file in plan([None] * 2500):
        assert len(file.file_id) <= 8
        assert all(len(part) <= 8 and part.isalnum() and part.upper() == part for part in file.file_id)
    assert len({file.file_id for file in plan([None] * 2500)}) == 2500


def test_1500_instances_are_listed_in_under_five_seconds(tmp_path):
    paths = objects(tmp_path, 30) * 50
    texts = [path.read_bytes() for path in paths]
    copies = []
    for number, (path, data) in enumerate(zip(paths, texts, strict=True)):
        uid = pydicom.dcmread(path, stop_before_pixels=True).SOPInstanceUID
        other = f"2.25.{number + 10**35}".ljust(len(uid), "0").encode()
        copy = tmp_path / f"c{number}.dcm"
        copy.write_bytes(data.replace(str(uid).encode(), other))
        copies.append(copy)
    start = time.perf_counter()
    made = directory(plan(copies), file_set_id="RADIOGRAPHS")
    assert time.perf_counter() - start < 5
    assert made.count(b"IMAGE ") == 1500


def test_a_folder_that_exists_and_a_file_that_is_not_whole_leave_nothing_behind(tmp_path):
    paths = objects(tmp_path, 2)
    (tmp_path / "there").mkdir()
    with pytest.raises(InputError, match="exists already"):
        write_media(paths, tmp_path / "there")
    paths[1].write_bytes(paths[1].read_bytes()[:-9])
    with pytest.raises(InputError):
        write_media(paths, tmp_path / "media")
    assert not (tmp_path / "media").exists()
    with pytest.raises(InputError, match="twice"):
        write_media([paths[0], paths[0]], tmp_path / "media")


def test_the_same_files_give_the_same_directory(tmp_path):
    paths = objects(tmp_path, 5)
    assert directory(plan(paths), file_set_id="A") == directory(plan(paths), file_set_id="A")
