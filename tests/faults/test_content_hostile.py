"""Whatever is written into the records of a package, judging them ends with findings, never with a traceback."""

from __future__ import annotations

import json
import random
from contextlib import suppress

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from beadroll.errors import InputError
from beadroll.handover.assembling.assemble import assemble
from beadroll.package.columns import SCHEMAS
from beadroll.package.content import judge_content
from beadroll.package.layout import Form
from beadroll.package.segments import read_segment
from tests.handovers import checked_week, write_week
from tests.unit.test_content import WELD, Copy

WILD = (
    None,
    "",
    "\ud800",
    "x" * 3000,
    -1,
    10**30,
    1e308,
    0.5,
    True,
    [],
    {},
    [[]],
    "2031-13-45",
    "../../etc",
    "\x1b[2J",
)


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    folder = tmp_path_factory.mktemp("hostile")
    write_week(folder / "job", welds=1)
    assemble(checked_week(folder / "job", welds=1), folder / "out", form=Form.FOLDER)
    out = folder / "out"
    return {p.relative_to(out).as_posix(): p.read_bytes() for p in out.rglob("*") if p.is_file()}


def places(value, steps=()):
    yield steps
    if isinstance(value, dict):
        for key, item in value.items():
            yield from places(item, (*steps, key))
    elif isinstance(value, list):
        for number, item in enumerate(value):
            yield from places(item, (*steps, number))


def put(value, steps, wild):
    if not steps:
        return wild
    *above, last = steps
    inside = value
    for step in above:
        inside = inside[step]
    inside[last] = wild
    return value


@pytest.mark.parametrize("path", ["data/index.json", WELD, "data/people/people.json", "data/findings.json"])
def test_any_value_anywhere_in_a_document_is_a_finding_or_nothing(files, path):
    chance = random.Random(path)  # noqa: S311 - a repeatable choice, nothing secret
    original = json.loads(files[path])
    everywhere = list(places(original))
    for _ in range(25):
        package = Copy(files)
        steps = chance.choice(everywhere)
        package.files[path] = json.dumps(put(json.loads(files[path]), steps, chance.choice(WILD))).encode()
        if path != "data/index.json":
            package.reindex()
        for found in judge_content(package):
            assert found.text
            assert found.remedy


@pytest.mark.parametrize("path", ["data/index.json", WELD, "data/mets.xml"])
def test_any_bytes_in_a_document_are_a_finding_or_nothing(files, path):
    chance = random.Random(path)  # noqa: S311 - a repeatable choice, nothing secret
    for _ in range(20):
        package = Copy(files)
        data = bytearray(files[path])
        for _ in range(chance.randint(1, 4)):
            data[chance.randrange(len(data))] = chance.randrange(256)
        package.files[path] = bytes(data)
        assert all(found.text for found in judge_content(package))


@pytest.mark.parametrize("table", ["welds", "radiographs", "files"])
def test_any_bytes_in_a_table_are_refused_or_read(files, table):
    chance = random.Random(table)  # noqa: S311 - a repeatable choice, nothing secret
    whole = files[f"data/catalog/{table}.parquet"]
    for _ in range(150):
        data = bytearray(whole)
        for _ in range(chance.randint(1, 6)):
            data[chance.randrange(len(data))] = chance.randrange(256)
        with suppress(InputError):
            assert read_segment(bytes(data), table, name=table, max_rows=10).schema == SCHEMAS[table]


def written(table):
    sink = pa.BufferOutputStream()
    pq.write_table(table, sink, compression="zstd")
    return sink.getvalue().to_pybytes()


def test_a_table_that_claims_more_rows_than_the_index_is_not_read():
    rows = 5_000_000
    schema = SCHEMAS["amendments"]
    columns = [pa.nulls(rows, field.type) for field in schema]
    data = written(pa.Table.from_arrays(columns, schema=schema))
    assert len(data) < 200_000
    with pytest.raises(InputError, match="5000000 rows where 3 are expected"):
        read_segment(data, "amendments", name="amendments", max_rows=3)


def test_a_table_that_swells_is_not_read_to_its_end(monkeypatch):
    monkeypatch.setattr("beadroll.package.segments.MAX_TABLE_BYTES", 8 << 20)
    schema = SCHEMAS["amendments"]
    long = pa.array(["x" * 4_000] * 20_000)
    columns = [long if field.type == pa.string() else pa.nulls(20_000, field.type) for field in schema]
    data = written(pa.Table.from_arrays(columns, schema=schema))
    assert len(data) < 200_000
    with pytest.raises(InputError, match="swells"):
        read_segment(data, "amendments", name="amendments")
