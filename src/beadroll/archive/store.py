"""The store: OCFL objects on a disk, one a handover, that a kill at any moment leaves whole.

Knows how an object and a new version of it come into being: built outside the store on the same file system, made
durable, put in place by one rename, then the object's inventory and last its sidecar. Whatever a killed process left
is finished or thrown away by the next one that takes the lock. Refuses to know what the files mean. Content once in
place is never written again.
"""

from __future__ import annotations

import errno
import hashlib
import os
import secrets
from collections.abc import Iterable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from urllib.parse import unquote

from beadroll.archive import locks, ocfl
from beadroll.archive.ocfl import CONTENT, INVENTORY, SIDECAR, Inventory, Version
from beadroll.errors import ArchiveError
from beadroll.package.layout import FileEntry
from beadroll.package.staging import machine_error, sync_folder

STORE = "store"
STAGING = "staging"
LOCKS = "locks"
ASIDE = "audit/aside"
"""Where a version that contradicts itself is put; nothing is deleted that may still be wanted."""

_REMEDY = "Run an audit; it says what is damaged and mends it from a second copy where there is one."


@dataclass(frozen=True, slots=True, kw_only=True)
class Addition:
    """What a new version adds: the staged files, what the version holds, and who made it, when and why.

    ``files`` lie staged under their logical paths; ``state`` maps every logical path of the new version to its
    SHA-512, of which those not among ``files`` are held already.
    """

    files: tuple[FileEntry, ...]
    state: Mapping[str, str]
    created: datetime
    message: str
    user: str
    address: str = ""


class Changed(ArchiveError):  # noqa: N818 - a state of the object, which the caller answers by looking again
    """The object is not any more what an addition was made for."""


class Stage:
    """A working folder for one addition. Files are written below ``content`` under their logical paths."""

    def __init__(self, folder: Path) -> None:
        """Take the working folder; ``Store.stage`` makes it."""
        self.folder = folder
        self.content = folder / CONTENT

    def add(self, logical: str, data: bytes) -> FileEntry:
        """Write one small file durably and return its entry. Raises ``MachineError``."""
        path = self.content / logical
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            write_synced(path, data)
        except OSError as error:
            raise machine_error("could not write", path, error) from error
        return FileEntry(path=logical, size=len(data), sha512=hashlib.sha512(data).hexdigest())


