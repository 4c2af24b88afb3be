"""OCFL 1.1 on paper: inventories, version numbers, and where an object lies under a storage root.

Knows the Oxford Common File Layout 1.1 (https://ocfl.io/1.1/spec/) and its storage layout extension
0003-hash-and-id-n-tuple-storage-layout, as bytes and values. Refuses to open files: ``store`` does that.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from beadroll.documents import parse_json
from beadroll.errors import ArchiveError, InputError

ROOT_DECLARATION: Final = ("0=ocfl_1.1", b"ocfl_1.1\n")
"""The file that marks a storage root, and what stands in it (OCFL 1.1 section 4.1)."""
OBJECT_DECLARATION: Final = ("0=ocfl_object_1.1", b"ocfl_object_1.1\n")
"""The file that marks an object (OCFL 1.1 section 3.3)."""
INVENTORY: Final = "inventory.json"
SIDECAR: Final = "inventory.json.sha512"
LAYOUT_FILE: Final = "ocfl_layout.json"
LAYOUT: Final = "0003-hash-and-id-n-tuple-storage-layout"
CONTENT: Final = "content"
INVENTORY_TYPE: Final = "https://ocfl.io/1.1/spec/#inventory"

_TUPLE_SIZE: Final = 3
_TUPLES: Final = 3
_LONGEST_NAME: Final = 100
"""Longest encoded id before the extension shortens it and adds a digest."""
_DIGEST = re.compile(r"[0-9a-f]{128}", re.ASCII)
_VERSION = re.compile(r"v([1-9][0-9]{0,5})", re.ASCII)
_CONTENT_PATH = re.compile(r"v([1-9][0-9]{0,5})/content/(.+)", re.ASCII | re.DOTALL)
_REMEDY = "Run an audit; it says what is damaged and mends it from a second copy where there is one."


@dataclass(frozen=True, slots=True, kw_only=True)
class Version:
    """One version of an object: when and by whom it was made, and what it holds: logical path -> SHA-512."""

    created: datetime
    message: str
    user: str
    address: str
    state: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Inventory:
    """All versions of one object. ``manifest`` maps a SHA-512 to the content paths that hold those bytes."""

    id: str
    manifest: Mapping[str, tuple[str, ...]]
    versions: tuple[Version, ...]

    @property
    def head(self) -> int:
        """The number of the newest version, counted from 1."""
        return len(self.versions)

    @property
    def newest(self) -> Version:
        """The newest version."""
        return self.versions[-1]

    def content_path(self, logical: str, version: int | None = None) -> str:
        """Return where a file's bytes lie below the object; raises ``KeyError`` for a path the version lacks."""
        held = self.versions[(version or self.head) - 1]
        return self.manifest[held.state[logical]][0]

    def extended(self, version: Version, added: Mapping[str, str]) -> Inventory:
        """Return the inventory with one more version; ``added`` maps new logical paths to their SHA-512.

        Raises ``ValueError`` when the new state names bytes that nobody holds: a fault of the caller.
        """
        number = self.head + 1
        manifest = {digest: list(paths) for digest, paths in self.manifest.items()}
        for logical, digest in sorted(added.items()):
            manifest.setdefault(digest, []).append(f"v{number}/{CONTENT}/{logical}")
        unheld = sorted(path for path, digest in version.state.items() if digest not in manifest)
        if unheld:
            raise ValueError(f"nobody holds the bytes of {unheld[0]}")
        return Inventory(
            id=self.id,
            manifest={digest: tuple(paths) for digest, paths in sorted(manifest.items())},
            versions=(*self.versions, version),
        )

    def until(self, version: int) -> Inventory:
        """Return the inventory as it was at an earlier version, which is what that version's folder holds."""
        versions = self.versions[:version]
        used = {digest for each in versions for digest in each.state.values()}
        manifest = {
            digest: tuple(path for path in paths if version_of(path) <= version)
            for digest, paths in self.manifest.items()
            if digest in used
        }
        return Inventory(id=self.id, manifest=manifest, versions=versions)

    def to_bytes(self) -> bytes:
        """Return the inventory as it is written; the same inventory gives the same bytes."""
        made: dict[str, Any] = {
            "digestAlgorithm": "sha512",
            "head": f"v{self.head}",
            "id": self.id,
            "manifest": {digest: list(paths) for digest, paths in sorted(self.manifest.items())},
            "type": INVENTORY_TYPE,
            "versions": {f"v{number}": _written(version) for number, version in enumerate(self.versions, start=1)},
        }
        return (json.dumps(made, ensure_ascii=False, indent=1, allow_nan=False) + "\n").encode("utf-8")

    @classmethod
    def from_bytes(cls, data: bytes, *, name: str) -> Inventory:
        """Read an inventory strictly; ``name`` is what messages call it. Raises ``ArchiveError``."""
        try:
            value = parse_json(data, name=name)
        except InputError as fault:
            raise ArchiveError(fault.message, remedy=_REMEDY) from fault
        try:
            return _read(value)
        except (KeyError, TypeError, ValueError, AttributeError) as fault:
            raise ArchiveError(f"{name} is not a sound inventory: {fault}", remedy=_REMEDY) from fault


def empty(identifier: str) -> Inventory:
    """Return the inventory of an object that has no version yet; it is never written as it is."""
    return Inventory(id=identifier, manifest={}, versions=())


