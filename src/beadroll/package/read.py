"""Reading a package, as a folder or inside its ZIP, as if a stranger had made it.

Knows which containers are sound: names, kinds of files, ZIP records that agree with each other. Whatever is not, is a
finding; a file with a refused name is never opened. Refuses to know digests and content. Folders are entered and files
opened name by name without following links, so that nothing outside the package is ever read.

A ZIP must be exactly in the form the writer makes: a package that a person packed again by other means is to be
unpacked and read as a folder.
"""

from __future__ import annotations

import io
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Self

from beadroll.errors import InputError
from beadroll.findings import Finding, finding
from beadroll.package import layout, zip64
from beadroll.package.layout import Form

if TYPE_CHECKING:
    from _typeshed import WriteableBuffer

_OPEN_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW
_LONGEST_ENTRY = 512
"""More bytes than one entry of the central directory can have with a name that is allowed."""
_OPEN_FILE = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """One file of the package: path below its top, size in bytes, and where its bytes begin in the ZIP (else 0)."""

    path: str
    size: int
    offset: int = 0


class PackageReader:
    """An open package. ``findings`` lists what is wrong with the container; ``members`` has the files fit to open."""

    def __init__(self, fd: int, *, form: Form, name: str) -> None:
        """Take an open descriptor of the folder or the ZIP; use ``open`` instead."""
        self.fd = fd
        self.form = form
        self.name = name
        self.records: list[zip64.Record] = []
        self.records_end = 0
        self.members: dict[str, Member] = {}
        self.findings: tuple[Finding, ...] = ()

    @classmethod
    def open(cls, package: Path) -> PackageReader:
        """Open a package and list it.

        Raises ``InputError`` when there is nothing of that name, or it can neither be entered nor read.
        """
        try:
            fd = os.open(package, os.O_RDONLY | os.O_NONBLOCK)
        except OSError as error:
            raise _no_package(package, error.strerror or str(error)) from error
        try:
            reader = cls._of(fd, package)
        except OSError as error:
            os.close(fd)
            raise _no_package(package, error.strerror or str(error)) from error
        except BaseException:
            os.close(fd)
            raise
        return reader

    @classmethod
    def _of(cls, fd: int, package: Path) -> PackageReader:
        mode = os.fstat(fd).st_mode
        if stat.S_ISDIR(mode):
            reader = cls(fd, form=Form.FOLDER, name=package.resolve().name)
            reader._list_folder()
        elif stat.S_ISREG(mode):
            reader = cls(fd, form=Form.ZIP, name=package.stem)
            reader._list_zip()
        else:
            raise _no_package(package, "it is neither a folder nor a file")
        return reader

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the package; files opened from it end with it."""
        os.close(self.fd)

    def names(self) -> tuple[str, ...]:
        """Return the paths of all files fit to open, sorted."""
        return tuple(sorted(self.members))

    @contextmanager
    def region(self, path: str) -> Iterator[tuple[int, int, int]]:
        """Give a descriptor, an offset and a size under which a file's bytes can be read.

        Raises ``KeyError`` for a path the package does not have, ``OSError`` when the system refuses.
        """
        member = self.members[path]
        if self.form is Form.ZIP:
            yield self.fd, member.offset, member.size
            return
        fd = self._open_beneath(path)
        try:
            yield fd, 0, member.size
        finally:
            os.close(fd)

    def open_file(self, path: str) -> io.BufferedReader:
        """Open one file for reading, as a binary stream with seek. The package must stay open meanwhile."""
        member = self.members[path]
        fd = os.dup(self.fd) if self.form is Form.ZIP else self._open_beneath(path)
        return io.BufferedReader(_Window(fd, member.offset, member.size))

    def read(self, path: str, limit: int) -> bytes:
        """Return a whole small file.

        Raises ``InputError`` when it is larger than ``limit`` bytes or cannot be read, ``KeyError`` when it is missing.
        """
        member = self.members[path]
        if member.size > limit:
            raise InputError(
                f"{path} is {member.size} bytes long, more than the {limit} allowed here",
                path=self.name,
                remedy="Ask the sender for a new package.",
            )
        try:
            with self.open_file(path) as stream:
                return stream.read(member.size)
        except OSError as error:
            raise InputError(
                f"{path} cannot be read: {error.strerror or error}",
                path=self.name,
                remedy="Check the disk it lies on, or use another copy.",
            ) from error

    def _open_beneath(self, path: str) -> int:
        """Open a file name by name, following no link, and only if it still is a plain file."""
        *folders, name = path.split("/")
        at, opened = self.fd, []
        try:
            for folder in folders:
                at = os.open(folder, _OPEN_FOLDER, dir_fd=at)
                opened.append(at)
            fd = os.open(name, _OPEN_FILE, dir_fd=at)
        finally:
            for each in opened:
                os.close(each)
        if not stat.S_ISREG(os.fstat(fd).st_mode):
            os.close(fd)
            raise OSError(0, "it is no plain file any more")
        return fd

    def _list_folder(self) -> None:
        walk = _FolderWalk()
        walk.enter(self.fd, "")
        self.members = walk.members
        self.findings = tuple(walk.found) + _clash_findings(self.members)

    def _list_zip(self) -> None:
        try:
            self.records, directory = _central_records(self.fd)
        except zip64.ZipFault as fault:
            self.findings = (finding("PKG-ZIP-FORM", self.name, reason=str(fault)),)
            return
        found = list(_layout_findings(self.fd, self.records, directory))
        self.records_end = directory.start
        tops = {record.name.partition("/")[0] for record in self.records}
        top = min(tops, default="")
        if len(tops) != 1 or layout.path_fault(top):
            found.append(finding("PKG-ZIP-TOP", layout.shown(self.name), count=len(tops)))
        else:
            self.name = top
        seen: set[str] = set()
        for record in self.records:
            path = record.name.partition("/")[2]
            reason = layout.path_fault(path)
            if reason:
                found.append(finding("PKG-PATH-REFUSED", layout.shown(record.name), reason=reason))
            elif record.name in seen:
                found.append(finding("PKG-ZIP-TWICE", path))
            else:
                start = record.offset + zip64.header_size(record.name)
                self.members[path] = Member(path=path, size=record.size, offset=start)
            seen.add(record.name)
        found.extend(_clash_findings(self.members))
        self.findings = tuple(found)
        if found:  # records that do not agree could make one file's bytes pass for another's
            self.members = {}


class _FolderWalk:
    """Lists a folder without following anything; bounded in depth and number."""

    def __init__(self) -> None:
        self.members: dict[str, Member] = {}
        self.found: list[Finding] = []
        self._seen = 0
        self._said = False

    def enter(self, fd: int, prefix: str) -> None:
        """List one folder and everything in it."""
        empty = True
        with os.scandir(fd) as entries:
            for entry in entries:
                empty = False
                self._seen += 1
                if self._full():
                    return
                self._take(fd, prefix, entry)
        if empty and prefix != f"{layout.SEALS}/":  # a killed later signature may leave the seals' folder empty
            self.found.append(finding("PKG-FOLDER-EMPTY", prefix or "."))

    def _full(self) -> bool:
        """Say whether there is more than a package may have; the first time, make a finding of it."""
        full = self._seen > layout.MAX_NAMES or len(self.members) > layout.MAX_FILES
        if full and not self._said:
            self._said = True
            self.found.append(finding("PKG-TOO-MANY", ".", limit=layout.MAX_FILES))
        return full

    def _take(self, fd: int, prefix: str, entry: os.DirEntry[str]) -> None:
        path = f"{prefix}{entry.name}"
        reason = layout.path_fault(path)
        try:
            status = entry.stat(follow_symlinks=False)
            if stat.S_ISLNK(status.st_mode):
                self.found.append(finding("PKG-LINK", layout.shown(path)))
            elif reason:
                self.found.append(finding("PKG-PATH-REFUSED", layout.shown(path), reason=reason))
            elif stat.S_ISDIR(status.st_mode):
                self._go_down(fd, path, entry.name)
            elif stat.S_ISREG(status.st_mode):
                # A hard link is taken as the file it is: its bytes are read, and a copy never keeps the link.
                self.members[path] = Member(path=path, size=status.st_size)
            else:
                self.found.append(finding("PKG-SPECIAL", layout.shown(path)))
        except OSError as error:
            self.found.append(finding("PKG-UNREADABLE", layout.shown(path), reason=error.strerror or str(error)))

    def _go_down(self, fd: int, path: str, name: str) -> None:
        below = os.open(name, _OPEN_FOLDER, dir_fd=fd)
        try:
            self.enter(below, f"{path}/")
        finally:
            os.close(below)


class _Window(io.RawIOBase):
    """A part of an open file, read as a file of its own."""

    def __init__(self, fd: int, offset: int, size: int) -> None:
        self._fd = fd
        self._offset = offset
        self._size = size
        self._at = 0

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        base = {os.SEEK_SET: 0, os.SEEK_CUR: self._at, os.SEEK_END: self._size}[whence]
        self._at = max(0, base + offset)
        return self._at

    def tell(self) -> int:
        return self._at

    def readinto(self, buffer: WriteableBuffer) -> int:
        view = memoryview(buffer).cast("B")  # a slice of a bare bytearray would be a copy, filled in vain
        count = max(0, min(view.nbytes, self._size - self._at))
        got = os.preadv(self._fd, [view[:count]], self._offset + self._at) if count else 0
        self._at += got
        return got

    def close(self) -> None:
        if not self.closed:
            os.close(self._fd)
        super().close()


def _central_records(fd: int) -> tuple[list[zip64.Record], zip64.Directory]:
    """Read the central directory; raises ``ZipFault`` when it is not in the one form or is too large."""
    size = os.fstat(fd).st_size
    at = max(0, size - zip64.TAIL_SIZE)
    directory = zip64.parse_tail(os.pread(fd, zip64.TAIL_SIZE, at), size)
    if directory.count > layout.MAX_FILES or directory.size > layout.MAX_FILES * _LONGEST_ENTRY:
        raise zip64.ZipFault(f"it claims more than the {layout.MAX_FILES} files a package may have")
    data = os.pread(fd, directory.size, directory.start)
    records: list[zip64.Record] = []
    place = 0
    for _ in range(directory.count):
        record, place = zip64.parse_central(data, place)
        records.append(record)
    if place != len(data):
        raise zip64.ZipFault("its list of entries and the number of entries do not agree")
    return records, directory


def _layout_findings(fd: int, records: list[zip64.Record], directory: zip64.Directory) -> Iterator[Finding]:
    """Walk the entries in the order they lie in: each begins where the one before ends, under the header it must."""
    cursor = 0
    for record in sorted(records, key=lambda each: each.offset):
        name = layout.shown(record.name)
        if record.offset != cursor:
            kind = "overlaps the entry before it" if record.offset < cursor else "leaves a gap before it"
            yield finding("PKG-ZIP-LAYOUT", name, reason=kind)
        header = zip64.local_header(record)
        if record.offset + len(header) + record.size > directory.start:
            yield finding("PKG-ZIP-LAYOUT", name, reason="reaches beyond the entries")
            return
        if os.pread(fd, len(header), record.offset) != header:
            yield finding("PKG-ZIP-HEADER", name)
        cursor = max(cursor, record.offset + len(header) + record.size)
    if cursor != directory.start:
        yield finding("PKG-ZIP-LAYOUT", "its list of entries", reason="does not begin where the last entry ends")


def _clash_findings(members: dict[str, Member]) -> tuple[Finding, ...]:
    return tuple(
        finding("PKG-PATH-CLASH", path, other=other) for path, other in sorted(layout.clashes(members).items())
    )


def _no_package(package: Path, why: str) -> InputError:
    return InputError(
        f"it cannot be opened as a package: {why}",
        path=str(package),
        remedy="Name the package's folder or its ZIP file.",
    )
