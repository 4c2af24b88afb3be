"""Which row of a sheet is its heading and which column is which field: guessed, shown, and asked about where unclear.

Knows sheets, headings and confirmed profiles. A guess that is not exact is a finding that says so; a heading that can
mean two fields is not used until a person has said which. Refuses to read any cell below the heading.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Final

from beadroll.errors import InputError
from beadroll.findings import Finding, finding
from beadroll.handover.gathering.headings import How, Meaning, TableKind, key_of, meaning_of, vocabulary
from beadroll.handover.gathering.profiles import Meant, Profile
from beadroll.handover.gathering.quantities import Manner
from beadroll.tables import Sheet

_HEADING_WITHIN: Final = 60
"""A heading is looked for in this many rows from the top."""
_LEAST_FIELDS: Final = 2
"""A row must hold at least this many known headings to be one."""
_MANY = {"list", "stencils"}
"""Kinds of field that may stand in several columns, which are then read together."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column as understood: where, what stands over it, what it means."""

    index: int
    heading: str
    meaning: Meaning


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """The layout of one table: its heading rows (counted from 0, both inclusive) and its columns.

    ``missing`` are the needed fields no column has; ``profile`` names the confirmed profile used, if any.
    """

    kind: TableKind
    first_row: int
    last_row: int
    columns: tuple[Column, ...]
    missing: tuple[str, ...] = ()
    profile: Profile | None = None

    def of(self, how: How) -> tuple[Column, ...]:
        """Return the columns that came to their meaning in one way."""
        return tuple(c for c in self.columns if c.meaning.how is how)

    @property
    def used(self) -> tuple[Column, ...]:
        """The columns that are read."""
        return tuple(c for c in self.columns if c.meaning.field)


def find_layout(sheet: Sheet, kind: TableKind, profiles: Sequence[Profile] = ()) -> Layout | None:
    """Return the layout of a sheet as a table of ``kind``, or None where no row looks like its heading."""
    fitting = [p for p in profiles if p.kind is kind and p.is_for(sheet.file)]
    candidates = range(min(len(sheet.rows), _HEADING_WITHIN))
    for row in candidates:
        for profile in sorted(fitting, key=lambda p: (-len(p.columns), p.name)):
            if layout := _by_profile(sheet, row, profile):
                return layout
    heading = _heading_row(sheet, kind, closely=False)
    if heading is None or _guessed(sheet, heading, kind).missing:
        # Comparing every word closely takes time, so it is done only where exact words do not find the heading.
        heading = _heading_row(sheet, kind, closely=True)
    return None if heading is None else _guessed(sheet, heading, kind)


def _heading_row(sheet: Sheet, kind: TableKind, *, closely: bool) -> int | None:
    """Return the row that looks most like a heading, the first of equals; None where none names two fields."""
    best: int | None = None
    most = (0, 0)
    for row in range(min(len(sheet.rows), _HEADING_WITHIN)):
        likeness = _likeness(sheet, row, kind, closely=closely)
        if likeness is not None and (best is None or likeness > most):
            best, most = row, likeness
    return best


def _texts(sheet: Sheet, row: int) -> list[str]:
    return [sheet.text(row, column) for column in range(len(sheet.rows[row]))]


def _likeness(sheet: Sheet, row: int, kind: TableKind, *, closely: bool) -> tuple[int, int] | None:
    """Return how much a row looks like a heading: the needed fields it names, then words known against unknown.

    A row of labels with their values names fields too, but half of its cells are values.
    """
    found: set[str] = set()
    unknown = 0
    for cell in sheet.rows[row]:
        # A heading is a text of its own; "Report No.: 31" is a label with its value.
        if isinstance(cell, str) and cell.strip() and not cell.rstrip().endswith(":"):
            meaning = meaning_of(cell, kind, closely=closely)
            found.update(meaning.choices or ((meaning.field,) if meaning.field else ()))
            unknown += meaning.how is How.UNKNOWN
        elif cell != "":
            unknown += 1
    if len(found) < _LEAST_FIELDS:
        return None
    needed = {name for name, field in vocabulary(kind).fields.items() if field.needed}
    return len(found & needed), len(found) - unknown


def _keys(texts: Iterable[str]) -> list[str]:
    """Return the words of headings, the second of two equal ones marked ``#2``."""
    counts: dict[str, int] = {}
    keys = []
    for text in texts:
        key = key_of(text)
        counts[key] = counts.get(key, 0) + 1
        keys.append(key if counts[key] == 1 else f"{key} #{counts[key]}")
    return keys


def _by_profile(sheet: Sheet, row: int, profile: Profile) -> Layout | None:
    texts = _texts(sheet, row)
    keys = _keys(texts)
    wanted = {key for key, meant in profile.columns.items() if meant.field}
    fields = {meant.field for key, meant in profile.columns.items() if key in keys}
    needed = {f.name for f in vocabulary(profile.kind).fields.values() if f.needed}
    if len(wanted & set(keys)) < _LEAST_FIELDS or not needed <= fields:
        return None
    columns = []
    for index, (text, key) in enumerate(zip(texts, keys, strict=True)):
        meant = profile.columns.get(key)
        if meant is not None:
            own = meaning_of(text, profile.kind, closely=False)
            how = How.PROFILE if meant.field else How.IGNORED
            columns.append(
                Column(
                    index=index, heading=text, meaning=Meaning(field=meant.field, unit=meant.unit or own.unit, how=how)
                )
            )
        elif text:
            columns.append(Column(index=index, heading=text, meaning=Meaning()))
    return Layout(kind=profile.kind, first_row=row, last_row=row, columns=tuple(columns), profile=profile)


