"""The bag's text files, line by line."""

from __future__ import annotations

import pytest

from beadroll.package import layout, manifest
from beadroll.package.layout import FileEntry
from beadroll.package.manifest import BagInfo

A, B = "a" * 128, "b" * 128


def lines_of(data, *, payload=True):
    read = manifest.parse_manifest(data.encode(), name="manifest-sha512.txt", payload=payload)
    return dict(read.entries), [(f.values.get("line"), f.values.get("reason")) for f in read.findings]


def test_a_manifest_is_sorted_and_read_back():
    entries = [FileEntry(path="data/b", size=1, sha512=B), FileEntry(path="data/a", size=1, sha512=A)]
    text = manifest.format_manifest(entries)
    assert text == f"{A}  data/a\n{B}  data/b\n".encode()
    assert lines_of(text.decode()) == ({"data/a": A, "data/b": B}, [])


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        (f"{A}  data/a", "does not end as it must"),
        (f"{A}  data/a\r\n", "does not end as it must"),
        (f"{A.upper()}  data/a\n", "lower case"),
        (f"{A} data/a\n", "two spaces"),
        (f"{A} *data/a\n", "two spaces"),
        (f"{A[:-1]}  data/a\n", "lower case"),
        ("garbage\n", "lower case"),
        ("\n", "lower case"),
        (f"\ufeff{A}  data/a\n", "lower case"),
        (f"{A}  data/a%0Ab\n", "percent sign"),
        (f"{A}  ../a\n", "climbs"),
        (f"{A}  /a\n", "absolute"),
        (f"{A}   data/a\n", "not made of"),
        (f"{A}  data/é\n", "outside ASCII"),
        (f"{A}  bag-info.txt\n", "belongs in the other manifest"),
        (f"{A}  data/a\n{A}  data/a\n", "listed twice"),
        (f"{A}  data/b\n{A}  data/a\n", "sorted order"),
    ],
)
def test_a_bad_line_is_a_finding_that_says_why(text, reason):
    _, found = lines_of(text)
    assert [reason in why for _, why in found] == [True]


@pytest.mark.parametrize("path", ["data/a", layout.TAG_MANIFEST, "seals/contractor.p7s"])
def test_the_tag_manifest_lists_only_what_was_there_before_it(path):
    assert len(lines_of(f"{A}  {path}\n", payload=False)[1]) == 1


def test_good_lines_beside_bad_ones_are_kept():
    entries, found = lines_of(f"{A}  data/a\nrubbish\n{B}  data/b\n")
    assert entries == {"data/a": A, "data/b": B}
    assert [line for line, _ in found] == [2]


def test_a_manifest_of_bare_line_ends_is_read_in_bounded_memory():
    read = manifest.parse_manifest(b"\n" * 5_000_000, name="manifest-sha512.txt", payload=True)
    assert len(read.findings) == 101
    assert read.findings[-1].code == "PKG-MANIFEST-LINES-MORE"


def test_bag_info_folds_long_texts_and_unfolds_them():
    text = " ".join(["harbour"] * 40)
    info = BagInfo(fields=(("External-Description", text), ("Contact-Name", "J. Vesper")))
    data = manifest.format_bag_info(info)
    assert max(len(line) for line in data.decode().splitlines()) <= 79
    assert manifest.parse_bag_info(data) == (info, ())


@pytest.mark.parametrize("text", ["", "two\nlines", "tab\there", " edge", "double  space", "bell\x07"])
def test_a_text_that_folding_would_not_give_back_is_refused(text):
    with pytest.raises(ValueError, match="one line of words"):
        manifest.format_bag_info(BagInfo(fields=(("Contact-Name", text),)))


def test_a_label_cannot_smuggle_a_line():
    with pytest.raises(ValueError, match="cannot be a label"):
        manifest.format_bag_info(BagInfo(fields=(("Contact\nPayload-Oxum", "1.1"),)))


@pytest.mark.parametrize(
    "data", [b"  continued\n", b"no colon\n", b"Label:\n", b"Label: a\x1b[2J\n", b"Label: cut", b"\xff: x\n", b"\n"]
)
def test_a_bad_label_line_is_a_finding(data):
    assert [each.code for each in manifest.parse_bag_info(data)[1]] == ["PKG-BAG-INFO-LINE"]


def test_labels_are_compared_without_case_and_replaced_once():
    info = BagInfo(fields=(("payload-oxum", "1.1"), ("A", "x")))
    assert info.first("Payload-Oxum") == "1.1"
    assert info.with_field("Payload-Oxum", "2.2").fields == (("A", "x"), ("Payload-Oxum", "2.2"))


@pytest.mark.parametrize(
    "data", [b"", manifest.BAGIT_TXT.replace(b": 1", b" : 1"), b"\xef\xbb\xbf" + manifest.BAGIT_TXT]
)
def test_the_declaration_is_compared_letter_by_letter(data):
    assert manifest.check_bagit(manifest.BAGIT_TXT) == ()
    assert [each.code for each in manifest.check_bagit(data)] == ["PKG-BAGIT-DECLARATION"]
