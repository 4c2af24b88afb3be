"""Packages made to harm whoever reads them: each is refused with its reason, and nothing outside is touched."""

from __future__ import annotations

import os
import socket
import struct
import time
import zipfile

import pytest

from beadroll.errors import InputError
from beadroll.package import layout, zip64
from beadroll.package.layout import Form
from beadroll.package.verify import inspect
from tests import packages


@pytest.fixture
def package(tmp_path):
    (tmp_path / "in").mkdir()
    packages.build(tmp_path / "in/p", Form.FOLDER)
    return tmp_path / "in/p"


def stops(package, tmp_path):
    """Inspect with a copy; nothing may appear beside the copy, and every file in it lies under a fit path."""
    before = {path for path in tmp_path.rglob("*") if "copy" not in path.parts}
    seen = inspect(package, judge_seals=None, copy_to=tmp_path / "copy")
    assert {path for path in tmp_path.rglob("*") if "copy" not in path.parts} == before
    for path in (tmp_path / "copy").rglob("*"):
        assert not path.is_symlink()
        assert layout.path_fault(path.relative_to(tmp_path / "copy").as_posix()) == ""
    for each in seen.report.findings:
        assert each.text.isprintable()
        assert each.text.isascii()
    return [(each.code, each.subject) for each in seen.report.stops]


# --- folders


def test_a_linked_file_is_not_followed(package, tmp_path):
    (tmp_path / "secret").write_bytes(b"secret")
    (package / packages.RADIOGRAPH).unlink()
    (package / packages.RADIOGRAPH).symlink_to(tmp_path / "secret")
    found = stops(package, tmp_path)
    assert ("PKG-LINK", packages.RADIOGRAPH) in found
    assert ("PKG-FILE-MISSING", packages.RADIOGRAPH) in found
    assert not (tmp_path / "copy" / packages.RADIOGRAPH).exists()


def test_a_linked_folder_is_not_entered(package, tmp_path):
    (package / "data/more").symlink_to("/etc")
    assert stops(package, tmp_path) == [("PKG-LINK", "data/more")]


def test_a_loop_of_links_ends(package, tmp_path):
    (package / "data/loop").symlink_to(package / "data")
    assert stops(package, tmp_path) == [("PKG-LINK", "data/loop")]


def test_a_pipe_and_a_socket_are_refused_without_waiting(package, tmp_path, monkeypatch):
    os.mkfifo(package / "data/pipe")
    monkeypatch.chdir(package)
    with socket.socket(socket.AF_UNIX) as server:
        server.bind("data/socket")
        assert stops(package, tmp_path) == [("PKG-SPECIAL", "data/pipe"), ("PKG-SPECIAL", "data/socket")]


def test_a_listed_file_that_turned_into_a_pipe_is_not_waited_for(package, tmp_path):
    (package / packages.RADIOGRAPH).unlink()
    os.mkfifo(package / packages.RADIOGRAPH)
    assert ("PKG-SPECIAL", packages.RADIOGRAPH) in stops(package, tmp_path)


def test_a_hard_link_is_copied_as_a_file_of_its_own(package, tmp_path):
    os.link(package / packages.RADIOGRAPH, tmp_path / "other-name")
    assert stops(package, tmp_path) == []
    assert (tmp_path / "copy" / packages.RADIOGRAPH).stat().st_nlink == 1


@pytest.mark.parametrize(
    "name",
    [
        "nul",
        "CON.json",
        "a b",
        ".hidden",
        "-rf",
        "trailing.",
        "a%2e",
        "~x",
        "back\\slash",
        "C:x",
        "new\nline",
        "\x1b[31mred",
        "e\u0301",
        "\u00e9",
        "x" * 200,
        b"\xff\xfe".decode("utf-8", "surrogateescape"),
    ],
)
def test_a_name_that_another_system_would_take_otherwise_is_refused(name, package, tmp_path):
    (package / "data" / name).write_bytes(b"x")
    assert [code for code, _ in stops(package, tmp_path)] == ["PKG-PATH-REFUSED"]


def test_names_that_differ_in_case_only_are_refused(package, tmp_path):
    (package / "data/INDEX.json").write_bytes(packages.FILES["data/index.json"])
    assert ("PKG-PATH-CLASH", "data/index.json") in stops(package, tmp_path)


def test_a_bottomless_folder_ends(package, tmp_path):
    deep = package / "data"
    for _ in range(40):
        deep = deep / "d"
    deep.mkdir(parents=True)
    assert [code for code, _ in stops(package, tmp_path)] == ["PKG-PATH-REFUSED"]


def test_too_many_files_are_not_listed_without_end(package, tmp_path, monkeypatch):
    monkeypatch.setattr(layout, "MAX_FILES", 30)
    for number in range(60):
        (package / f"data/f{number}").write_bytes(b"")
    assert "PKG-TOO-MANY" in [code for code, _ in stops(package, tmp_path)]


