"""What stands behind a step of a weld's history: the file in the store, its digest, its seals, the place in a sheet.

Knows how the catalog's files and seals lead to files on disk. Refuses to open any but receipts, which are small and
which the catalog does not hold.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Any

from beadroll.archive.catalog import Catalog, Row, any_of, literal
from beadroll.archive.ocfl import Inventory
from beadroll.archive.reception import package_path
from beadroll.archive.store import Store
from beadroll.documents import parse_json
from beadroll.errors import BeadrollError, InputError
from beadroll.package.layout import TAG_MANIFEST
from beadroll.record.weld import WeldId

Key = tuple[str, int]
"""A handover's number and its revision."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seal:
    """One seal as judged on arrival. ``made_at`` is proven or claimed: ``time_kind`` says which."""

    role: str
    signer: str
    organisation: str
    made_at: datetime | None
    time_kind: str
    demo: bool
    sha512: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """One file behind a step. ``path`` is its place in the package, ``stored`` on disk, None where the store lacks it.

    ``place`` is the sheet and cell, row or element in it. ``sealed_by`` names the roles whose seals cover it.
    """

    path: str
    sha512: str
    handover: str
    revision: int
    place: str = ""
    stored: Path | None = None
    sealed_by: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Receipt:
    """What the client answered to a handover, with its file in the store."""

    result: str
    by: str
    at: datetime
    reasons: tuple[tuple[str, str], ...]
    evidence: Evidence


class Files:
    """The files, seals and receipts of the handovers that speak of one weld."""

    def __init__(self, store: Store, gate: Mapping[Key, Row], files: Iterable[Row], seals: Iterable[Row]) -> None:
        """Take the catalog's rows; use ``of``."""
        self._store = store
        self._gate = gate
        self._inventories: dict[str, Inventory | None] = {}
        self._files: dict[Key, dict[str, Row]] = {}
        self._sheets: dict[Key, list[Row]] = {}
        self._seals: dict[Key, list[Row]] = {}
        for row in files:
            self._files.setdefault(_key(row), {})[row["path"]] = row
            if row["delivered_as"] and row["role"] == "sheet":
                self._sheets.setdefault(_key(row), []).append(row)
        for row in seals:
            self._seals.setdefault(_key(row), []).append(row)

    @classmethod
    def of(cls, catalog: Catalog, store: Store, gate: Mapping[Key, Row], weld: WeldId) -> Files:
        """Ask the catalog for the files of one weld and the sheets of the handovers in ``gate``."""
        within = f"job = {literal(weld.job)} AND {any_of('handover', sorted({number for number, _ in gate}))}"
        own = f"line = {literal(weld.line)} AND number = {literal(weld.number)}"
        files = catalog.rows(
            "SELECT handover, revision, path, role, sha512, delivered_as FROM files"  # noqa: S608 - values are literals
            f" WHERE {within} AND (role = 'sheet' OR ({own}))",
            ["files"],
        )
        seals = catalog.rows(f"SELECT * FROM seals WHERE {within} ORDER BY role, sha512", ["seals"])  # noqa: S608 - values are literals
        return cls(store, gate, files, seals)

    def seals(self, key: Key) -> tuple[Seal, ...]:
        """Return the seals of a handover."""
        return tuple(
            Seal(
                role=row["role"],
                signer=row["signer"],
                organisation=row["organisation"],
                made_at=row["made_at"],
                time_kind=row["time_kind"],
                demo=row["demo"],
                sha512=row["sha512"],
            )
            for row in self._seals.get(key, ())
        )

    def file(self, key: Key, path: str, *, sha512: str = "", place: str = "") -> Evidence:
        """Return a file of a handover's package as evidence."""
        row = self._files.get(key, {}).get(path)
        return Evidence(
            path=path,
            sha512=sha512 or (row["sha512"] if row else self._digest(key, package_path(path))),
            handover=key[0],
            revision=key[1],
            place=place,
            stored=self._stored(key, package_path(path), int(self._gate[key]["store_version"])),
            sealed_by=tuple(dict.fromkeys(row["role"] for row in self._seals.get(key, ()))),
        )

    def sheet(self, key: Key, address: str) -> Evidence | None:
        """Return the delivered sheet that an address names, with the place in it; None where the package lacks it."""
        fitting = [
            row
            for row in self._sheets.get(key, ())
            if address == row["delivered_as"] or address.startswith(f"{row['delivered_as']}, ")
        ]
        if not fitting:
            return None
        row = max(fitting, key=lambda each: len(each["delivered_as"]))
        place = address.removeprefix(row["delivered_as"]).removeprefix(", ")
        return self.file(key, row["path"], sha512=row["sha512"], place=place)

    def whole(self, key: Key) -> Evidence:
        """Return the tag manifest, which stands for the whole package and which the seals are over."""
        return self.file(key, TAG_MANIFEST, sha512=self._gate[key]["tagmanifest_sha512"])

    def receipts(self, key: Key) -> tuple[Receipt, ...]:
        """Return the client's receipts for a revision, oldest first. One that cannot be read is left to the audit."""
        inventory = self._inventory(key)
        if inventory is None:
            return ()
        found = []
        for path, digest in sorted(inventory.newest.state.items()):
            if not (path.startswith(f"receipts/r{key[1]}-") and path.endswith(".json")):
                continue
            stored = self._stored(key, path, inventory.head)
            evidence = Evidence(path=path, sha512=digest, handover=key[0], revision=key[1], stored=stored)
            content = _receipt_content(stored)
            if content is not None:
                found.append(_receipt(content, evidence))
        return tuple(sorted(found, key=lambda receipt: receipt.at))

    def _inventory(self, key: Key) -> Inventory | None:
        identifier = self._gate[key]["object_id"]
        if identifier not in self._inventories:
            try:
                self._inventories[identifier] = self._store.inventory(identifier)
            except BeadrollError:
                self._inventories[identifier] = None  # the audit names the damage; a history is told all the same
        return self._inventories[identifier]

    def _digest(self, key: Key, logical: str) -> str:
        inventory = self._inventory(key)
        if inventory is None:
            return ""
        return inventory.versions[int(self._gate[key]["store_version"]) - 1].state.get(logical, "")

    def _stored(self, key: Key, logical: str, version: int) -> Path | None:
        inventory = self._inventory(key)
        if inventory is None:
            return None
        try:
            path = self._store.path(inventory, logical, version)
        except (KeyError, IndexError):
            return None
        return path if path.is_file() else None


def _key(row: Row) -> Key:
    return row["handover"], row["revision"]


def _receipt_content(path: Path | None) -> Mapping[str, Any] | None:
    if path is None:
        return None
    try:
        value = parse_json(path.read_bytes(), name=PurePosixPath(path).name)
        content: Mapping[str, Any] = value["content"]
        datetime.fromisoformat(content["at"])
    except (OSError, InputError, KeyError, TypeError, ValueError):
        return None
    return content


def _receipt(content: Mapping[str, Any], evidence: Evidence) -> Receipt:
    return Receipt(
        result=str(content.get("result", "")),
        by=str(content.get("by", "")),
        at=datetime.fromisoformat(content["at"]),
        reasons=tuple((str(each["weld"]), str(each["reason"])) for each in content.get("reasons", ())),
        evidence=evidence,
    )
