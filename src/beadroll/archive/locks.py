"""Who may work where: the system's own locks (``flock``), which a killed process gives up without anybody's help.

Knows lock files and locked folders. Refuses to know what they protect. Lock files are never removed, so that two
processes can never hold the same name under two files.
"""

from __future__ import annotations

import fcntl
import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from beadroll.package.staging import machine_error, still_named, try_lock

_LOCK_FILE = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW
_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC


@contextmanager
def held(path: Path) -> Iterator[None]:
    """Hold a lock file, waiting while another holds it. Raises ``MachineError`` when the system refuses."""
    try:
        fd = os.open(path, _LOCK_FILE, 0o644)
    except OSError as error:
        raise machine_error("could not lock", path, error) from error
    try:
        _wait(fd, path)
        yield
    finally:
        os.close(fd)


def _wait(fd: int, path: Path) -> None:
    try:
        fcntl.flock(fd, fcntl.LOCK_EX)
    except OSError as error:
        raise machine_error("could not lock", path, error) from error


@contextmanager
def working_folder(parent: Path) -> Iterator[Path]:
    """Give a new folder of one's own under ``parent``, and remove it and all left in it at the end.

    The folder is locked while in use, so that ``clear_left`` can tell it from what a killed process left. Raises
    ``MachineError`` when the system refuses.
    """
    try:
        fd, path = _make(parent)
    except OSError as error:
        raise machine_error("could not make a working folder", parent, error) from error
    try:
        yield path
    finally:
        shutil.rmtree(path, ignore_errors=True)
        os.close(fd)


def _make(parent: Path) -> tuple[int, Path]:
    while True:
        path = parent / secrets.token_hex(8)
        path.mkdir()
        try:
            fd = os.open(path, _FOLDER)
        except FileNotFoundError:
            continue  # another process cleared it between our making and opening it
        if try_lock(fd) and still_named(fd, path):
            return fd, path
        os.close(fd)


def clear_left(parent: Path) -> None:
    """Remove the working folders of processes that ended without doing so. Raises ``MachineError``."""
    try:
        for path in list(parent.iterdir()):
            _clear(path)
    except OSError as error:
        raise machine_error("could not clear a working folder left behind", parent, error) from error


def _clear(path: Path) -> None:
    try:
        fd = os.open(path, _FOLDER)
    except (FileNotFoundError, NotADirectoryError):
        return
    try:
        if try_lock(fd) and still_named(fd, path):
            shutil.rmtree(path, ignore_errors=True)
    finally:
        os.close(fd)
