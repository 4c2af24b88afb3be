"""Writing a package: each byte is read, hashed and written once; then the lists, the seal, and one rename.

Knows the two forms behind one narrow interface, and the order things are written in. Refuses to know what the files
mean: paths and bytes come in, digests go out. Two builds of the same payload give the same payload bytes, manifests
and tree. Entries of a ZIP lie in the order in which their writers came, which two threads do not repeat; nothing
promised depends on it.
"""

from __future__ import annotations

import hashlib
import os
import stat
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from isal import isal_zlib

from beadroll.errors import InputError, MachineError
from beadroll.package import layout, manifest, proof, readme
from beadroll.package.layout import FileEntry, Form
from beadroll.package.manifest import BagInfo
from beadroll.package.read import PackageReader
from beadroll.package.sinks import BLOCK, Buffer, FolderSink, Sink, Slot, ZipSink, copy_range, write_all
from beadroll.package.staging import Staging, machine_error, sync_folder

Sealer = Callable[[bytes], Mapping[str, bytes]]
"""Takes the tag manifest's bytes and returns seals, role -> DER."""


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


class PackageWriter:
    """Writes one package. Made by ``create``; ``add`` and ``add_file`` may be called from several threads."""

    def __init__(self, staging: Staging, sink: Sink, *, name: str, form: Form) -> None:
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
        sink = FolderSink(staging) if form is Form.FOLDER else ZipSink(staging, name)
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

    def read(self, path: str) -> bytes:
        """Return a payload file this writer has written, for what is made from others, such as sheets from previews.

        Raises ``KeyError`` for a file that is not there (yet), ``MachineError`` when the system refuses.
        """
        entry = self._files[path]
        if entry is None:
            raise KeyError(path)
        try:
            data = self._sink.read(path, entry.size)
        except OSError as error:
            raise machine_error(f"could not read {path} again", self._staging.destination, error) from error
        if len(data) != entry.size:
            raise MachineError(
                f"{path} became shorter while the package was being written", remedy="Check the disk, then build again."
            )
        return data

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

    def _write_blocks(self, slot: Slot, blocks: Iterable[memoryview]) -> str:
        digest, at = hashlib.sha512(), slot.offset
        for block in blocks:
            digest.update(block)
            if self._sink.wants_crc:
                slot.crc = isal_zlib.crc32(block, slot.crc)
            at += write_all(slot.fd, block, at)
        return digest.hexdigest()

    def _reserve(self, path: str, size: int) -> Slot:
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
            count = _read_some(fd, buffer[: min(left, BLOCK)], source)
            if not count:
                raise _changed(source)
            left -= count
            yield buffer[:count]
        if _read_some(fd, buffer[:1], source):
            raise _changed(source)

    def _buffer(self) -> memoryview:
        """Return this thread's own block, made once."""
        if not hasattr(self._scratch, "block"):
            self._scratch.block = memoryview(bytearray(BLOCK))
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
        for start in range(0, buffer.nbytes, BLOCK):
            yield buffer[start : start + BLOCK]


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


def add_seal(package: Path, role: str, p7s: bytes, *, statement: bytes | None = None) -> None:
    """Put a later signature into a finished package; nothing that was sealed changes.

    ``statement`` is the countersigner's text where the signature is over one. Raises ``InputError`` when the package's
    container is not sound or already has a seal of that role, and ``MachineError`` when the system refuses. A ZIP is
    written anew beside and takes the old one's place by a rename.
    """
    added = {layout.statement_path(role): statement} if statement is not None else {}
    added |= {layout.seal_path(role): p7s}  # last, so that a killed run leaves no seal without its statement
    package = package.resolve()
    try:
        if package.is_dir():
            _add_to_folder(package, added)
        else:
            _add_to_zip(package, added)
    except OSError as error:
        raise machine_error(f"could not add {layout.seal_path(role)}", package, error) from error


def _add_to_folder(package: Path, added: Mapping[str, bytes]) -> None:
    """Stage beside the package, so that a killed run leaves no half-written file inside it."""
    for path, data in added.items():
        outside = Staging(package.with_name(f"{package.name}.{Path(path).name}"), folder=False, replace=True)
        try:
            with PackageReader.open(package) as reader:
                _refuse_seal(reader, package, added)
            write_all(outside.fd, data, 0)
            os.fsync(outside.fd)
            target = package / path
            target.parent.mkdir(exist_ok=True)
            outside.path.rename(target)
            sync_folder(target.parent)
            sync_folder(package)
        finally:
            outside.discard()


def _add_to_zip(package: Path, added: Mapping[str, bytes]) -> None:
    with PackageReader.open(package):
        pass  # a wrong name is refused before anything is made beside it
    staging = Staging(package, folder=False, replace=True)
    published = False
    try:
        with PackageReader.open(package) as reader:
            _refuse_seal(reader, package, added)
            copy_range(reader.fd, staging.fd, reader.records_end)
            sink = ZipSink(staging, reader.name, reader.records, reader.records_end)
            writer = PackageWriter(staging, sink, name=reader.name, form=Form.ZIP)
            for path, data in added.items():
                writer._add(path, [memoryview(data)])  # noqa: SLF001 - the same module
            sink.sync()
        staging.publish()
        published = True
    finally:
        if not published:
            staging.discard()


def _refuse_seal(reader: PackageReader, package: Path, added: Mapping[str, bytes]) -> None:
    if reader.findings:
        raise InputError(
            f"the package is not sound: {reader.findings[0].text}",
            path=str(package),
            remedy="Verify the package, and ask for a new copy.",
        )
    # In a folder a killed run may have left a statement without its seal; running it again puts both right.
    unfinished = {path for path in added if path.endswith(".json") and reader.form is Form.FOLDER}
    there = [path for path in added if path in reader.members and path not in unfinished]
    if there:
        raise InputError(
            f"the package has {there[0]} already",
            path=str(package),
            remedy="A seal is never replaced; sign under another role's name.",
        )
