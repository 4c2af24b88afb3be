"""The Parquet tables hold what the record holds, and read back the same by independent readers."""

from __future__ import annotations

import dataclasses

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings

from beadroll.errors import InputError
from beadroll.findings import finding
from beadroll.package import layout
from beadroll.package.columns import SCHEMAS, search_key
from beadroll.package.index import indexed_weld, make_index
from beadroll.package.segments import read_segment, tables, write_segment
from beadroll.record.handover import HandoverRecord
from tests.properties.test_documents import generated


def tables_of(record: HandoverRecord):
    index = make_index(
        written_by="test",
        job=record.job,
        handover=record.handover,
        welds=[indexed_weld(weld, "data/welds/x/weld.json") for weld in record.welds],
        files=[],
    )
    return tables(record, index, [finding("PKG-FILE-MISSING", "data/x")])


@settings(max_examples=8, deadline=None)
@given(record=generated(HandoverRecord))
def test_segments_read_back_equal_and_count_what_the_record_holds(record):
    made = tables_of(record)
    for name, table in made.items():
        data = write_segment(table)
        assert read_segment(data, name, name=name).equals(table)
        assert write_segment(table) == data
        foreign = pq.read_table(pa.BufferReader(data))
        assert foreign.num_rows == table.num_rows
        assert not any(pa.types.is_dictionary(field.type) for field in foreign.schema)
        assert set(table.column("job").to_pylist()) <= {record.job.id}
    assert made["welds"].num_rows == len(record.welds)
    readings = [reading for weld in record.welds for reading in weld.interpretations]
    assert made["interpretations"].num_rows == len(readings)
    assert made["indications"].num_rows == sum(len(reading.indications) for reading in readings)
    assert made["radiographs"].num_rows == sum(len(weld.radiographs) for weld in record.welds)
    assert made["events"].num_rows == sum(len(weld.events) for weld in record.welds)


@settings(max_examples=5, deadline=None)
@given(record=generated(HandoverRecord))
def test_the_order_of_the_record_does_not_change_the_bytes(record):
    other = dataclasses.replace(record, welds=record.welds[::-1], people=record.people[::-1])
    if len({weld.weld.id for weld in record.welds}) == len(record.welds):
        assert write_segment(tables_of(record)["radiographs"]) == write_segment(tables_of(other)["radiographs"])


def test_every_table_has_its_place_in_the_package():
    assert set(SCHEMAS) == set(layout.CATALOG_TABLES)
    assert all(schema.names[:3] == ["job", "handover", "revision"] for schema in SCHEMAS.values())


def test_a_database_reads_a_segment_with_dates_and_time_zone(tmp_path):
    table = SCHEMAS["exposures"].empty_table()
    path = tmp_path / "exposures.parquet"
    path.write_bytes(write_segment(table))
    seen = duckdb.read_parquet(str(path)).project("exposed_at, activity_ci, stated_at").types
    assert [str(kind) for kind in seen] == ["TIMESTAMP WITH TIME ZONE", "DOUBLE", "VARCHAR[]"]


@pytest.mark.parametrize(
    ("one", "other"), [("W-0117", "w 117"), ("LN-204", "ln204"), ("W\u20100117", "W-0117"), ("W-0", "w00")]
)
def test_numbers_are_found_however_they_are_typed(one, other):
    assert search_key(one) == search_key(other)


@pytest.mark.parametrize(("one", "other"), [("W-0117", "W-1017"), ("FW-014", "SW-014"), ("W-0117", "W-0117A")])
def test_numbers_that_differ_stay_apart(one, other):
    assert search_key(one) != search_key(other)


def test_keys_sort_as_people_count():
    assert sorted(["W-10", "W-9", "W-100", "W-1"], key=search_key) == ["W-1", "W-9", "W-10", "W-100"]


def test_bytes_that_are_no_table_are_refused_by_name():
    with pytest.raises(InputError, match=r"data/catalog/welds\.parquet: is not a Parquet table"):
        read_segment(b"PAR1nothing", "welds", name="data/catalog/welds.parquet")


def test_a_missing_column_is_named():
    short = SCHEMAS["welds"].empty_table().drop_columns(["standing"])
    with pytest.raises(InputError, match="has no column standing"):
        read_segment(write_segment(short), "welds", name="welds.parquet")


def test_a_column_of_another_type_is_named():
    table = SCHEMAS["welds"].empty_table()
    at = table.schema.get_field_index("wall_mm")
    other = table.set_column(at, "wall_mm", pa.array([], pa.string()))
    with pytest.raises(InputError, match="wall_mm as string, not double"):
        read_segment(write_segment(other), "welds", name="welds.parquet")


def test_columns_of_a_newer_version_are_left_out():
    newer = SCHEMAS["welds"].empty_table().append_column("humidity", pa.array([], pa.float64()))
    assert read_segment(write_segment(newer), "welds", name="welds.parquet").schema.equals(SCHEMAS["welds"])
