"""TOML read strictly into the record's classes: every fault with its key and line, unknown keys told, nothing dropped.

Knows dataclasses and their annotations. Refuses to know what any of them is for.
"""

from __future__ import annotations

import dataclasses
import re
import tomllib
import types
import typing
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum
from typing import Any, TypeVar

from beadroll.errors import InputError
from beadroll.findings import Finding, finding

T = TypeVar("T")


@dataclass(slots=True)
class Toml:
    """One TOML file while it is read: its name, its values, where each key stands, and what was found."""

    name: str
    data: dict[str, Any]
    lines: Mapping[tuple[str | int, ...], int]
    faults: list[Finding] = field(default_factory=list)

    def place(self, path: tuple[str | int, ...]) -> str:
        """Return the address of a key: file, line where known, and the key."""
        key = ""
        for step in path:
            key += f"[{step + 1}]" if isinstance(step, int) else f".{step}" if key else str(step)
        line = next((self.lines[path[:n]] for n in range(len(path), 0, -1) if path[:n] in self.lines), None)
        return f"{self.name}, line {line}, {key}" if line else f"{self.name}, {key}"

    def line(self, path: tuple[str | int, ...]) -> int | None:
        """Return the line a key stands on, where known."""
        return self.lines.get(path)

    def fault(self, path: tuple[str | int, ...], found: Any, expected: str) -> None:
        """Note a value that is not what it should be."""
        self.faults.append(finding("INT-KEY", self.place(path), found=str(found)[:80], expected=expected))

    def unknown(self, path: tuple[str | int, ...], known: str) -> None:
        """Note a key nobody reads."""
        self.faults.append(finding("INT-KEY-UNKNOWN", self.place(path), known=known))


def parse(data: bytes, name: str) -> Toml:
    """Return a TOML file ready to be read into classes. Raises ``InputError`` with the line where it is not TOML."""
    try:
        text = data.decode("utf-8-sig")
        return Toml(name=name, data=tomllib.loads(text), lines=_lines(text))
    except UnicodeDecodeError as fault:
        raise InputError("is not UTF-8 text", path=name, remedy="Save the file as UTF-8.") from fault
    except (tomllib.TOMLDecodeError, RecursionError) as fault:
        raise InputError(
            f"is not valid TOML: {fault}", path=name, remedy="Correct the line named; the rest was not read."
        ) from fault


_TABLE = re.compile(r"\s*\[(\[)?\s*([^\[\]]+?)\s*\]")
_KEY = re.compile(r"\s*([A-Za-z0-9_-]+|\"[^\"]*\")\s*=")


def _lines(text: str) -> dict[tuple[str | int, ...], int]:
    """Return the line of every key written on a line of its own, by path."""
    found: dict[tuple[str | int, ...], int] = {}
    counts: dict[tuple[str, ...], int] = {}
    path: tuple[str | int, ...] = ()
    for number, line in enumerate(text.splitlines(), start=1):
        if table := _TABLE.match(line):
            path = _table_path(tuple(part.strip().strip('"') for part in table[2].split(".")), counts, bool(table[1]))
            found.setdefault(path, number)
        elif key := _KEY.match(line):
            found.setdefault((*path, key[1].strip('"')), number)
    return found


def _table_path(
    names: tuple[str, ...],
    counts: dict[tuple[str, ...], int],
    is_array: bool,  # noqa: FBT001 - named at its one call
) -> tuple[str | int, ...]:
    if is_array:
        counts[names] = counts.get(names, -1) + 1
        for deeper in [k for k in counts if len(k) > len(names) and k[: len(names)] == names]:
            del counts[deeper]
    path: list[str | int] = []
    for depth, name in enumerate(names, start=1):
        path.append(name)
        if names[:depth] in counts:
            path.append(counts[names[:depth]])
    return tuple(path)


_WORDS: Mapping[Any, str] = {
    str: "a text in quotes",
    int: "a whole number",
    float: "a number",
    bool: "true or false",
    date: "a date such as 2031-04-03",
    datetime: "a date and time with its zone, such as 2031-04-03T14:05:00+02:00",
}


def convert(toml: Toml, kind: type[T], values: Any, path: tuple[str | int, ...], *, skip: frozenset[str]) -> T | None:
    """Return a table as an instance of ``kind``, or None after noting every fault in it; ``skip`` are fields not asked.

    Unknown keys are noted and change nothing.
    """
    if not isinstance(values, dict):
        toml.fault(path, values, "a table of keys")
        return None
    assert dataclasses.is_dataclass(kind)
    before = len([f for f in toml.faults if f.code == "INT-KEY"])
    hints = typing.get_type_hints(kind)
    known = {f.name: f for f in dataclasses.fields(kind) if f.name not in skip}
    made: dict[str, Any] = {}
    for key, value in values.items():
        if key in known:
            made[key] = _value(toml, hints[key], value, (*path, key), skip)
        else:
            toml.unknown((*path, key), ", ".join(known))
    for name, declared in known.items():
        required = declared.default is dataclasses.MISSING and declared.default_factory is dataclasses.MISSING
        if required and name not in values:
            toml.faults.append(
                finding("INT-KEY-MISSING", toml.place((*path, name)) if path else f"{toml.name}, {name}")
            )
    bad = [f for f in toml.faults if f.code in {"INT-KEY", "INT-KEY-MISSING"}]
    missing = any(f.code == "INT-KEY-MISSING" for f in bad[before:])
    return None if len(bad) > before or missing else typing.cast("T", kind(**made))


def _value(toml: Toml, hint: Any, value: Any, path: tuple[str | int, ...], skip: frozenset[str]) -> Any:
    origin = typing.get_origin(hint)
    if origin in (types.UnionType, typing.Union):
        hint = next(h for h in typing.get_args(hint) if h is not type(None))
        origin = typing.get_origin(hint)
    if origin is tuple:
        return _tuple(toml, typing.get_args(hint)[0], value, path, skip)
    if dataclasses.is_dataclass(hint):
        return convert(toml, typing.cast("type[Any]", hint), value, path, skip=skip)
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        if value in set(hint):
            return hint(value)
        toml.fault(path, value, f"one of {', '.join(hint)}")
        return None
    return _plain(toml, hint, value, path)


def _tuple(toml: Toml, item: Any, value: Any, path: tuple[str | int, ...], skip: frozenset[str]) -> Any:
    if not isinstance(value, list):
        toml.fault(path, value, "a list in square brackets")
        return ()
    return tuple(_value(toml, item, v, (*path, n), skip) for n, v in enumerate(value))


def _plain(toml: Toml, hint: Any, value: Any, path: tuple[str | int, ...]) -> Any:
    exact = type(value)
    if hint is float and exact is int:
        return float(value)
    fits = exact is hint and not (hint is float and not abs(value) < 1e300)  # noqa: PLR2004 - nan and inf fail this
    if hint is datetime and exact is datetime and value.tzinfo is None:
        fits = False
    if not fits:
        toml.fault(path, value, _WORDS.get(hint, hint.__name__))
        return None
    return value
