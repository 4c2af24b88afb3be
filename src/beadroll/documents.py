"""Bytes to record and back: strict JSON, the published schema, one canonical encoding. The only such place.

Every document is an envelope ``{"document": kind, "version": "1.0", "content": …}``. Reading goes: bounded size and
depth -> strict JSON (no duplicate keys, no NaN) -> JSON Schema 2020-12, all faults with their places -> frozen
dataclasses. Received bytes are never re-serialised by anyone; a newer minor version or an unknown field is reported
beside the value, an unknown major version is refused. Knows no paths: callers name the bytes for messages.
"""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from importlib import resources
from typing import Any, Final, Generic, TypeVar

import jsonschema_rs
import msgspec

from beadroll.errors import InputError
from beadroll.findings import Finding
from beadroll.record.equipment import Equipment
from beadroll.record.handover import Decision
from beadroll.record.people import Person
from beadroll.record.technique import TechniqueSheet
from beadroll.record.weld import WeldRecord

T = TypeVar("T")

SCHEMA_BASE: Final = "https://beadroll.example/schemas/1/"
VERSION: Final = "1.0"
MAX_BYTES: Final = 256 * 1024 * 1024
"""Largest document read, in bytes. A week of 500 welds with all witnesses is about 5 MB."""
MAX_DEPTH: Final = 32
"""Deepest nesting read; the record needs less than ten levels."""
MAX_FAULTS: Final = 200
"""Most faults listed for one document; the rest is counted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind(Generic[T]):
    """One kind of document: its name, which is also its schema's, and the class its content is read as."""

    name: str
    content: Any

    @property
    def schema(self) -> str:
        """File name of the published schema."""
        return f"{self.name}.schema.json"


WELD: Final[Kind[WeldRecord]] = Kind(name="weld", content=WeldRecord)
TECHNIQUES: Final[Kind[tuple[TechniqueSheet, ...]]] = Kind(name="techniques", content=tuple[TechniqueSheet, ...])
PEOPLE: Final[Kind[tuple[Person, ...]]] = Kind(name="people", content=tuple[Person, ...])
EQUIPMENT: Final[Kind[tuple[Equipment, ...]]] = Kind(name="equipment", content=tuple[Equipment, ...])
DECISIONS: Final[Kind[tuple[Decision, ...]]] = Kind(name="decisions", content=tuple[Decision, ...])
FINDINGS: Final[Kind[tuple[Finding, ...]]] = Kind(name="findings", content=tuple[Finding, ...])


@dataclass(frozen=True, slots=True, kw_only=True)
class Document(Generic[T]):
    """A document as read: the value, the version it declares, and the fields this reader does not know."""

    value: T
    version: str
    unknown: tuple[str, ...] = ()


class DocumentError(InputError):
    """A document that cannot be read as its kind. ``faults`` lists every fault with its place."""

    def __init__(self, name: str, kind: str, faults: list[str]) -> None:
        """Say how many faults there are and show the first few; all are in ``faults``."""
        shown = "; ".join(faults[:5]) + (f"; and {len(faults) - 5} more" if len(faults) > 5 else "")  # noqa: PLR2004
        super().__init__(
            f"is not a valid {kind} document: {shown}",
            path=name,
            remedy="Ask whoever wrote the file for a corrected one; nothing of it was used.",
        )
        self.faults = tuple(faults)


def schema_files() -> Mapping[str, bytes]:
    """Return the published schemas by file name, as they travel in every package."""
    folder = resources.files("beadroll") / "schemas"
    return {
        file.name: file.read_bytes()
        for file in sorted(folder.iterdir(), key=lambda f: f.name)
        if file.name.endswith(".schema.json")
    }


@cache
def _validator(schema: str) -> jsonschema_rs.Draft202012Validator:
    found = {name: json.loads(data) for name, data in schema_files().items()}
    registry = jsonschema_rs.Registry([(SCHEMA_BASE + name, value) for name, value in found.items()])
    return jsonschema_rs.Draft202012Validator(found[schema], registry=registry, validate_formats=True)


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made: dict[str, Any] = {}
    for key, value in pairs:
        if key in made:
            raise ValueError(f"the key {key!r} stands twice in one object")
        made[key] = value
    return made


def _refuse(constant: str) -> Any:
    raise ValueError(f"{constant} is not a JSON number")


_SURROGATE = re.compile(rb"\\u[dD][89a-fA-F]")
_STRING = re.compile(rb'"(?:[^"\\]|\\.)*"', re.DOTALL)


def _depth(data: bytes) -> int:
    """Return the deepest nesting, counted before parsing so that no parser recurses into it."""
    bare = _STRING.sub(b"", data)
    depth = deepest = 0
    for mark in re.finditer(rb"[\[\]{}]", bare):
        depth += 1 if mark.group() in b"[{" else -1
        deepest = max(deepest, depth)
    return deepest


