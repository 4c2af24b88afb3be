"""The index survives being written, validated by an independent validator, and read again; its totals add up."""

from __future__ import annotations

import dataclasses
import json
import typing

import pytest
from hypothesis import given, settings

from beadroll import documents
from beadroll.package.index import INDEX, FileRole, Index, IndexedFile, IndexedWeld, Segment, Totals, total
from tests.properties.test_documents import generated, independent_validator


def counts_and_digests(index: Index) -> Index:
    """Give generated rows what a real row has: counts that are not negative, a digest."""
    files = tuple(dataclasses.replace(file, sha512="0f" * 64) for file in index.files)
    job = dataclasses.replace(index.job, limits={"density": 1.8})
    return dataclasses.replace(index, job=job, files=files, totals=total(index.welds, files), format_version="1.0")


@settings(max_examples=15, deadline=None)
@given(index=generated(Index).map(counts_and_digests))
def test_an_index_survives_writing_validation_and_reading_unchanged(index):
    written = documents.write(index, INDEX)
    independent_validator(INDEX.schema).validate(json.loads(written))
    read = documents.read(written, INDEX, name="index.json")
    assert read.value == index
    assert read.unknown == ()


@pytest.mark.parametrize("cls", [Index, IndexedWeld, IndexedFile, Segment, Totals])
def test_schema_and_class_name_the_same_fields(cls):
    schema = json.loads(documents.schema_files()["index.schema.json"])["$defs"][cls.__name__]
    assert set(schema["properties"]) == {f.name for f in dataclasses.fields(cls)}
    required = {f.name for f in dataclasses.fields(cls) if f.default is f.default_factory is dataclasses.MISSING}
    assert set(schema["required"]) == required


def test_schema_and_roles_name_the_same_words():
    schema = json.loads(documents.schema_files()["index.schema.json"])["$defs"]["FileRole"]
    assert sorted(schema["enum"]) == sorted(role.value for role in FileRole)


def test_every_count_of_a_weld_has_a_total():
    counts = {name for name, hint in typing.get_type_hints(IndexedWeld).items() if hint is int}
    assert counts <= set(typing.get_type_hints(Totals))


@settings(max_examples=10, deadline=None)
@given(weld=generated(IndexedWeld), file=generated(IndexedFile))
def test_totals_are_the_sums_of_the_rows(weld, file):
    once, twice = total([weld], [file]), total([weld, weld], [file, file])
    for field in dataclasses.fields(Totals):
        assert getattr(twice, field.name) == 2 * getattr(once, field.name)
    assert once.accepted + once.rejected + once.reshoot_owed + once.cut_out + once.not_examined == once.welds == 1
