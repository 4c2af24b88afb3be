"""One weld's history: everything every handover says of it, in the order it happened, with the evidence of each step.

Knows how the catalog's rows become steps of a timeline, how steps told by several handovers become one, and what is
missing. Returned as data; nothing here is laid out for a screen. Refuses to judge: a step says who read what, and the
standing is what the newest handover states.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from pathlib import Path

from beadroll.archive.catalog import Catalog, Row, any_of, literal
from beadroll.archive.history_evidence import Evidence, Files, Seal
from beadroll.archive.history_gaps import gaps_of
from beadroll.archive.history_order import in_order
from beadroll.archive.history_steps import Handovers, Step, StepKind, steps_of
from beadroll.archive.home import read_settings
from beadroll.archive.numbers import near_misses, numbers_meant
from beadroll.archive.store import Store
from beadroll.errors import BeadrollError
from beadroll.findings import Finding
from beadroll.record.search import search_key
from beadroll.record.weld import Standing, WeldId

__all__ = ["Evidence", "History", "NotOneWeld", "Seal", "Step", "StepKind", "Told", "history"]

TABLES = ("welds", "events", "exposures", "radiographs", "interpretations", "indications", "dispositions", "signoffs")
"""The tables that speak of one weld, in the order a weld's life goes."""


class Missing(StrEnum):
    """Why a number did not lead to one weld."""

    NONE = "no such weld"
    SEVERAL = "several welds"


