"""The two forms a package is written in, behind one narrow interface.

Knows how a file gets its place in a folder or in a ZIP, and what ends the form. Refuses to know digests, lists and
names: whoever writes has settled those. In a ZIP a size is known before its bytes come, so that threads can write side
by side; each header is written when its checksum is known.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from beadroll.package import zip64
from beadroll.package.staging import Staging, sync_folder
from beadroll.package.workers import over_each

Buffer = bytes | bytearray | memoryview

BLOCK = 1 << 19
"""Bytes handled at a time: small enough to stay in a core's cache between hashing, checksum and write."""


@dataclass(slots=True, kw_only=True)
class Slot:
    """A place to write one file to: descriptor and offset, and the checksum made on the way."""

    path: str
    size: int
    fd: int
    offset: int
    crc: int = 0


class Sink(Protocol):
    """What the writer needs of a form."""

    wants_crc: bool

    def reserve(self, path: str, size: int) -> Slot:
        """Give a place for a file; called under the writer's lock."""

    def complete(self, slot: Slot) -> None:
        """Say that all of a file was written."""

    def release(self, slot: Slot) -> None:
        """End a file, whole or not."""

    def read(self, path: str, size: int) -> bytes:
        """Return a file that was completed."""

    def sync(self) -> None:
        """Write what ends the form, and make everything durable."""


class FolderSink:
    """Writes each file into its place below the staging folder."""

    wants_crc = False

    def __init__(self, staging: Staging) -> None:
        self._root = staging.path
        self._made: set[str] = set()

    def reserve(self, path: str, size: int) -> Slot:
        """Make the file, which must not be there yet."""
        target = self._root / path
        folder = path.rpartition("/")[0]
        if folder not in self._made:
            target.parent.mkdir(parents=True, exist_ok=True)
            self._made.add(folder)
        fd = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, 0o644)
        return Slot(path=path, size=size, fd=fd, offset=0)

    def complete(self, slot: Slot) -> None:
        """Need nothing: a file in a folder is what was written."""

    def release(self, slot: Slot) -> None:
        """Close the file."""
        os.close(slot.fd)

    def read(self, path: str, size: int) -> bytes:
        """Read the file from its place."""
        with (self._root / path).open("rb") as file:
            return file.read(size)

    def sync(self) -> None:
        """Flush after the last byte: one late flush a file costs far less than one between files."""
        files = (Path(folder, name) for folder, _, names in os.walk(self._root) for name in names)
        over_each(files, _sync_file, threads=2)
        for folder, _, _ in os.walk(self._root, topdown=False):
            sync_folder(Path(folder))


def _sync_file(path: Path) -> None:
    fd = os.open(path, os.O_RDONLY | os.O_NOFOLLOW)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


class ZipSink:
    """Writes each file into its own stretch of one stored ZIP64, behind ``records`` that end at ``end``."""

    wants_crc = True

    def __init__(self, staging: Staging, top: str, records: Sequence[zip64.Record] = (), end: int = 0) -> None:
        self._fd = staging.fd
        self._top = top
        self._records = list(records)
        self._offsets: dict[str, int] = {}
        self._end = end

    def reserve(self, path: str, size: int) -> Slot:
        """Set a stretch of the ZIP aside, with room for the header in front."""
        name = f"{self._top}/{path}"
        offset = self._end + zip64.header_size(name)
        self._end = offset + size
        return Slot(path=path, size=size, fd=self._fd, offset=offset)

    def complete(self, slot: Slot) -> None:
        """Write the header, now that the checksum is known."""
        name = f"{self._top}/{slot.path}"
        start = slot.offset - zip64.header_size(name)
        record = zip64.Record(name=name, size=slot.size, crc=slot.crc, offset=start)
        write_all(self._fd, zip64.local_header(record), start)
        self._records.append(record)  # one call, atomic under the interpreter's lock
        self._offsets[slot.path] = slot.offset

    def release(self, slot: Slot) -> None:
        """Need nothing: all entries share one descriptor, which the staging owns."""

    def read(self, path: str, size: int) -> bytes:
        """Read the entry's stretch of the ZIP."""
        return os.pread(self._fd, size, self._offsets[path])

    def sync(self) -> None:
        """Write the list of entries behind them all, and flush."""
        write_all(self._fd, zip64.central_directory(self._records), self._end)
        os.fsync(self._fd)


def write_all(fd: int, data: Buffer, at: int) -> int:
    """Write all of a block at an offset; the system may take it in parts."""
    view, done = memoryview(data), 0
    while done < view.nbytes:
        done += os.pwrite(fd, view[done:], at + done)
    return done


def copy_range(source: int, target: int, count: int) -> None:
    """Copy the first ``count`` bytes inside the system where it can, so that a large ZIP need not pass through us."""
    done = 0
    while done < count:
        try:
            moved = os.copy_file_range(source, target, count - done, done, done)
        except OSError as error:
            if error.errno not in {errno.EXDEV, errno.EINVAL, errno.ENOSYS, errno.EOPNOTSUPP}:
                raise
            moved = os.pwrite(target, os.pread(source, min(BLOCK, count - done), done), done)
        if not moved:
            raise OSError(errno.EIO, "the file became shorter while it was being copied")
        done += moved
