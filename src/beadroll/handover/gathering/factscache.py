"""What radiograph headers said last time, kept beside the job so that an unchanged week is read in a moment.

Keyed by path, size and time of change; safe to delete at any time, and thrown away whole where anything about it is
not as it was written. Refuses to be evidence: digests are made from the files themselves when a package is built.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import msgspec

from beadroll.handover.stages import DeliveredFile
from beadroll.images import ImageFacts

CACHE_FOLDER: Final = ".beadroll"
_FILE: Final = "facts-1.msgpack"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Entry:
    size_bytes: int
    modified_ns: int
    facts: ImageFacts


@dataclass(slots=True)
class FactsCache:
    """Facts by path, valid only while size and time of change are the same."""

    place: Path | None
    entries: dict[str, _Entry] = field(default_factory=dict)
    changed: bool = False

    def known(self, file: DeliveredFile) -> ImageFacts | None:
        """Return the facts of a file that has not changed since they were read."""
        entry = self.entries.get(file.path)
        if entry is None or (entry.size_bytes, entry.modified_ns) != (file.size_bytes, file.modified_ns):
            return None
        return entry.facts

    def learn(self, file: DeliveredFile, facts: ImageFacts) -> None:
        """Keep the facts of a file."""
        self.entries[file.path] = _Entry(size_bytes=file.size_bytes, modified_ns=file.modified_ns, facts=facts)
        self.changed = True

    def save(self) -> None:
        """Write the cache beside the job where there is a place for it; one that cannot be written is no fault."""
        if self.place is None or not self.changed:
            return
        try:
            self.place.mkdir(exist_ok=True)
            handle, beside = tempfile.mkstemp(dir=self.place, prefix="facts-")
            with os.fdopen(handle, "wb") as file:
                file.write(msgspec.msgpack.encode(self.entries))
            Path(beside).replace(self.place / _FILE)
        except OSError:
            # A job on a read-only drive is gathered all the same, only not faster the next time.
            return


def open_cache(place: Path | None) -> FactsCache:
    """Return the cache kept in a folder, empty where there is none or it is damaged; None keeps nothing."""
    if place is None:
        return FactsCache(place=None)
    try:
        entries: Mapping[str, _Entry] = msgspec.msgpack.decode(
            (place / _FILE).read_bytes(), type=dict[str, _Entry], strict=True
        )
    except (OSError, msgspec.DecodeError, msgspec.ValidationError, RecursionError):
        return FactsCache(place=place)
    return FactsCache(place=place, entries=dict(entries))