class NotOneWeld(BeadrollError):  # noqa: N818 - an answer that asks back
    """A number that leads to no weld, or to several: ``choices`` lists what could be meant, as line and number."""

    def __init__(self, text: str, missing: Missing, choices: tuple[str, ...]) -> None:
        """Say what was asked for and what could be meant."""
        listed = ", ".join(choices)
        if missing is Missing.SEVERAL:
            message, remedy = f"{text} may be any of {listed}", "Name the line, or the whole number, of the one meant."
        else:
            message = f"no handover in this archive speaks of {text}"
            remedy = f"Did you mean {listed}?" if listed else "Look for it by other things that are known of it."
        super().__init__(message, remedy=remedy)
        self.missing = missing
        self.choices = choices


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One revision of a handover that speaks of the weld. ``current`` where no later revision replaced it."""

    handover: str
    revision: int
    current: bool
    first_day: date
    last_day: date
    received_at: datetime
    object_id: str
    tagmanifest_sha512: str
    standing: Standing
    seals: tuple[Seal, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """A weld's whole story. ``steps`` are in the order they happened; ``gaps`` say plainly what is not known.

    ``facts`` are what the newest handover's weld log says of the weld: column -> text. ``standing`` is that
    handover's word, ``standing_by`` its number.
    """

    weld: WeldId
    standing: Standing
    standing_by: str
    facts: Mapping[str, str]
    as_marked: tuple[str, ...]
    replaces: WeldId | None
    replaced_by: WeldId | None
    handovers: tuple[Told, ...]
    steps: tuple[Step, ...]
    gaps: tuple[Finding, ...]
    notes: tuple[str, ...] = ()


def history(archive: Path, number: str, line: str | None = None, *, job: str | None = None) -> History:
    """Return the history of one weld. ``number`` is as tolerant as ``find``'s, ``line`` and ``job`` narrow it.

    Raises ``NotOneWeld`` where the number leads to none or to several, ``ArchiveError`` where the catalog cannot be
    asked or contradicts the store.
    """
    read_settings(archive)  # so that a folder that is no archive is called that, not a catalog in pieces
    catalog = Catalog(archive)
    identity, notes = _one_weld(catalog, number, line, job)
    rows = {table: _rows_of(catalog, table, identity) for table in TABLES}
    handovers = Handovers.of(catalog.received(), rows["welds"])
    amendments = _rows_of(catalog, "amendments", identity)
    files = Files.of(catalog, Store(archive), handovers, identity)
    steps = in_order(steps_of(rows, amendments, handovers, files))
    newest = handovers.newest(rows["welds"])
    return History(
        weld=identity,
        standing=Standing(newest["standing"]),
        standing_by=newest["handover"],
        facts={name: str(newest[name]) for name in _FACTS if newest[name] not in (None, "")},
        as_marked=tuple(newest["as_marked"] or ()),
        replaces=_other(newest, "replaces"),
        replaced_by=_other(newest, "replaced_by"),
        handovers=tuple(_told(row, handovers, files) for row in handovers.in_order(rows["welds"])),
        steps=steps,
        gaps=gaps_of(identity, rows, handovers, files, steps),
        notes=notes,
    )


_FACTS = (
    "kind",
    "place",
    "drawing",
    "drawing_revision",
    "spool",
    "location",
    "nps",
    "schedule",
    "outside_diameter_mm",
    "wall_mm",
    "material",
    "wps",
    "examination",
    "remark",
)


def _one_weld(catalog: Catalog, number: str, line: str | None, job: str | None) -> tuple[WeldId, tuple[str, ...]]:
    if "\0" in f"{number}{line}{job}":
        raise NotOneWeld(repr(number), Missing.NONE, ())
    meant = numbers_meant(catalog, number)
    conditions = [any_of("weld_key", meant.keys)]
    if line:
        conditions.append(f"line_key = {literal(search_key(line))}")
    elif meant.line_key:
        conditions.append(f"line_key = {literal(meant.line_key)}")
    if job:
        conditions.append(f"job = {literal(job)}")
    rows = (
        catalog.rows(
            "SELECT DISTINCT w.job, w.line, w.number, w.line_key, w.weld_key FROM welds w"  # noqa: S608 - values are literals
            f" JOIN handovers h ON w.job = h.job AND w.handover = h.handover AND w.revision = h.revision"
            f" WHERE {' AND '.join('w.' + c for c in conditions)} ORDER BY w.line_key, w.weld_key, w.job LIMIT 200",
            ["welds"],
        )
        if meant.keys
        else []
    )
    asked = f"{line} {number}" if line else number
    if not rows:
        raise NotOneWeld(asked, Missing.NONE, near_misses(catalog, number, line=line or ""))
    if len(rows) > 1:
        jobs = len({row["job"] for row in rows}) > 1
        names = tuple(f"{row['line']} {row['number']}" + (f" of {row['job']}" if jobs else "") for row in rows)
        exact = [row for row in rows if row["number"] == number.strip() and (not line or row["line"] == line.strip())]
        if len(exact) != 1:
            raise NotOneWeld(asked, Missing.SEVERAL, names)
        rows = exact
    row = rows[0]
    return WeldId(job=row["job"], line=row["line"], number=row["number"]), meant.notes


def _rows_of(catalog: Catalog, table: str, weld: WeldId) -> list[Row]:
    """Return a table's rows of one weld, those of handovers behind the gate only."""
    return catalog.rows(
        f"SELECT w.* FROM {table} w"  # noqa: S608 - values are literals, tables are ours
        f" JOIN handovers h ON w.job = h.job AND w.handover = h.handover AND w.revision = h.revision"
        f" WHERE w.weld_key = {literal(search_key(weld.number))} AND w.line_key = {literal(search_key(weld.line))}"
        f" AND w.job = {literal(weld.job)} AND w.line = {literal(weld.line)} AND w.number = {literal(weld.number)}",
        [table],
    )


def _other(row: Row, prefix: str) -> WeldId | None:
    number = row[f"{prefix}_number"]
    return WeldId(job=row["job"], line=row[f"{prefix}_line"], number=number) if number else None


def _told(row: Row, handovers: Handovers, files: Files) -> Told:
    key = (row["handover"], row["revision"])
    gate = handovers.gate[key]
    return Told(
        handover=row["handover"],
        revision=row["revision"],
        current=handovers.current(key),
        first_day=gate["period_first"],
        last_day=gate["period_last"],
        received_at=gate["received_at"],
        object_id=gate["object_id"],
        tagmanifest_sha512=gate["tagmanifest_sha512"],
        standing=Standing(row["standing"]),
        seals=files.seals(key),
    )
