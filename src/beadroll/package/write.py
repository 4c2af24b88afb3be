"""Writing a package: each byte is read, hashed and written once; then the lists, the seal, and one rename.

Knows the two forms behind one narrow interface, and the order things are written in. Refuses to know what the files
mean: paths and bytes come in, digests go out. Two builds of the same payload give the same payload bytes, manifests
and tree. Entries of a ZIP lie in the order in which their writers came, which two threads do not repeat; nothing
promised depends on it.
"""

from __future__ import annotations

import errno
import hashlib
import os
import stat
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from isal import isal_zlib

from beadroll.errors import InputError, MachineError
from beadroll.package import layout, manifest, proof, readme, zip64
from beadroll.package.layout import FileEntry, Form
from beadroll.package.manifest import BagInfo
from beadroll.package.read import PackageReader
from beadroll.package.staging import Staging, machine_error, sync_folder

Buffer = bytes | bytearray | memoryview
Sealer = Callable[[bytes], Mapping[str, bytes]]
"""Takes the tag manifest's bytes and returns seals, role -> DER."""

_BLOCK = 1 << 19
"""Bytes handled at a time: small enough to stay in a core's cache between hashing, checksum and write."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finished:
    """A package that is whole and has its own name: where it lies, and the digests that stand for it."""

    path: Path
    name: str
    form: Form
    tagmanifest: bytes
    tagmanifest_sha512: str
    payload_oxum: str
    files: tuple[FileEntry, ...]
    seals: Mapping[str, bytes]


@dataclass(slots=True, kw_only=True)
class _Slot:
    """A place to write one file to: descriptor and offset, and the checksum made on the way."""

    path: str
    size: int
    fd: int
    offset: int
    crc: int = 0


class _Sink(Protocol):
    """What the writer needs of a form."""

    wants_crc: bool

    def reserve(self, path: str, size: int) -> _Slot:
        """Give a place for a file; called under the writer's lock."""

    def complete(self, slot: _Slot) -> None:
        """Say that all of a file was written."""

    def release(self, slot: _Slot) -> None:
        """End a file, whole or not."""

    def sync(self) -> None:
        """Write what ends the form, and make everything durable."""


class _FolderSink:
    wants_crc = False

    def __init__(self, staging: Staging) -> None:
        self._root = staging.path
        self._made: set[Path] = set()

    def reserve(self, path: str, size: int) -> _Slot:
        target = self._root / path
        if target.parent not in self._made:
            target.parent.mkdir(parents=True, exist_ok=True)
            self._made.add(target.parent)
        fd = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, 0o644)
        return _Slot(path=path, size=size, fd=fd, offset=0)

    def complete(self, slot: _Slot) -> None:
        """Need nothing: a file in a folder is what was written."""

    def release(self, slot: _Slot) -> None:
        os.close(slot.fd)

    def sync(self) -> None:
        """Flush after the last byte: one late flush a file costs far less than one between files."""
        folders = [Path(folder) for folder, _, _ in os.walk(self._root)]
        files = [Path(folder) / name for folder, _, names in os.walk(self._root) for name in names]
        with ThreadPoolExecutor(2) as pool:
            list(pool.map(_sync_file, files))
        for folder in reversed(folders):
            sync_folder(folder)


def _sync_file(path: Path) -> None:
    fd = os.open(path, os.O_RDONLY | os.O_NOFOLLOW)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


class _ZipSink:
    wants_crc = True

    def __init__(self, staging: Staging, top: str, records: Sequence[zip64.Record] = (), end: int = 0) -> None:
        self._fd = staging.fd
        self._top = top
        self._records = list(records)
        self._end = end

    def reserve(self, path: str, size: int) -> _Slot:
        name = f"{self._top}/{path}"
        offset = self._end + zip64.header_size(name)
        self._end = offset + size
        return _Slot(path=path, size=size, fd=self._fd, offset=offset)

    def complete(self, slot: _Slot) -> None:
        name = f"{self._top}/{slot.path}"
        start = slot.offset - zip64.header_size(name)
        record = zip64.Record(name=name, size=slot.size, crc=slot.crc, offset=start)
        _write_all(self._fd, zip64.local_header(record), start)
        self._records.append(record)  # one call, atomic under the interpreter's lock

    def release(self, slot: _Slot) -> None:
        """Need nothing: all entries share one descriptor, which the staging owns."""

    def sync(self) -> None:
        _write_all(self._fd, zip64.central_directory(self._records), self._end)
        os.fsync(self._fd)


