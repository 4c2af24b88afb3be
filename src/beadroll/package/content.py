"""Judging a package's records: index, weld records, lists and tables must say the same of the same files.

Knows how the parts of a package repeat each other, and holds every repetition against its first statement. Refuses to
know digests of bytes and seals, which ``verify`` has settled before it asks, and to judge what a record says: whether
it is consistent, never whether it is right.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, fields, replace
from typing import Any, Protocol, TypeVar

from beadroll import documents
from beadroll.documents import Document, Kind
from beadroll.errors import InputError
from beadroll.findings import Finding, finding
from beadroll.package import layout, manifest, mets
from beadroll.package.columns import SCHEMAS
from beadroll.package.index import (
    FORMAT_VERSION,
    INDEX,
    FileRole,
    Index,
    IndexedFile,
    IndexedWeld,
    Totals,
    indexed_weld,
    total,
)
from beadroll.package.segments import read_segment, tables
from beadroll.record.handover import HandoverRecord
from beadroll.record.radiograph import Radiograph
from beadroll.record.weld import WeldRecord

T = TypeVar("T")

_NOT_IN_TABLES = frozenset({FileRole.SEGMENT, FileRole.METS})
"""Files that come to be after the tables, and so are not in the table of files."""


class Readable(Protocol):
    """What is asked of a package: the names of its files, and the bytes of small ones. ``PackageReader`` is one."""

    def names(self) -> tuple[str, ...]:
        """Return the paths of all files."""
        ...

    def read(self, path: str, limit: int) -> bytes:
        """Return a whole file. Raises ``InputError`` where it is larger than ``limit`` bytes or cannot be read."""
        ...


def judge_content(package: Readable) -> tuple[Finding, ...]:
    """Return everything in the package's records that contradicts itself, file by file; empty means all agrees.

    ``package`` is one whose digests are good. What a newer minor version adds is a note.
    """
    judge = _Judge(package)
    # 1. The index, without which nothing else can be held against anything.
    index = judge.read(layout.INDEX, INDEX, code="CNT-INDEX")
    if index is None:
        return tuple(judge.found)
    # 2. The index against the files and their digests.
    judge.found += _files(index, package)
    # 3. The records of the welds against the index.
    welds = judge.welds(index)
    # 4. The other documents.
    record = judge.record(index, welds)
    # 5. The totals against what they add up.
    judge.found += _totals(index)
    # 6. The tables against the records they repeat.
    judge.found += judge.tables(index, record)
    # 7. METS against the index.
    judge.found += judge.mets(index)
    return tuple(judge.found)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Records:
    """The whole record as read back; ``whole`` says that every document was read and understood in full."""

    record: HandoverRecord
    findings: tuple[Finding, ...]
    whole: bool


class _Judge:
    def __init__(self, package: Readable) -> None:
        self.found: list[Finding] = []
        self._package = package
        self._names = frozenset(package.names())
        self._whole = True

    def read(self, path: str, kind: Kind[T], *, code: str = "CNT-DOCUMENT") -> T | None:
        """Return a document's value; what cannot be read is a finding of ``code``, what is unknown a note."""
        data = self._bytes(path, code)
        if data is None:
            return None
        try:
            document = documents.read(data, kind, name=path)
        except InputError as fault:
            self._fault(code, path, fault.fault)
            return None
        self._newer(path, document)
        return document.value

    def _bytes(self, path: str, code: str) -> bytes | None:
        if path not in self._names:
            self._fault(code, path, "it is missing")
            return None
        try:
            return self._package.read(path, documents.MAX_BYTES)
        except InputError as fault:
            self._fault(code, path, fault.fault)
            return None

    def _fault(self, code: str, path: str, reason: str) -> None:
        self._whole = False
        self.found.append(finding(code, path, reason=reason))

    def _newer(self, path: str, document: Document[T]) -> None:
        if _minor(document.version) > _minor(documents.VERSION):
            self._whole = False
            self.found.append(finding("CNT-VERSION", path, version=document.version, known=documents.VERSION))
        if document.unknown:
            self._whole = False
            place = layout.shown(document.unknown[0])
            self.found.append(finding("CNT-UNKNOWN", path, count=len(document.unknown), place=place))

    def welds(self, index: Index) -> tuple[WeldRecord, ...]:
        """Read every weld's record and hold it against its rows of the index."""
        if _minor(index.format_version) > _minor(FORMAT_VERSION):
            self._whole = False
            version = index.format_version
            self.found.append(finding("CNT-VERSION", layout.INDEX, version=version, known=FORMAT_VERSION))
        twice = [identity for identity, times in Counter(weld.id for weld in index.welds).items() if times > 1]
        self.found += [finding("CNT-WELD-TWICE", str(identity)) for identity in twice]
        named = {weld.path for weld in index.welds}
        unnamed = [f.path for f in index.files if f.role is FileRole.WELD_RECORD and f.path not in named]
        self.found += [finding("CNT-WELD-UNNAMED", path) for path in unnamed]
        files = {file.path: file for file in index.files}
        records = []
        for row in index.welds:
            record = self.read(row.path, documents.WELD)
            if record is not None:
                records.append(record)
                self.found += _weld(row, record)
                self.found += _radiographs(record, files)
        return tuple(records)

    def record(self, index: Index, welds: tuple[WeldRecord, ...]) -> _Records:
        """Read the other documents into one record."""
        return _Records(
            record=HandoverRecord(
                job=index.job,
                handover=index.handover,
                welds=welds,
                techniques=self.read(layout.TECHNIQUES_LIST, documents.TECHNIQUES) or (),
                people=self.read(layout.PEOPLE_LIST, documents.PEOPLE) or (),
                equipment=self.read(layout.EQUIPMENT_LIST, documents.EQUIPMENT) or (),
                decisions=self.read(layout.DECISIONS, documents.DECISIONS) or (),
            ),
            findings=self.read(layout.FINDINGS, documents.FINDINGS) or (),
            whole=self._whole,
        )

    def tables(self, index: Index, records: _Records) -> Iterator[Finding]:
        """Hold every table against its number of rows and, where all documents were understood, every row."""
        stated = {segment.table: segment for segment in index.segments}
        inner = tuple(file for file in index.files if file.role not in _NOT_IN_TABLES)
        try:
            expected = tables(records.record, replace(index, files=inner), ())
        except InputError as fault:
            yield finding("CNT-TABLE", layout.CATALOG, reason=fault.fault)
            return
        for table in SCHEMAS:
            path = layout.catalog_table(table)
            segment = stated.get(table)
            if segment is None or segment.path != path or path not in self._names:
                yield finding("CNT-TABLE", path, reason="it is missing, or the index does not name it")
                continue
            try:
                found = read_segment(
                    self._package.read(path, documents.MAX_BYTES), table, name=path, max_rows=segment.rows
                )
            except InputError as fault:
                yield finding("CNT-TABLE", path, reason=fault.fault)
                continue
            if found.num_rows != segment.rows:
                yield finding("CNT-TABLE-ROWS", path, found=found.num_rows, stated=segment.rows)
            elif table == "findings":
                # A newer program's findings may have sentences this one does not know; their number must agree.
                if records.whole and found.num_rows != len(records.findings):
                    yield finding("CNT-TABLE-DIFFERS", path)
            elif records.whole and not found.equals(expected[table]):
                yield finding("CNT-TABLE-DIFFERS", path)

    def mets(self, index: Index) -> Iterator[Finding]:
        """Hold the files that METS names against the index."""
        data = self._bytes(layout.METS, "CNT-METS")
        if data is None:
            return
        try:
            named = mets.read_files(data, name=layout.METS)
        except InputError as fault:
            yield finding("CNT-METS", layout.METS, reason=fault.fault)
            return
        wanted = {f.path: (f.size_bytes, f.sha512) for f in index.files if f.role is not FileRole.METS}
        if named != wanted:
            different = sorted(path for path in named.keys() | wanted.keys() if named.get(path) != wanted.get(path))
            reason = f"it differs from the index in {len(different)} files, the first {layout.shown(different[0])}"
            yield finding("CNT-METS", layout.METS, reason=reason)


