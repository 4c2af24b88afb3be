"""Where bytes come from while a header is walked: a file read in blocks, or bytes already held.

Knows offsets and sizes. Refuses to know what the bytes mean, and never reads a pixel that nobody asked for.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path
from types import TracebackType
from typing import Final, Protocol, Self

from beadroll.errors import InputError, MachineError

_BLOCK: Final = 1 << 16


class Source(Protocol):
    """Anything with a size that can be read at an offset. ``read`` returns fewer bytes at the end, never more."""

    size: int
    name: str

    def read(self, offset: int, count: int) -> bytes:
        """Return up to ``count`` bytes from ``offset``."""
        ...

    def view(self, offset: int, count: int) -> memoryview:
        """Return exactly ``count`` bytes from ``offset``, without a copy where they are held already."""
        ...


class HeldBytes:
    """Bytes in memory as a source."""

    __slots__ = ("_view", "name", "size")

    def __init__(self, data: bytes | bytearray | memoryview, *, name: str) -> None:
        """Hold the bytes; ``name`` is what messages call them."""
        self._view = memoryview(data)
        self.size = len(self._view)
        self.name = name

    def read(self, offset: int, count: int) -> bytes:
        """Return up to ``count`` bytes from ``offset``."""
        return bytes(self._view[offset : offset + count])

    def view(self, offset: int, count: int) -> memoryview:
        """Return ``count`` bytes from ``offset`` without a copy."""
        return self._view[offset : offset + count]


class FileBytes:
    """A file as a source, read through one cached block; a context manager that closes it.

    ``pread`` rather than a memory map: a file cut short on a network drive while it is read gives a short read,
    which is an error with a sentence, where a map would end the process.
    """

    __slots__ = ("_block", "_descriptor", "_start", "name", "size")

    def __init__(self, path: Path) -> None:
        """Open the file. Raises ``InputError`` where it is missing or not a file, ``MachineError`` where unreadable."""
        self.name = str(path)
        try:
            # A pipe without a writer would block the opening for ever.
            self._descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
        except FileNotFoundError as gone:
            raise InputError("the file is not there", path=self.name, remedy="Check the name and the folder.") from gone
        except OSError as refused:
            raise MachineError(
                f"{self.name}: could not be opened: {refused.strerror}", remedy="Check the permissions."
            ) from refused
        found = os.fstat(self._descriptor)
        if not stat.S_ISREG(found.st_mode):
            os.close(self._descriptor)
            raise InputError("it is not a file", path=self.name, remedy="Point to the radiograph's file.")
        self.size = found.st_size
        self._start = 0
        self._block = b""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        os.close(self._descriptor)

    def read(self, offset: int, count: int) -> bytes:
        """Return up to ``count`` bytes from ``offset``."""
        inside = offset - self._start
        if inside >= 0 and inside + count <= len(self._block):
            return self._block[inside : inside + count]
        if count > _BLOCK:
            return self._pread(offset, count)
        self._block = self._pread(offset, _BLOCK)
        self._start = offset
        return self._block[:count]

    def view(self, offset: int, count: int) -> memoryview:
        """Return ``count`` bytes from ``offset``."""
        return memoryview(self.read(offset, count))

    def _pread(self, offset: int, count: int) -> bytes:
        if not 0 <= offset < self.size:
            return b""
        try:
            return os.pread(self._descriptor, count, offset)
        except OSError as refused:
            raise MachineError(
                f"{self.name}: could not be read: {refused.strerror}", remedy="Check the drive or the network."
            ) from refused
