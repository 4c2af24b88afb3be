"""Receiving a package: verified while it is copied, stored, listed in the catalog, and answered by a receipt.

``receive`` reads as the numbered steps of a reception. Knows their order and what each outcome means. Refuses to keep
anything of a package that fails but a report with the reasons. A reception killed at any moment is wholly in or wholly
out for whoever asks the catalog; receiving the package again finishes it.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from enum import StrEnum
from pathlib import Path, PurePosixPath

from beadroll import documents
from beadroll.archive import home, locks
from beadroll.archive.catalog import Catalog
from beadroll.archive.catalog_rows import batches, check_segments
from beadroll.archive.catalog_write import append
from beadroll.archive.ocfl import Inventory
from beadroll.archive.receipts import Answer
from beadroll.archive.reception import (
    PACKAGE,
    RECEPTION,
    ReceivedSeal,
    Reception,
    object_id,
    package_path,
    reception_path,
    revisions,
    version_with,
)
from beadroll.archive.store import STAGING, Addition, Changed, Stage, Store, replace_file
from beadroll.errors import InputError, MachineError, NotTrusted
from beadroll.findings import Finding, Report, finding
from beadroll.package import content, layout
from beadroll.package.digests import Progress
from beadroll.package.index import INDEX, Index
from beadroll.package.layout import FileEntry
from beadroll.package.read import PackageReader
from beadroll.package.seals.receipt import Predecessor, check_succession
from beadroll.package.seals.seal import SealVerdict, judge, pending
from beadroll.package.seals.statement import seal_difference, seal_digests
from beadroll.package.seals.trust import Trust
from beadroll.package.staging import machine_error
from beadroll.package.verify import ContentJudge, Inspection, inspect

_ATTEMPTS = 4
_REMEDY = "Keep the package as it is, and ask the sender, naming the faults."


class Outcome(StrEnum):
    """What a reception came to."""

    NEW = "new"
    REVISION = "revision"
    SEALS = "seals added"
    SAME = "already here"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """A handover in the archive. ``report`` has what was found that did not stop it; ``answer`` the receipt given.

    In a dry run nothing has been written, and ``outcome`` is what would have come.
    """

    object_id: str
    job: str
    handover: str
    revision: int
    outcome: Outcome
    store_version: int
    tagmanifest_sha512: str
    files: int
    size_bytes: int
    seals: tuple[ReceivedSeal, ...]
    report: Report
    folder: Path
    answer: Answer | None = None
    dry_run: bool = False


@dataclass(slots=True, kw_only=True)
class _Judges:
    """The two judges a verification asks, and what they learn on the way."""

    trust: Trust
    required_roles: tuple[str, ...]
    now: datetime
    further: ContentJudge
    verdicts: tuple[SealVerdict, ...] = ()
    seals: Mapping[str, bytes] = field(default_factory=dict)
    index: Index | None = None

    def judge_seals(self, tagmanifest: bytes, seals: Mapping[str, bytes]) -> tuple[Finding, ...]:
        self.seals = seals
        self.verdicts, found = judge(tagmanifest, seals, self.trust, required_roles=self.required_roles, now=self.now)
        return found

    def judge_content(self, reader: PackageReader) -> tuple[Finding, ...]:
        self.index = read_index(reader)
        return (*check_segments(reader, self.index), *self.further(reader))


def read_index(reader: PackageReader) -> Index:
    """Return a package's index. Raises ``InputError`` where there is none or it cannot be read."""
    if layout.INDEX not in reader.members:
        raise InputError("is missing", path=layout.INDEX, remedy="Ask the sender for a new package.")
    return documents.read(reader.read(layout.INDEX, documents.MAX_BYTES), INDEX, name=layout.INDEX).value