class PackageWriter:
    """Writes one package. Made by ``create``; ``add`` and ``add_file`` may be called from several threads."""

    def __init__(self, staging: Staging, sink: _Sink, *, name: str, form: Form) -> None:
        """Take a locked staging; use ``create`` instead."""
        self._staging = staging
        self._sink = sink
        self._name = name
        self._form = form
        self._lock = threading.Lock()
        self._files: dict[str, FileEntry | None] = {}
        self._folded: dict[str, str] = {}
        self._open = True
        self.published = False
        self._scratch = threading.local()

    @classmethod
    @contextmanager
    def create(cls, destination: Path, *, name: str, form: Form, replace: bool = False) -> Iterator[PackageWriter]:
        """Begin a package at ``destination``; leaving without ``finish`` removes all that was written.

        ``name`` is the handover's name and, in a ZIP, its top folder. Raises ``InputError`` when the destination
        exists and ``replace`` is not said, ``MachineError`` when another build of it is at work.
        """
        fault = layout.path_fault(name) or ("it has a slash in it" if "/" in name else "")
        if fault:
            raise ValueError(f"{name!r} cannot name a package: {fault}")
        staging = Staging(destination, folder=form is Form.FOLDER, replace=replace)
        sink = _FolderSink(staging) if form is Form.FOLDER else _ZipSink(staging, name)
        writer = cls(staging, sink, name=name, form=form)
        try:
            yield writer
        finally:
            if not writer.published:
                staging.discard()

    def add(self, path: str, data: Buffer | Sequence[Buffer]) -> FileEntry:
        """Write one payload file from memory, given whole or in parts.

        Raises ``ValueError`` for a path that may not stand in a package or is there already, ``MachineError`` when
        the system refuses.
        """
        return self._add(self._payload(path), _buffers(data))

    def add_file(self, path: str, source: Path) -> FileEntry:
        """Write one payload file from a file on disk, in one pass.

        Raises ``InputError`` when the source cannot be read, is no plain file, or changes meanwhile.
        """
        self._payload(path)
        try:
            fd = os.open(source, os.O_RDONLY | os.O_NONBLOCK)
        except OSError as error:
            raise _unreadable(source, error.strerror or str(error)) from error
        try:
            before = os.fstat(fd)
            if not stat.S_ISREG(before.st_mode):
                raise _unreadable(source, "it is not a plain file")
            entry = self._pour(path, before.st_size, self._blocks(fd, before.st_size, source))
            after = os.fstat(fd)
        finally:
            os.close(fd)
        if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns):
            self._break()
            raise _changed(source)
        return entry

    def finish(
        self, info: BagInfo, tag_files: Mapping[str, bytes] | None = None, sealer: Sealer | None = None
    ) -> Finished:
        """Write the lists, have them sealed, make everything durable and give the package its name.

        ``info`` gets ``Payload-Oxum`` added. ``tag_files`` are further files outside ``data/``. ``sealer`` is handed
        the bytes of the tag manifest when all else is written. Raises ``MachineError`` when the system refuses, or a
        file failed before: a package with a hole is never finished.
        """
        payload = self._end_payload()
        listing = manifest.format_manifest(payload)
        total = manifest.oxum(payload)
        tags = {
            layout.BAGIT: manifest.BAGIT_TXT,
            layout.BAG_INFO: manifest.format_bag_info(info.with_field(manifest.PAYLOAD_OXUM, total)),
            layout.MANIFEST: listing,
            layout.SIZES: manifest.format_sizes(payload),
            layout.TREE: proof.tree_text(listing),
            layout.READ_ME: readme.read_me(self._name),
        }
        tags.update(_checked_tags(tag_files or {}, taken=tags.keys()))
        listed = [self._add(path, [memoryview(data)]) for path, data in sorted(tags.items())]
        tagmanifest = manifest.format_manifest(listed)
        sealed = self._add(layout.TAG_MANIFEST, [memoryview(tagmanifest)])
        seals = dict(sealer(tagmanifest)) if sealer else {}
        signed = [self._add(layout.seal_path(r), [memoryview(seal)]) for r, seal in sorted(seals.items())]
        try:
            self._sink.sync()
            self._staging.publish()
        except OSError as error:
            raise machine_error("could not finish the package", self._staging.destination, error) from error
        self.published = True
        return Finished(
            path=self._staging.destination,
            name=self._name,
            form=self._form,
            tagmanifest=tagmanifest,
            tagmanifest_sha512=sealed.sha512,
            payload_oxum=total,
            files=tuple(sorted((*payload, *listed, sealed, *signed), key=lambda entry: entry.path)),
            seals=seals,
        )

    def _payload(self, path: str) -> str:
        if not path.startswith(f"{layout.PAYLOAD}/"):
            raise ValueError(f"{path!r} does not lie under {layout.PAYLOAD}/")
        if not self._open:
            raise RuntimeError("the package takes no more files")
        return path

    def _end_payload(self) -> tuple[FileEntry, ...]:
        with self._lock:
            if not self._open:
                raise MachineError(
                    f"{self._staging.destination}: a file failed, so the package cannot be finished",
                    remedy="Settle the error named before, then build again.",
                )
            self._open = False
            done = tuple(entry for entry in self._files.values() if entry is not None)
            if len(done) != len(self._files):
                raise RuntimeError("finish was called while files were still being written")
        return done

    def _break(self) -> None:
        with self._lock:
            self._open = False

    def _add(self, path: str, buffers: list[memoryview]) -> FileEntry:
        size = sum(buffer.nbytes for buffer in buffers)
        return self._pour(path, size, _slices(buffers))

    def _pour(self, path: str, size: int, blocks: Iterable[memoryview]) -> FileEntry:
        """Hash, checksum and write a file block by block."""
        slot = self._reserve(path, size)
        try:
            try:
                digest = self._write_blocks(slot, blocks)
                self._sink.complete(slot)
            finally:
                self._sink.release(slot)
        except OSError as error:
            self._break()
            raise machine_error(f"could not write {path}", self._staging.destination, error) from error
        except BaseException:
            self._break()
            raise
        entry = FileEntry(path=path, size=size, sha512=digest)
        self._files[path] = entry
        return entry

    def _write_blocks(self, slot: _Slot, blocks: Iterable[memoryview]) -> str:
        digest, at = hashlib.sha512(), slot.offset
        for block in blocks:
            digest.update(block)
            if self._sink.wants_crc:
                slot.crc = isal_zlib.crc32(block, slot.crc)
            at += _write_all(slot.fd, block, at)
        return digest.hexdigest()

    def _reserve(self, path: str, size: int) -> _Slot:
        fault = layout.path_fault(path)
        if fault:
            raise ValueError(f"{path!r} may not stand in a package: {fault}")
        with self._lock:
            for part in _prefixes(path):
                earlier = self._folded.get(part.casefold(), part)
                if earlier != part or part in self._files:
                    raise ValueError(f"{path!r} clashes with {earlier!r}, which the package has already")
            if path.casefold() in self._folded or len(self._files) >= layout.MAX_FILES:
                raise ValueError(f"{path!r} is a folder of the package already, or it has too many files")
            try:
                slot = self._sink.reserve(path, size)
            except OSError as error:
                self._open = False
                raise machine_error(f"could not write {path}", self._staging.destination, error) from error
            self._folded.update((part.casefold(), part) for part in _prefixes(path))
            self._files[path] = None
        return slot

    def _blocks(self, fd: int, size: int, source: Path) -> Iterator[memoryview]:
        """Read exactly ``size`` bytes; one more byte, or one less, means the file is changing."""
        buffer = self._buffer()
        left = size
        while left:
            count = _read_some(fd, buffer[: min(left, _BLOCK)], source)
            if not count:
                raise _changed(source)
            left -= count
            yield buffer[:count]
        if _read_some(fd, buffer[:1], source):
            raise _changed(source)

    def _buffer(self) -> memoryview:
        """Return this thread's own block, made once."""
        if not hasattr(self._scratch, "block"):
            self._scratch.block = memoryview(bytearray(_BLOCK))
        block: memoryview = self._scratch.block
        return block


