"""Checking a package: every file against every list, every fault named, nothing believed.

Knows the lists, the digests and what each kind of difference is called; ``inspect`` reads as the numbered steps of the
check. Refuses to know seals and records: who may sign and what the index says are asked of the two judges handed in.
``copy_to`` fuses a copy with the check, so that a receiver reads each byte once. Only ``verify`` makes a ``Verified``.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from beadroll.errors import BeadrollError, InputError, NotTrusted
from beadroll.findings import Finding, Report, finding
from beadroll.package import layout, manifest, proof
from beadroll.package.digests import Digests, Progress
from beadroll.package.layout import FileEntry, Form
from beadroll.package.manifest import BagInfo, Listing
from beadroll.package.read import Member, PackageReader

SealJudge = Callable[[bytes, Mapping[str, bytes]], tuple[Finding, ...]]
"""Takes the tag manifest's bytes and the seals, path -> DER, and says what is wrong with them."""
ContentJudge = Callable[[PackageReader], tuple[Finding, ...]]
"""Takes a package whose digests are good, and says what is wrong with its records."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspection:
    """What an inspection saw: the report, and every readable file with its size and digest."""

    name: str
    form: Form
    report: Report
    files: tuple[FileEntry, ...]
    bag_info: BagInfo
    tagmanifest: bytes
    tagmanifest_sha512: str
    payload_oxum: str
    seals: Mapping[str, bytes]


_KEY = object()


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """A package that passed every check. Only ``verify`` makes one, so that whoever holds it may rely on it."""

    package: Path
    inspection: Inspection
    _key: object = field(repr=False, compare=False)

    def __post_init__(self) -> None:
        if self._key is not _KEY:
            raise TypeError("only verify() makes a Verified")


def verify(
    package: Path,
    *,
    judge_seals: SealJudge,
    judge_content: ContentJudge | None = None,
    copy_to: Path | None = None,
    progress: Progress | None = None,
    threads: int = 2,
) -> Verified:
    """Inspect a package and vouch for it.

    Raises ``NotTrusted`` with the whole report when any check stops it; otherwise as ``inspect``. A copy made on the
    way is then to be thrown away.
    """
    inspection = inspect(
        package,
        judge_seals=judge_seals,
        judge_content=judge_content,
        copy_to=copy_to,
        progress=progress,
        threads=threads,
    )
    stops = len(inspection.report.stops)
    if stops:
        raise NotTrusted(
            f"{package}: the package is not what was sealed, or not by whom it should be: {stops} faults",
            inspection.report,
            remedy="Keep the package as it is, and ask the sender for a new copy, naming the faults.",
        )
    return Verified(package=package, inspection=inspection, _key=_KEY)


def inspect(
    package: Path,
    *,
    judge_seals: SealJudge | None,
    judge_content: ContentJudge | None = None,
    copy_to: Path | None = None,
    progress: Progress | None = None,
    threads: int = 2,
) -> Inspection:
    """Check a package and list every fault.

    ``copy_to`` names a new folder that gets a durable copy of the bytes that were hashed. ``judge_seals=None`` leaves
    the seals unjudged and says so. Raises ``InputError`` when there is no package, ``MachineError`` when the copy
    cannot be written; whatever is wrong with the package itself is in the report.
    """
    with PackageReader.open(package) as reader:
        # 1. The container: names, kinds of files, ZIP records.
        container = reader.findings
        # 2. The lists, read once into memory; what is judged is what is hashed and copied.
        lists = _Lists.read(reader)
        found = [*_unexplained(container, lists, reader.members), *lists.findings]
        # 3. Every file's digest, in the one pass that also copies.
        work = Digests(reader, lists.texts, copy_to=copy_to, progress=progress)
        digests = work.run(threads)
        found += work.findings
        # 4. Files against lists: missing, extra, changed, cut, renamed, exchanged, copied.
        found += _compare(lists, digests, reader.members)
        # 5. The totals and the tree that say the same again.
        found += _check_totals(lists, digests, reader.members)
        # 6. The seals over the tag manifest.
        found += _judge_seals(judge_seals, lists)
        # 7. The records, once nothing above stops it.
        if judge_content is not None and not Report(findings=tuple(found)).stops:
            found += _judge_content(judge_content, reader, copy_to)
        return Inspection(
            name=reader.name,
            form=reader.form,
            report=Report(findings=tuple(found)),
            files=tuple(digests[path] for path in sorted(digests)),
            bag_info=lists.bag_info,
            tagmanifest=lists.texts.get(layout.TAG_MANIFEST, b""),
            tagmanifest_sha512=hashlib.sha512(lists.texts.get(layout.TAG_MANIFEST, b"")).hexdigest(),
            payload_oxum=lists.bag_info.first(manifest.PAYLOAD_OXUM),
            seals=lists.seals,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Lists:
    """The bag's own texts, as bytes and as read."""

    texts: Mapping[str, bytes]
    payload: Listing
    tags: Listing
    sizes: Mapping[str, int]
    bag_info: BagInfo
    findings: tuple[Finding, ...]

    @property
    def seals(self) -> Mapping[str, bytes]:
        return {path: text for path, text in self.texts.items() if layout.is_seal(path)}

    @property
    def listed(self) -> Mapping[str, str]:
        return {**self.payload.entries, **self.tags.entries}

    @classmethod
    def read(cls, reader: PackageReader) -> _Lists:
        texts, found = _read_texts(reader)
        payload = _listing(texts, layout.MANIFEST, payload=True)
        tags = _listing(texts, layout.TAG_MANIFEST, payload=False)
        sizes = manifest.parse_sizes(texts.get(layout.SIZES, b""))
        bag_info, in_info = manifest.parse_bag_info(texts.get(layout.BAG_INFO, b""))
        found += [*payload.findings, *tags.findings, *sizes.findings, *in_info]
        if layout.BAGIT in texts:
            found += manifest.check_bagit(texts[layout.BAGIT])
        found += _forbidden(reader.members)
        return cls(
            texts=texts,
            payload=payload,
            tags=tags,
            sizes={path: int(size) for path, size in sizes.entries.items()},
            bag_info=bag_info,
            findings=tuple(found),
        )


