"""Where each file of a handover goes in the package: one path for every delivered file and radiograph.

Knows names; the same record and the same delivered names give the same paths, whatever the order. Refuses to know
bytes, and to let a crew's own file name decide a path: what cannot stand as it is gets a tagged spelling.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping

from beadroll.package import layout
from beadroll.record.handover import Handover
from beadroll.record.weld import WeldRecord

_MEDIA_TYPES: Mapping[str, str] = {
    "csv": "text/csv",
    "dcm": "application/dicom",
    "html": "text/html",
    "jpg": "image/jpeg",
    "json": "application/json",
    "md": "text/markdown",
    "parquet": "application/vnd.apache.parquet",
    "pdf": "application/pdf",
    "png": "image/png",
    "tif": "image/tiff",
    "tiff": "image/tiff",
    "toml": "application/toml",
    "txt": "text/plain",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "xml": "application/xml",
}
"""Media types by file extension (IANA registry). A table of our own: the system's differs from machine to machine."""


def package_name(handover: Handover) -> str:
    """Return the name a handover's package bears: its number, and its revision from the second on."""
    name = layout.safe_name(handover.number)
    return name if handover.revision <= 1 else f"{name}_r{handover.revision}"


def media_type(path: str) -> str:
    """Return the media type of a file by its extension; what is not known is a stream of octets."""
    return _MEDIA_TYPES.get(path.rpartition(".")[2].lower(), "application/octet-stream")


def radiograph_stems(record: WeldRecord) -> dict[str, str]:
    """Return radiograph id -> the stem of its file's name: event and segment, and a count where several share them.

    For example ``0-1``, ``R1_0-1``, and ``R1_0-1.2`` for the second radiograph of that segment.
    """
    stems: dict[str, str] = {}
    taken: set[str] = set()
    for each in sorted(record.radiographs, key=lambda r: r.id):
        said = "_".join(part for part in (each.event, each.segment) if part)
        stem = layout.safe_name(said.upper()) if said else "IMAGE"
        names = itertools.chain((stem,), (f"{stem}.{count}" for count in itertools.count(2)))
        stems[each.id] = next(name for name in names if name.casefold() not in taken)
        taken.add(stems[each.id].casefold())
    return stems


def radiograph_path(record: WeldRecord, stem: str) -> str:
    """Return the path of a radiograph's object."""
    return layout.radiograph(record.weld.id.line, record.weld.id.number, f"{stem}.dcm")


def preview_path(record: WeldRecord, stem: str) -> str:
    """Return the path of a radiograph's preview."""
    return f"{layout.weld_folder(record.weld.id.line, record.weld.id.number)}/previews/{stem}.jpg"


def delivered_paths(delivered: Iterable[str]) -> dict[str, str]:
    """Return delivered path -> path under ``data/as-delivered/``, folder by folder, so that the tree stays readable.

    A path that is too deep or too long for a package lies at the top under a tagged name.
    """
    split = {path: tuple(path.split("/")) for path in delivered}
    siblings: dict[tuple[str, ...], set[str]] = {}
    for names in split.values():
        for depth, name in enumerate(names):
            siblings.setdefault(names[:depth], set()).add(name)
    spelled = {folder: layout.distinct_names(names) for folder, names in siblings.items()}
    made: dict[str, str] = {}
    for path, names in split.items():
        inside = "/".join(spelled[names[:depth]][name] for depth, name in enumerate(names))
        place = f"{layout.AS_DELIVERED}/{inside}"
        made[path] = f"{layout.AS_DELIVERED}/{layout.safe_name(path)}" if layout.path_fault(place) else place
    return made