class Store:
    """The OCFL store of an archive folder."""

    def __init__(self, archive: Path) -> None:
        """Open the store of an archive. Raises ``ArchiveError`` where there is none."""
        self.archive = archive
        self.root = archive / STORE
        if not (self.root / ocfl.ROOT_DECLARATION[0]).is_file():
            raise ArchiveError(
                f"{archive} holds no store of handovers",
                remedy="Name the archive's folder, or make a new archive first.",
            )

    @classmethod
    def create(cls, archive: Path) -> Store:
        """Make an empty store in an archive folder; one that is there already is left as it is.

        Raises ``MachineError``. The root's declaration is written last, so a half-made store is no store.
        """
        try:
            for name in (STORE, STAGING, LOCKS, ASIDE):
                (archive / name).mkdir(parents=True, exist_ok=True)
            for path, data in ocfl.root_files().items():
                file = archive / STORE / path
                if not file.exists():
                    file.parent.mkdir(parents=True, exist_ok=True)
                    with locks.working_folder(archive / STAGING) as work:
                        replace_file(file, data, work)
            sync_folder(archive)
        except OSError as error:
            raise machine_error("could not make the store", archive, error) from error
        return cls(archive)

    # ------------------------------------------------------------------------------------------------- reading

    def folder(self, identifier: str) -> Path:
        """Return where an object lies, whether or not it is there."""
        return self.root / ocfl.object_path(identifier)

    def inventory(self, identifier: str) -> Inventory | None:
        """Return an object's inventory, None where the store has no such object. Waits for nobody.

        Raises ``ArchiveError`` when no inventory of the object can be relied on.
        """
        folder = self.folder(identifier)
        if not folder.is_dir():
            return None
        found = _fitting(folder) or _newest_sound(folder)
        if found is None:
            raise ArchiveError(f"{identifier}: the inventory in {folder} is damaged", remedy=_REMEDY)
        if found.id != identifier:
            raise ArchiveError(f"{folder} holds {found.id} where {identifier} should be", remedy=_REMEDY)
        return found

    def ids(self) -> Iterator[str]:
        """Give the ids of all objects, in the order of their folders."""
        for folder in self._folders(self.root, 3):
            longest = 100
            if len(folder.name) <= longest:
                yield unquote(folder.name)
            else:
                found = _fitting(folder) or _newest_sound(folder)
                if found is not None:
                    yield found.id

    def _folders(self, at: Path, depth: int) -> Iterator[Path]:
        for entry in sorted(os.scandir(at), key=lambda each: each.name):
            if not entry.is_dir(follow_symlinks=False) or entry.name == "extensions":
                continue
            if depth == 0:
                yield Path(entry.path)
            else:
                yield from self._folders(Path(entry.path), depth - 1)

    def path(self, inventory: Inventory, logical: str, version: int | None = None) -> Path:
        """Return where a file's bytes lie on disk; raises ``KeyError`` for a path the version lacks."""
        return self.folder(inventory.id) / inventory.content_path(logical, version)

    # ------------------------------------------------------------------------------------------------- writing

    @contextmanager
    def stage(self) -> Iterator[Stage]:
        """Give a working folder for one addition; what is left in it is removed at the end."""
        locks.clear_left(self.archive / STAGING)
        with locks.working_folder(self.archive / STAGING) as folder:
            try:
                (folder / CONTENT).mkdir()
            except OSError as error:
                raise machine_error("could not make a working folder", folder, error) from error
            yield Stage(folder)

    def locked(self, identifier: str) -> AbstractContextManager[None]:
        """Hold the lock under which an object may be changed."""
        bucket = hashlib.sha256(identifier.encode("utf-8")).hexdigest()[:2]
        return locks.held(self.archive / LOCKS / f"{bucket}.lock")

    def commit(self, stage: Stage, identifier: str, base: Inventory | None, addition: Addition) -> Inventory:
        """Put a staged addition in place as the next version of an object, wholly or not at all.

        ``base`` is the inventory the addition was made for, None for a new object. Raises ``Changed`` when the object
        is another by now, the staged files being untouched, ``MachineError`` when the system refuses.
        """
        with self.locked(identifier):
            current = self._recovered(identifier)
            if current != base:
                raise Changed(
                    f"{identifier}: another receiver has changed it meanwhile",
                    remedy="Run it again; it goes on from what the other left.",
                )
            inventory = (current or ocfl.empty(identifier)).extended(
                Version(
                    created=addition.created.replace(microsecond=0),
                    message=addition.message,
                    user=addition.user,
                    address=addition.address,
                    state=addition.state,
                ),
                self._kept(stage, current, addition.files),
            )
            self._placed(stage, inventory)
            return inventory

    def adopt(self, stage: Stage, inventory: Inventory, base: Inventory | None) -> None:
        """Put the newest version of another store's inventory in place; its files are staged and verified.

        ``base`` is this store's inventory of the object, to which the other only adds one version. Raises ``Changed``
        when the object is another by now, ``MachineError`` when the system refuses.
        """
        with self.locked(inventory.id):
            if self._recovered(inventory.id) != base:
                raise Changed(f"{inventory.id}: another has changed it meanwhile", remedy="Run it again.")
            self._placed(stage, inventory)

    def _placed(self, stage: Stage, inventory: Inventory) -> None:
        try:
            self._place(stage, inventory)
        except OSError as error:
            raise machine_error("could not put the version in place", self.folder(inventory.id), error) from error

    @staticmethod
    def _kept(stage: Stage, current: Inventory | None, files: Iterable[FileEntry]) -> dict[str, str]:
        """Drop staged files whose bytes the object holds already; return what stays, path -> digest."""
        held = current.manifest if current else {}
        kept: dict[str, str] = {}
        for entry in files:
            if entry.sha512 in held:
                (stage.content / entry.path).unlink()
            else:
                kept[entry.path] = entry.sha512
        for name, _, _ in os.walk(stage.content, topdown=False):
            folder = Path(name)
            if folder != stage.content and not any(folder.iterdir()):
                folder.rmdir()
        return kept

    def _place(self, stage: Stage, inventory: Inventory) -> None:
        folder = self.folder(inventory.id)
        version = f"v{inventory.head}"
        data = inventory.to_bytes()
        built = stage.folder / "object"
        (built / version).mkdir(parents=True)
        if any(stage.content.iterdir()):
            stage.content.rename(built / version / CONTENT)
        write_synced(built / version / INVENTORY, data)
        write_synced(built / version / SIDECAR, ocfl.sidecar(data))
        for each, _, _ in os.walk(built / version, topdown=False):
            sync_folder(Path(each))
        if inventory.head == 1:
            write_synced(built / INVENTORY, data)
            write_synced(built / SIDECAR, ocfl.sidecar(data))
            write_synced(built / ocfl.OBJECT_DECLARATION[0], ocfl.OBJECT_DECLARATION[1])
            sync_folder(built)
            self._place_object(stage, built, folder)
            return
        (built / version).rename(folder / version)
        sync_folder(folder)
        _write_head(folder, data, stage.folder)

    @staticmethod
    def _place_object(stage: Stage, built: Path, folder: Path) -> None:
        """Put a new object in place together with the folders above it that are missing, by one rename.

        A storage root may have no empty folders in it (OCFL 1.1 section 4.2), so they cannot be made beforehand.
        """
        while True:
            top = folder
            while not top.parent.is_dir():
                top = top.parent
            moved = stage.folder / secrets.token_hex(8)
            inside = moved / folder.relative_to(top)
            inside.parent.mkdir(parents=True, exist_ok=True)
            built.rename(inside)
            for above in inside.parents[: len(folder.relative_to(top).parts)]:
                sync_folder(above)
            try:
                moved.rename(top)
            except OSError as error:
                if error.errno not in (errno.ENOTEMPTY, errno.EEXIST) or top == folder:
                    raise
                inside.rename(built)  # another receiver made that folder meanwhile; try one deeper
                continue
            sync_folder(top.parent)
            return

    def recover(self, identifier: str) -> Inventory | None:
        """Finish or throw away what a killed process left of an object's newest version; return its inventory.

        Raises ``ArchiveError`` when no inventory can be relied on, ``MachineError`` when the system refuses.
        """
        with self.locked(identifier):
            return self._recovered(identifier)

    def _recovered(self, identifier: str) -> Inventory | None:
        folder = self.folder(identifier)
        if not folder.is_dir():
            return None
        current = self.inventory(identifier)
        assert current is not None
        try:
            fits = _fitting(folder) is not None
            newest = _newest_sound(folder)
            if newest is not None and newest.id == identifier and _continues(newest, current):
                current = newest
            self._set_aside(folder, current.head, sure=fits)
            if _fitting(folder) != current:
                with locks.working_folder(self.archive / STAGING) as work:
                    _write_head(folder, current.to_bytes(), work)
        except OSError as error:
            raise machine_error("could not finish what another left", folder, error) from error
        return current

    def _set_aside(self, folder: Path, head: int, *, sure: bool) -> None:
        """Move away what a power cut left of a version; refuse where the head itself is not sure."""
        for left in list(folder.iterdir()):
            if ocfl.version_number(left.name) > head:
                if not sure:
                    raise ArchiveError(f"{folder}: the inventories of its newest version are damaged", remedy=_REMEDY)
                aside = self.archive / ASIDE / f"{folder.name}-{left.name}-{secrets.token_hex(4)}"
                left.rename(aside)
                sync_folder(folder)


