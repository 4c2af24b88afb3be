"""Each way of tampering with a finished package has its own message, in both forms where both can have it."""

from __future__ import annotations

import os
import random
import shutil

import pytest

from beadroll.errors import InputError, NotTrusted
from beadroll.findings import finding
from beadroll.package import layout
from beadroll.package.layout import Form
from beadroll.package.verify import Verified, inspect, verify
from tests import packages

A, B = packages.RADIOGRAPH, packages.OTHER_RADIOGRAPH


@pytest.fixture
def package(tmp_path):
    packages.build(tmp_path / "p", Form.FOLDER)
    return tmp_path / "p"


def remove(package):
    (package / A).unlink()


def extra(package):
    (package / "data/added.txt").write_bytes(b"added")


def extra_tag(package):
    (package / "note.txt").write_bytes(b"added")


def alter(package):
    data = bytearray((package / A).read_bytes())
    data[1000] ^= 1
    (package / A).write_bytes(bytes(data))


def cut(package):
    (package / A).write_bytes((package / A).read_bytes()[:-1])


def lengthen(package):
    (package / A).write_bytes((package / A).read_bytes() + b"\0")


def rename(package):
    (package / A).rename(package / "data/welds/LN-204/W-0117/radiographs/other.dcm")


def exchange(package):
    one, other = (package / A).read_bytes(), (package / B).read_bytes()
    (package / A).write_bytes(other)
    (package / B).write_bytes(one)


def duplicate(package):
    shutil.copy(package / A, package / "data/copy.dcm")


def alter_tag(package):
    text = (package / layout.READ_ME).read_text()
    (package / layout.READ_ME).write_text(text.replace("READ ME FIRST", "READ ME LATER"))


def drop_line(package):
    lines = (package / layout.MANIFEST).read_text().splitlines(keepends=True)
    (package / layout.MANIFEST).write_text("".join(line for line in lines if A not in line))


def unlist(package):
    """Take a file out of the list and the folder alike, as a forger would."""
    remove(package)
    packages.relist(package)


def fetch(package):
    (package / layout.FETCH).write_text("https://example.org/x 12 data/x\n")


def second_manifest(package):
    (package / "manifest-md5.txt").write_text(f"{'0' * 32}  data/index.json\n")
    packages.reseal_tags(package)


def declaration(package):
    (package / layout.BAGIT).write_bytes((package / layout.BAGIT).read_bytes().replace(b": 1", b" : 1"))
    packages.reseal_tags(package)


def no_tag_manifest(package):
    (package / layout.TAG_MANIFEST).unlink()


def empty_folder(package):
    (package / "data/welds/LN-204/W-0119").mkdir()


def wrong_oxum(package):
    text = (package / layout.BAG_INFO).read_text()
    (package / layout.BAG_INFO).write_text(text.replace("Payload-Oxum: 2", "Payload-Oxum: 1"))
    packages.reseal_tags(package)


def wrong_size(package):
    text = (package / layout.SIZES).read_text()
    (package / layout.SIZES).write_text(text.replace("1024000  ", "1024001  "))
    packages.reseal_tags(package)


def wrong_tree(package):
    text = (package / layout.TREE).read_text()
    (package / layout.TREE).write_text(text.replace("size 5", "size 4"))
    packages.reseal_tags(package)


MATRIX = {
    remove: [("PKG-FILE-MISSING", A)],
    extra: [("PKG-FILE-EXTRA", "data/added.txt")],
    extra_tag: [("PKG-FILE-EXTRA", "note.txt")],
    alter: [("PKG-FILE-ALTERED", A)],
    cut: [("PKG-FILE-TRUNCATED", A)],
    lengthen: [("PKG-FILE-LENGTHENED", A)],
    rename: [("PKG-FILE-RENAMED", A)],
    exchange: [("PKG-FILE-EXCHANGED", A), ("PKG-FILE-EXCHANGED", B)],
    duplicate: [("PKG-FILE-COPIED", "data/copy.dcm")],
    alter_tag: [("PKG-FILE-ALTERED", layout.READ_ME)],
    drop_line: [
        ("PKG-FILE-ALTERED", layout.MANIFEST),
        ("PKG-FILE-EXTRA", A),
        ("PKG-SIZES", layout.SIZES),
        ("PKG-TREE", layout.TREE),
    ],
    unlist: [
        ("PKG-FOLDER-EMPTY", "data/welds/LN-204/W-0117/radiographs/"),
        ("PKG-OXUM", layout.BAG_INFO),
        ("PKG-SIZES", layout.SIZES),
        ("PKG-TREE", layout.TREE),
    ],
    fetch: [("PKG-FETCH", layout.FETCH), ("PKG-FILE-EXTRA", layout.FETCH)],
    second_manifest: [("PKG-MANIFEST-OTHER", "manifest-md5.txt")],
    declaration: [("PKG-BAGIT-DECLARATION", layout.BAGIT)],
    empty_folder: [("PKG-FOLDER-EMPTY", "data/welds/LN-204/W-0119/")],
    wrong_oxum: [("PKG-OXUM", layout.BAG_INFO)],
    wrong_size: [("PKG-OXUM", layout.BAG_INFO), ("PKG-SIZE", A)],
    wrong_tree: [("PKG-TREE", layout.TREE)],
}