def receive(  # noqa: PLR0913 - each choice of a reception is its own argument, so that a call reads like the order
    package: Path,
    archive: Path,
    *,
    now: datetime,
    trust: Trust | None = None,
    judge_content: ContentJudge = content.judge_content,
    give: Callable[[Store, Inventory, Reception], Answer] | None = None,
    dry_run: bool = False,
    cold: bool = False,
    progress: Progress | None = None,
) -> Stored:
    """Receive a package (folder or ZIP) into an archive.

    ``trust`` is the archive's own where not given. ``judge_content`` asks whether the records agree. ``give``
    makes the receipt (see ``receipts.client_receipt``); without it none is given. ``cold`` reads the copy back from
    the disk before it counts, since a digest taken while copying proves the source, not the disk. ``dry_run`` checks
    everything and writes nothing.

    Raises ``NotTrusted`` with the whole report where the package fails, is an older revision, or contradicts one
    received; ``ArchiveError``, ``InputError`` and ``MachineError`` as named in ``errors``.
    """
    # 1. The archive, and whom it trusts.
    settings = home.read_settings(archive)
    store = Store(archive)
    judges = _Judges(
        trust=home.load_trust(archive) if trust is None else trust,
        required_roles=settings.required_roles,
        now=now,
        further=judge_content,
    )
    with store.stage() as stage:
        # 2. Verify while copying: each byte is read once, and what is judged is what is kept.
        inspection = inspect(
            package,
            judge_seals=judges.judge_seals,
            judge_content=judges.judge_content,
            copy_to=None if dry_run else stage.content / PACKAGE,
            progress=progress,
        )
        _refuse(archive, package, inspection.report, now, dry_run=dry_run)
        assert judges.index is not None
        reception = _reception(inspection, judges)
        if cold and not dry_run:
            _read_back(stage, inspection.files)
        # 3. Its place in the store: new, a revision, further seals, or here already.
        stored = _store(store, stage, inspection, reception, judges, dry_run=dry_run)
    report = inspection.report + Report(findings=_succession(archive, judges.index))
    inventory = store.inventory(stored.object_id)
    if not dry_run and inventory is not None:
        # 4. The catalog, the gate last.
        list_in_catalog(store, inventory)
        # 5. The client's receipt.
        answer = give(store, inventory, reception) if give is not None else None
        return replace(stored, report=report, answer=answer)
    return replace(stored, report=report, dry_run=dry_run)


def list_in_catalog(store: Store, inventory: Inventory) -> int:
    """Add whatever the catalog lacks of an object; return how many batches were added. Raises ``ArchiveError``."""
    return sum(append(store.archive, name, tables) for name, tables in batches(store, inventory))


# ------------------------------------------------------------------------------------------------------- internals


def _refuse(archive: Path, package: Path, report: Report, now: datetime, *, dry_run: bool) -> None:
    """Raise ``NotTrusted`` where anything stops the package, keeping the reasons and nothing else."""
    if not report.stops:
        return
    message = f"{package}: not received: {len(report.stops)} faults"
    if dry_run:
        raise NotTrusted(message, report, remedy=_REMEDY)
    data = documents.write(tuple(report.ordered()), documents.FINDINGS)
    name = f"{now:%Y%m%dT%H%M%S}-{layout.safe_name(package.name)}-{hashlib.sha256(data).hexdigest()[:8]}.json"
    path = archive / home.REFUSED / name
    try:
        with locks.working_folder(archive / STAGING) as work:
            replace_file(path, data, work)
    except OSError as error:
        raise machine_error("could not write the reasons of a refusal", path, error) from error
    raise NotTrusted(f"{message}; the reasons are kept in {path}", report, remedy=_REMEDY)


def _reception(inspection: Inspection, judges: _Judges) -> Reception:
    assert judges.index is not None
    by_role = {verdict.role: verdict for verdict in judges.verdicts}
    return Reception(
        job=judges.index.job.id,
        handover=judges.index.handover.number,
        revision=judges.index.handover.revision,
        received_at=judges.now.replace(microsecond=0),
        form=inspection.form,
        tagmanifest_sha512=inspection.tagmanifest_sha512,
        payload_oxum=inspection.payload_oxum,
        seals=tuple(
            _received_seal(path, data, by_role.get(PurePosixPath(path).stem))
            for path, data in sorted(inspection.seals.items())
        ),
        findings=tuple(inspection.report.ordered()),
    )


def _received_seal(path: str, data: bytes, verdict: SealVerdict | None) -> ReceivedSeal:
    role, digest = PurePosixPath(path).stem, hashlib.sha512(data).hexdigest()
    if verdict is None:
        return ReceivedSeal(role=role, path=path, sha512=digest)
    signer = verdict.signer
    return ReceivedSeal(
        role=role,
        path=path,
        sha512=digest,
        signer=signer.name if signer else "",
        organisation=signer.organisation if signer else "",
        made_at=verdict.time.at or verdict.time.claimed,
        time_kind=str(verdict.time.kind),
        demo=verdict.demo,
        root_sha256=verdict.root,
    )