def sidecar(inventory: bytes) -> bytes:
    """Return the sidecar of an inventory's bytes (OCFL 1.1 section 3.7)."""
    return f"{hashlib.sha512(inventory).hexdigest()} {INVENTORY}\n".encode("ascii")


def sidecar_fits(inventory: bytes, side: bytes) -> bool:
    """Say whether a sidecar belongs to an inventory's bytes; the blanks between its two words do not matter."""
    return side.split() == [hashlib.sha512(inventory).hexdigest().encode("ascii"), INVENTORY.encode("ascii")]


def object_path(identifier: str) -> str:
    """Return where the layout extension 0003 puts an object below the root, with ``/``.

    SHA-256 of the id gives three folders of three hex digits; the id itself, with everything but ASCII letters,
    digits, ``-`` and ``_`` percent-encoded in lower-case hex, names the object.
    """
    digest = hashlib.sha256(identifier.encode("utf-8")).hexdigest()
    name = "".join(_encoded(byte) for byte in identifier.encode("utf-8"))
    if len(name) > _LONGEST_NAME:
        name = f"{name[:_LONGEST_NAME]}-{digest}"
    tuples = [digest[at : at + _TUPLE_SIZE] for at in range(0, _TUPLE_SIZE * _TUPLES, _TUPLE_SIZE)]
    return "/".join([*tuples, name])


def root_files() -> dict[str, bytes]:
    """Return the files of an empty storage root, path -> bytes."""
    layout = {
        "description": "SHA-256 of the object's id in three folders of three digits, then the encoded id",
        "extension": LAYOUT,
    }
    config = {
        "digestAlgorithm": "sha256",
        "extensionName": LAYOUT,
        "numberOfTuples": _TUPLES,
        "tupleSize": _TUPLE_SIZE,
    }
    return {
        f"extensions/{LAYOUT}/config.json": _json(config),
        LAYOUT_FILE: _json(layout),
        ROOT_DECLARATION[0]: ROOT_DECLARATION[1],
    }


def version_number(name: str) -> int:
    """Return the number of a version folder's name, 0 where it is none. No zero-padding is used here."""
    match = _VERSION.fullmatch(name)
    return int(match[1]) if match else 0


def version_of(content_path: str) -> int:
    """Return the number of the version that a content path lies in."""
    return version_number(content_path.partition("/")[0])


def logical_of(content_path: str) -> str:
    """Return the logical path under which a content path was first written."""
    return content_path.partition(f"/{CONTENT}/")[2]


# ------------------------------------------------------------------------------------------------------- internals


def _json(value: Any) -> bytes:
    return (json.dumps(value, indent=1) + "\n").encode("utf-8")


def _encoded(byte: int) -> str:
    letter = chr(byte)
    return letter if letter.isascii() and (letter.isalnum() or letter in "-_") else f"%{byte:02x}"


def _written(version: Version) -> dict[str, Any]:
    state: dict[str, list[str]] = {}
    for logical, digest in sorted(version.state.items()):
        state.setdefault(digest, []).append(logical)
    user = {"name": version.user} | ({"address": version.address} if version.address else {})
    return {
        "created": version.created.isoformat(timespec="seconds"),
        "message": version.message,
        "state": dict(sorted(state.items())),
        "user": user,
    }


def _read(value: Any) -> Inventory:
    if value["type"] != INVENTORY_TYPE or value["digestAlgorithm"] != "sha512":
        raise ValueError("it is not of OCFL 1.1 with SHA-512")
    head = version_number(value["head"])
    names = [f"v{number}" for number in range(1, head + 1)]
    if not head or value["versions"].keys() != set(names):
        raise ValueError("its versions are not numbered v1 to its head")
    if not isinstance(value["id"], str) or not value["id"]:
        raise ValueError("it has no id")
    manifest = {_digest(digest): tuple(_content(p, head) for p in paths) for digest, paths in value["manifest"].items()}
    versions = tuple(_read_version(value["versions"][name]) for name in names)
    used = {digest for version in versions for digest in version.state.values()}
    if used != manifest.keys() or not all(manifest.values()):
        raise ValueError("its manifest and its versions do not name the same digests")
    paths = [path for each in manifest.values() for path in each]
    if len(paths) != len(set(paths)):
        raise ValueError("one content path has two digests")
    return Inventory(id=value["id"], manifest=manifest, versions=versions)


def _read_version(value: Any) -> Version:
    state: dict[str, str] = {}
    for digest, paths in value["state"].items():
        for path in paths:
            if path in state:
                raise ValueError(f"{path!r} stands twice in one version")
            state[_logical(path)] = _digest(digest)
    created = datetime.fromisoformat(value["created"])
    if created.tzinfo is None:
        raise ValueError("a version's time has no time zone")
    user = value.get("user", {})
    return Version(
        created=created,
        message=str(value.get("message", "")),
        user=str(user.get("name", "")),
        address=str(user.get("address", "")),
        state=state,
    )


def _digest(text: str) -> str:
    if not _DIGEST.fullmatch(text):
        raise ValueError(f"{text[:20]!r} is not a SHA-512 in lower-case hex")
    return text


def _content(path: str, head: int) -> str:
    match = _CONTENT_PATH.fullmatch(path)
    if match is None or int(match[1]) > head:
        raise ValueError(f"{path[:80]!r} is not a content path")
    _logical(match[2])
    return path


def _logical(path: str) -> str:
    if any(name in ("", ".", "..") for name in path.split("/")) or "\0" in path:
        raise ValueError(f"{path[:80]!r} may not name a file")
    return path