@pytest.mark.parametrize("tamper", MATRIX, ids=lambda each: each.__name__)
def test_each_fault_is_named_and_nothing_else_is(tamper, package):
    tamper(package)
    assert packages.look(package) == MATRIX[tamper]


def test_without_the_tag_manifest_every_tag_file_is_unlisted(package):
    no_tag_manifest(package)
    found = packages.look(package)
    assert ("PKG-LIST-MISSING", layout.TAG_MANIFEST) in found
    assert ("PKG-FILE-EXTRA", layout.MANIFEST) in found


def test_all_faults_are_reported_not_only_the_first(package):
    alter(package)
    (package / B).unlink()
    extra(package)
    assert packages.look(package) == [
        ("PKG-FILE-ALTERED", A),
        ("PKG-FILE-EXTRA", "data/added.txt"),
        ("PKG-FILE-MISSING", B),
    ]


@pytest.mark.parametrize("form", Form)
def test_a_truncated_file_is_named_with_both_sizes(form, tmp_path):
    packages.build(tmp_path / "p", form)
    if form is Form.FOLDER:
        cut(tmp_path / "p")
        texts = inspect(tmp_path / "p", judge_seals=None).report.lines()
        assert any(f"{A} was cut off: 1023999 of 1024000 bytes are there" in text for text in texts)
    else:
        content = (tmp_path / "p").read_bytes()
        (tmp_path / "p").write_bytes(content[:-500])
        assert packages.look(tmp_path / "p") == [("PKG-ZIP-FORM", "p")]


def test_an_altered_file_inside_a_zip_is_named(tmp_path):
    packages.build(tmp_path / "p.zip", Form.ZIP)
    content = bytearray((tmp_path / "p.zip").read_bytes())
    content[content.index(packages.FILES[A]) + 9] ^= 1
    (tmp_path / "p.zip").write_bytes(bytes(content))
    assert packages.look(tmp_path / "p.zip") == [("PKG-FILE-ALTERED", A)]


def _flip(package, chance, path):
    data = bytearray((package / path).read_bytes())
    data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
    (package / path).write_bytes(bytes(data))


def _cut(package, chance, path):
    os.truncate(package / path, chance.randrange((package / path).stat().st_size))


def _drop(package, chance, path):
    del chance
    (package / path).unlink()


def _double(package, chance, path):
    shutil.copy(package / path, package / f"data/x{chance.randrange(1000)}")


def _move(package, chance, path):
    (package / path).rename(package / f"data/x{chance.randrange(1000)}")


@pytest.mark.slow
def test_every_one_of_many_random_faults_is_noticed_and_named(package, tmp_path):
    chance = random.Random(20310407)  # noqa: S311 - the same faults each time
    names = sorted(path.relative_to(package).as_posix() for path in package.rglob("*") if path.is_file())
    names = [name for name in names if not layout.is_seal(name) and (package / name).stat().st_size]
    for number in range(300):
        spoilt = packages.copy(package, tmp_path / "spoilt")
        fault, path = chance.choice([_flip, _cut, _drop, _double, _move]), chance.choice(names)
        fault(spoilt, chance, path)
        report = inspect(spoilt, judge_seals=None).report
        said = "\n".join(each.text for each in report.stops)
        assert path in said or path == layout.TAG_MANIFEST, (number, fault.__name__, path, said)
        assert report.stops
        shutil.rmtree(spoilt)


