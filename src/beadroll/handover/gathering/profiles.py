"""Column profiles: what an office's headings mean, confirmed once by a person and kept by name in ``profiles/``.

Knows the profile files. A confirmed profile is used as it stands, without guessing; it is never changed by reading a
sheet. Refuses to be written without the name of the person who confirmed it.
"""

from __future__ import annotations

import os
import tempfile
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

from beadroll.errors import InputError, MachineError
from beadroll.handover.gathering.headings import TableKind, key_of, vocabulary
from beadroll.handover.gathering.quantities import UNITS, Manner, unit_of

_REMEDY = "Correct the profile, or delete it and confirm the columns again."


@dataclass(frozen=True, slots=True, kw_only=True)
class Meant:
    """What one heading means in a profile: a field (empty: not used) and the unit of its cells."""

    field: str
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """One office's way of heading one kind of table.

    ``columns`` is keyed by the heading's words (``key_of``), the second of two equal headings by ``words #2``.
    ``files`` are patterns of paths in the job folder; empty means any file whose headings fit. ``encoding`` and
    ``delimiter`` are for CSV files that match ``files``. ``number_as_above``: a segment's row without a weld number
    belongs to the weld above it.
    """

    name: str
    kind: TableKind
    columns: Mapping[str, Meant]
    confirmed_by: str
    confirmed_on: date
    files: tuple[str, ...] = ()
    encoding: str = ""
    delimiter: str = ""
    manner: Manner = field(default_factory=Manner)
    number_as_above: bool = False

    def is_for(self, path: str) -> bool:
        """Tell whether the profile may be used for a file of the job folder."""
        return not self.files or any(fnmatchcase(path, pattern) for pattern in self.files)


def load_profiles(folder: Path) -> tuple[Profile, ...]:
    """Return the profiles of a job folder, by name. Raises ``InputError`` for one that is not valid."""
    place = folder / "profiles"
    if not place.is_dir():
        return ()
    return tuple(_load(path) for path in sorted(place.glob("*.toml")))


def _load(path: Path) -> Profile:
    name = f"profiles/{path.name}"
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
        raise InputError(f"is not valid TOML: {fault}", path=name, remedy=_REMEDY) from fault
    except OSError as refused:
        raise MachineError(
            f"{name}: could not be read: {refused.strerror}", remedy="Check the permissions."
        ) from refused
    kind = data.get("kind")
    if kind not in set(TableKind):
        known = ", ".join(TableKind)
        raise InputError(f"kind is {kind!r}; expected one of {known}", path=name, place="kind", remedy=_REMEDY)
    table = TableKind(kind)
    on = data.get("confirmed_on")
    by = data.get("confirmed_by")
    if not isinstance(on, date) or not isinstance(by, str) or not by:
        raise InputError(
            "does not say who confirmed it and when", path=name, place="confirmed_by, confirmed_on", remedy=_REMEDY
        )
    columns = data.get("columns")
    if not isinstance(columns, dict) or not columns:
        raise InputError("has no columns", path=name, place="columns", remedy=_REMEDY)
    return Profile(
        name=path.stem,
        kind=table,
        columns={_occurrence(heading): _meant(heading, value, table, name) for heading, value in columns.items()},
        confirmed_by=by,
        confirmed_on=on,
        files=tuple(str(pattern) for pattern in data.get("files", ())),
        encoding=str(data.get("encoding", "")),
        delimiter=str(data.get("delimiter", "")),
        manner=read_manner(data, name),
        number_as_above=data.get("number_as_above") is True,
    )


def _occurrence(heading: str) -> str:
    words, mark, count = heading.rpartition(" #")
    return f"{key_of(words)} #{count}" if mark and count.isdigit() else key_of(heading)


