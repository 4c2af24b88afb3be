"""The audit: every stored byte hashed again, seals judged again, the catalog compared, damage mended from a copy.

Knows which objects are due and takes a killed run up where it stopped. Refuses to decide what happens to a damaged
handover that has no second copy: it names the welds affected.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path, PurePosixPath
from typing import Final

from beadroll import documents
from beadroll.archive import home, locks, ocfl
from beadroll.archive.audit_ledger import Entry, Ledger
from beadroll.archive.audit_object import Checkup, check_object
from beadroll.archive.audit_repair import repair
from beadroll.archive.catalog import Catalog
from beadroll.archive.ocfl import Inventory
from beadroll.archive.rebuild import compare
from beadroll.archive.reception import package_path
from beadroll.archive.store import STAGING, Store, replace_file
from beadroll.errors import BeadrollError
from beadroll.findings import Finding, Report, Severity, finding
from beadroll.package.layout import TAG_MANIFEST, is_seal
from beadroll.package.seals.seal import judge
from beadroll.package.seals.trust import Trust
from beadroll.package.staging import machine_error

REPORTS: Final = "audit/reports"
LOCK: Final = "locks/audit.lock"

Judge = Callable[[bytes, Mapping[str, bytes], datetime], tuple[Finding, ...]]
"""Takes a tag manifest, its seals (path -> DER) and since when the archive has held them; says what is wrong."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Audited:
    """What an audit found. ``due`` is the oldest check of any object after this run, None where one was never checked.

    ``welds`` are the welds affected by damage that was not mended; ``objects`` counts those checked in this run.
    """

    began: datetime
    objects: int
    files: int
    size_bytes: int
    report: Report
    welds: tuple[str, ...]
    oldest_check: datetime | None
    written: Path


def audit(
    archive: Path,
    *,
    now: datetime,
    share: float = 1.0,
    since: timedelta | None = None,
    copy: Path | None = None,
    judge_seals: Judge | None = None,
    progress: Callable[[int, int, str], None] | None = None,
    threads: int = 2,
) -> Audited:
    """Check the objects that are due, mend them where ``copy`` (a second archive) has good bytes, and write a report.

    ``share`` is the part of all objects to check, those longest unchecked first; ``since`` leaves out what was checked
    within that time and found good. ``judge_seals`` replaces judging by the archive's own trust. ``progress`` hears
    objects done, objects in all, and the latest id. A killed run is taken up by the next. Receivers and readers work on
    meanwhile. Raises ``ArchiveError`` where the folder or the copy is no archive, ``MachineError``.
    """
    home.read_settings(archive)
    store, other = Store(archive), Store(copy) if copy is not None else None
    judging = judge_seals or _judge_by(home.load_trust(archive), now)
    found: list[Finding] = []
    files = size = 0
    with locks.held(archive / LOCK):
        ledger = Ledger(archive)
        began, left = ledger.begin(now, _due(store, other, ledger, now, share, since))
        for number, identifier in enumerate(left, start=1):
            checkup, findings = _check(store, identifier, other, judging, threads)
            found += findings
            files, size = files + checkup.files, size + checkup.size_bytes
            ledger.add(_entry(checkup, findings, began, now))
            if progress is not None:
                progress(number, len(left), identifier)
        ledger.end()
        report = Report(findings=tuple(found))
        written = _write(archive, began, report)
    checks = [ledger.latest[each].at if each in ledger.latest else None for each in store.ids()]
    return Audited(
        began=began,
        objects=len(left),
        files=files,
        size_bytes=size,
        report=report,
        welds=_welds(report),
        oldest_check=min((each for each in checks if each), default=None) if None not in checks else None,
        written=written,
    )


def _due(
    store: Store, other: Store | None, ledger: Ledger, now: datetime, share: float, since: timedelta | None
) -> tuple[str, ...]:
    """Choose what to check: what is damaged or gone first, then what was longest unchecked."""
    here = set(store.ids())
    known = here | set(_listed(store)) | (set(other.ids()) if other is not None else set())
    due = []
    for identifier in known:
        entry = ledger.latest.get(identifier)
        recent = entry is not None and entry.good and since is not None and now - entry.at < since
        if not recent or identifier not in here:
            due.append(identifier)
    due.sort(key=lambda each: (each in here, _bad_first(ledger.latest.get(each)), each))
    return tuple(due[: math.ceil(share * len(known))]) if known else ()


def _bad_first(entry: Entry | None) -> tuple[int, str]:
    if entry is None:
        return 1, ""
    return (0 if not entry.good else 2), entry.at.isoformat()


def _listed(store: Store) -> set[str]:
    """Return the objects the catalog knows; a catalog that cannot be opened is the comparison's to name."""
    try:
        return {row["object_id"] for row in Catalog(store.archive).received()}
    except BeadrollError:
        return set()


