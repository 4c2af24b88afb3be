"""The catalog made anew from the stored packages alone, and compared with them.

Knows that the packages are the record and the catalog follows from them. The new catalog is built beside the old one
and takes its place by one rename; a rebuild that was killed is taken up where it stopped. Refuses to change a package.
"""

from __future__ import annotations

import shutil
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from beadroll.archive import home
from beadroll.archive.catalog import CATALOG, GATE, REPLACED, Catalog, Row, literal
from beadroll.archive.catalog_rows import batches
from beadroll.archive.catalog_write import COLUMNS, append_to, create_tables, locked, tidy_tables
from beadroll.archive.ocfl import Inventory
from beadroll.archive.store import Store
from beadroll.errors import ArchiveError
from beadroll.findings import Finding, Report, finding
from beadroll.package.staging import machine_error, sync_folder

BESIDE: Final = "catalog.rebuilding"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rebuilt:
    """What a rebuild did: objects read, batches of rows added; ``report`` names objects that could not be read."""

    objects: int
    batches: int
    report: Report


def rebuild(archive: Path, *, progress: Callable[[int, str], None] | None = None) -> Rebuilt:
    """Make the catalog anew. ``progress`` hears the number of objects done and the id of the latest.

    Receivers wait for the end; readers use the old catalog until then. An object that cannot be read is a finding and
    left out, so that the rest can be found. Raises ``ArchiveError`` and ``MachineError``.
    """
    home.read_settings(archive)
    store = Store(archive)
    beside = archive / BESIDE
    found: list[Finding] = []
    objects = added = 0
    with locked(archive):
        finish_replacement(archive)
        create_tables(beside)
        for identifier in store.ids():
            try:
                inventory = store.inventory(identifier)
                assert inventory is not None
                added += sum(append_to(beside, name, tables) for name, tables in batches(store, inventory))
            except ArchiveError as error:
                found.append(finding("AUD-CATALOG-UNREADABLE", identifier, reason=error.message))
            objects += 1
            if progress is not None:
                progress(objects, identifier)
        tidy_tables(beside, thorough=False)
        _replace(archive)
    return Rebuilt(objects=objects, batches=added, report=Report(findings=tuple(found)))


def _replace(archive: Path) -> None:
    try:
        if (archive / CATALOG).exists():
            (archive / CATALOG).rename(archive / REPLACED)
        (archive / BESIDE).rename(archive / CATALOG)
        sync_folder(archive)
        shutil.rmtree(archive / REPLACED, ignore_errors=True)
    except OSError as error:
        raise machine_error("could not put the new catalog in place", archive / CATALOG, error) from error


def finish_replacement(archive: Path) -> None:
    """Finish or undo a replacement killed between its two renames; the catalog's lock must be held."""
    try:
        if (archive / REPLACED).exists() and not (archive / CATALOG).exists():
            (archive / REPLACED).rename(archive / CATALOG)
            sync_folder(archive)
        shutil.rmtree(archive / REPLACED, ignore_errors=True)
    except OSError as error:
        raise machine_error("could not put the old catalog back", archive / CATALOG, error) from error


def compare(store: Store, catalog: Catalog, inventory: Inventory) -> tuple[Finding, ...]:
    """Say where the catalog and one object's packages differ, row for row. Changes nothing.

    Raises ``ArchiveError`` where either cannot be read.
    """
    wanted: dict[tuple[str, str, str, int], Counter[str]] = {}
    for _, tables in batches(store, inventory):
        for table, rows in tables.items():
            for row in rows.to_pylist():
                key = (table, row["job"], row["handover"], row["revision"])
                wanted.setdefault(key, Counter())[_text(row)] += 1
    found = []
    handovers = sorted({key[1:] for key in wanted if key[0] == GATE})
    for job, handover, revision in handovers:
        if not _rows_of(catalog, GATE, job, handover, revision):
            found.append(finding("AUD-NOT-LISTED", handover, revision=revision))
            continue
        for table in COLUMNS:
            expected = wanted.get((table, job, handover, revision), Counter())
            held = Counter(_text(row) for row in _rows_of(catalog, table, job, handover, revision))
            missing, extra = (expected - held).total(), (held - expected).total()
            if missing or extra:
                found.append(
                    finding("AUD-CATALOG", handover, table=table, revision=revision, missing=missing, extra=extra)
                )
    return tuple(found)


def _rows_of(catalog: Catalog, table: str, job: str, handover: str, revision: int) -> list[Row]:
    return catalog.rows(
        f"SELECT * FROM {table} WHERE job = {literal(job)} AND handover = {literal(handover)}"  # noqa: S608 - values are literals
        f" AND revision = {literal(revision)}",
        [table],
    )


def _text(row: Row) -> str:
    """Return a row as text, the same whichever library gave it: moments in UTC, columns by name."""
    return repr([(name, _plain(value)) for name, value in sorted(row.items())])


def _plain(value: Any) -> Any:
    return value.astimezone(UTC).isoformat() if isinstance(value, datetime) else value