def _meant(heading: str, value: Any, kind: TableKind, name: str) -> Meant:
    stated = value.get("field", "") if isinstance(value, dict) else value
    unit = str(value.get("unit", "")) if isinstance(value, dict) else ""
    if not isinstance(stated, str) or (stated and stated not in vocabulary(kind).fields):
        known = ", ".join(f for f in vocabulary(kind).fields if f)
        raise InputError(
            f"the column {heading!r} is said to be {stated!r}; expected one of: {known}, or nothing",
            path=name,
            place="columns",
            remedy=_REMEDY,
        )
    if unit and not unit_of(unit):
        raise InputError(f"{unit!r} is not a unit", path=name, place=f"columns, {heading}", remedy=_REMEDY)
    return Meant(field=stated, unit=unit_of(unit))


_CHOICES = {
    "date_order": ("dmy", "mdy", "ymd"),
    "decimal": ("comma", "point"),
    "indication_codes": ("letters", "api"),
}


def read_manner(data: Mapping[str, Any], name: str, place: str = "") -> Manner:
    """Return how an office writes, from the keys of a profile or of ``[spreadsheets]`` in job.toml.

    Raises ``InputError`` for a value that is none of the choices.
    """
    for key, choices in _CHOICES.items():
        if data.get(key, "") not in ("", *choices):
            raise InputError(
                f"{key} is {data[key]!r}; expected one of {', '.join(choices)}",
                path=name,
                place=place or key,
                remedy="Correct the value.",
            )
    units = {}
    for kind in ("length", "activity", "duration"):
        if stated := str(data.get(f"{kind}_unit", "")):
            if unit_of(stated) not in UNITS[kind]:
                raise InputError(
                    f"{kind}_unit is {stated!r}; expected one of {', '.join(UNITS[kind])}",
                    path=name,
                    place=place or f"{kind}_unit",
                    remedy="Correct the value.",
                )
            units[kind] = unit_of(stated)
    return Manner(
        date_order=data.get("date_order", ""),
        decimal=data.get("decimal", ""),
        indication_codes=data.get("indication_codes", ""),
        units=units,
    )


def save_profile(folder: Path, profile: Profile) -> Path:
    """Write a profile that a person has confirmed into ``profiles/`` of the job folder and return its path.

    Raises ``InputError`` where nobody is named as having confirmed it, ``MachineError`` where it cannot be written.
    """
    if not profile.confirmed_by:
        raise InputError(
            "nobody is named as having confirmed the columns",
            path=f"profiles/{profile.name}.toml",
            remedy="Name the person who looked at the columns.",
        )
    place = folder / "profiles"
    target = place / f"{profile.name}.toml"
    try:
        place.mkdir(exist_ok=True)
        handle, beside = tempfile.mkstemp(dir=place, prefix=".profile-")
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write("\n".join(_lines(profile)) + "\n")
            file.flush()
            os.fsync(file.fileno())
        Path(beside).replace(target)
    except OSError as refused:
        raise MachineError(
            f"{target}: could not be written: {refused.strerror}", remedy="Check the folder."
        ) from refused
    return target


def _lines(profile: Profile) -> Iterable[str]:
    yield '# Confirmed columns of an office\'s table. A heading set to "" is known and not used.'
    yield f"kind = {_quoted(profile.kind.value)}"
    yield f"confirmed_by = {_quoted(profile.confirmed_by)}"
    yield f"confirmed_on = {profile.confirmed_on.isoformat()}"
    if profile.files:
        yield f"files = [{', '.join(_quoted(pattern) for pattern in profile.files)}]"
    for key in ("encoding", "delimiter"):
        if value := getattr(profile, key):
            yield f"{key} = {_quoted(value)}"
    for key in _CHOICES:
        if value := getattr(profile.manner, key):
            yield f"{key} = {_quoted(value)}"
    for kind, unit in profile.manner.units.items():
        yield f"{kind}_unit = {_quoted(unit)}"
    if profile.number_as_above:
        yield "number_as_above = true"
    yield ""
    yield "[columns]"
    for heading, meant in profile.columns.items():
        if meant.unit:
            yield f"{_quoted(heading)} = {{ field = {_quoted(meant.field)}, unit = {_quoted(meant.unit)} }}"
        else:
            yield f"{_quoted(heading)} = {_quoted(meant.field)}"


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\t", "\\t").replace("\n", "\\n")
    return f'"{escaped}"'