def _prefixes(path: str) -> Iterator[str]:
    names = path.split("/")
    return ("/".join(names[:depth]) for depth in range(1, len(names) + 1))


def _checked_tags(tag_files: Mapping[str, bytes], *, taken: Iterable[str]) -> Mapping[str, bytes]:
    closed = {*taken, layout.TAG_MANIFEST, layout.FETCH}
    for path in tag_files:
        if path in closed or path.startswith((f"{layout.PAYLOAD}/", f"{layout.SEALS}/")):
            raise ValueError(f"{path!r} cannot be a further file of the package")
    return tag_files


def _buffers(data: Buffer | Sequence[Buffer]) -> list[memoryview]:
    parts = [data] if isinstance(data, bytes | bytearray | memoryview) else data
    return [memoryview(part).cast("B") for part in parts]


def _slices(buffers: Iterable[memoryview]) -> Iterator[memoryview]:
    for buffer in buffers:
        for start in range(0, buffer.nbytes, _BLOCK):
            yield buffer[start : start + _BLOCK]


def _write_all(fd: int, data: Buffer, at: int) -> int:
    """Write all of a block at an offset; the system may take it in parts."""
    view, done = memoryview(data), 0
    while done < view.nbytes:
        done += os.pwrite(fd, view[done:], at + done)
    return done


