"""Every file's size and SHA-512 in one pass over a package, on a few threads; the same pass may copy.

Knows how to read a file in blocks from a folder or from inside a ZIP, in bounded memory. Refuses to know what a digest
should be. What cannot be read is a finding about the package; a copy that cannot be written is an error of this
machine.
"""

from __future__ import annotations

import hashlib
import os
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Self

from beadroll.errors import InputError
from beadroll.findings import Finding, finding
from beadroll.package.layout import FileEntry, Form
from beadroll.package.read import Member, PackageReader
from beadroll.package.sinks import BLOCK
from beadroll.package.staging import machine_error, sync_folder
from beadroll.package.workers import over_each

Progress = Callable[[int, int], None]
"""Takes bytes done and bytes in all; called from several threads, one at a time."""

_REPORT_EVERY = 8 << 20
"""Bytes between two calls of a progress function."""
_WRITE_NEW = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW


class Digests:
    """Hashes every file of a package on a few threads, straight from the folder or the ZIP, and may copy as it goes."""

    def __init__(
        self,
        reader: PackageReader,
        texts: Mapping[str, bytes],
        *,
        copy_to: Path | None,
        progress: Progress | None,
    ) -> None:
        self.findings: list[Finding] = []
        self._reader = reader
        self._texts = texts
        self._copy_to = copy_to
        self._progress = progress
        self._total = sum(member.size for member in reader.members.values())
        self._done = 0
        self._lock = threading.Lock()
        self._scratch = threading.local()

    def run(self, threads: int) -> dict[str, FileEntry]:
        """Return path -> size and digest of every file that could be read to its end."""
        members = sorted(self._reader.members.values(), key=lambda each: (each.offset, each.path))
        if self._copy_to is not None:
            self._make_folders(self._copy_to, members)
        entries: dict[str, FileEntry] = {}

        def one(member: Member) -> None:
            entry = self._one(member)
            if entry is not None:
                entries[member.path] = entry

        over_each(members, one, threads=threads)
        if self._copy_to is not None:
            self._sync_folders(self._copy_to)
        return entries

    @staticmethod
    def _make_folders(root: Path, members: Iterable[Member]) -> None:
        try:
            root.mkdir(exist_ok=True)
            if any(root.iterdir()):
                raise InputError("the folder for the copy is not empty", path=str(root), remedy="Name a new folder.")
            for folder in sorted({(root / member.path).parent for member in members}):
                folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise machine_error("could not make the copy's folders", root, error) from error

    @staticmethod
    def _sync_folders(root: Path) -> None:
        try:
            for folder, _, _ in os.walk(root, topdown=False):
                sync_folder(Path(folder))
        except OSError as error:
            raise machine_error("could not make the copy durable", root, error) from error

    def _one(self, member: Member) -> FileEntry | None:
        """Hash one file; a file that cannot be read to its end is a finding, a copy that fails is an error."""
        digest = hashlib.sha512()
        done = 0
        try:
            with _Copy(self._copy_to, member.path) as copy:
                for block in self._blocks(member):
                    digest.update(block)
                    copy.write(block)
                    done += block.nbytes
        except OSError as error:
            self._note(finding("PKG-UNREADABLE", member.path, reason=error.strerror or str(error)))
            return None
        if done != member.size:
            self._note(finding("PKG-FILE-UNSTEADY", member.path))
            return None
        return FileEntry(path=member.path, size=done, sha512=digest.hexdigest())

    def _blocks(self, member: Member) -> Iterator[memoryview]:
        text = self._texts.get(member.path)
        if text is not None:
            self._report(len(text))
            yield memoryview(text)
            return
        if not hasattr(self._scratch, "block"):
            self._scratch.block = memoryview(bytearray(BLOCK))
        block: memoryview = self._scratch.block
        unreported = 0
        with self._reader.region(member.path) as (fd, offset, size):
            at, end = offset, offset + size
            while at < end:
                count = os.preadv(fd, [block[: min(BLOCK, end - at)]], at)
                if not count:
                    break
                at += count
                unreported += count
                if unreported >= _REPORT_EVERY:
                    self._report(unreported)
                    unreported = 0
                yield block[:count]
            if self._reader.form is Form.FOLDER and os.pread(fd, 1, end):
                self._note(finding("PKG-FILE-UNSTEADY", member.path))
        self._report(unreported)

    def _note(self, found: Finding) -> None:
        with self._lock:
            self.findings.append(found)

    def _report(self, count: int) -> None:
        if self._progress is None or not count:
            return
        with self._lock:
            self._done += count
            self._progress(self._done, self._total)


class _Copy:
    """One file of the copy, or nothing at all. Its own faults are ``MachineError``, so they never blame the package."""

    def __init__(self, root: Path | None, path: str) -> None:
        self._path = None if root is None else root / path
        self._fd = -1

    def __enter__(self) -> Self:
        if self._path is not None:
            try:
                self._fd = os.open(self._path, _WRITE_NEW, 0o644)
            except OSError as error:
                raise machine_error("could not write the copy", self._path, error) from error
        return self

    def write(self, block: memoryview) -> None:
        """Write one block at the end."""
        if self._path is None:
            return
        try:
            done = 0
            while done < block.nbytes:
                done += os.write(self._fd, block[done:])
        except OSError as error:
            raise machine_error("could not write the copy", self._path, error) from error

    def __exit__(self, kind: object, error: object, trace: object) -> None:
        if self._path is None:
            return
        try:
            if kind is None:
                os.fsync(self._fd)
        except OSError as fault:
            raise machine_error("could not make the copy durable", self._path, fault) from fault
        finally:
            os.close(self._fd)
