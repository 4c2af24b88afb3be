"""The client's receipts: made for a stored handover, signed, and kept beside the package it answers.

Knows where a receipt lies in the store and in the archive's ``receipts`` folder, and that a revision gets each kind of
receipt once. Refuses to know how a receipt is written and signed: ``package.receipt`` does that.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Literal

from beadroll.archive import home, locks
from beadroll.archive.ocfl import Inventory
from beadroll.archive.reception import Reception, package_path, receipt_path, version_with
from beadroll.archive.store import STAGING, Addition, Changed, Store, replace_file
from beadroll.errors import ArchiveError
from beadroll.findings import Finding
from beadroll.package.layout import SEALS, TAG_MANIFEST, is_seal, safe_name
from beadroll.package.seals.keys import Signer
from beadroll.package.seals.receipt import Reason, make_receipt, sign_receipt
from beadroll.package.seals.sign import Timestamper
from beadroll.package.staging import machine_error

_ATTEMPTS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """A receipt in the archive: its file and its seal's, and what was found while it was signed."""

    result: Literal["accepted", "returned"]
    receipt: Path
    seal: Path
    new: bool
    findings: tuple[Finding, ...] = ()


def client_receipt(
    signer: Signer,
    *,
    by: str,
    now: datetime,
    timestamper: Timestamper | None = None,
    reasons: Sequence[Reason] = (),
    remarks: str = "",
) -> Callable[[Store, Inventory, Reception], Answer]:
    """Return the step that answers a stored handover: accepted, or returned where there are ``reasons``."""

    def give(store: Store, inventory: Inventory, reception: Reception) -> Answer:
        return give_receipt(
            store,
            inventory,
            reception,
            signer=signer,
            by=by,
            now=now,
            timestamper=timestamper,
            reasons=reasons,
            remarks=remarks,
        )

    return give


def give_receipt(  # noqa: PLR0913 - the fields of a receipt and what signs it
    store: Store,
    inventory: Inventory,
    reception: Reception,
    *,
    signer: Signer,
    by: str,
    now: datetime,
    timestamper: Timestamper | None = None,
    reasons: Sequence[Reason] = (),
    remarks: str = "",
) -> Answer:
    """Make, sign and keep the receipt for a revision; one that is there already is not made again.

    Raises ``ArchiveError`` where the object holds no such package or is changed by others all the time, and as
    ``make_receipt`` and ``sign_receipt`` do.
    """
    result: Literal["accepted", "returned"] = "returned" if reasons else "accepted"
    logical = receipt_path(reception.revision, result)
    sealed = str(PurePosixPath(logical).with_suffix(".p7s"))
    held: Inventory | None = inventory
    findings: tuple[Finding, ...] = ()
    for _ in range(_ATTEMPTS):
        if held is None:
            break
        if logical in held.newest.state:
            return _copied_out(store, held, reception, result, new=bool(findings), findings=findings)
        tagmanifest, seals = _sealed_files(store, held, reception)
        receipt = make_receipt(
            tagmanifest,
            seals,
            handover=reception.handover,
            result=result,
            reasons=reasons,
            by=by,
            remarks=remarks,
            now=now,
        )
        signed = sign_receipt(receipt, signer, timestamper=timestamper, now=now)
        with store.stage() as stage:
            files = (stage.add(logical, receipt), stage.add(sealed, signed.p7s))
            addition = Addition(
                files=files,
                state={**held.newest.state, **{entry.path: entry.sha512 for entry in files}},
                created=now,
                message=f"receipt for revision {reception.revision}: {result}",
                user=by,
            )
            try:
                made = store.commit(stage, held.id, held, addition)
            except Changed:
                held = store.inventory(inventory.id)
                continue
        return _copied_out(store, made, reception, result, new=True, findings=signed.findings)
    raise ArchiveError(f"{inventory.id}: others keep changing it", remedy="Give the receipt again a little later.")


def _sealed_files(store: Store, inventory: Inventory, reception: Reception) -> tuple[bytes, dict[str, bytes]]:
    """Return a revision's tag manifest and its seals, role -> bytes, as the newest version with it has them."""
    first = version_with(inventory, reception.tagmanifest_sha512)
    if not first:
        raise ArchiveError(
            f"{inventory.id} does not hold revision {reception.revision}", remedy="Receive the package first."
        )
    tag = package_path(TAG_MANIFEST)
    number = max(
        number
        for number, version in enumerate(inventory.versions, start=1)
        if version.state.get(tag) == reception.tagmanifest_sha512
    )
    prefix = package_path("")
    paths = [path for path in inventory.versions[number - 1].state if path.startswith(package_path(SEALS))]
    try:
        tagmanifest = store.path(inventory, tag, number).read_bytes()
        seals = {
            PurePosixPath(path).stem: store.path(inventory, path, number).read_bytes()
            for path in paths
            if is_seal(path.removeprefix(prefix)) and path.endswith(".p7s")
        }
    except OSError as error:
        raise machine_error("cannot be read", store.folder(inventory.id), error) from error
    return tagmanifest, seals


def _copied_out(
    store: Store,
    inventory: Inventory,
    reception: Reception,
    result: Literal["accepted", "returned"],
    *,
    new: bool,
    findings: tuple[Finding, ...],
) -> Answer:
    """Put a copy where a person looks for it; the one in the store is the record."""
    logical = receipt_path(reception.revision, result)
    made: list[Path] = []
    for path in (logical, str(PurePosixPath(logical).with_suffix(".p7s"))):
        name = f"{safe_name(reception.job)}-{safe_name(reception.handover)}-{PurePosixPath(path).name}"
        copy = store.archive / home.RECEIPTS / name
        try:
            data = store.path(inventory, path).read_bytes()
            if not copy.exists() or copy.read_bytes() != data:
                with locks.working_folder(store.archive / STAGING) as work:
                    replace_file(copy, data, work)
        except OSError as error:
            raise machine_error("could not write", copy, error) from error
        made.append(copy)
    return Answer(result=result, receipt=made[0], seal=made[1], new=new, findings=findings)
