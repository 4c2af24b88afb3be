"""Every record survives being written, validated by an independent validator, and read again."""

from __future__ import annotations

import dataclasses
import json
import types
import typing
import unicodedata
from datetime import UTC, date, datetime, timedelta, timezone

import jsonschema
import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from referencing import Registry, Resource

from beadroll import documents
from beadroll.errors import InputError
from beadroll.findings import Finding
from beadroll.record.equipment import Equipment
from beadroll.record.handover import Decision
from beadroll.record.people import Person
from beadroll.record.technique import TechniqueSheet
from beadroll.record.weld import WeldRecord

WORDS = st.text(st.characters(exclude_categories=("Cs",)), max_size=12).map(lambda s: unicodedata.normalize("NFC", s))
DIGESTS = st.sampled_from(["", "0f" * 64, "a9" * 64])
LEAVES = {
    int: st.integers(0, 2**40),
    float: st.floats(allow_nan=False, allow_infinity=False, width=32),
    bool: st.booleans(),
    date: st.dates(date(1, 1, 1), date(9998, 12, 31)),
    datetime: st.datetimes(
        datetime(1900, 1, 1),  # noqa: DTZ001 - hypothesis wants naive bounds
        datetime(2200, 1, 1),  # noqa: DTZ001
        timezones=st.sampled_from([UTC, timezone(timedelta(hours=5, minutes=30)), timezone(timedelta(hours=-7))]),
    ),
}


def generated(kind, name=""):  # noqa: PLR0911 - one return a kind of annotation
    """A strategy for any class of the record, from its annotations alone."""
    if kind is str:
        return DIGESTS if name.endswith("sha512") else WORDS
    if kind in LEAVES:
        return LEAVES[kind]
    origin, arguments = typing.get_origin(kind), typing.get_args(kind)
    if origin in (types.UnionType, typing.Union):
        return st.one_of([st.none() if a is type(None) else generated(a, name) for a in arguments])
    if origin is tuple:
        return st.lists(generated(arguments[0], name), max_size=2).map(tuple)
    if dataclasses.is_dataclass(kind):
        hints = typing.get_type_hints(kind)
        return st.builds(kind, **{f.name: generated(hints[f.name], f.name) for f in dataclasses.fields(kind)})
    if origin is not None:  # Mapping[str, Value]
        return st.dictionaries(WORDS, st.one_of(WORDS, st.integers(-5, 5), st.booleans(), st.none()), max_size=2)
    return st.sampled_from(list(kind))


def independent_validator(schema: str) -> jsonschema.Draft202012Validator:
    files = {name: json.loads(data) for name, data in documents.schema_files().items()}
    registry = Registry().with_resources([(s["$id"], Resource.from_contents(s)) for s in files.values()])
    return jsonschema.Draft202012Validator(files[schema], registry=registry)


KINDS = [
    (documents.WELD, WeldRecord),
    (documents.TECHNIQUES, TechniqueSheet),
    (documents.PEOPLE, Person),
    (documents.EQUIPMENT, Equipment),
    (documents.DECISIONS, Decision),
    (documents.FINDINGS, Finding),
]


@pytest.mark.parametrize(("kind", "cls"), KINDS, ids=lambda x: getattr(x, "name", ""))
@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_a_record_survives_writing_validation_and_reading_unchanged(kind, cls, data):
    value = data.draw(generated(cls))
    content = value if kind is documents.WELD else (value,)
    written = documents.write(content, kind)
    independent_validator(kind.schema).validate(json.loads(written))
    read = documents.read(written, kind, name="x.json")
    assert read.value == content
    assert read.unknown == ()
    assert documents.write(read.value, kind) == written


def classes_of_the_record():
    seen, todo = {}, [cls for _, cls in KINDS]
    while todo:
        cls = todo.pop()
        if cls.__name__ in seen:
            continue
        seen[cls.__name__] = cls
        for hint in typing.get_type_hints(cls).values():
            todo += [a for a in (hint, *typing.get_args(hint)) if dataclasses.is_dataclass(a)]
    return seen


@pytest.mark.parametrize("name", sorted(classes_of_the_record()))
def test_schema_and_class_name_the_same_fields(name):
    cls = classes_of_the_record()[name]
    schema = json.loads(documents.schema_files()["record.schema.json"])["$defs"][name]
    assert set(schema["properties"]) == {f.name for f in dataclasses.fields(cls)}
    required = {f.name for f in dataclasses.fields(cls) if f.default is f.default_factory is dataclasses.MISSING}
    assert set(schema.get("required", [])) == required


def test_schema_and_enumerations_name_the_same_words():
    definitions = json.loads(documents.schema_files()["record.schema.json"])["$defs"]
    for cls in classes_of_the_record().values():
        for hint in typing.get_type_hints(cls).values():
            for kind in (hint, *typing.get_args(hint)):
                if isinstance(kind, type) and kind.__module__.startswith("beadroll") and hasattr(kind, "__members__"):
                    assert sorted(definitions[kind.__name__]["enum"]) == sorted(m.value for m in kind)


GOOD = documents.write((), documents.PEOPLE)


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (GOOD.replace(b'"version"', b'"document": "people", "version"'), "stands twice"),
        (GOOD.replace(b"[]", b"NaN"), "NaN is not a JSON number"),
        (GOOD.replace(b"[]", b"[" * 100 + b"]" * 100), "levels deep"),
        (GOOD.replace(b"[]", b"[" * 10**6), "levels deep"),
        (GOOD.replace(b'"1.0"', b'"2.0"'), "version 2.0"),
        (GOOD.replace(b'"1.0"', b'"1.0\\n"'), "1.0"),
        (GOOD.replace(b"people", b"\xff"), "not valid JSON"),
        (GOOD.replace(b"[]", b'[{"id": "\\ud800", "name": "b"}]'), "not valid JSON"),
        (b"", "not valid JSON"),
        (b"[]", "/: "),
        (GOOD.replace(b"[]", b'[{"id": 3}]'), "/content/0"),
    ],
)
def test_a_bad_document_is_refused_with_its_name_and_the_fault(data, says):
    with pytest.raises(InputError) as caught:
        documents.read(data, documents.PEOPLE, name="people.json")
    assert "people.json" in str(caught.value)
    assert says in str(caught.value)


def test_every_fault_of_a_document_is_listed_with_its_place():
    bad = msgspec.json.encode(
        {"document": "people", "version": "1.0", "content": [{"id": 1, "name": "x"}, {"id": "a"}, {"name": 2}]}
    )
    with pytest.raises(documents.DocumentError) as caught:
        documents.read(bad, documents.PEOPLE, name="people.json")
    places = [fault.partition(":")[0] for fault in caught.value.faults]
    assert {"/content/0/id", "/content/1", "/content/2", "/content/2/name"} <= set(places)


def test_an_unknown_field_and_a_newer_minor_version_are_reported_and_read():
    newer = GOOD.replace(b'"1.0"', b'"1.7"').replace(b"[]", b'[{"id": "a", "name": "b", "shoe_size": 44}]')
    read = documents.read(newer, documents.PEOPLE, name="people.json")
    assert read.version == "1.7"
    assert read.unknown == ("/content/0/shoe_size",)
    assert read.value[0].name == "b"


def test_a_moment_without_time_zone_is_never_written():
    naive = Decision(
        id="D1",
        kind="confirm",
        subject="x",
        by="y",
        reason="z",
        at=datetime(2031, 4, 1, 8, 0),  # noqa: DTZ001 - the fault under test
    )
    with pytest.raises(ValueError, match="no time zone"):
        documents.write((naive,), documents.DECISIONS)
