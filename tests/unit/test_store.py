"""The OCFL store: what it holds, and that ocfl-py agrees."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import ocfl as ocfl_store
import pytest

from beadroll.archive import ocfl
from beadroll.archive.store import Addition, Store
from beadroll.errors import ArchiveError

NOW = datetime(2031, 4, 7, 9, 30, tzinfo=UTC)
ID = "urn:beadroll:VTH-2031-07:HO-2031-W14"


def add(store, identifier, files, *, base=None, message="received"):
    with store.stage() as stage:
        entries = tuple(stage.add(path, data) for path, data in files.items())
        state = dict(base.newest.state) if base else {}
        state |= {entry.path: entry.sha512 for entry in entries}
        addition = Addition(files=entries, state=state, created=NOW, message=message, user="clerk")
        return store.commit(stage, identifier, base, addition)


def assert_valid(archive: Path) -> None:
    """Validate with ocfl-py, an independent implementation (https://pypi.org/project/ocfl-py/)."""
    found = ocfl_store.StorageRoot(root=str(archive / "store"))
    assert found.validate(log_warnings=True)


@pytest.fixture
def store(tmp_path):
    return Store.create(tmp_path)


def test_a_new_object_holds_what_was_staged(store):
    made = add(store, ID, {"package/bagit.txt": b"x", "package/data/a.dcm": b"y"})
    assert store.inventory(ID) == made
    assert store.path(made, "package/data/a.dcm").read_bytes() == b"y"
    assert list(store.ids()) == [ID]
    assert_valid(store.archive)


def test_a_later_version_adds_and_keeps_what_was(store):
    first = add(store, ID, {"package/bagit.txt": b"x"})
    second = add(store, ID, {"receipts/r.json": b"{}", "package/again.txt": b"x"}, base=first)
    assert second.head == 2
    assert second.content_path("package/again.txt") == "v1/content/package/bagit.txt"
    assert store.path(second, "package/bagit.txt").read_bytes() == b"x"
    assert not (store.folder(ID) / "v2/content/package").exists()
    assert_valid(store.archive)


def test_an_addition_made_for_an_older_version_is_refused(store):
    first = add(store, ID, {"a": b"x"})
    add(store, ID, {"b": b"y"}, base=first)
    with pytest.raises(ArchiveError, match="another receiver"):
        add(store, ID, {"c": b"z"}, base=first)


def test_objects_that_share_a_folder_live_side_by_side(store):
    ids = [f"urn:beadroll:J:HO-{number}" for number in range(60)]
    for each in ids:
        add(store, each, {"a": each.encode()})
    assert sorted(store.ids()) == sorted(ids)
    assert_valid(store.archive)


def test_a_long_id_is_found_again(store):
    long = "urn:beadroll:" + "x" * 200
    add(store, long, {"a": b"1"})
    assert list(store.ids()) == [long]
    assert_valid(store.archive)


def test_the_layout_gives_the_example_paths_of_the_extension():
    # OCFL extension 0003, examples 1: https://ocfl.github.io/extensions/0003-hash-and-id-n-tuple-storage-layout.html
    assert ocfl.object_path("object-01") == "3c0/ff4/240/object-01"
    assert ocfl.object_path("..hor/rib:le-$id") == "487/326/d8c/%2e%2ehor%2frib%3ale-%24id"


def test_a_staging_left_by_a_dead_process_is_cleared(store):
    left = store.archive / "staging" / "feedface"
    (left / "content").mkdir(parents=True)
    (left / "content" / "half").write_bytes(b"h")
    with store.stage():
        assert not left.exists()


def test_a_staging_in_use_is_left_alone(store):
    with store.stage() as one, store.stage():
        assert one.content.is_dir()


def test_a_version_without_its_inventory_in_the_root_is_rolled_forward(store):
    first = add(store, ID, {"a": b"x"})
    old = {name: (store.folder(ID) / name).read_bytes() for name in (ocfl.INVENTORY, ocfl.SIDECAR)}
    second = add(store, ID, {"b": b"y"}, base=first)
    for name, data in old.items():
        (store.folder(ID) / name).write_bytes(data)
    assert store.inventory(ID) == first
    assert store.recover(ID) == second
    assert store.inventory(ID) == second
    assert_valid(store.archive)


def test_a_root_inventory_without_its_sidecar_is_rolled_forward(store):
    first = add(store, ID, {"a": b"x"})
    old = (store.folder(ID) / ocfl.SIDECAR).read_bytes()
    second = add(store, ID, {"b": b"y"}, base=first)
    (store.folder(ID) / ocfl.SIDECAR).write_bytes(old)
    assert store.inventory(ID) == second
    assert store.recover(ID) == second
    assert_valid(store.archive)


def test_a_version_that_contradicts_itself_is_put_aside_not_deleted(store):
    first = add(store, ID, {"a": b"x"})
    half = store.folder(ID) / "v2" / "content"
    half.mkdir(parents=True)
    (half / "b").write_bytes(b"y")
    assert store.recover(ID) == first
    assert [p.read_bytes() for p in (store.archive / "audit/aside").rglob("b")] == [b"y"]
    assert_valid(store.archive)


def test_damaged_inventories_everywhere_are_an_error_that_names_the_object(store):
    add(store, ID, {"a": b"x"})
    for path in store.folder(ID).rglob("inventory.json"):
        path.write_bytes(b"{}")
    with pytest.raises(ArchiveError, match="HO-2031-W14"):
        store.inventory(ID)


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"[]",
        b'{"id": 3}',
        b'{"digestAlgorithm":"md5","head":"v1","id":"a","manifest":{},"type":"x","versions":{}}',
    ],
)
def test_an_unsound_inventory_is_an_archive_error(data):
    with pytest.raises(ArchiveError):
        ocfl.Inventory.from_bytes(data, name="inventory.json")


def test_an_inventory_whose_content_path_climbs_is_refused(store):
    made = add(store, ID, {"a": b"x"})
    data = made.to_bytes().replace(b"v1/content/a", b"v1/content/../../a")
    with pytest.raises(ArchiveError, match="may not name a file"):
        ocfl.Inventory.from_bytes(data, name="inventory.json")


def test_a_folder_without_a_store_is_said_to_be_none(tmp_path):
    with pytest.raises(ArchiveError, match="holds no store"):
        Store(tmp_path)
