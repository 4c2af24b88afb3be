"""The catalog: behind its gate, never twice, and always to be made anew from the packages."""

from __future__ import annotations

import shutil
import threading
from datetime import timedelta

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pytest
from deltalake import DeltaTable

from beadroll.archive.catalog import CATALOG, Catalog
from beadroll.archive.catalog_write import COLUMNS, append, tidy
from beadroll.archive.find import Query, find
from beadroll.archive.history import history
from beadroll.archive.rebuild import compare, rebuild
from beadroll.archive.receive import receive
from beadroll.archive.store import Store
from beadroll.errors import ArchiveError
from beadroll.package import layout
from beadroll.package.columns import SCHEMAS
from tests.archives import NOW, all_rows, make_yard, simple_weld, week
from tests.unit.test_store import assert_valid


@pytest.fixture(scope="module")
def keys(tmp_path_factory):
    return tmp_path_factory.mktemp("keys")


@pytest.fixture
def yard(tmp_path, keys):
    made = make_yard(tmp_path, keys)
    receive(made.pack(week()), made.archive, now=NOW)
    later = week("HO-2031-W15", (simple_weld("W-0201"), simple_weld("W-0202")), period="2031-W15")
    receive(made.pack(later), made.archive, now=NOW + timedelta(days=7))
    corrected = week("HO-2031-W15", (simple_weld("W-0201", remark="x"),), period="2031-W15", revision=1)
    receive(made.pack(corrected, "r1"), made.archive, now=NOW + timedelta(days=8))
    return made


def test_rows_behind_the_gate_do_not_exist(yard):
    tables = {name: schema.empty_table() for name, schema in COLUMNS.items() if name != "handovers"}
    (ghost,) = Catalog(yard.archive).rows("SELECT * FROM welds WHERE number = 'W-0101'", ["welds"])
    ghost |= {"handover": "HO-GHOST", "number": "W-0666", "weld_key": "W00000666"}
    tables["welds"] = pa.Table.from_pylist([ghost], schema=COLUMNS["welds"])
    append(yard.archive, "handover-ghost", tables)
    assert find(yard.archive, Query(number="666")).welds == ()
    assert find(yard.archive, Query(handover="HO-GHOST")).welds == ()


def test_an_independent_reader_sees_the_rows_of_the_packages(yard):
    packages = sorted((yard.archive / "store").rglob("v*/content/package/data/catalog"))
    for table in SCHEMAS:
        segments = pa.concat_tables(
            [
                pq.read_table(folder / f"{table}.parquet")
                for folder in packages
                if (folder / f"{table}.parquet").exists()
            ]
        )
        files = DeltaTable(str(yard.archive / CATALOG / table)).file_uris()
        seen = pa.concat_tables([pq.read_table(file) for file in files] or [COLUMNS[table].empty_table()])
        names = SCHEMAS[table].names
        assert as_texts(seen.select(names)) == as_texts(segments.select(names)), table


def as_texts(table):
    return sorted(repr(sorted(row.items())) for row in table.to_pylist())


def test_the_tables_are_compressed_with_zstd(yard):
    file = DeltaTable(str(yard.archive / CATALOG / "welds")).file_uris()[0]
    assert pq.ParquetFile(file).metadata.row_group(0).column(0).compression == "ZSTD"


def test_a_rebuild_gives_the_same_rows(yard):
    before = all_rows(yard.archive, COLUMNS)
    done = rebuild(yard.archive)
    assert (done.objects, done.batches, done.report.findings) == (2, 3, ())
    assert all_rows(yard.archive, COLUMNS) == before
    assert len(before["welds"]) == 6


def test_a_catalog_that_is_lost_is_rebuilt(yard):
    before = all_rows(yard.archive, COLUMNS)
    shutil.rmtree(yard.archive / CATALOG)
    with pytest.raises(ArchiveError, match="handovers"):
        Catalog(yard.archive)
    rebuild(yard.archive)
    assert all_rows(yard.archive, COLUMNS) == before


def test_a_rebuild_leaves_out_what_cannot_be_read_and_says_so(yard):
    victim = next((yard.archive / "store").rglob("v1/content/package/data/catalog/welds.parquet"))
    victim.write_bytes(b"not parquet")
    done = rebuild(yard.archive)
    assert [finding.code for finding in done.report.findings] == ["AUD-CATALOG-UNREADABLE"]
    assert len(Catalog(yard.archive).received()) >= 1


