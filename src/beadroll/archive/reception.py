"""What the archive found when it received a package, kept beside the package for as long as it is kept.

Knows the document ``received/r<revision>.json`` of a stored handover and where things lie in an OCFL object. Refuses
to check anything itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final
from urllib.parse import quote

from beadroll.archive.ocfl import Inventory
from beadroll.documents import Kind
from beadroll.findings import Finding
from beadroll.package.layout import TAG_MANIFEST

PACKAGE: Final = "package"
"""Where the newest revision's package lies in an object, as received."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceivedSeal:
    """One seal as it was judged on arrival. ``made_at`` is the proven time, or the signer's claim: see ``time_kind``.

    ``signer`` and ``organisation`` are the certificate's names, ``root_sha256`` the pinned root it led to.
    """

    role: str
    path: str
    sha512: str
    signer: str = ""
    organisation: str = ""
    made_at: datetime | None = None
    time_kind: str = ""
    demo: bool = False
    root_sha256: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reception:
    """One reception: which package, when, by whom it was sealed, and what was found that did not stop it."""

    job: str
    handover: str
    revision: int
    received_at: datetime
    form: str
    tagmanifest_sha512: str
    payload_oxum: str
    seals: tuple[ReceivedSeal, ...] = ()
    findings: tuple[Finding, ...] = ()


RECEPTION: Final[Kind[Reception]] = Kind(name="reception", content=Reception)


def object_id(job: str, handover: str) -> str:
    """Return the id of a handover's object; the parts are percent-encoded, so that no two handovers share one."""
    return f"urn:beadroll:{quote(job, safe='')}:{quote(handover, safe='')}"


def reception_path(revision: int) -> str:
    """Return where a reception's document lies in the object."""
    return f"received/r{revision}.json"


def package_path(path: str) -> str:
    """Return where a file of the package lies in the object."""
    return f"{PACKAGE}/{path}"


def receipt_path(revision: int, result: str) -> str:
    """Return where the client's receipt for a revision lies in the object; its seal lies beside it as ``.p7s``."""
    return f"receipts/r{revision}-{result}.json"


def version_with(inventory: Inventory, tagmanifest_sha512: str) -> int:
    """Return the first version that holds the package with that tag manifest, 0 where none does."""
    for number, version in enumerate(inventory.versions, start=1):
        if version.state.get(package_path(TAG_MANIFEST)) == tagmanifest_sha512:
            return number
    return 0


def revisions(inventory: Inventory) -> dict[int, int]:
    """Return the revisions an object holds: revision -> the first version that has it."""
    found: dict[int, int] = {}
    for number, version in enumerate(inventory.versions, start=1):
        for path in version.state:
            if path.startswith("received/r") and path.endswith(".json"):
                found.setdefault(int(path.removeprefix("received/r").removesuffix(".json")), number)
    return found
