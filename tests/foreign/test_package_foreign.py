"""Independent programs read what we write: bagit.py, sha512sum, Python's zipfile, Info-ZIP's unzip."""

from __future__ import annotations

import shutil
import subprocess
import warnings
import zipfile

import pytest

from beadroll.package import readme
from beadroll.package.layout import Form
from beadroll.package.manifest import BagInfo
from beadroll.package.write import PackageWriter, add_seal
from tests import packages
from tests.tools import need

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # bagit.py imports pkg_resources where it is still there
    import bagit


@pytest.fixture
def folder(tmp_path):
    packages.build(tmp_path / "p", Form.FOLDER)
    return tmp_path / "p"


@pytest.fixture
def zipped(tmp_path):
    packages.build(tmp_path / "p.zip", Form.ZIP)
    return tmp_path / "p.zip"


@pytest.fixture
def unpacked(tmp_path, zipped):
    subprocess.run([need("unzip"), "-q", str(zipped), "-d", str(tmp_path / "out")], check=True)
    return tmp_path / "out" / packages.NAME


@pytest.mark.parametrize("form", ["folder", "unpacked"])
def test_bagit_validates_both_forms(form, request):
    bag = bagit.Bag(str(request.getfixturevalue(form)))
    assert bag.is_valid()
    assert bag.info["Payload-Oxum"] == f"{sum(map(len, packages.FILES.values()))}.{len(packages.FILES)}"
    assert " ".join(bag.info["Source-Organization"].split()) == packages.INFO.first("Source-Organization")


@pytest.mark.parametrize("form", ["folder", "unpacked"])
def test_the_read_me_commands_pass_as_they_stand(form, request):
    package = request.getfixturevalue(form)
    text = (package / "READ-ME-FIRST.txt").read_text(encoding="ascii")
    for command in (readme.TAG_COMMAND, readme.FILES_COMMAND):
        assert f"\n{command}\n" in text
        need("sha512sum")
        done = subprocess.run(["sh", "-c", command], cwd=package, capture_output=True, text=True, check=False)
        assert (done.returncode, done.stderr) == (0, "")


def test_the_read_me_commands_notice_an_altered_and_a_missing_file(folder):
    need("sha512sum")
    (folder / packages.RADIOGRAPH).write_bytes(b"other")
    (folder / "data/people/empty.json").unlink()
    done = subprocess.run(["sh", "-c", readme.FILES_COMMAND], cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert f"{packages.RADIOGRAPH}: FAILED\n" in done.stdout
    assert "data/people/empty.json: FAILED open" in done.stdout


@pytest.mark.parametrize("spoil", [False, True])
def test_the_read_me_command_checks_a_seal_made_by_openssl_itself(spoil, tmp_path):
    openssl = need("openssl")
    request = (
        "req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-384 -nodes -subj /CN=Ringbahn -keyout key.pem -out root.pem"
    )
    subprocess.run([openssl, *request.split()], cwd=tmp_path, check=True, capture_output=True)

    def sign(tagmanifest):
        (tmp_path / "content").write_bytes(tagmanifest)
        command = "cms -sign -binary -md sha512 -signer root.pem -inkey key.pem -in content -outform DER -out out.p7s"
        subprocess.run([openssl, *command.split()], cwd=tmp_path, check=True, capture_output=True)
        return {"contractor": (tmp_path / "out.p7s").read_bytes()}

    with PackageWriter.create(tmp_path / "p", name="p", form=Form.FOLDER) as writer:
        writer.add("data/a", b"a")
        writer.finish(BagInfo(), sealer=sign)
    text = (tmp_path / "p/READ-ME-FIRST.txt").read_text(encoding="ascii")
    command = text[text.index("openssl cms") :].split("\n\n")[0]
    shutil.copy(tmp_path / "root.pem", tmp_path / "p")
    if spoil:
        with (tmp_path / "p/tagmanifest-sha512.txt").open("ab") as stream:
            stream.write(b"\n")
    done = subprocess.run(["sh", "-c", command], cwd=tmp_path / "p", capture_output=True, text=True, check=False)
    assert ("Verification successful" in done.stderr, done.returncode == 0) == (not spoil, not spoil)


def test_the_read_me_command_counts_the_payload_files(folder):
    text = (folder / "READ-ME-FIRST.txt").read_text(encoding="ascii")
    command = "find data -type f | wc -l"
    assert command in text
    done = subprocess.run(["sh", "-c", command], cwd=folder, capture_output=True, text=True, check=True)
    assert int(done.stdout) == len(packages.FILES)


def test_info_zip_finds_nothing_wrong_before_and_after_a_later_seal(zipped):
    for _ in range(2):
        done = subprocess.run([need("unzip"), "-t", str(zipped)], capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stdout + done.stderr
        assert "No errors detected" in done.stdout
        if not _:
            add_seal(zipped, "client", b"a later seal")


def test_pythons_zipfile_reads_every_file_and_checks_every_crc(zipped):
    with zipfile.ZipFile(zipped) as archive:
        assert archive.testzip() is None
        assert {info.compress_type for info in archive.infolist()} == {zipfile.ZIP_STORED}
        for path, data in packages.FILES.items():
            assert archive.read(f"{packages.NAME}/{path}") == data


def test_an_unpacked_zip_is_the_same_package(folder, unpacked):
    assert packages.look(unpacked) == []
    names = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*"))
    assert names == sorted(path.relative_to(unpacked).as_posix() for path in unpacked.rglob("*"))
    for path in folder.rglob("*"):
        assert path.is_dir() or path.read_bytes() == (unpacked / path.relative_to(folder)).read_bytes()