def _read_some(fd: int, into: memoryview, source: Path) -> int:
    try:
        return os.readv(fd, [into])
    except OSError as error:
        raise _unreadable(source, error.strerror or str(error)) from error


def _unreadable(source: Path, why: str) -> InputError:
    return InputError(
        f"it cannot be read: {why}",
        path=str(source),
        remedy="Check the file and the disk it lies on, or take it out of the delivery with a reason.",
    )


def _changed(source: Path) -> InputError:
    return InputError(
        "it changed while it was being read",
        path=str(source),
        remedy="Wait until whatever writes it has ended, then build again.",
    )


def add_seal(package: Path, role: str, p7s: bytes) -> None:
    """Put a later signature into a finished package; nothing that was sealed changes.

    Raises ``InputError`` when the package's container is not sound or already has a seal of that role, and
    ``MachineError`` when the system refuses. A ZIP is written anew beside and takes the old one's place by a rename.
    """
    path = layout.seal_path(role)
    package = package.resolve()
    try:
        if package.is_dir():
            _add_seal_to_folder(package, path, p7s)
        else:
            _add_seal_to_zip(package, path, p7s)
    except OSError as error:
        raise machine_error(f"could not add {path}", package, error) from error


def _add_seal_to_folder(package: Path, path: str, p7s: bytes) -> None:
    """Stage the seal beside the package, so that a killed run leaves no unlisted file inside it."""
    outside = Staging(package.with_name(f"{package.name}.{Path(path).name}"), folder=False, replace=True)
    try:
        with PackageReader.open(package) as reader:
            _refuse_seal(reader, package, path)
        _write_all(outside.fd, p7s, 0)
        os.fsync(outside.fd)
        target = package / path
        target.parent.mkdir(exist_ok=True)
        outside.path.rename(target)
        sync_folder(target.parent)
        sync_folder(package)
    finally:
        outside.discard()


def _add_seal_to_zip(package: Path, path: str, p7s: bytes) -> None:
    with PackageReader.open(package):
        pass  # a wrong name is refused before anything is made beside it
    staging = Staging(package, folder=False, replace=True)
    published = False
    try:
        with PackageReader.open(package) as reader:
            _refuse_seal(reader, package, path)
            _copy_range(reader.fd, staging.fd, reader.records_end)
            sink = _ZipSink(staging, reader.name, reader.records, reader.records_end)
            writer = PackageWriter(staging, sink, name=reader.name, form=Form.ZIP)
            writer._add(path, [memoryview(p7s)])  # noqa: SLF001 - the same module
            sink.sync()
        staging.publish()
        published = True
    finally:
        if not published:
            staging.discard()


def _refuse_seal(reader: PackageReader, package: Path, path: str) -> None:
    if reader.findings:
        raise InputError(
            f"the package is not sound: {reader.findings[0].text}",
            path=str(package),
            remedy="Verify the package, and ask for a new copy.",
        )
    if path in reader.members:
        raise InputError(
            f"the package has {path} already",
            path=str(package),
            remedy="A seal is never replaced; sign under another role's name.",
        )


def _copy_range(source: int, target: int, count: int) -> None:
    """Copy the first ``count`` bytes inside the system where it can, so that a large ZIP need not pass through us."""
    done = 0
    while done < count:
        try:
            moved = os.copy_file_range(source, target, count - done, done, done)
        except OSError as error:
            if error.errno not in {errno.EXDEV, errno.EINVAL, errno.ENOSYS, errno.EOPNOTSUPP}:
                raise
            moved = os.pwrite(target, os.pread(source, min(_BLOCK, count - done), done), done)
        if not moved:
            raise OSError(errno.EIO, "the file became shorter while it was being copied")
        done += moved
