"""From a stored package to the catalog's rows. Receiving and rebuilding both go this way, so they cannot differ.

Knows which file of an object gives which table. Refuses to know the catalog itself, and refuses segments that speak of
any handover but their own package's.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import pyarrow as pa
import pyarrow.compute as pc

from beadroll import documents
from beadroll.archive.catalog import GATE
from beadroll.archive.catalog_write import COLUMNS, SEALS
from beadroll.archive.ocfl import Inventory
from beadroll.archive.reception import (
    RECEPTION,
    ReceivedSeal,
    Reception,
    package_path,
    reception_path,
    revisions,
)
from beadroll.archive.store import Store
from beadroll.errors import ArchiveError, InputError
from beadroll.findings import Finding, finding
from beadroll.package import layout
from beadroll.package.columns import SCHEMAS
from beadroll.package.index import Index
from beadroll.package.read import PackageReader
from beadroll.package.segments import read_segment

MAX_SEGMENT = 256 << 20
"""Largest segment read, in bytes as it lies in the package."""


def app_id(reception: Reception) -> str:
    """Return the name under which a handover's rows are added to the catalog, once."""
    return f"handover-{reception.job}-{reception.handover}-r{reception.revision}"


def batches(store: Store, inventory: Inventory) -> Iterator[tuple[str, Mapping[str, pa.Table]]]:
    """Give every batch of rows of an object, oldest first: the name it is added under, and its tables.

    A revision is one batch; seals that came later are one each. Raises ``ArchiveError`` where the stored files cannot
    be read.
    """
    for revision, first in sorted(revisions(inventory).items()):
        reception = read_reception(store, inventory, revision, first)
        yield app_id(reception), _handover(store, inventory, first, reception)
        seen = {seal.sha512 for seal in reception.seals}
        digest = inventory.versions[first - 1].state[reception_path(revision)]
        for number in range(first + 1, inventory.head + 1):
            now = inventory.versions[number - 1].state.get(reception_path(revision), digest)
            if now == digest:
                continue
            digest = now
            later = read_reception(store, inventory, revision, number)
            added = [seal for seal in later.seals if seal.sha512 not in seen]
            seen |= {seal.sha512 for seal in added}
            yield f"{app_id(reception)}-seals-v{number}", {SEALS: _seals(reception, added)}


def read_reception(store: Store, inventory: Inventory, revision: int, version: int) -> Reception:
    """Return what was found when a revision was received. Raises ``ArchiveError``."""
    data = _bytes(store, inventory, reception_path(revision), version)
    try:
        return documents.read(data, RECEPTION, name=reception_path(revision)).value
    except InputError as error:
        raise _unreadable(inventory, error.message) from error


def _handover(store: Store, inventory: Inventory, version: int, reception: Reception) -> Mapping[str, pa.Table]:
    tables: dict[str, pa.Table] = {}
    held = inventory.versions[version - 1].state
    for table in SCHEMAS:
        path = package_path(layout.catalog_table(table))
        if path not in held:
            tables[table] = SCHEMAS[table].empty_table()
            continue
        try:
            tables[table] = read_segment(_bytes(store, inventory, path, version), table, name=path)
        except InputError as error:
            raise _unreadable(inventory, error.message) from error
    extra = {
        "object_id": inventory.id,
        "store_version": version,
        "tagmanifest_sha512": reception.tagmanifest_sha512,
        "received_at": reception.received_at,
    }
    gate = tables[GATE]
    for name, value in extra.items():
        field = COLUMNS[GATE].field(name)
        gate = gate.append_column(field, pa.array([value] * gate.num_rows, type=field.type))
    tables[GATE] = gate
    tables[SEALS] = _seals(reception, reception.seals)
    return tables


def _seals(reception: Reception, seals: tuple[ReceivedSeal, ...] | list[ReceivedSeal]) -> pa.Table:
    rows = [
        {
            "job": reception.job,
            "handover": reception.handover,
            "revision": reception.revision,
            "role": seal.role,
            "path": seal.path,
            "sha512": seal.sha512,
            "signer": seal.signer,
            "organisation": seal.organisation,
            "made_at": seal.made_at,
            "time_kind": seal.time_kind,
            "demo": seal.demo,
        }
        for seal in seals
    ]
    return pa.Table.from_pylist(rows, schema=COLUMNS[SEALS])


def _bytes(store: Store, inventory: Inventory, logical: str, version: int) -> bytes:
    try:
        return store.path(inventory, logical, version).read_bytes()
    except (KeyError, OSError) as error:
        raise _unreadable(inventory, f"{logical} cannot be read ({error})") from error


def _unreadable(inventory: Inventory, why: str) -> ArchiveError:
    return ArchiveError(
        f"{inventory.id}: {why}", remedy="Run an audit; it mends what is damaged from a second copy where there is one."
    )


# ------------------------------------------------------------------------------------- a package not yet in the store


def check_segments(reader: PackageReader, index: Index) -> Iterator[Finding]:
    """Yield what is wrong with a package's tables: unreadable, larger than said, or about another handover."""
    for table in SCHEMAS:
        path = layout.catalog_table(table)
        if path not in reader.members:
            if table == GATE:
                yield finding("RCV-SEGMENT-MISSING", path)
            continue
        try:
            yield from _check_segment(reader, index, table, path)
        except InputError as error:
            yield finding("RCV-SEGMENT", path, reason=error.fault)


def _check_segment(reader: PackageReader, index: Index, table: str, path: str) -> Iterator[Finding]:
    data = reader.read(path, MAX_SEGMENT)
    rows = read_segment(data, table, name=path)
    wanted = {"job": index.job.id, "handover": index.handover.number, "revision": index.handover.revision}
    for column, value in wanted.items():
        strange = [each for each in pc.unique(rows.column(column)).to_pylist() if each != value]
        if strange:
            shown = layout.shown(str(strange[0]))
            yield finding("RCV-SEGMENT-OTHER", path, column=column, value=shown, expected=layout.shown(str(value)))
    if table == GATE and rows.num_rows != 1:
        yield finding("RCV-SEGMENT", path, reason=f"it has {rows.num_rows} rows where one is wanted")
