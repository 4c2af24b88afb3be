"""Taking the delivered radiographs into a package: each is read once, converted with proof, and written.

Knows the one pass over each byte, on a few threads and in bounded memory: a thread holds one radiograph at a time.
Refuses to know the rest of the package. A damaged radiograph does not stop the others: every one is named.
"""

from __future__ import annotations

import os
import stat
import threading
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import FIRST_EXCEPTION, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

from beadroll import images
from beadroll.errors import InputError, MachineError
from beadroll.findings import Finding, finding
from beadroll.handover.assembling import places
from beadroll.handover.assembling.identities import Identities
from beadroll.handover.stages import DeliveredFile
from beadroll.images import Codec, Converted, Identity
from beadroll.package.digests import Progress
from beadroll.package.index import FileRole, IndexedFile
from beadroll.package.layout import FileEntry
from beadroll.package.write import PackageWriter
from beadroll.record.handover import HandoverRecord
from beadroll.record.radiograph import Radiograph
from beadroll.record.weld import WeldId, WeldRecord

T = TypeVar("T")
R = TypeVar("R")


class Meter:
    """Counts bytes done for a progress function, which is called one thread at a time."""

    def __init__(self, total: int, progress: Progress | None) -> None:
        """Expect ``total`` bytes."""
        self._total = total
        self._done = 0
        self._progress = progress
        self._lock = threading.Lock()

    def add(self, count: int) -> None:
        """Report that so many more bytes are done."""
        with self._lock:
            self._done += count
            if self._progress is not None:
                self._progress(self._done, self._total)


@dataclass(frozen=True, slots=True, kw_only=True)
class Packed:
    """One radiograph in the package: its record with paths and digests, its index rows, and what was found."""

    weld: WeldId
    radiograph: Radiograph
    files: tuple[IndexedFile, ...] = ()
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Task:
    record: WeldRecord
    radiograph: Radiograph
    identity: Identity
    file: DeliveredFile
    stem: str
    delivered_path: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Radiographs:
    """What packing the radiographs of a handover needs."""

    folder: Path
    delivered: Mapping[str, DeliveredFile]
    paths: Mapping[str, str]
    codec: Codec
    writer: PackageWriter
    meter: Meter
    threads: int

    def pack(self, record: HandoverRecord) -> tuple[Packed, ...]:
        """Convert and write every radiograph of the record; the result is in the order of the record.

        What a damaged file shows is a finding beside it. Raises ``MachineError`` when the system refuses.
        """
        identities = Identities(record)
        tasks = []
        for weld in record.welds:
            stems = places.radiograph_stems(weld)
            tasks += [
                _Task(
                    record=weld,
                    radiograph=each,
                    identity=identities.of(weld, each),
                    file=self.delivered[each.delivered_as],
                    stem=stems[each.id],
                    delivered_path=self.paths[each.delivered_as],
                )
                for each in weld.radiographs
            ]
        return in_threads(self._one, tasks, threads=self.threads)

    def _one(self, task: _Task) -> Packed:
        try:
            delivered = read_delivered(self.folder, task.file)
            converted = images.convert(delivered, task.identity, codec=self.codec, name=task.file.path)
        except InputError as fault:
            found = finding("ASM-UNREADABLE", task.file.path, reason=fault.fault)
            return Packed(weld=task.record.weld.id, radiograph=task.radiograph, findings=(found,))
        packed = self._write(task, converted, delivered)
        self.meter.add(len(delivered))
        return packed

    def _write(self, task: _Task, converted: Converted, delivered: bytes) -> Packed:
        weld = task.record.weld.id
        entry = self.writer.add(places.radiograph_path(task.record, task.stem), converted.data)
        preview = self.writer.add(places.preview_path(task.record, task.stem), converted.preview)
        kept = self.writer.add(task.delivered_path, delivered) if converted.keep_delivered else None
        restorable = converted.restorable or converted.unchanged
        row, column = converted.pixel_pitch_mm or (None, None)
        radiograph = replace(
            task.radiograph,
            path=entry.path,
            size_bytes=entry.size,
            sha512=entry.sha512,
            delivered_size_bytes=len(delivered),
            delivered_sha512=converted.delivered_sha512,
            delivered_path=kept.path if kept else "",
            pixel_sha512=converted.pixel_sha512,
            restorable=restorable,
            transfer_syntax=converted.transfer_syntax,
            rows=converted.rows,
            columns=converted.columns,
            frames=converted.frames,
            bits_stored=converted.bits_stored,
            pixel_pitch_row_mm=row,
            pixel_pitch_column_mm=column,
            preview=preview.path,
            changes=converted.changes,
        )
        files = [
            replace(
                indexed(entry, FileRole.RADIOGRAPH, delivered_as=task.file.path),
                weld=weld,
                radiograph=radiograph.id,
                delivered_size_bytes=len(delivered),
                delivered_sha512=converted.delivered_sha512,
                pixel_sha512=converted.pixel_sha512,
                restorable=restorable,
            ),
            replace(indexed(preview, FileRole.PREVIEW), weld=weld, radiograph=radiograph.id),
        ]
        if kept is not None:
            row_of_kept = indexed(kept, FileRole.DELIVERED_RADIOGRAPH, delivered_as=task.file.path)
            files.append(replace(row_of_kept, weld=weld, radiograph=radiograph.id))
        lossy = (finding("ASM-LOSSY", task.file.path),) if converted.lossy else ()
        return Packed(weld=weld, radiograph=radiograph, files=tuple(files), findings=lossy)


