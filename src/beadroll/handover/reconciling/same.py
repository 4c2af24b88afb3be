"""Files of a week that hold the same bytes: possible same radiograph, for a person to compare.

Knows files by size, a sample and a digest, so that few are read whole. Refuses to say which of two is the right one, or
how it came that there are two. Radiographs with the same pixels in different files show only when they are decoded.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable
from pathlib import Path
from typing import Final, TypeVar

from beadroll.errors import MachineError
from beadroll.handover.stages import DeliveredFile

K = TypeVar("K", bound=Hashable)

_SAMPLE: Final = 16_384
"""Bytes of each sample; three are taken, since radiographs of one scanner begin alike and are of one size."""


def same_bytes(folder: Path, files: Iterable[DeliveredFile]) -> tuple[tuple[str, ...], ...]:
    """Return groups of files that are the same byte for byte, each group and the groups in order of their paths.

    A file that is not there or is empty is left out. Raises ``MachineError`` where one cannot be read.
    """
    groups = _split([f for f in files if f.size_bytes], lambda f: f.size_bytes)
    groups = [part for group in groups for part in _split(group, lambda f: _sample(folder / f.path, f.size_bytes))]
    groups = [part for group in groups for part in _split(group, lambda f: _whole(folder / f.path))]
    return tuple(sorted(tuple(sorted(f.path for f in group)) for group in groups))


def _split(files: Iterable[DeliveredFile], key: Callable[[DeliveredFile], K | None]) -> list[list[DeliveredFile]]:
    """Return the groups of two or more that share a key; files whose key is None belong to none."""
    groups: dict[K, list[DeliveredFile]] = defaultdict(list)
    for file in files:
        value = key(file)
        if value is not None:
            groups[value].append(file)
    return [group for group in groups.values() if len(group) > 1]


def _sample(path: Path, size: int) -> bytes | None:
    try:
        with path.open("rb") as file:
            digest = hashlib.sha256()
            for start in sorted({0, max(0, size // 2 - _SAMPLE // 2), max(0, size - _SAMPLE)}):
                file.seek(start)
                digest.update(file.read(_SAMPLE))
            return digest.digest()
    except FileNotFoundError:
        return None
    except OSError as fault:
        raise MachineError(
            f"{path} cannot be read: {fault.strerror}", remedy="Check the file's permissions."
        ) from fault


def _whole(path: Path) -> bytes | None:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha512").digest()
    except FileNotFoundError:
        return None
    except OSError as fault:
        raise MachineError(
            f"{path} cannot be read: {fault.strerror}", remedy="Check the file's permissions."
        ) from fault