def _read_back(stage: Stage, files: tuple[FileEntry, ...]) -> None:
    """Read the copy again from the disk, past the system's cache as far as the system allows."""
    for entry in files:
        path = stage.content / PACKAGE / entry.path
        try:
            with path.open("rb") as copy:
                os.posix_fadvise(copy.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
                digest = hashlib.file_digest(copy, "sha512").hexdigest()
        except OSError as error:
            raise machine_error("could not read back", path, error) from error
        if digest != entry.sha512:
            raise MachineError(
                f"{entry.path}: the disk gave back other bytes than were written to it",
                remedy="Check the disk of the archive before receiving anything more on it.",
            )


def _store(
    store: Store, stage: Stage, inspection: Inspection, reception: Reception, judges: _Judges, *, dry_run: bool
) -> Stored:
    identifier = object_id(reception.job, reception.handover)
    document = None if dry_run else stage.add(reception_path(reception.revision), _document(reception))
    for _ in range(_ATTEMPTS):
        inventory = store.inventory(identifier) if dry_run else store.recover(identifier)
        outcome, found = _place(store, inventory, inspection, reception)
        _refuse(store.archive, Path(inspection.name), Report(findings=found), judges.now, dry_run=dry_run)
        stored = _stored(store, inventory, inspection, reception, outcome)
        if document is None or outcome is Outcome.SAME:
            return stored
        addition = _addition(inventory, inspection, reception, document, outcome)
        try:
            made = store.commit(stage, identifier, inventory, addition)
        except Changed:
            continue
        return _stored(store, made, inspection, reception, outcome)
    raise Changed(f"{identifier}: others keep changing it", remedy="Receive the package again when they have finished.")


def _document(reception: Reception) -> bytes:
    return documents.write(reception, RECEPTION)


def _place(
    store: Store, inventory: Inventory | None, inspection: Inspection, reception: Reception
) -> tuple[Outcome, tuple[Finding, ...]]:
    """Decide what a verified package is to an object: first, a revision, further seals, or nothing new."""
    if inventory is None:
        return Outcome.NEW, ()
    name, known = reception.handover, revisions(inventory)
    version = version_with(inventory, reception.tagmanifest_sha512)
    newest = max(known, default=-1)
    if not version and reception.revision in known:
        return Outcome.SAME, (finding("RCV-REVISION-CLASH", name, revision=reception.revision),)
    if not version and reception.revision < newest:
        return Outcome.SAME, (finding("RCV-REVISION-OLD", name, revision=reception.revision, newest=newest),)
    if not version:
        return Outcome.REVISION, ()
    if reception.revision < newest:
        return Outcome.SAME, ()
    return _seals_differ(store, inventory, inspection, name)


def _seals_differ(
    store: Store, inventory: Inventory, inspection: Inspection, name: str
) -> tuple[Outcome, tuple[Finding, ...]]:
    state = inventory.newest.state
    outcome = Outcome.SAME
    for path, data in sorted(inspection.seals.items()):
        held = state.get(package_path(path))
        if held == hashlib.sha512(data).hexdigest():
            continue
        if held is None:
            outcome = Outcome.SEALS
            continue
        # The same signature with a time-stamp token added since is the same seal; anything else is another one.
        old = seal_digests(store.path(inventory, package_path(path)).read_bytes())
        if seal_difference(old, data) == "other":
            return Outcome.SAME, (finding("RCV-SEAL-OTHER", name, path=path),)
        if not pending(data):
            outcome = Outcome.SEALS
    return outcome, ()


def _addition(
    inventory: Inventory | None,
    inspection: Inspection,
    reception: Reception,
    document: FileEntry,
    outcome: Outcome,
) -> Addition:
    package = [_entry(package_path(entry.path), entry) for entry in inspection.files]
    state = {entry.path: entry.sha512 for entry in (*package, document)}
    if inventory is not None:
        before = inventory.newest.state
        if outcome is Outcome.SEALS:
            state = {**before, **state}
        else:
            state = {path: digest for path, digest in before.items() if not path.startswith(f"{PACKAGE}/")} | state
    messages = {
        Outcome.NEW: f"revision {reception.revision} received",
        Outcome.REVISION: f"revision {reception.revision} received",
        Outcome.SEALS: f"further seals of revision {reception.revision} received",
    }
    return Addition(
        files=(*package, document),
        state=state,
        created=reception.received_at,
        message=messages[outcome],
        user="beadroll receive",
    )


def _entry(path: str, entry: FileEntry) -> FileEntry:
    return FileEntry(path=path, size=entry.size, sha512=entry.sha512)


def _stored(
    store: Store, inventory: Inventory | None, inspection: Inspection, reception: Reception, outcome: Outcome
) -> Stored:
    identifier = object_id(reception.job, reception.handover)
    return Stored(
        object_id=identifier,
        job=reception.job,
        handover=reception.handover,
        revision=reception.revision,
        outcome=outcome,
        store_version=inventory.head if inventory else 0,
        tagmanifest_sha512=reception.tagmanifest_sha512,
        files=len(inspection.files),
        size_bytes=sum(entry.size for entry in inspection.files),
        seals=reception.seals,
        report=inspection.report,
        folder=store.folder(identifier),
    )


def _succession(archive: Path, index: Index) -> tuple[Finding, ...]:
    """Say whether the handover before this one is here; a gap is worth knowing and stops nothing."""
    handover = index.handover
    received = [
        Predecessor(
            handover=row["handover"],
            tagmanifest_sha512=row["tagmanifest_sha512"],
            previous_sha512=row["previous_tagmanifest_sha512"],
        )
        for row in Catalog(archive).received()
        if row["job"] == index.job.id and row["handover"] != handover.number
    ]
    previous = handover.previous.tagmanifest_sha512 if handover.previous else ""
    return check_succession(handover.number, previous, received)