def indexed(entry: FileEntry, role: FileRole, *, delivered_as: str = "") -> IndexedFile:
    """Return the index's row of a file as the writer wrote it."""
    return IndexedFile(
        path=entry.path,
        role=role,
        size_bytes=entry.size,
        sha512=entry.sha512,
        media_type=places.media_type(entry.path),
        delivered_as=delivered_as,
    )


def in_threads(work: Callable[[T], R], tasks: Iterable[T], *, threads: int) -> tuple[R, ...]:
    """Run the work on a few threads; the results keep the order of the tasks. The first error ends the rest."""
    with ThreadPoolExecutor(threads) as pool:
        futures: list[Future[R]] = [pool.submit(work, task) for task in tasks]
        try:
            wait(futures, return_when=FIRST_EXCEPTION)
        finally:  # also when a person interrupts: nobody waits for a day's work to be done first
            pool.shutdown(wait=True, cancel_futures=True)
    failed = next((f for f in futures if f.done() and not f.cancelled() and f.exception()), None)
    if failed is not None:
        failed.result()
    return tuple(future.result() for future in futures)


def read_delivered(folder: Path, file: DeliveredFile) -> bytes:
    """Return the bytes of a delivered file, read once.

    Raises ``InputError`` when it is no longer the file that was gathered, ``MachineError`` when it cannot be read.
    """
    path = folder / file.path
    try:
        fd = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
        with os.fdopen(fd, "rb", buffering=0) as stream:
            refuse_changed(os.fstat(fd), file)
            data = stream.read()
            after = os.fstat(fd)
    except FileNotFoundError as error:
        raise _changed(file) from error
    except OSError as error:
        raise MachineError(
            f"{path}: could not be read: {error.strerror or error}", remedy="Check the disk or the network drive."
        ) from error
    if len(data) != file.size_bytes:
        raise _changed(file)
    refuse_changed(after, file)
    return data


def refuse_changed(seen: os.stat_result, file: DeliveredFile) -> None:
    """Raise ``InputError`` where a file's size or time is not that which was gathered, or it is no plain file."""
    same = (seen.st_size, seen.st_mtime_ns) == (file.size_bytes, file.modified_ns)
    if not same or not stat.S_ISREG(seen.st_mode):
        raise _changed(file)


def _changed(file: DeliveredFile) -> InputError:
    return InputError(
        "it was changed or taken away after the week was gathered",
        path=file.path,
        remedy="Gather the week again, so that what is checked is what is handed over.",
    )