_REQUIRED = {
    layout.BAGIT: layout.MAX_TAG_FILE,
    layout.BAG_INFO: layout.MAX_TAG_FILE,
    layout.MANIFEST: layout.MAX_MANIFEST,
    layout.TAG_MANIFEST: layout.MAX_MANIFEST,
    layout.SIZES: layout.MAX_MANIFEST,
    layout.TREE: layout.MAX_TAG_FILE,
}


def _read_texts(reader: PackageReader) -> tuple[dict[str, bytes], list[Finding]]:
    """Read the lists and the seals; one that is missing or cannot be read is a finding."""
    texts: dict[str, bytes] = {}
    found: list[Finding] = []
    seals = [path for path in reader.names() if layout.is_seal(path)]
    if len(seals) > layout.MAX_SEALS:
        found.append(finding("PKG-SEALS-TOO-MANY", layout.SEALS, count=len(seals), limit=layout.MAX_SEALS))
    wanted = _REQUIRED | dict.fromkeys(seals[: layout.MAX_SEALS], layout.MAX_TAG_FILE)
    for path, limit in wanted.items():
        if path not in reader.members:
            # With an unsound ZIP no file can be told from another; its own finding says so.
            if reader.members or reader.form is Form.FOLDER:
                found.append(finding("PKG-LIST-MISSING", path))
            continue
        try:
            texts[path] = reader.read(path, limit)
        except InputError as error:
            found.append(finding("PKG-UNREADABLE", path, reason=error.fault))
    return texts, found


def _listing(texts: Mapping[str, bytes], name: str, *, payload: bool) -> Listing:
    return manifest.parse_manifest(texts.get(name, b""), name=name, payload=payload)


def _forbidden(members: Iterable[str]) -> Iterator[Finding]:
    """Refuse what BagIt allows and a sealed, complete package has no use for."""
    allowed = {layout.MANIFEST, layout.TAG_MANIFEST}
    for path in sorted(members):
        if path == layout.FETCH:
            yield finding("PKG-FETCH", path)
        elif "/" not in path and path.startswith(("manifest-", "tagmanifest-")) and path not in allowed:
            yield finding("PKG-MANIFEST-OTHER", path)


def _unexplained(container: Iterable[Finding], lists: _Lists, members: Mapping[str, Member]) -> Iterator[Finding]:
    """Leave out a folder that is empty only because its listed files are missing, which is said of each of them."""
    missing = {path for path in lists.listed if path not in members}
    for each in container:
        if each.code != "PKG-FOLDER-EMPTY" or not any(path.startswith(each.subject) for path in missing):
            yield each


