"""Promises about names, lists and bytes that hold for any input."""

from __future__ import annotations

import tempfile
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from beadroll.package import layout, manifest
from beadroll.package.layout import FileEntry, Form
from beadroll.package.manifest import BagInfo
from tests import packages

near = st.text(alphabet="Aa1-_. /%\u00e9e\u0301", max_size=12)
texts = st.one_of(st.text(max_size=80), near, st.sampled_from(["CON", "con", "nul.txt", "..", "W-1", "w-1"]))
names = st.from_regex(r"[A-Z0-9]{1,8}", fullmatch=True)
paths = st.lists(names, min_size=1, max_size=4).map(lambda parts: "data/" + "/".join(parts))
digests = st.binary(min_size=64, max_size=64).map(bytes.hex)
entries = st.dictionaries(paths, st.tuples(digests, st.integers(0, 10**15)), max_size=20).map(
    lambda found: [FileEntry(path=path, size=size, sha512=digest) for path, (digest, size) in found.items()]
)
words = st.text(st.characters(codec="utf-8", categories=["L", "N", "P"]), min_size=1, max_size=90)
fields = st.tuples(
    st.from_regex(r"[A-Za-z][A-Za-z0-9-]{0,20}", fullmatch=True), st.lists(words, min_size=1, max_size=30).map(" ".join)
)


@given(texts, texts)
def test_two_texts_never_share_a_name(one, other):
    if one != other:
        assert layout.safe_name(one).casefold() != layout.safe_name(other).casefold()


@given(texts)
def test_every_name_is_safe_and_short(text):
    name = layout.safe_name(text)
    assert layout.path_fault(f"data/{name}") == ""
    assert "/" not in name
    assert len(name) <= layout.SAFE_NAME_LENGTH


@given(st.lists(texts, max_size=20), st.randoms())
def test_names_of_one_folder_are_safe_distinct_and_independent_of_order(wanted, random):
    made = layout.distinct_names(wanted)
    assert len({name.casefold() for name in made.values()}) == len(set(wanted))
    assert all(layout.path_fault(f"data/{name}") == "" for name in made.values())
    random.shuffle(wanted)
    assert layout.distinct_names(wanted) == made


@given(entries)
def test_a_manifest_gives_back_what_was_put_in(files):
    read = manifest.parse_manifest(manifest.format_manifest(files), name="m", payload=True)
    assert read.findings == ()
    assert read.entries == {entry.path: entry.sha512 for entry in files}
    sizes = manifest.parse_sizes(manifest.format_sizes(files))
    assert sizes.findings == ()
    assert sizes.entries == {entry.path: str(entry.size) for entry in files}


@given(entries.filter(bool), st.data())
def test_a_changed_byte_of_a_manifest_never_goes_unseen(files, data):
    text = manifest.format_manifest(files)
    at = data.draw(st.integers(0, len(text) - 1))
    changed = bytearray(text)
    changed[at] ^= data.draw(st.integers(1, 255))
    read = manifest.parse_manifest(bytes(changed), name="m", payload=True)
    assert read.findings or read.entries != {entry.path: entry.sha512 for entry in files}


@given(st.binary(max_size=400))
def test_any_bytes_are_read_as_lists_without_an_error(data):
    manifest.parse_manifest(data, name="m", payload=True)
    manifest.parse_sizes(data)
    manifest.parse_bag_info(data)


@given(st.lists(fields, max_size=8).map(tuple))
def test_bag_info_gives_back_what_was_put_in(made):
    info = BagInfo(fields=made)
    assert manifest.parse_bag_info(manifest.format_bag_info(info)) == (info, ())


@settings(max_examples=15, deadline=None)
@given(st.dictionaries(paths, st.binary(max_size=2000), max_size=8), st.sampled_from(Form))
def test_every_package_gives_back_its_payload_and_is_clean(files, form):
    if layout.clashes(files):
        return
    with tempfile.TemporaryDirectory() as folder:
        package = Path(folder) / "p"
        packages.build(package, form, files)
        assert packages.look(package) == []
        assert packages.payload_bytes(package) == files


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_any_changed_byte_of_a_zip_is_noticed(data):
    with tempfile.TemporaryDirectory() as folder:
        package = Path(folder) / "p.zip"
        finished = packages.build(package, Form.ZIP, {"data/A": b"abc", "data/B": b"defg"})
        content = bytearray(package.read_bytes())
        seal = content.index(finished.seals["contractor"])
        at = data.draw(st.integers(0, len(content) - 1))
        if seal <= at < seal + len(finished.seals["contractor"]):
            return  # whether a seal is good is for the judge of seals
        content[at] ^= data.draw(st.integers(1, 255))
        package.write_bytes(bytes(content))
        assert packages.look(package) != []