def parse_json(data: bytes, *, name: str, max_bytes: int = MAX_BYTES) -> Any:
    """Return the JSON value of ``data`` read strictly: UTF-8, no duplicate keys, no NaN, bounded size and depth.

    Raises ``InputError`` naming ``name`` and the fault.
    """
    remedy = "Ask whoever wrote the file for a corrected one; nothing of it was used."
    if len(data) > max_bytes:
        raise InputError(f"is {len(data)} bytes long, more than the {max_bytes} allowed", path=name, remedy=remedy)
    if _depth(data) > MAX_DEPTH:
        raise InputError(f"is nested more than {MAX_DEPTH} levels deep", path=name, remedy=remedy)
    try:
        value = json.loads(data.decode("utf-8"), object_pairs_hook=_unique, parse_constant=_refuse)
        if _SURROGATE.search(data):
            json.dumps(value, ensure_ascii=False).encode("utf-8")  # half of a pair is no text, and nothing can hold it
    except (ValueError, RecursionError) as fault:
        raise InputError(f"is not valid JSON: {fault}", path=name, remedy=remedy) from fault
    return value


def _unknown(value: Any, schema: Any, resolver: Mapping[str, Any], place: str) -> Iterator[str]:
    """Yield the place of every field that the schema does not name."""
    while isinstance(schema, dict) and "$ref" in schema:
        schema = resolver[schema["$ref"].rpartition("/")[2]]
    if isinstance(schema, dict) and "anyOf" in schema and value is not None:
        schema = next((s for s in schema["anyOf"] if "$ref" in s or s.get("type") in ("object", "array")), schema)
        if "$ref" in schema:
            schema = resolver[schema["$ref"].rpartition("/")[2]]
    if isinstance(value, dict) and "properties" in schema:
        for key, item in value.items():
            if key in schema["properties"]:
                yield from _unknown(item, schema["properties"][key], resolver, f"{place}/{key}")
            else:
                yield f"{place}/{key}"
    elif isinstance(value, list):
        for number, item in enumerate(value):
            yield from _unknown(item, schema.get("items", {}), resolver, f"{place}/{number}")


@cache
def _schema(name: str) -> Any:
    return json.loads((resources.files("beadroll") / "schemas" / name).read_bytes())


def read(data: bytes, kind: Kind[T], *, name: str) -> Document[T]:
    """Return the document in ``data``, read as ``kind``; ``name`` is what messages call it.

    Raises ``DocumentError`` with every fault and its place, or ``InputError`` when it is not JSON at all.
    """
    value = parse_json(data, name=name)
    if isinstance(value, dict) and isinstance(value.get("version"), str) and not value["version"].startswith("1."):
        raise InputError(
            f"is of format version {value['version'][:20]}; this reader knows version 1",
            path=name,
            remedy="Use a newer reader, or the schemas inside the package.",
        )
    faults = [
        f"/{'/'.join(str(step) for step in fault.instance_path)}: {fault.message[:300]}"
        for fault, _ in zip(_validator(kind.schema).iter_errors(value), range(MAX_FAULTS), strict=False)
    ]
    if faults:
        raise DocumentError(name, kind.name, faults)
    definitions = {**_schema("record.schema.json")["$defs"], **_schema(kind.schema).get("$defs", {})}
    unknown = tuple(_unknown(value, _schema(kind.schema), definitions, ""))
    try:
        content = msgspec.convert(value["content"], kind.content)
    except msgspec.ValidationError as fault:
        raise DocumentError(name, kind.name, [str(fault)]) from fault
    return Document(value=content, version=value["version"], unknown=unknown)


def _hook(value: Any) -> Any:
    raise TypeError(f"{type(value).__name__} has no place in a document")


def write(value: T, kind: Kind[T]) -> bytes:
    """Return the canonical bytes of a document: fields as declared, one space of indent, UTF-8 in NFC, LF at the end.

    The same value gives the same bytes. Raises ``ValueError`` for a moment without a time zone: a fault of the caller.
    """
    _refuse_naive(value)
    built = msgspec.to_builtins({"document": kind.name, "version": VERSION, "content": value}, enc_hook=_hook)
    text = json.dumps(built, ensure_ascii=False, indent=1, allow_nan=False) + "\n"
    return unicodedata.normalize("NFC", text).encode("utf-8")


def _refuse_naive(value: Any) -> None:
    if isinstance(value, datetime):
        if value.tzinfo is None:
            raise ValueError(f"{value} has no time zone")
    elif isinstance(value, tuple | list):
        for item in value:
            _refuse_naive(item)
    elif hasattr(value, "__dataclass_fields__"):
        for name in value.__dataclass_fields__:
            _refuse_naive(getattr(value, name))