# ------------------------------------------------------------------------------------------------------- internals


def write_synced(path: Path, data: bytes) -> None:
    """Write a new file and bring it to the disk. Raises ``OSError``."""
    with path.open("xb") as out:
        out.write(data)
        out.flush()
        os.fsync(out.fileno())


def replace_file(path: Path, data: bytes, work: Path) -> None:
    """Put a file in place of an older one, or of none, by one rename out of a working folder. Raises ``OSError``."""
    beside = work / secrets.token_hex(8)
    write_synced(beside, data)
    beside.replace(path)
    sync_folder(path.parent)


def _write_head(folder: Path, data: bytes, work: Path) -> None:
    replace_file(folder / INVENTORY, data, work)
    replace_file(folder / SIDECAR, ocfl.sidecar(data), work)


def _pair(folder: Path) -> tuple[bytes, bytes] | None:
    try:
        return (folder / INVENTORY).read_bytes(), (folder / SIDECAR).read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise machine_error("cannot be read", folder, error) from error


def _fitting(folder: Path) -> Inventory | None:
    """Return a folder's inventory where its sidecar fits it."""
    pair = _pair(folder)
    if pair is None or not ocfl.sidecar_fits(*pair):
        return None
    return Inventory.from_bytes(pair[0], name=str(folder / INVENTORY))


def _newest_sound(folder: Path) -> Inventory | None:
    """Return the newest version's inventory that fits its sidecar and says that it is that version's."""
    numbers = sorted((ocfl.version_number(each.name) for each in folder.iterdir()), reverse=True)
    for number in numbers:
        if number:
            found = _fitting(folder / f"v{number}")
            if found is not None and found.head == number:
                return found
    return None


def _continues(newer: Inventory, older: Inventory) -> bool:
    """Say whether an inventory only adds to another: what was once held stays as it was."""
    return newer.versions[: older.head] == older.versions and all(
        set(paths) <= set(newer.manifest.get(digest, ())) for digest, paths in older.manifest.items()
    )
