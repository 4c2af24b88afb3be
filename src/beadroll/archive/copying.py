"""A second copy of an archive: incremental, every byte verified on the way, object by object and version by version.

Knows that a copy only ever adds; a target that holds something else is named and left alone. Refuses to copy a damaged
file: the version that has it is left out and named.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from beadroll.archive import home, locks
from beadroll.archive.ocfl import Inventory, logical_of, version_of
from beadroll.archive.receive import list_in_catalog
from beadroll.archive.store import STAGING, Changed, Store, replace_file
from beadroll.errors import ArchiveError
from beadroll.findings import Finding, Report, finding
from beadroll.package.staging import machine_error

_BLOCK = 4 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Copied:
    """What a copy run did: objects looked at, versions added to the target; ``report`` names what could not be."""

    objects: int
    versions: int
    report: Report


def copy_archive(source: Path, target: Path, *, progress: Callable[[int, str], None] | None = None) -> Copied:
    """Bring a second copy up to date; the first run makes it. ``progress`` hears objects done and the latest id.

    Raises ``ArchiveError`` where the target is the source or an archive of another title, ``MachineError`` when the
    system refuses.
    """
    settings = home.read_settings(source)
    if target.exists() and target.resolve() == source.resolve():
        raise ArchiveError(f"{target} is the archive itself", remedy="Name another folder, best on another disk.")
    if not (target / home.SETTINGS).exists():
        home.create_archive(target, title=settings.title, now=settings.created, required_roles=settings.required_roles)
    elif home.read_settings(target).title != settings.title:
        raise ArchiveError(f"{target} is a copy of another archive", remedy="Name another folder for this copy.")
    ours, theirs = Store(source), Store(target)
    for name in (home.TRUST, home.RECEIPTS):
        _copy_small(source / name, target / name, theirs)
    found: list[Finding] = []
    objects = versions = 0
    for identifier in ours.ids():
        before = _head(theirs, identifier)
        found += copy_object(ours, theirs, identifier)
        versions += _head(theirs, identifier) - before
        objects += 1
        inventory = theirs.inventory(identifier)
        if inventory is not None:
            list_in_catalog(theirs, inventory)
        if progress is not None:
            progress(objects, identifier)
    return Copied(objects=objects, versions=versions, report=Report(findings=tuple(found)))


def _head(store: Store, identifier: str) -> int:
    try:
        inventory = store.inventory(identifier)
    except ArchiveError:
        return 0
    return inventory.head if inventory else 0


def copy_object(source: Store, target: Store, identifier: str) -> tuple[Finding, ...]:
    """Add the versions of one object that the target lacks, each wholly or not at all; return what stood in the way."""
    try:
        wanted = source.inventory(identifier)
        held = target.recover(identifier)
    except ArchiveError as error:
        return (finding("AUD-OBJECT", identifier, reason=error.message),)
    if wanted is None:
        return (finding("AUD-OBJECT", identifier, reason="it is not in the store"),)
    if held is not None and held != wanted.until(min(held.head, wanted.head)):
        return (finding("AUD-COPY-FORK", identifier, target=str(target.archive)),)
    for number in range(held.head + 1 if held else 1, wanted.head + 1):
        version = wanted.until(number)
        with target.stage() as stage:
            damaged = _stage_content(source, version, stage.content)
            if damaged:
                return (finding("AUD-COPY-DAMAGED", identifier, path=damaged),)
            try:
                target.adopt(stage, version, held)
            except Changed as error:
                return (finding("AUD-OBJECT", identifier, reason=error.message),)
        held = version
    return ()


def _stage_content(source: Store, version: Inventory, content: Path) -> str:
    """Copy the newest version's files; return the first that is damaged, empty where all are good."""
    for digest, paths in version.manifest.items():
        for path in paths:
            if version_of(path) != version.head:
                continue
            staged = content / logical_of(path)
            staged.parent.mkdir(parents=True, exist_ok=True)
            if not copy_verified(source.folder(version.id) / path, staged, digest):
                return path
    return ""


def copy_verified(source: Path, target: Path, sha512: str) -> bool:
    """Copy a file durably, hashing on the way; return whether the bytes were those expected.

    A source that cannot be read counts as not having them. Raises ``MachineError`` when the target cannot be written.
    """
    digest = hashlib.sha512()
    try:
        fd = os.open(source, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    except OSError:
        return False
    with os.fdopen(fd, "rb", buffering=0) as stream:
        try:
            with target.open("xb") as out:
                while block := _read(stream.fileno()):
                    digest.update(block)
                    out.write(block)
                out.flush()
                os.fsync(out.fileno())
        except _Unreadable:
            return False
        except OSError as error:
            raise machine_error("could not write the copy", target, error) from error
    return digest.hexdigest() == sha512


class _Unreadable(Exception):  # noqa: N818 - internal signal
    """The source's disk refused."""


def _read(fd: int) -> bytes:
    try:
        return os.read(fd, _BLOCK)
    except OSError as error:
        raise _Unreadable from error


def _copy_small(source: Path, target: Path, store: Store) -> None:
    """Copy the files of a small folder that the target lacks or has otherwise."""
    try:
        for path in sorted(source.rglob("*")):
            copy = target / path.relative_to(source)
            if path.is_symlink() or not path.is_file():
                continue
            data = path.read_bytes()
            if copy.exists() and copy.read_bytes() == data:
                continue
            copy.parent.mkdir(parents=True, exist_ok=True)
            with locks.working_folder(store.archive / STAGING) as work:
                replace_file(copy, data, work)
    except (OSError, shutil.Error) as error:
        raise machine_error("could not copy", source, error) from error