def _check(
    store: Store, identifier: str, other: Store | None, judging: Judge, threads: int
) -> tuple[Checkup, tuple[Finding, ...]]:
    finished = _finish(store, identifier)
    checkup = check_object(store, identifier, threads=threads)
    found = [*finished, *checkup.findings]
    if _worth_mending(checkup, other):
        found += repair(store, checkup, other)
    inventory = _inventory(store, identifier)
    if inventory is not None:
        found += _seals(store, inventory, judging)
        found += _catalog(store, inventory)
    return checkup, tuple(found)


def _worth_mending(checkup: Checkup, other: Store | None) -> bool:
    """Say whether good bytes may be to be had: in a second copy, or in the object's own inventories and files."""
    if checkup.inventory is None:
        return other is not None
    twice = any(len(checkup.inventory.manifest[each.sha512]) > 1 for each in checkup.damaged)
    return bool(checkup.unsound) or twice or (other is not None and bool(checkup.damaged))


def _finish(store: Store, identifier: str) -> tuple[Finding, ...]:
    """Finish in the store what a killed receiver left, so that it is not taken for damage."""
    inventory = _inventory(store, identifier)
    folder = store.folder(identifier)
    if inventory is None or not folder.is_dir():
        return ()
    if max((ocfl.version_number(each.name) for each in folder.iterdir()), default=0) <= inventory.head:
        return ()
    store.recover(identifier)
    return (finding("AUD-FINISHED", identifier),)


def _inventory(store: Store, identifier: str) -> Inventory | None:
    try:
        return store.inventory(identifier)
    except BeadrollError:
        return None


def _judge_by(trust: Trust, now: datetime) -> Judge:
    def judging(tagmanifest: bytes, seals: Mapping[str, bytes], held_since: datetime) -> tuple[Finding, ...]:
        return judge(tagmanifest, seals, trust, now=now, held_since=held_since)[1]

    return judging


def _seals(store: Store, inventory: Inventory, judging: Judge) -> tuple[Finding, ...]:
    """Judge every seal of the newest package again."""
    prefix = package_path("")
    state = inventory.newest.state
    paths = [path for path in state if path.startswith(prefix) and is_seal(path.removeprefix(prefix))]
    try:
        tagmanifest = store.path(inventory, package_path(TAG_MANIFEST)).read_bytes()
        seals = {path.removeprefix(prefix): store.path(inventory, path).read_bytes() for path in paths}
    except (OSError, KeyError):
        return ()  # the missing file has been named by the check of the content
    held_since = max(_since(inventory, path) for path in paths) if paths else inventory.newest.created
    return tuple(
        finding("AUD-SEAL", inventory.id, reason=each.text)
        for each in judging(tagmanifest, seals, held_since)
        if each.severity is Severity.STOP
    )


def _since(inventory: Inventory, path: str) -> datetime:
    """Return when the archive first held the bytes that a path has now."""
    digest = inventory.newest.state[path]
    return next(version.created for version in inventory.versions if version.state.get(path) == digest)


def _catalog(store: Store, inventory: Inventory) -> tuple[Finding, ...]:
    try:
        return compare(store, Catalog(store.archive), inventory)
    except BeadrollError as error:
        return (finding("AUD-CATALOG-UNREADABLE", inventory.id, reason=error.message),)


def _entry(checkup: Checkup, findings: tuple[Finding, ...], began: datetime, now: datetime) -> Entry:
    stops = {each.code for each in findings if each.severity is Severity.STOP}
    return Entry(
        object_id=checkup.identifier,
        head=checkup.inventory.head if checkup.inventory else 0,
        run=began,
        at=now,
        good=not stops,
        files=checkup.files,
        size_bytes=checkup.size_bytes,
        codes=tuple(sorted({each.code for each in findings})),
    )


def _welds(report: Report) -> tuple[str, ...]:
    """Return the welds affected by damage for which no good copy was to be had."""
    mended = {(each.subject, each.values.get("path")) for each in report.findings if each.code == "AUD-MENDED"}
    found: dict[str, None] = {}
    for each in report.findings:
        if each.code in ("AUD-FILE-DAMAGED", "AUD-FILE-MISSING"):
            if (str(each.values["object"]), each.subject) in mended:
                continue
            found.setdefault(f"{each.values['welds']} ({PurePosixPath(str(each.values['object'])).name})", None)
    return tuple(found)


def _write(archive: Path, began: datetime, report: Report) -> Path:
    path = archive / REPORTS / f"{began:%Y%m%dT%H%M%S}.json"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with locks.working_folder(archive / STAGING) as work:
            replace_file(path, documents.write(tuple(report.ordered()), documents.FINDINGS), work)
    except OSError as error:
        raise machine_error("could not write the audit's report", path, error) from error
    return path
