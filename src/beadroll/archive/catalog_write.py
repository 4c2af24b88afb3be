"""Writing the catalog: one handover's rows at a time, the gate table last, and the same handover never twice.

Knows the tables' columns (the package's own, the gate's further ones, and the seals'), how they are laid out on disk,
and how they are kept in order. Refuses to know where the rows come from. Readers wait for nothing that happens here.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
from deltalake import (
    BloomFilterProperties,
    ColumnProperties,
    CommitProperties,
    DeltaTable,
    Transaction,
    WriterProperties,
    write_deltalake,
)
from deltalake.exceptions import DeltaError

from beadroll.archive import locks
from beadroll.archive.catalog import CATALOG, GATE, first_line
from beadroll.errors import ArchiveError
from beadroll.package.columns import SCHEMAS

SEALS: Final = "seals"
LOCK: Final = "locks/catalog.lock"

_GATE_COLUMNS: Final = (
    ("object_id", pa.string()),
    ("store_version", pa.int64()),
    ("tagmanifest_sha512", pa.string()),
    ("received_at", pa.timestamp("us", tz="UTC")),
)
COLUMNS: Final[Mapping[str, pa.Schema]] = {
    **SCHEMAS,
    GATE: pa.schema([*SCHEMAS[GATE], *(pa.field(name, kind) for name, kind in _GATE_COLUMNS)]),
    SEALS: pa.schema(
        [
            ("job", pa.string()),
            ("handover", pa.string()),
            ("revision", pa.int64()),
            ("role", pa.string()),
            ("path", pa.string()),
            ("sha512", pa.string()),
            ("signer", pa.string()),
            ("organisation", pa.string()),
            ("made_at", pa.timestamp("us", tz="UTC")),
            ("time_kind", pa.string()),
            ("demo", pa.bool_()),
        ]
    ),
}
"""The columns of every table of the catalog: the package's segments as they are, the gate with what the store adds."""

_SETTINGS: Final[Mapping[str, str | None]] = {
    "delta.checkpointInterval": "20",
    "delta.dataSkippingStatsColumns": (
        "job,handover,revision,line,number,line_key,weld_key,received_at,welded_on,happened_on,exposed_on,read_on"
    ),
    "delta.logRetentionDuration": "interval 30 days",
    "delta.deletedFileRetentionDuration": "interval 7 days",
}
_SEARCHED: Final = frozenset({"weld_key"})
_REMEDY: Final = "Rebuild the catalog from the packages; they hold everything it says."
COMPACT_AFTER: Final = 32
"""So many small files in a table, and it is compacted by the next append."""


def create_catalog(archive: Path) -> None:
    """Make the tables that an archive's catalog lacks. Raises ``ArchiveError``."""
    create_tables(archive / CATALOG)


def create_tables(folder: Path) -> None:
    """Make the tables that a catalog's folder lacks, the gate last. Raises ``ArchiveError``."""
    for name in _order():
        _create(folder, name)


def locked(archive: Path) -> AbstractContextManager[None]:
    """Hold the lock under which a catalog may be written; readers need none."""
    return locks.held(archive / LOCK)


def append(archive: Path, app_id: str, tables: Mapping[str, pa.Table]) -> bool:
    """Add one batch of rows to an archive's catalog; return whether anything was added. Raises ``ArchiveError``."""
    with locked(archive):
        return append_to(archive / CATALOG, app_id, tables)


def append_to(folder: Path, app_id: str, tables: Mapping[str, pa.Table]) -> bool:
    """Add one batch of rows to a catalog's folder, the gate last; the lock is the caller's.

    ``app_id`` names the batch: what has been added under it once is not added again, so that a killed append is
    finished by doing it anew. Raises ``ArchiveError``.
    """
    added = [_append(folder, name, app_id, tables[name]) for name in _order() if name in tables]
    return any(added)


def tidy(archive: Path, *, thorough: bool = False) -> Mapping[str, Mapping[str, Any]]:
    """Compact the tables of an archive's catalog; ``thorough`` also sorts them anew, which takes much longer.

    Returns what was done per table. Readers go on with what they have open. Raises ``ArchiveError``.
    """
    with locked(archive):
        return tidy_tables(archive / CATALOG, thorough=thorough)


def tidy_tables(folder: Path, *, thorough: bool = False) -> Mapping[str, Mapping[str, Any]]:
    """Compact the tables of a catalog's folder; the lock is the caller's. Raises ``ArchiveError``."""
    return {name: _compact(_open(folder, name), name, thorough=thorough) for name in _order()}


# ------------------------------------------------------------------------------------------------------- internals


def _order() -> list[str]:
    return [*(name for name in COLUMNS if name != GATE), GATE]


def _create(folder: Path, name: str) -> None:
    stats = [c for c in str(_SETTINGS["delta.dataSkippingStatsColumns"]).split(",") if c in COLUMNS[name].names]
    settings = {**_SETTINGS, "delta.dataSkippingStatsColumns": ",".join(stats)}
    try:
        folder.mkdir(exist_ok=True)
        DeltaTable.create(str(folder / name), schema=COLUMNS[name], mode="ignore", configuration=settings)
    except (DeltaError, OSError, ValueError) as error:
        raise ArchiveError(
            f"{folder}: the table {name} cannot be made: {first_line(error)}",
            remedy="Check that the archive's disk has room and may be written by you.",
        ) from error


def _open(folder: Path, name: str) -> DeltaTable:
    try:
        return DeltaTable(str(folder / name))
    except (DeltaError, OSError) as error:
        raise ArchiveError(
            f"{folder}: the table {name} cannot be opened: {first_line(error)}", remedy=_REMEDY
        ) from error


def _append(folder: Path, name: str, app_id: str, rows: pa.Table) -> bool:
    table = _open(folder, name)
    if table.transaction_version(app_id) is not None or (not rows.num_rows and name != GATE):
        return False
    try:
        write_deltalake(
            table,
            rows.select(COLUMNS[name].names).cast(COLUMNS[name]),
            mode="append",
            writer_properties=_writer(name),
            commit_properties=CommitProperties(app_transactions=[Transaction(app_id, 1)]),
        )
        if len(table.file_uris()) % COMPACT_AFTER == 0:
            _compact(_open(folder, name), name, thorough=False)
    except (DeltaError, OSError, pa.ArrowException, ValueError) as error:
        raise ArchiveError(
            f"{folder}: the table {name} cannot be added to: {first_line(error)}", remedy=_REMEDY
        ) from error
    return True


def _compact(table: DeltaTable, name: str, *, thorough: bool) -> Mapping[str, Any]:
    try:
        if thorough and "weld_key" in COLUMNS[name].names:
            done: Mapping[str, Any] = table.optimize.z_order(["weld_key", "line_key"], writer_properties=_writer(name))
        else:
            done = table.optimize.compact(writer_properties=_writer(name))
    except (DeltaError, OSError) as error:
        raise ArchiveError(f"the table {name} cannot be compacted: {first_line(error)}", remedy=_REMEDY) from error
    return done


def _writer(name: str) -> WriterProperties:
    bloom = ColumnProperties(bloom_filter_properties=BloomFilterProperties(set_bloom_filter_enabled=True, fpp=0.01))
    searched = {column: bloom for column in COLUMNS[name].names if column in _SEARCHED}
    return WriterProperties(compression="ZSTD", compression_level=3, column_properties=searched or None)
