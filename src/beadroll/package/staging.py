"""A thing is built under a hidden name beside its destination, and takes its place by one rename.

Knows the hidden name, the lock that tells a live build from what a killed one left, and the rename. Refuses to know
what is being built. The lock is the system's own on the staged file or folder itself (``flock``), which a killed
process gives up without anybody's help.
"""

from __future__ import annotations

import fcntl
import os
import shutil
from pathlib import Path

from beadroll.errors import InputError, MachineError

_ATTEMPTS = 20


def staging_path(destination: Path) -> Path:
    """Return the hidden name under which a destination is built."""
    return destination.with_name(f".{destination.name}.building")


def _replaced_path(destination: Path) -> Path:
    return destination.with_name(f".{destination.name}.replaced")


class Staging:
    """One locked staging file or folder. ``path`` is its hidden name, ``fd`` an open descriptor that holds the lock."""

    def __init__(self, destination: Path, *, folder: bool, replace: bool) -> None:
        """Clear what a killed build left, then make and lock the staging.

        Raises ``InputError`` when the destination exists and ``replace`` is not said, or its folder is missing;
        ``MachineError`` when another build of the same destination is at work or the system refuses.
        """
        self.destination = destination
        self.path = staging_path(destination)
        self._folder = folder
        self._replace = replace
        if not destination.parent.is_dir():
            raise InputError(
                "the folder it is to be written in does not exist",
                path=str(destination),
                remedy=f"Make the folder {destination.parent} first.",
            )
        try:
            _recover(destination)
            self._refuse_existing()
            self.fd = self._begin()
        except OSError as error:
            raise machine_error("could not begin to write", destination, error) from error

    def _refuse_existing(self) -> None:
        if not self._replace and os.path.lexists(self.destination):
            raise InputError(
                "something of that name is there already",
                path=str(self.destination),
                remedy="Choose another name, move the old one away, or say that it may be replaced.",
            )

    def _begin(self) -> int:
        for _ in range(_ATTEMPTS):
            try:
                fd = self._make()
            except FileExistsError:
                self._clear_stale()
                continue
            if try_lock(fd) and still_named(fd, self.path):
                return fd
            os.close(fd)  # another process took it for stale between our making and locking it; make it again
        raise MachineError(
            f"{self.destination}: several builds of it are starting at once", remedy="Run one of them at a time."
        )

    def _make(self) -> int:
        if self._folder:
            self.path.mkdir()
            return os.open(self.path, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
        return os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, 0o644)

    def _clear_stale(self) -> None:
        try:
            fd = os.open(self.path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
        except FileNotFoundError:
            return
        try:
            if not try_lock(fd):
                raise MachineError(
                    f"{self.destination}: another build of it is at work",
                    remedy="Wait for the other build to end, or stop it.",
                )
            if still_named(fd, self.path):
                _remove(self.path)
        finally:
            os.close(fd)

    def publish(self) -> None:
        """Give the staged thing its own name, make that durable, and give the lock up.

        Raises ``InputError`` when something took the name meanwhile; ``OSError`` is the caller's to wrap.
        """
        self._refuse_existing()
        if self._folder and os.path.lexists(self.destination):
            aside = _replaced_path(self.destination)
            self.destination.rename(aside)
            self.path.rename(self.destination)
            _remove(aside)
        else:
            self.path.replace(self.destination)
        sync_folder(self.destination.parent)
        os.close(self.fd)

    def discard(self) -> None:
        """Remove the staging, and give the lock up."""
        _remove(self.path)
        os.close(self.fd)


def try_lock(fd: int) -> bool:
    """Take the system's exclusive lock on an open file or folder; False where somebody else holds it."""
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def still_named(fd: int, path: Path) -> bool:
    """Return whether what is open still stands at ``path``: another may have removed or replaced it meanwhile."""
    try:
        there = path.lstat()
    except FileNotFoundError:
        return False
    return os.path.samestat(os.fstat(fd), there)


def _recover(destination: Path) -> None:
    """Undo or finish a replacement that was killed between its two renames."""
    aside = _replaced_path(destination)
    if not os.path.lexists(aside):
        return
    if os.path.lexists(destination):
        _remove(aside)
    else:
        aside.rename(destination)


def _remove(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)


def sync_folder(folder: Path) -> None:
    """Make the names in a folder durable."""
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def machine_error(what: str, path: Path, error: OSError) -> MachineError:
    """Put a refusal of the system into words."""
    return MachineError(
        f"{path}: {what}: {error.strerror or error}",
        remedy="Check that the disk has room, is connected, and may be written by you; then run it again.",
    )