def test_a_rebuild_killed_between_its_renames_leaves_a_catalog(yard):
    before = all_rows(yard.archive, COLUMNS)
    (yard.archive / CATALOG).rename(yard.archive / "catalog.replaced")
    assert len(find(yard.archive, Query(number="101")).welds) == 1
    rebuild(yard.archive)
    assert all_rows(yard.archive, COLUMNS) == before
    assert not (yard.archive / "catalog.replaced").exists()


def test_the_comparison_names_what_differs(yard):
    store = Store(yard.archive)
    inventories = [store.inventory(each) for each in store.ids()]
    assert [compare(store, Catalog(yard.archive), each) for each in inventories] == [(), ()]
    DeltaTable(str(yard.archive / CATALOG / "events")).delete("handover = 'HO-2031-W14' AND number = 'W-0117'")
    found = [f for each in inventories for f in compare(store, Catalog(yard.archive), each)]
    assert [(f.code, f.subject, f.values["table"], f.values["missing"]) for f in found] == [
        ("AUD-CATALOG", "HO-2031-W14", "events", 2)
    ]


@pytest.mark.parametrize("thorough", [False, True])
def test_tidying_changes_no_answer(yard, thorough):
    before = all_rows(yard.archive, COLUMNS)
    story = history(yard.archive, "117")
    tidy(yard.archive, thorough=thorough)
    assert all_rows(yard.archive, COLUMNS) == before
    assert history(yard.archive, "117") == story
    assert len(DeltaTable(str(yard.archive / CATALOG / "welds")).file_uris()) == 1


def test_the_same_batch_is_never_added_twice(yard):
    tables = {name: schema.empty_table() for name, schema in COLUMNS.items()}
    assert append(yard.archive, "handover-x-r0", {"seals": tables["seals"]}) is False
    before = all_rows(yard.archive, COLUMNS)
    store = Store(yard.archive)
    from beadroll.archive.receive import list_in_catalog

    for identifier in store.ids():
        assert list_in_catalog(store, store.inventory(identifier)) == 0
    assert all_rows(yard.archive, COLUMNS) == before


def test_two_receivers_and_a_reader_at_once(tmp_path, keys):
    yard = make_yard(tmp_path, keys)
    packages = [
        yard.pack(week(f"HO-2031-W{20 + n}", (simple_weld(f"W-{n:04}"),), period=f"2031-W{20 + n}")) for n in range(4)
    ]
    faults = []
    done = threading.Event()

    def take(mine):
        try:
            for package in mine:
                receive(package, yard.archive, now=NOW)
        except Exception as error:  # noqa: BLE001 - shown by the assertion below
            faults.append(error)

    def look():
        try:
            while not done.is_set():
                for row in Catalog(yard.archive).received():
                    assert len(find(yard.archive, Query(handover=row["handover"])).welds) == 1
        except Exception as error:  # noqa: BLE001 - shown by the assertion below
            faults.append(error)

    reader = threading.Thread(target=look)
    reader.start()
    # Both receive the last package, so that they meet at one object too.
    workers = [threading.Thread(target=take, args=([*packages[n::2], packages[3]],)) for n in range(2)]
    for each in workers:
        each.start()
    for each in workers:
        each.join()
    done.set()
    reader.join()
    assert faults == []
    assert len(Catalog(yard.archive).received()) == 4
    assert len(Catalog(yard.archive).rows("SELECT * FROM welds", ["welds"])) == 4
    assert_valid(yard.archive)


def test_the_columns_are_the_packages_own_and_the_gates(yard):
    assert set(layout.CATALOG_TABLES) | {"seals"} == set(COLUMNS)
    for name in SCHEMAS:
        assert COLUMNS[name].names[: len(SCHEMAS[name].names)] == SCHEMAS[name].names
    row = Catalog(yard.archive).received()[0]
    assert row["received_at"] == NOW
    table = pq.read_table(DeltaTable(str(yard.archive / CATALOG / "handovers")).file_uris()[0])
    assert pc.all(pc.is_valid(table.column("object_id"))).as_py()