def good(tagmanifest, seals):
    wanted = {f"seals/{role}.p7s": text for role, text in packages.seal(tagmanifest).items()}
    return () if dict(seals) == wanted else (finding("PKG-CONTENT", "seals", reason="not the seal made."),)


@pytest.mark.parametrize("form", Form)
def test_only_a_package_that_passes_every_check_is_verified(form, tmp_path):
    finished = packages.build(tmp_path / "p", form)
    seen = verify(tmp_path / "p", judge_seals=good)
    assert seen.inspection.report.findings == ()
    assert seen.inspection.tagmanifest_sha512 == finished.tagmanifest_sha512
    assert seen.inspection.payload_oxum == finished.payload_oxum
    assert seen.inspection.files == finished.files
    assert seen.inspection.seals == {"seals/contractor.p7s": finished.seals["contractor"]}


def test_a_stripped_seal_reaches_the_judge_of_seals(package):
    shutil.rmtree(package / "seals")
    with pytest.raises(NotTrusted) as caught:
        verify(package, judge_seals=good)
    assert [each.code for each in caught.value.report.findings] == ["PKG-CONTENT"]
    assert caught.value.exit_code == 4


def test_nobody_but_verify_makes_a_verified(package):
    seen = inspect(package, judge_seals=None)
    with pytest.raises(TypeError, match="only verify"):
        Verified(package=package, inspection=seen, _key=object())


def test_unjudged_seals_are_said_to_be_so(package):
    texts = inspect(package, judge_seals=None).report.lines()
    assert texts == [
        "PKG-SEALS-UNJUDGED  The 1 seals under seals were not judged: digests alone do not show who made the package."
    ]


def test_records_are_judged_only_when_the_digests_are_good(package):
    asked = []

    def judge(reader):
        asked.append(reader.read("data/index.json", 100))
        return (finding("PKG-CONTENT", "data/index.json", reason="it names another handover."),)

    found = inspect(package, judge_seals=None, judge_content=judge).report
    assert [each.code for each in found.stops] == ["PKG-CONTENT"]
    alter(package)
    inspect(package, judge_seals=None, judge_content=judge)
    assert asked == [packages.FILES["data/index.json"]]


def test_a_record_too_large_to_read_is_a_finding(package):
    found = inspect(package, judge_seals=None, judge_content=lambda reader: reader.read(A, 10)).report
    assert [each.code for each in found.stops] == ["PKG-CONTENT"]


@pytest.mark.parametrize("form", Form)
def test_a_copy_made_with_the_check_is_the_package_itself(form, tmp_path):
    packages.build(tmp_path / "p", form)
    done = []
    seen = verify(
        tmp_path / "p",
        judge_seals=good,
        judge_content=lambda reader: (done.append(reader.form), ())[1],
        copy_to=tmp_path / "copy",
        progress=lambda at, total: done.append((at, total)),
    )
    assert done[-1] is Form.FOLDER
    total = sum(entry.size for entry in seen.inspection.files)
    assert max(at for at, _ in done[:-1]) == total
    again = verify(tmp_path / "copy", judge_seals=good)
    assert again.inspection.files == seen.inspection.files


def test_a_copy_is_never_written_over_something(package, tmp_path):
    (tmp_path / "copy").mkdir()
    (tmp_path / "copy/mine").write_bytes(b"mine")
    with pytest.raises(InputError, match="not empty"):
        inspect(package, judge_seals=None, copy_to=tmp_path / "copy")
    assert (tmp_path / "copy/mine").read_bytes() == b"mine"


def test_a_file_that_cannot_be_read_is_named(package, monkeypatch):
    import os

    real = os.preadv

    def failing(fd, buffers, offset):
        if os.fstat(fd).st_size == len(packages.FILES[A]) and offset:
            raise OSError(5, "Input/output error")
        return real(fd, buffers, offset)

    monkeypatch.setattr(os, "preadv", failing)
    found = inspect(package, judge_seals=None).report.stops
    assert [(each.code, each.subject) for each in found] == [("PKG-UNREADABLE", A)]
    assert "Input/output error" in found[0].text


def test_a_seal_over_another_package_is_kept_apart_from_the_lists(package):
    """A seal stands outside the tag manifest: adding one changes nothing that was sealed."""
    (package / "seals/client.p7s").write_bytes(b"later")
    assert packages.look(package) == []