def _minor(version: str) -> int:
    """Return the minor number of a version whose major number the schema has checked."""
    return int(version.partition(".")[2])


def _files(index: Index, package: Readable) -> Iterator[Finding]:
    listed = manifest.parse_manifest(
        package.read(layout.MANIFEST, layout.MAX_MANIFEST), name=layout.MANIFEST, payload=True
    ).entries
    sizes = manifest.parse_sizes(package.read(layout.SIZES, layout.MAX_MANIFEST)).entries
    for path, times in sorted(Counter(file.path for file in index.files).items()):
        if times > 1:
            yield finding("CNT-FILE-TWICE", layout.shown(path))
    for file in index.files:
        if file.path not in listed:
            yield finding("CNT-FILE-MISSING", layout.shown(file.path))
        elif listed[file.path] != file.sha512:
            yield finding("CNT-DIGEST", file.path)
        elif sizes.get(file.path) != str(file.size_bytes):
            yield finding("CNT-SIZE", file.path, stated=file.size_bytes, size=sizes.get(file.path, "no"))
    for path in sorted(listed.keys() - {file.path for file in index.files} - {layout.INDEX}):
        yield finding("CNT-FILE-UNINDEXED", path)


def _weld(row: IndexedWeld, record: WeldRecord) -> Iterator[Finding]:
    if record.weld.id != row.id:
        stated, found = " ".join(_identity(row.id)), " ".join(_identity(record.weld.id))
        yield finding("CNT-WELD-OTHER", row.path, stated=stated, found=found)
        return
    if record.standing is not row.standing:
        yield finding("CNT-STANDING", str(row.id), stated=row.standing.value, found=record.standing.value)
    counted = indexed_weld(record, row.path)
    for field in fields(IndexedWeld):
        stated, found = getattr(row, field.name), getattr(counted, field.name)
        if isinstance(stated, int) and stated != found:
            what = field.name.replace("_", "-")
            yield finding("CNT-COUNT", str(row.id), what=what, stated=stated, found=found)