def test_a_huge_manifest_is_not_taken_into_memory(package, tmp_path):
    with (package / layout.MANIFEST).open("r+b") as stream:
        stream.truncate(layout.MAX_MANIFEST + 1)  # sparse
    assert ("PKG-UNREADABLE", layout.MANIFEST) in stops(package, tmp_path)


def test_a_manifest_cannot_point_outside(package):
    text = (package / layout.MANIFEST).read_text()
    digest = text[:128]
    for path in ("../../etc/passwd", "/etc/passwd", "data/../../x", "data/%2e%2e/x", "data\\..\\x"):
        (package / layout.MANIFEST).write_text(f"{text}{digest}  {path}\n")
        packages.reseal_tags(package)
        found = packages.look(package)
        assert ("PKG-MANIFEST-LINE", layout.MANIFEST) in found
        assert all(code in {"PKG-MANIFEST-LINE", "PKG-TREE"} for code, _ in found)


def test_a_flood_of_seals_is_bounded(package, tmp_path):
    for number in range(layout.MAX_SEALS + 5):
        (package / f"seals/s{number}.p7s").write_bytes(b"x")
    assert ("PKG-SEALS-TOO-MANY", "seals") in stops(package, tmp_path)


def test_something_that_is_no_package_is_said_to_be_so(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    for name in ("pipe", "nothing"):
        with pytest.raises(InputError, match="cannot be opened as a package"):
            inspect(tmp_path / name, judge_seals=None)
    (tmp_path / "text").write_text("hello")
    assert packages.look(tmp_path / "text") == [("PKG-ZIP-FORM", "text")]
    (tmp_path / "folder").mkdir()
    assert ("PKG-LIST-MISSING", layout.MANIFEST) in packages.look(tmp_path / "folder")


# --- ZIPs, made record by record


def forge(path, entries, *, gap=b"", lead=b"", central=None, trailer=b""):
    """Write a ZIP in the package's form from (name, data) pairs, with the given irregularities."""
    body, records = bytearray(lead), []
    for name, data in entries:
        record = zip64.Record(name=name, size=len(data), crc=0, offset=len(body))
        body += zip64.local_header(record) + data + gap
        records.append(record)
    records = central(records) if central else records
    directory = b"".join(zip64.central_header(record) for record in records)
    tail = zip64.tail(zip64.Directory(start=len(body), size=len(directory), count=len(records)))
    path.write_bytes(bytes(body) + directory + tail + trailer)


def change(record, **fields):
    values = {"name": record.name, "size": record.size, "crc": record.crc, "offset": record.offset}
    return zip64.Record(**(values | fields))


ZIP_NAMES = [
    "p/../../evil",
    "p//evil",
    "p/~root",
    "p/C:evil",
    "p/a\\..\\evil",
    "p/nul",
    "p/a\x1b[2J",
    "p/%2e%2e/x",
    "p",
]


@pytest.mark.parametrize("name", ZIP_NAMES)
def test_a_zip_entry_with_a_refused_name_is_never_written(name, tmp_path):
    forge(tmp_path / "z.zip", [("p/bagit.txt", b"x"), (name, b"evil")])
    assert [code for code, _ in stops(tmp_path / "z.zip", tmp_path)] == ["PKG-PATH-REFUSED"]
    assert list((tmp_path / "copy").iterdir()) == []


@pytest.mark.parametrize("names", [["/p/x"], ["//server/x"], ["../x"], ["p/x", "q/x"], ["x"]], ids=" ".join)
def test_a_zip_without_one_plain_top_folder_is_refused(names, tmp_path):
    forge(tmp_path / "z.zip", [(name, b"x") for name in names])
    found = [code for code, _ in stops(tmp_path / "z.zip", tmp_path)]
    assert set(found) <= {"PKG-ZIP-TOP", "PKG-PATH-REFUSED"}
    assert found


@pytest.mark.parametrize(("second", "code"), [("p/data/A", "PKG-PATH-CLASH"), ("p/data/a", "PKG-ZIP-TWICE")])
def test_repeated_and_case_clashing_entries_are_refused(second, code, tmp_path):
    forge(tmp_path / "z.zip", [("p/data/a", b"1"), (second, b"2")])
    assert [found for found, _ in stops(tmp_path / "z.zip", tmp_path)] == [code]


def test_a_file_where_a_folder_must_be_is_refused(tmp_path):
    forge(tmp_path / "z.zip", [("p/data/a", b"1"), ("p/data/a/b", b"2")])
    assert [found for found, _ in stops(tmp_path / "z.zip", tmp_path)] == ["PKG-PATH-CLASH"]


TWO = [("p/data/a", b"12345678"), ("p/data/b", b"12345678")]
LAYOUTS = {
    "overlapping entries": {"central": lambda r: [r[0], change(r[1], offset=r[0].offset)]},
    "one body under two names": {"central": lambda r: [*r, change(r[0], name="p/data/c")]},
    "a gap between entries": {"gap": b"hidden"},
    "something in front": {"lead": b"#!/bin/sh\n"},
    "an entry left out of the list": {"central": lambda r: r[:1]},
    "a size larger than the file": {"central": lambda r: [r[0], change(r[1], size=1 << 40)]},
    "an offset beyond the file": {"central": lambda r: [r[0], change(r[1], offset=(1 << 64) - 100)]},
    "a listed name that is not in the header": {"central": lambda r: [r[0], change(r[1], name="p/data/x")]},
    "a listed checksum that is not in the header": {"central": lambda r: [r[0], change(r[1], crc=7)]},
    "a listed size that is not in the header": {"central": lambda r: [r[0], change(r[1], size=4)]},
    "something behind": {"trailer": b"extra"},
    "a comment behind": {"trailer": b"\0" * 65000},
}


@pytest.mark.parametrize("kind", LAYOUTS)
def test_a_zip_whose_records_do_not_agree_is_refused_whole(kind, tmp_path):
    forge(tmp_path / "z.zip", TWO, **LAYOUTS[kind])
    found = stops(tmp_path / "z.zip", tmp_path)
    assert found
    assert {code for code, _ in found} <= {"PKG-ZIP-LAYOUT", "PKG-ZIP-HEADER", "PKG-ZIP-FORM"}
    assert list((tmp_path / "copy").iterdir()) == []


def patched(at, value):
    """Write a good ZIP with one field of the first central header changed."""

    def make(path):
        forge(path, TWO)
        content = bytearray(path.read_bytes())
        start = content.index(b"PK\1\2")
        content[start + at : start + at + len(value)] = value
        path.write_bytes(bytes(content))

    return make


KINDS = {
    "encrypted": (patched(8, b"\1\0"), "encrypted"),
    "strongly encrypted": (patched(8, b"\x40\0"), "encrypted"),
    "compressed": (patched(10, b"\x08\0"), "compressed"),
    "trailing descriptor": (patched(8, b"\x08\0"), "trailing descriptor"),
    "link": (patched(38, struct.pack("<I", 0o120777 << 16)), "symbolic link"),
    "device": (patched(38, struct.pack("<I", 0o060644 << 16)), "not a plain file"),
    "a date": (patched(14, b"\x99\x99"), "not in the plain stored ZIP64 form"),
    "a comment": (patched(32, b"\5\0"), "not in the plain stored ZIP64 form"),
    "not ASCII": (patched(46, b"\xff"), "outside ASCII"),
    "no signature": (patched(0, b"XXXX"), "damaged"),
}


@pytest.mark.parametrize("kind", KINDS)
def test_an_entry_of_another_kind_is_refused_with_its_kind(kind, tmp_path):
    make, reason = KINDS[kind]
    make(tmp_path / "z.zip")
    seen = inspect(tmp_path / "z.zip", judge_seals=None)
    assert [each.code for each in seen.report.stops] == ["PKG-ZIP-FORM"]
    assert reason in seen.report.stops[0].text


def test_a_compressed_bomb_is_refused_before_a_byte_is_inflated(tmp_path):
    with zipfile.ZipFile(tmp_path / "z.zip", "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        archive.writestr("p/data/bomb", b"\0" * 50_000_000)
    start = time.monotonic()
    assert [code for code, _ in stops(tmp_path / "z.zip", tmp_path)] == ["PKG-ZIP-FORM"]
    assert time.monotonic() - start < 1


def test_a_list_of_entries_that_claims_to_be_huge_is_refused(tmp_path):
    tail = zip64.tail(zip64.Directory(start=0, size=0, count=1 << 60))
    (tmp_path / "z.zip").write_bytes(tail)
    assert [code for code, _ in stops(tmp_path / "z.zip", tmp_path)] == ["PKG-ZIP-FORM"]
    tail = zip64.tail(zip64.Directory(start=(1 << 64) - 200, size=100, count=1))
    (tmp_path / "z.zip").write_bytes(tail)
    assert [code for code, _ in stops(tmp_path / "z.zip", tmp_path)] == ["PKG-ZIP-FORM"]


def test_an_empty_file_and_an_empty_zip_are_refused(tmp_path):
    (tmp_path / "z.zip").write_bytes(b"")
    assert packages.look(tmp_path / "z.zip") == [("PKG-ZIP-FORM", "z")]
    forge(tmp_path / "z.zip", [])
    assert ("PKG-ZIP-TOP", "z") in packages.look(tmp_path / "z.zip")
