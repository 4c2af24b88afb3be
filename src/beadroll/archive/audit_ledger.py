"""The audit's memory on disk: which object was checked when, and how it was found.

Knows a file of JSON lines that is only ever added to, and a torn last line after a kill. Refuses to know what a check
is.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from beadroll.package.staging import machine_error

LEDGER: Final = "audit/ledger.jsonl"
RUN: Final = "audit/run.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One object's latest check. ``run`` is when the run began that it belongs to."""

    object_id: str
    head: int
    run: datetime
    at: datetime
    good: bool
    files: int
    size_bytes: int
    codes: tuple[str, ...] = ()


class Ledger:
    """The ledger of one archive."""

    def __init__(self, archive: Path) -> None:
        """Read what is there; a line that a kill has torn is as if it had not been written."""
        self._path = archive / LEDGER
        self._run = archive / RUN
        self.latest: dict[str, Entry] = {}
        for entry in self._read():
            self.latest[entry.object_id] = entry

    def _read(self) -> Iterator[Entry]:
        try:
            lines = self._path.read_bytes().split(b"\n") if self._path.exists() else []
        except OSError as error:
            raise machine_error("cannot be read", self._path, error) from error
        for line in lines:
            try:
                value = json.loads(line)
                yield Entry(
                    object_id=value["object"],
                    head=value["head"],
                    run=datetime.fromisoformat(value["run"]),
                    at=datetime.fromisoformat(value["at"]),
                    good=value["good"],
                    files=value["files"],
                    size_bytes=value["size_bytes"],
                    codes=tuple(value["codes"]),
                )
            except (ValueError, KeyError, TypeError):
                continue

    def add(self, entry: Entry) -> None:
        """Write one entry durably. Raises ``MachineError``."""
        value = {
            "object": entry.object_id,
            "head": entry.head,
            "run": entry.run.isoformat(),
            "at": entry.at.isoformat(),
            "good": entry.good,
            "files": entry.files,
            "size_bytes": entry.size_bytes,
            "codes": list(entry.codes),
        }
        try:
            with self._path.open("ab") as out:
                # A line torn by a kill must not swallow this one.
                out.write(b"\n" + json.dumps(value, sort_keys=True).encode("utf-8") + b"\n")
                out.flush()
                os.fsync(out.fileno())
        except OSError as error:
            raise machine_error("could not write", self._path, error) from error
        self.latest[entry.object_id] = entry

    def begin(self, now: datetime, chosen: tuple[str, ...]) -> tuple[datetime, tuple[str, ...]]:
        """Begin a run over the chosen objects, or take up one that was killed: when it began, and what is left of it.

        Raises ``MachineError``.
        """
        try:
            value = json.loads(self._run.read_bytes()) if self._run.exists() else None
            if value is not None:
                began = datetime.fromisoformat(value["began"])
                done = {each for each, entry in self.latest.items() if entry.run == began}
                return began, tuple(each for each in value["objects"] if each not in done)
        except (ValueError, KeyError, TypeError):
            pass  # the run's own file is torn: begin anew
        except OSError as error:
            raise machine_error("cannot be read", self._run, error) from error
        try:
            self._run.write_text(json.dumps({"began": now.isoformat(), "objects": list(chosen)}), encoding="utf-8")
        except OSError as error:
            raise machine_error("could not write", self._run, error) from error
        return now, chosen

    def end(self) -> None:
        """End the run."""
        self._run.unlink(missing_ok=True)
