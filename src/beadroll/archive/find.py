"""Finding welds: any combination of what a person remembers, answered from the catalog.

Knows what each question means in the tables. A weld is one row however many handovers speak of it: how it stands is
what the newest of them says; whether it was ever rejected, repaired or welded by someone is asked of all of them. Only
the newest revision of a handover is asked. Refuses to know the files: ``history`` has those.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from pathlib import Path
from typing import Final

from beadroll.archive.catalog import CURRENT, Catalog, Row, any_of, literal, same_weld, texts
from beadroll.archive.home import read_settings
from beadroll.archive.numbers import Numbers, near_misses, numbers_meant, plain_number
from beadroll.archive.terms import meaning_of, stem_of
from beadroll.record.search import search_key
from beadroll.record.weld import Standing

_SHOT_ON: Final = "COALESCE(w.exposed_on, CAST(w.exposed_at AS DATE))"
"""The day of a shot in SQL, as ``Exposure.day`` has it."""


class Sort(StrEnum):
    """What found welds are sorted by."""

    NUMBER = "number"
    WELDED = "welded"
    READ = "read"
    REPAIRS = "repairs"
    HANDOVER = "handover"


@dataclass(frozen=True, slots=True, kw_only=True)
class Query:
    """What is remembered of a weld. Everything given must hold; what is empty is not asked.

    ``number`` is tolerant: ``117``, ``w 117`` and ``W-0117R1`` all find W-0117. ``welder`` is a stencil or a name,
    ``interpreter`` how sheets name the reader or the name, ``source`` a serial number. ``indication`` is a name, a
    number of ISO 6520-1 or an abbreviation; a number finds its sub-groups too. ``words`` must all stand in remarks of
    the weld. ``since`` and ``until`` (days, inclusive) bound what else is asked: the welder's welding, the
    interpreter's reading, the shot of the source or technique, the rejection, the indication; where none of these is
    asked, the weld was welded, shot or read within them.
    """

    number: str = ""
    line: str = ""
    job: str = ""
    spool: str = ""
    drawing: str = ""
    handover: str = ""
    welder: str = ""
    interpreter: str = ""
    source: str = ""
    technique: str = ""
    standing: Standing | None = None
    indication: str = ""
    rejected: bool = False
    repairs_at_least: int | None = None
    words: str = ""
    since: date | None = None
    until: date | None = None
    sort: Sort = Sort.NUMBER
    descending: bool = False
    limit: int | None = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundWeld:
    """One weld as the newest handover that speaks of it has it; ``handovers`` counts all that do.

    ``welded_on`` is the first known, ``last_read_on`` the last; ``repairs`` and ``rejections`` the most any handover
    states.
    """

    job: str
    line: str
    number: str
    standing: Standing
    kind: str
    spool: str
    drawing: str
    location: str
    nps: str
    welded_on: date | None
    last_read_on: date | None
    stencils: tuple[str, ...]
    repairs: int
    rejections: int
    radiographs: int
    remark: str
    handover: str
    revision: int
    received_at: datetime
    handovers: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """The answer: welds in the order asked for, whether the limit cut them off, and what to say beside it.

    ``did_you_mean`` offers near misses of a number nobody has; ``notes`` say how a part of the question was taken.
    """

    welds: tuple[FoundWeld, ...]
    cut_off: bool = False
    did_you_mean: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


_ORDER: Final = {
    Sort.NUMBER: ("line_key", "weld_key", "job"),
    Sort.WELDED: ("first_welded", "line_key", "weld_key", "job"),
    Sort.READ: ("last_read", "line_key", "weld_key", "job"),
    Sort.REPAIRS: ("most_repairs", "line_key", "weld_key", "job"),
    Sort.HANDOVER: ("period_last", "handover", "line_key", "weld_key", "job"),
}
_COLUMNS: Final = (
    "job",
    "line",
    "number",
    "line_key",
    "weld_key",
    "handover",
    "revision",
    "standing",
    "kind",
    "spool",
    "drawing",
    "location",
    "nps",
    "stencils",
    "radiographs",
    "remark",
)
_FEW: Final = 400
"""So many welds are looked up one by one; beyond that, joining whole tables is quicker."""
_ONE_WELD: Final = "PARTITION BY w.job, w.line, w.number"
_REMARKS: Final = ("welds", "events", "interpretations", "indications")


def find(archive: Path, query: Query) -> Found:
    """Return the welds that answer a question. Raises ``ArchiveError`` where the catalog cannot be asked.

    A text with a NUL character finds nothing, as no record holds one.
    """
    read_settings(archive)  # so that a folder that is no archive is called that, not a catalog in pieces
    catalog = Catalog(archive)
    if any("\0" in str(getattr(query, name)) for name in query.__dataclass_fields__):
        return Found(welds=())
    if not query.number:
        return _answer(catalog, query, None)
    plain = plain_number(query.number)
    found = _answer(catalog, query, plain) if plain is not None else Found(welds=())
    if found.welds:
        return found  # the number as it stands is somebody's: the other readings need not be asked
    numbers = numbers_meant(catalog, query.number)
    if not numbers.keys:
        return Found(welds=(), did_you_mean=near_misses(catalog, query.number, line=query.line))
    return _answer(catalog, query, numbers)


def _answer(catalog: Catalog, query: Query, numbers: Numbers | None) -> Found:
    question = _Question(catalog, query, numbers)
    rows = catalog.rows(question.sql(), question.tables)
    cut_off = query.limit is not None and len(rows) > query.limit
    welds = tuple(_weld(row) for row in (rows[: query.limit] if cut_off else rows))
    notes = (*(numbers.notes if numbers else ()), *question.notes)
    return Found(welds=welds, cut_off=cut_off, notes=notes)


class _Question:
    """One query on its way to SQL. Every value goes through ``literal``."""

    def __init__(self, catalog: Catalog, query: Query, numbers: Numbers | None) -> None:
        self.catalog = catalog
        self.query = query
        self.numbers = numbers
        self.notes: list[str] = []
        self.tables: list[str] = ["welds"]

    def sql(self) -> str:
        query = self.query
        identity = list(self._identity())
        state = list(self._state())
        parts = {"cur": _NEWEST_HANDOVERS}
        happened = {f"h{number}": condition for number, condition in enumerate(self._happened())}
        hits = self._few(happened) if happened and self.numbers is None else None
        if hits is None:
            parts |= happened
        else:
            parts["hits"] = _listed(hits)
            identity.append(any_of("w.weld_key", sorted({row["weld_key"] for row in hits})))
        if state:
            parts["cand"] = _of_current("welds", " AND ".join([*identity, *state]))
        semi = _semi_joins("w", [name for name in parts if name != "cur"])
        columns = ", ".join(f"w.{column}" for column in _COLUMNS)
        parts["ranked"] = (
            f"SELECT {columns}, c.period_last, c.received_at,"  # noqa: S608 - values are literals
            f" row_number() OVER ({_ONE_WELD} ORDER BY c.period_last DESC, c.dated DESC, c.received_at DESC) AS nth,"
            f" count(*) OVER ({_ONE_WELD}) AS told,"
            f" min(w.welded_on) OVER ({_ONE_WELD}) AS first_welded,"
            f" max(w.last_read_on) OVER ({_ONE_WELD}) AS last_read,"
            f" max(w.repairs) OVER ({_ONE_WELD}) AS most_repairs,"
            f" max(w.rejections) OVER ({_ONE_WELD}) AS most_rejections"
            f" FROM welds w JOIN cur c ON {_JOIN_CURRENT} {semi} WHERE {' AND '.join(identity) or 'TRUE'}"
        )
        down = " DESC" if query.descending else ""
        order = ", ".join(f"{column}{down} NULLS LAST" for column in _ORDER[query.sort])
        limit = f" LIMIT {int(query.limit) + 1}" if query.limit is not None else ""
        newest = " AND ".join(["w.nth = 1", *self._newest()])
        return f"{_with(parts)} SELECT w.* FROM ranked w WHERE {newest} ORDER BY {order}{limit}"  # noqa: S608 - as above

    def _few(self, happened: Mapping[str, str]) -> list[Row] | None:
        """Ask first to which welds it all happened; None where they are too many to be looked up one by one."""
        first, *others = happened
        rows = self.catalog.rows(
            f"{_with({'cur': _NEWEST_HANDOVERS, **happened})} SELECT DISTINCT w.* FROM {first} w"  # noqa: S608 - as above
            f" {_semi_joins('w', others)} LIMIT {_FEW + 1}",
            self.tables,
        )
        return rows if len(rows) <= _FEW else None

    def _identity(self) -> Iterator[str]:
        """Conditions on what a weld is, which hold in every handover that speaks of it."""
        query = self.query
        if self.numbers is not None:
            yield any_of("w.weld_key", self.numbers.keys)
            if self.numbers.line_key:
                yield f"w.line_key = {literal(self.numbers.line_key)}"
        if query.line:
            yield f"w.line_key = {literal(search_key(query.line))}"
        if query.job:
            yield f"w.job = {literal(query.job)}"

    def _state(self) -> Iterator[str]:
        """Conditions that some row of the weld must meet; narrows the search before the newest row is chosen."""
        query = self.query
        yield from self._newest()
        if query.handover:
            yield f"w.handover = {literal(query.handover)}"
        if query.repairs_at_least is not None:
            yield f"w.repairs >= {literal(query.repairs_at_least)}"

    def _newest(self) -> Iterator[str]:
        """Conditions on how the weld stands now."""
        query = self.query
        if query.standing is not None:
            yield f"w.standing = {literal(str(query.standing))}"
        for column, value in (("spool", query.spool), ("drawing", query.drawing)):
            if value:
                yield f"upper(w.{column}) = {literal(value.upper())}"

    def _happened(self) -> Iterator[str]:
        """Give queries for the welds to which something happened, each with its dates."""
        query = self.query
        asked = list(self._people_and_things())
        yield from asked
        if not asked and (query.since or query.until):
            yield self._any_day()
        for word in query.words.split():
            yield self._remarked(word)

    def _people_and_things(self) -> Iterator[str]:
        query = self.query
        read = self._days("w.read_on")
        if query.welder:
            marks = self._people(query.welder)
            held = " OR ".join(f"array_has(w.stencils, {literal(mark)})" for mark in marks)
            yield self._asked("events", [f"({held})", *self._days("w.happened_on")])
        if query.interpreter:
            who = any_of("w.interpreter", self._people(query.interpreter))
            yield self._asked("interpretations", [who, *read])
        if query.rejected:
            yield self._asked("interpretations", ["w.result = 'REJ'", *read])
        if query.indication:
            yield self._asked("indications", [self._indication(), *read])
        for column, value in (("source", query.source), ("technique", query.technique)):
            if value:
                same = f"upper(w.{column}) = {literal(value.upper())}"
                yield self._asked("exposures", [same, *self._days(_SHOT_ON)])

    def _asked(self, table: str, conditions: Iterable[str]) -> str:
        if table not in self.tables:
            self.tables.append(table)
        identity = list(self._identity())
        return _of_current(table, " AND ".join([*identity, *conditions]) or "TRUE")

    def _days(self, column: str) -> list[str]:
        query = self.query
        made = []
        if query.since:
            made.append(f"{column} >= {literal(query.since)}")
        if query.until:
            made.append(f"{column} <= {literal(query.until)}")
        return made

    def _any_day(self) -> str:
        columns = {"events": "w.happened_on", "interpretations": "w.read_on", "exposures": _SHOT_ON}
        return " UNION ".join(self._asked(table, self._days(column)) for table, column in columns.items())

    def _remarked(self, word: str) -> str:
        said = f"strpos(lower(w.remark), {literal(word.lower())}) > 0"
        return " UNION ".join(self._asked(table, [said]) for table in _REMARKS)

    def _people(self, text: str) -> list[str]:
        """Return every mark a person may go by: the text itself, and the marks of people of that name."""
        wanted = literal(text.lower())
        rows = self.catalog.rows(
            "SELECT DISTINCT person, stencil FROM people"  # noqa: S608 - the value is a literal
            f" WHERE lower(name) = {wanted} OR lower(person) = {wanted} OR lower(stencil) = {wanted}",
            ["people"],
        )
        return sorted({text, *(row["person"] for row in rows), *(row["stencil"] for row in rows)} - {""})

    def _indication(self) -> str:
        term = self.query.indication.strip()
        meaning = meaning_of(term)
        if len(meaning.numbers) > 1:
            said = " and ".join(f"{number} {name}" for number, name in meaning.numbers)
            self.notes.append(f"{term} may mean {said}; all of them were looked for.")
        stems = [f"starts_with(w.iso6520, {literal(stem_of(number))})" for number, _ in meaning.numbers]
        return "(" + " OR ".join([*stems, f"upper(w.code) = {literal(term.upper())}"]) + ")"


_NEWEST_HANDOVERS: Final = (
    "SELECT h.job, h.handover, h.revision, h.period_last, h.dated, h.received_at FROM handovers h"  # noqa: S608 - no values
    f" JOIN ({CURRENT}) n ON h.job = n.job AND h.handover = n.handover AND h.revision = n.revision"
)
_JOIN_CURRENT: Final = "w.job = c.job AND w.handover = c.handover AND w.revision = c.revision"


def _with(parts: Mapping[str, str]) -> str:
    return "WITH " + ", ".join(f"{name} AS ({query})" for name, query in parts.items())


def _semi_joins(left: str, names: Iterable[str]) -> str:
    return " ".join(f"LEFT SEMI JOIN {name} ON {same_weld(left, name)}" for name in names)


def _listed(hits: Iterable[Row]) -> str:
    """Return the identities of welds as a query; one that gives no row where there are none."""
    rows = ", ".join(f"({literal(row['job'])}, {literal(row['line'])}, {literal(row['number'])})" for row in hits)
    values = rows or "('', '', '')"
    kept = "TRUE" if rows else "FALSE"
    return f"SELECT column1 AS job, column2 AS line, column3 AS number FROM (VALUES {values}) v WHERE {kept}"  # noqa: S608 - values are literals


def _of_current(table: str, condition: str) -> str:
    return (
        f"SELECT DISTINCT w.job, w.line, w.number, w.weld_key FROM {table} w"  # noqa: S608 - values are literals, tables are ours
        f" JOIN cur c ON {_JOIN_CURRENT} WHERE {condition}"
    )


def _weld(row: Row) -> FoundWeld:
    return FoundWeld(
        job=row["job"],
        line=row["line"],
        number=row["number"],
        standing=Standing(row["standing"]),
        kind=row["kind"],
        spool=row["spool"],
        drawing=row["drawing"],
        location=row["location"],
        nps=row["nps"],
        welded_on=row["first_welded"],
        last_read_on=row["last_read"],
        stencils=texts(row, "stencils"),
        repairs=row["most_repairs"],
        rejections=row["most_rejections"],
        radiographs=row["radiographs"],
        remark=row["remark"],
        handover=row["handover"],
        revision=row["revision"],
        received_at=row["received_at"],
        handovers=row["told"],
    )