def _compare(lists: _Lists, digests: Mapping[str, FileEntry], members: Mapping[str, Member]) -> Iterator[Finding]:
    """Name every difference between the lists and the files, each by the kindest explanation that fits."""
    listed = lists.listed
    outside = {path for path in members if path == layout.TAG_MANIFEST or layout.is_seal(path)}
    missing = {path for path in listed if path not in members}
    extra = {path for path in members if path not in listed and path not in outside}
    owners: dict[str, list[str]] = {}
    for path, digest in sorted(listed.items()):
        owners.setdefault(digest, []).append(path)
    for path in sorted(extra):
        same = owners.get(digests[path].sha512, []) if path in digests else []
        gone = next((other for other in same if other in missing), "")
        if gone:
            missing.discard(gone)
            yield finding("PKG-FILE-RENAMED", gone, found=path)
        elif same:
            yield finding("PKG-FILE-COPIED", path, other=same[0])
        else:
            yield finding("PKG-FILE-EXTRA", path)
    for path in sorted(missing):
        yield finding("PKG-FILE-MISSING", path)
    for path in sorted(listed.keys() & digests.keys()):
        if digests[path].sha512 != listed[path]:
            yield _difference(digests[path], lists.sizes.get(path), owners)


def _difference(entry: FileEntry, size: int | None, owners: Mapping[str, list[str]]) -> Finding:
    """Name the difference between a file and the digest listed for it."""
    other = next(iter(owners.get(entry.sha512, [])), "")
    if other:
        return finding("PKG-FILE-EXCHANGED", entry.path, other=other)
    if size is not None and entry.size < size:
        return finding("PKG-FILE-TRUNCATED", entry.path, size=entry.size, listed=size)
    if size is not None and entry.size > size:
        return finding("PKG-FILE-LENGTHENED", entry.path, size=entry.size, listed=size)
    return finding("PKG-FILE-ALTERED", entry.path)


def _check_totals(lists: _Lists, digests: Mapping[str, FileEntry], members: Mapping[str, Member]) -> Iterator[Finding]:
    """Compare what the bag says of itself twice. What only follows from a file named before is left out."""
    payload = lists.payload.entries
    agree = lists.sizes.keys() == payload.keys()
    if layout.SIZES in lists.texts and layout.MANIFEST in lists.texts and not agree:
        yield finding("PKG-SIZES", layout.SIZES)
    for path in sorted(lists.sizes.keys() & payload.keys() & digests.keys()):
        if digests[path].size != lists.sizes[path] and digests[path].sha512 == payload[path]:
            yield finding("PKG-SIZE", path, size=digests[path].size, listed=lists.sizes[path])
    if layout.BAG_INFO in lists.texts:
        present = [m.size for path, m in members.items() if path.startswith(f"{layout.PAYLOAD}/")]
        sizes = list(lists.sizes.values()) if agree else present
        stated, counted = lists.bag_info.all(manifest.PAYLOAD_OXUM), f"{sum(sizes)}.{len(sizes)}"
        if stated != (counted,):
            yield finding("PKG-OXUM", layout.BAG_INFO, stated=layout.shown(", ".join(stated)), counted=counted)
    if layout.TREE in lists.texts and layout.MANIFEST in lists.texts:
        tree = proof.parse_tree(lists.texts[layout.TREE])
        if tree != proof.tree_of(lists.texts[layout.MANIFEST]):
            yield finding("PKG-TREE", layout.TREE)


def _judge_seals(judge: SealJudge | None, lists: _Lists) -> tuple[Finding, ...]:
    if judge is None:
        return (finding("PKG-SEALS-UNJUDGED", layout.SEALS, count=len(lists.seals)),)
    return judge(lists.texts.get(layout.TAG_MANIFEST, b""), lists.seals)


def _judge_content(judge: ContentJudge, reader: PackageReader, copy_to: Path | None) -> tuple[Finding, ...]:
    """Let the records be judged from the copy where there is one: what is judged is what is kept."""
    try:
        if copy_to is None:
            return judge(reader)
        with PackageReader.open(copy_to) as copy:
            return judge(copy)
    except BeadrollError as error:
        return (finding("PKG-CONTENT", reader.name, reason=error.message),)