def _guessed(sheet: Sheet, row: int, kind: TableKind) -> Layout:
    texts, last = _with_second_row(sheet, row, kind)
    columns = [
        Column(index=index, heading=text, meaning=meaning_of(text, kind)) for index, text in enumerate(texts) if text
    ]
    columns = _one_column_a_field(columns, kind)
    have = {c.meaning.field for c in columns}
    missing = tuple(name for name, f in vocabulary(kind).fields.items() if f.needed and name not in have)
    return Layout(kind=kind, first_row=row, last_row=last, columns=tuple(columns), missing=missing)


def _with_second_row(sheet: Sheet, row: int, kind: TableKind) -> tuple[list[str], int]:
    """Return the headings, with those of a second row where cells of the first are merged over several columns."""
    texts = _texts(sheet, row)
    wide = [(left, right) for first, left, _, right in sheet.merged if first == row and right > left]
    if not wide or row + 1 >= len(sheet.rows):
        return texts, row
    joined = list(texts)
    for left, right in wide:
        for column in range(left, min(right + 1, len(joined))):
            child = sheet.text(row + 1, column)
            both = f"{texts[left]} {child}".strip()
            joined[column] = child if meaning_of(both, kind, closely=False).how is How.UNKNOWN else both
    met = sum(
        1 for left, right in wide for c in range(left, right + 1) if c < len(joined) and _is_known(joined[c], kind)
    )
    return (joined, row + 1) if met else (texts, row)


def _is_known(text: str, kind: TableKind) -> bool:
    return bool(text) and meaning_of(text, kind, closely=False).how is not How.UNKNOWN


def _one_column_a_field(columns: list[Column], kind: TableKind) -> list[Column]:
    """Leave one column to each field: exact before close; two that are equally good are unclear."""
    fields = vocabulary(kind).fields
    by_field: dict[str, list[Column]] = {}
    for column in columns:
        if column.meaning.field and fields[column.meaning.field].reads not in _MANY:
            by_field.setdefault(column.meaning.field, []).append(column)
    changed: dict[int, Meaning] = {}
    for field, rivals in by_field.items():
        if len(rivals) == 1:
            continue
        exact = [c for c in rivals if c.meaning.how is How.EXACT]
        for column in rivals:
            if len(exact) == 1 and column is exact[0]:
                continue
            how = How.UNKNOWN if len(exact) == 1 else How.UNCLEAR
            changed[column.index] = replace(column.meaning, field="", how=how, choices=(field,))
    return [replace(c, meaning=changed[c.index]) if c.index in changed else c for c in columns]


def layout_findings(sheet: Sheet, layout: Layout) -> list[Finding]:
    """Return what a person should know or settle about the columns of a table."""
    fields = vocabulary(layout.kind).fields
    found = []
    for column in layout.columns:
        subject = str(sheet.at(layout.first_row, column.index))
        meaning = column.meaning
        if meaning.how is How.CLOSE:
            words = fields[meaning.field].words
            found.append(finding("INT-COLUMN-CLOSE", subject, found=column.heading, read_as=words, score=meaning.score))
        elif meaning.how is How.UNCLEAR and len(meaning.choices) == 1:
            words = fields[meaning.choices[0]].words
            found.append(finding("INT-COLUMN-TWICE", subject, found=column.heading, field=words))
        elif meaning.how is How.UNCLEAR:
            choices = " or ".join(fields[c].words for c in meaning.choices)
            found.append(finding("INT-COLUMN-UNCLEAR", subject, found=column.heading, choices=choices))
        elif meaning.how is How.UNKNOWN:
            found.append(finding("INT-COLUMN-UNKNOWN", subject, found=column.heading))
    for name in layout.missing:
        field = fields[name]
        found.append(
            finding(
                "INT-COLUMN-MISSING",
                str(sheet.at(layout.first_row)),
                kind=layout.kind.words,
                field=field.words,
                headings=", ".join(field.headings[:4]),
            )
        )
    return found


def profile_of(
    layout: Layout,
    *,
    name: str,
    confirmed_by: str,
    confirmed_on: date,
    choices: Mapping[str, Meant] | None = None,
    files: tuple[str, ...] = (),
    manner: Manner | None = None,
) -> Profile:
    """Return a layout as the profile a person confirms; ``choices`` settles headings by their words (``key_of``).

    Choices may also name labels above the table. Raises ``InputError`` where a choice names no field of the table.
    """
    known = vocabulary(layout.kind).fields
    columns = {
        key: Meant(field=c.meaning.field, unit=c.meaning.unit)
        for key, c in zip(_keys(c.heading for c in layout.columns), layout.columns, strict=True)
    }
    for heading, meant in (choices or {}).items():
        if meant.field and meant.field not in known:
            raise InputError(
                f"a {layout.kind.words} has no field {meant.field!r}",
                path=f"profiles/{name}.toml",
                place=heading,
                remedy=f"Choose one of {', '.join(f for f in known if f)}, or nothing.",
            )
        columns[heading] = meant
    return Profile(
        name=name,
        kind=layout.kind,
        columns=columns,
        confirmed_by=confirmed_by,
        confirmed_on=confirmed_on,
        files=files,
        manner=manner or Manner(),
    )