def _identity(identity: Any) -> Iterable[str]:
    return (layout.shown(text) for text in asdict(identity).values())


def _radiographs(record: WeldRecord, files: dict[str, IndexedFile]) -> Iterator[Finding]:
    for each in record.radiographs:
        what = _disagreement(record, each, files)
        if what:
            yield finding("CNT-RADIOGRAPH", str(record.weld.id), radiograph=each.id, what=what)


def _disagreement(record: WeldRecord, radiograph: Radiograph, files: dict[str, IndexedFile]) -> str:
    """Say in what the record and the index differ about a radiograph; empty when they agree."""
    file = files.get(radiograph.path)
    if file is None or file.role is not FileRole.RADIOGRAPH:
        return "the index has no such file"
    stated = (file.weld, file.radiograph, file.size_bytes, file.sha512, file.restorable)
    recorded = (record.weld.id, radiograph.id, radiograph.size_bytes, radiograph.sha512, radiograph.restorable)
    if stated != recorded:
        return "weld, name, size, digest or restorability"
    stated_delivery = (file.delivered_as, file.delivered_size_bytes, file.delivered_sha512, file.pixel_sha512)
    delivery = (
        radiograph.delivered_as,
        radiograph.delivered_size_bytes,
        radiograph.delivered_sha512,
        radiograph.pixel_sha512,
    )
    if stated_delivery != delivery:
        return "what was delivered, or its pixels"
    if not radiograph.restorable:
        kept = files.get(radiograph.delivered_path)
        if kept is None or kept.sha512 != radiograph.delivered_sha512:
            return "the delivered file cannot be made again from it, and is not in the package"
    return ""


def _totals(index: Index) -> Iterator[Finding]:
    counted = total(index.welds, index.files)
    for field in fields(Totals):
        stated, found = getattr(index.totals, field.name), getattr(counted, field.name)
        if stated != found:
            yield finding("CNT-TOTAL", layout.INDEX, what=field.name.replace("_", " "), stated=stated, found=found)
