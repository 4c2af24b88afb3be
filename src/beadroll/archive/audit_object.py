"""Checking one stored object: its inventories, every file's digest, and what lies there that should not.

Knows what an OCFL object must hold and which welds a file is about. Refuses to mend anything.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from beadroll import documents
from beadroll.archive import ocfl
from beadroll.archive.ocfl import INVENTORY, OBJECT_DECLARATION, SIDECAR, Inventory
from beadroll.archive.reception import PACKAGE
from beadroll.archive.store import Store
from beadroll.errors import BeadrollError
from beadroll.findings import Finding, finding
from beadroll.package import layout
from beadroll.package.index import INDEX

_WELD_FOLDER = re.compile(rf"{PACKAGE}/{layout.WELDS}/([^/]+)/([^/]+)/")


@dataclass(frozen=True, slots=True, kw_only=True)
class Damage:
    """One content path whose bytes are not what they should be. ``missing`` where there are none at all.

    ``welds`` are the numbers affected, empty where the whole handover is.
    """

    content_path: str
    sha512: str
    missing: bool
    welds: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Checkup:
    """What a check of one object found: damaged files, unsound inventory files, and everything as findings.

    ``inventory`` is the newest that can be relied on, None where none can. ``unsound`` names files beside the content
    that are not what the inventory makes them.
    """

    identifier: str
    inventory: Inventory | None
    damaged: tuple[Damage, ...]
    unsound: tuple[str, ...]
    findings: tuple[Finding, ...]
    files: int
    size_bytes: int


def check_object(store: Store, identifier: str, *, threads: int = 2) -> Checkup:
    """Check an object's inventories and every byte of its content. Raises ``MachineError`` when the system refuses."""
    folder = store.folder(identifier)
    try:
        inventory = store.inventory(identifier)
    except BeadrollError as error:
        inventory, why = None, error.message
    else:
        why = "it is not in the store"
    if inventory is None:
        found = finding("AUD-OBJECT", identifier, reason=why)
        return Checkup(
            identifier=identifier, inventory=None, damaged=(), unsound=(), findings=(found,), files=0, size_bytes=0
        )
    sizes, damaged = _content(folder, inventory, threads)
    unsound = tuple(_unsound(folder, inventory))
    findings = [
        *(finding("AUD-INVENTORY", identifier, path=path) for path in unsound),
        *(_damage_finding(identifier, damage) for damage in damaged),
        *(finding("AUD-FILE-EXTRA", identifier, path=layout.shown(path)) for path in _extra(folder, inventory)),
    ]
    return Checkup(
        identifier=identifier,
        inventory=inventory,
        damaged=damaged,
        unsound=unsound,
        findings=tuple(findings),
        files=len(sizes),
        size_bytes=sum(sizes.values()),
    )


def expected_files(inventory: Inventory) -> dict[str, bytes]:
    """Return the files of an object beside its content, path -> bytes, as the store writes them."""
    made: dict[str, bytes] = {OBJECT_DECLARATION[0]: OBJECT_DECLARATION[1]}
    for number in range(1, inventory.head + 1):
        data = inventory.until(number).to_bytes()
        made[f"v{number}/{INVENTORY}"] = data
        made[f"v{number}/{SIDECAR}"] = ocfl.sidecar(data)
        if number == inventory.head:
            made[INVENTORY] = data
            made[SIDECAR] = ocfl.sidecar(data)
    return made


def _damage_finding(identifier: str, damage: Damage) -> Finding:
    code = "AUD-FILE-MISSING" if damage.missing else "AUD-FILE-DAMAGED"
    welds = ", ".join(damage.welds) or "every weld of the handover"
    return finding(code, damage.content_path, object=identifier, welds=welds)


def _content(folder: Path, inventory: Inventory, threads: int) -> tuple[Mapping[str, int], tuple[Damage, ...]]:
    paths = [(path, digest) for digest, held in inventory.manifest.items() for path in held]
    paths.sort()
    with ThreadPoolExecutor(threads) as pool:
        seen = list(pool.map(lambda each: digest_of(folder / each[0]), paths))
    sizes: dict[str, int] = {}
    damaged: list[Damage] = []
    names: Mapping[str, str] | None = None
    for (path, digest), (actual, size) in zip(paths, seen, strict=True):
        sizes[path] = size
        if actual == digest:
            continue
        names = _weld_names(folder, inventory) if names is None else names
        damaged.append(
            Damage(content_path=path, sha512=digest, missing=not actual, welds=_welds(inventory, digest, path, names))
        )
    return sizes, tuple(damaged)


def digest_of(path: Path) -> tuple[str, int]:
    """Return a file's SHA-512 and size; an empty digest where there is no plain file that can be read."""
    try:
        fd = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    except OSError:
        return "", 0
    try:
        with os.fdopen(fd, "rb") as stream:
            return hashlib.file_digest(stream, "sha512").hexdigest(), os.fstat(stream.fileno()).st_size
    except OSError:
        return "", 0


def _welds(inventory: Inventory, digest: str, path: str, names: Mapping[str, str]) -> tuple[str, ...]:
    """Return the welds a damaged file is about, in any version that holds its bytes."""
    logical = {ocfl.logical_of(path)}
    logical |= {each for version in inventory.versions for each, held in version.state.items() if held == digest}
    found = []
    for each in sorted(logical):
        match = _WELD_FOLDER.match(each)
        if match is None:
            return ()
        folder = match.group().removeprefix(f"{PACKAGE}/").rstrip("/")
        found.append(names.get(folder, f"{match[1]} {match[2]}"))
    return tuple(dict.fromkeys(found))


def _weld_names(folder: Path, inventory: Inventory) -> Mapping[str, str]:
    """Return weld folder -> line and number, from every index that can still be read."""
    names: dict[str, str] = {}
    for number in range(1, inventory.head + 1):
        try:
            path = inventory.content_path(f"{PACKAGE}/{layout.INDEX}", number)
            data = (folder / path).read_bytes()
            if hashlib.sha512(data).hexdigest() not in inventory.manifest:
                continue
            index = documents.read(data, INDEX, name=path).value
        except (KeyError, OSError, BeadrollError):
            continue
        names |= {weld.path.rpartition("/")[0]: str(weld.id) for weld in index.welds}
    return names


def _unsound(folder: Path, inventory: Inventory) -> Iterator[str]:
    for path, expected in sorted(expected_files(inventory).items()):
        try:
            found = (folder / path).read_bytes()
        except OSError:
            found = b""
        if found != expected:
            yield path


def _extra(folder: Path, inventory: Inventory) -> Iterator[str]:
    wanted = {path for held in inventory.manifest.values() for path in held} | expected_files(inventory).keys()
    for name, _, files in os.walk(folder):
        for file in sorted(files):
            path = str((Path(name) / file).relative_to(folder))
            if path not in wanted:
                yield path
