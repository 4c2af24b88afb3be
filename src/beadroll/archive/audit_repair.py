"""Mending a damaged object: from its own sound parts, and from a second copy of the archive.

Knows that a file is replaced only when its own digest is wrong and the bytes put in its place have been read back with
the right one; the damaged file is put aside, not deleted. Refuses to touch anything that is good.
"""

from __future__ import annotations

import hashlib
import secrets
import shutil
from collections.abc import Iterator
from pathlib import Path

from beadroll.archive import locks, ocfl
from beadroll.archive.audit_object import Checkup, Damage, check_object, digest_of, expected_files
from beadroll.archive.copying import copy_object, copy_verified
from beadroll.archive.ocfl import Inventory
from beadroll.archive.store import ASIDE, STAGING, Store, replace_file
from beadroll.errors import BeadrollError
from beadroll.findings import Finding, finding
from beadroll.package.staging import machine_error, sync_folder


def repair(store: Store, checkup: Checkup, other: Store | None) -> tuple[Finding, ...]:
    """Mend what a check found, as far as good bytes are to be had; say what was mended and what was not.

    Raises ``MachineError`` when the system refuses.
    """
    identifier = checkup.identifier
    if checkup.inventory is None:
        return tuple(_bring_back(store, identifier, other))
    with store.locked(identifier):
        again = check_object(store, identifier)  # under the lock: another may have mended or added meanwhile
        if again.inventory is None:
            return (finding("AUD-NOT-MENDED", identifier, path=ocfl.INVENTORY),)
        found: list[Finding] = []
        for damage in again.damaged:
            mended = _mend(store, again.inventory, damage, other)
            code = "AUD-MENDED" if mended else "AUD-NOT-MENDED"
            found.append(finding(code, identifier, path=damage.content_path))
        wanted = expected_files(again.inventory)
        for path in again.unsound:
            _put(store, store.folder(identifier) / path, wanted[path])
            found.append(finding("AUD-MENDED", identifier, path=path))
    return tuple(found)


def _bring_back(store: Store, identifier: str, other: Store | None) -> Iterator[Finding]:
    """Bring back an object whose inventories are all lost: what is left is put aside, the copy takes its place."""
    if other is None or not _sound(other, identifier):
        yield finding("AUD-NOT-MENDED", identifier, path=ocfl.INVENTORY)
        return
    folder = store.folder(identifier)
    with store.locked(identifier):
        if folder.exists():
            _aside(store, folder)
            _drop_empty(folder.parent, store.root)
    found = copy_object(other, store, identifier)
    yield from found
    code = "AUD-NOT-MENDED" if any(each.code == "AUD-COPY-DAMAGED" for each in found) else "AUD-MENDED"
    yield finding(code, identifier, path="the whole object")


def _sound(other: Store, identifier: str) -> bool:
    try:
        return other.inventory(identifier) is not None and not check_object(other, identifier).damaged
    except BeadrollError:
        return False


def _mend(store: Store, inventory: Inventory, damage: Damage, other: Store | None) -> bool:
    """Put good bytes in the place of damaged ones; return whether any were to be had."""
    target = store.folder(inventory.id) / damage.content_path
    for source in _sources(store, inventory, damage, other):
        if source == target or digest_of(source)[0] != damage.sha512:
            continue
        with locks.working_folder(store.archive / STAGING) as work:
            beside = work / "mended"
            if not copy_verified(source, beside, damage.sha512) or digest_of(beside)[0] != damage.sha512:
                continue
            try:
                if target.exists() or target.is_symlink():
                    _aside(store, target)
                target.parent.mkdir(parents=True, exist_ok=True)
                beside.replace(target)
                sync_folder(target.parent)
            except OSError as error:
                raise machine_error("could not mend", target, error) from error
        return True
    return False


def _sources(store: Store, inventory: Inventory, damage: Damage, other: Store | None) -> Iterator[Path]:
    """Give the places where the right bytes may lie: elsewhere in the object, then in the second copy."""
    for path in inventory.manifest[damage.sha512]:
        yield store.folder(inventory.id) / path
    if other is None:
        return
    try:
        theirs = other.inventory(inventory.id)
    except BeadrollError:
        theirs = None
    held = theirs.manifest.get(damage.sha512, ()) if theirs else ()
    for path in (*held, damage.content_path):
        yield other.folder(inventory.id) / path


def _put(store: Store, path: Path, data: bytes) -> None:
    try:
        if path.exists():
            _aside(store, path)
        path.parent.mkdir(parents=True, exist_ok=True)
        with locks.working_folder(store.archive / STAGING) as work:
            replace_file(path, data, work)
    except OSError as error:
        raise machine_error("could not mend", path, error) from error


def _aside(store: Store, path: Path) -> None:
    """Move what is damaged out of the store; a person may still want to look at it."""
    tag = hashlib.sha256(str(path).encode("utf-8", "surrogateescape")).hexdigest()[:8]
    shutil.move(path, store.archive / ASIDE / f"{path.name}-{tag}-{secrets.token_hex(4)}")


def _drop_empty(folder: Path, root: Path) -> None:
    while folder != root and not any(folder.iterdir()):
        folder.rmdir()
        folder = folder.parent
