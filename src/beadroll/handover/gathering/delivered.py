"""The files of a job folder as they lie there: found, sized, told apart by content, nothing opened further.

Knows the layout ``crews/<crew>/<date>/`` and the first bytes of the kinds of file a week brings. Links and special
files are not followed. What the crews delivered is never altered. Left out without a word are only what computers put
into folders by themselves: names that begin with a dot or ``~$``, Thumbs.db, desktop.ini.
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import Final

from beadroll.errors import MachineError
from beadroll.findings import Finding, finding
from beadroll.handover.gathering.quantities import NotUnderstood, day
from beadroll.handover.stages import DeliveredFile
from beadroll.record.handover import Period

MAX_FILES: Final = 200_000
"""Most files looked at in one folder; a week of 500 welds brings about 2,000."""
MAX_DEPTH: Final = 12
_HEAD_BYTES: Final = 512


class FileKind(StrEnum):
    """What a file is, told from its first bytes; ``TEXT`` may be a CSV table, ``OTHER`` travels as delivered."""

    RADIOGRAPH = "radiograph"
    WORKBOOK = "workbook"
    TEXT = "text"
    TOML = "toml"
    PDF = "pdf"
    OTHER = "other"


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A file that was found, its path on this machine, its kind, and whether its name claims a radiograph."""

    file: DeliveredFile
    path: Path
    kind: FileKind


_RADIOGRAPH_SUFFIXES: Final = frozenset({".dcm", ".dic", ".dicom", ".dconde", ".tif", ".tiff", ".png"})
_TABLE_SUFFIXES: Final = frozenset({".csv", ".tsv", ".txt", ".tab"})
_ZIP: Final = b"PK\x03\x04"
_NOT_WORKBOOKS: Final = frozenset({".zip", ".docx", ".docm", ".odt", ".doc", ".pptx", ".jar", ".msg"})
_DIRECTORY: Final = b"1.2.840.10008.1.3.10"
"""The UID of a media storage directory (DICOM PS3.6, table A-1), written near the start of a DICOMDIR."""
_OLE: Final = bytes.fromhex("d0cf11e0a1b11ae1")
_MAGIC: Final = (
    (b"II*\0", FileKind.RADIOGRAPH),
    (b"MM\0*", FileKind.RADIOGRAPH),
    (b"II+\0", FileKind.RADIOGRAPH),
    (b"MM\0+", FileKind.RADIOGRAPH),
    (b"\x89PNG\r\n\x1a\n", FileKind.RADIOGRAPH),
    (b"%PDF-", FileKind.PDF),
)


def kind_of(head: bytes, suffix: str) -> FileKind:
    """Return the kind of a file from its first bytes; the suffix decides only where they say nothing.

    A file named as a radiograph that begins with nothing known is one that cannot be read, not some other paper.
    """
    if head[128:132] == b"DICM":
        # A DICOMDIR is the table of contents of a disc, not an image.
        return FileKind.OTHER if _DIRECTORY in head else FileKind.RADIOGRAPH
    suffix = suffix.lower()
    if head.startswith((_ZIP, _OLE)):
        return FileKind.OTHER if suffix in _NOT_WORKBOOKS else FileKind.WORKBOOK
    known = next((kind for magic, kind in _MAGIC if head.startswith(magic)), None)
    return known or _kind_by_name(head, suffix)


def _kind_by_name(head: bytes, suffix: str) -> FileKind:
    if suffix in _RADIOGRAPH_SUFFIXES or (not suffix and re.match(rb"[\x02\x08]\0[\0-\xff]\0[A-Z]{2}", head)):
        return FileKind.RADIOGRAPH
    if suffix == ".toml":
        return FileKind.TOML
    if suffix in {".xlsx", ".xlsm", ".ods"}:
        return FileKind.WORKBOOK
    return FileKind.TEXT if suffix in _TABLE_SUFFIXES else FileKind.OTHER


def _is_litter(name: str) -> bool:
    return name.startswith((".", "~$")) or name.lower() in {"thumbs.db", "desktop.ini"}


def files_under(folder: Path, top: str, findings: list[Finding]) -> Iterator[Found]:
    """Yield the files in and under ``top`` of a job folder, sorted by path; what is no plain file becomes a finding.

    Raises ``MachineError`` where the folder cannot be listed.
    """
    pending = [(folder / top, top, 0)]
    count = 0
    while pending:
        place, name, depth = pending.pop()
        for entry in _listed(place):
            path = f"{name}/{entry.name}"
            if _is_litter(entry.name):
                continue
            mode = _mode(entry)
            if stat.S_ISDIR(mode) and depth < MAX_DEPTH:
                pending.append((Path(entry.path), path, depth + 1))
            elif stat.S_ISREG(mode) and count < MAX_FILES and _is_plain_name(path):
                count += 1
                yield from _found(entry, path, findings)
            else:
                findings.append(_refused(path, mode))


def _listed(place: Path) -> list[os.DirEntry[str]]:
    try:
        with os.scandir(place) as entries:
            return sorted(entries, key=lambda e: e.name)
    except FileNotFoundError:
        return []
    except OSError as refused:
        raise MachineError(
            f"{place}: could not be listed: {refused.strerror}", remedy="Check the permissions."
        ) from refused


def _mode(entry: os.DirEntry[str]) -> int:
    try:
        return entry.stat(follow_symlinks=False).st_mode
    except OSError:
        return 0


def _is_plain_name(path: str) -> bool:
    """Tell whether a name is text: a name in no encoding cannot be written into a record."""
    try:
        path.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _refused(path: str, mode: int) -> Finding:
    shown = path.encode("utf-8", "backslashreplace").decode("utf-8")
    if stat.S_ISLNK(mode):
        reason, remedy = "is a link, and links are not followed", "Put the file itself there."
    elif stat.S_ISREG(mode):
        reason, remedy = "has a name that is not text, or is one of too many files", "Rename or move it."
    elif stat.S_ISDIR(mode):
        reason, remedy = f"is a folder more than {MAX_DEPTH} levels deep", "Move its files up."
    else:
        reason, remedy = "is no plain file", "Remove it from the folder."
    return finding("INT-PLACE", shown, reason=reason, remedy=remedy)


def _found(entry: os.DirEntry[str], path: str, findings: list[Finding]) -> Iterator[Found]:
    try:
        status = entry.stat(follow_symlinks=False)
        with Path(entry.path).open("rb") as file:
            head = file.read(_HEAD_BYTES)
    except OSError as refused:
        remedy = "Check the permissions of the file."
        reason = f"could not be opened: {refused.strerror}"
        findings.append(finding("INT-PLACE", path, reason=reason, remedy=remedy))
        return
    delivered = DeliveredFile(path=path, size_bytes=status.st_size, modified_ns=status.st_mtime_ns)
    yield Found(file=delivered, path=Path(entry.path), kind=kind_of(head, Path(entry.name).suffix))


def crew_files(folder: Path, period: Period, findings: list[Finding]) -> list[Found]:
    """Return the files of ``crews/<crew>/<date>/`` for the days of a period, each with its crew and day.

    A folder whose name is no date, and files outside such folders, become findings: they belong to no week.
    """
    made: list[Found] = []
    crews = folder / "crews"
    for crew in _listed(crews):
        if _is_litter(crew.name):
            continue
        if not stat.S_ISDIR(_mode(crew)):
            findings.append(_stray(f"crews/{crew.name}"))
            continue
        for dated in _listed(Path(crew.path)):
            top = f"crews/{crew.name}/{dated.name}"
            if _is_litter(dated.name):
                continue
            if not stat.S_ISDIR(_mode(dated)):
                findings.append(_stray(top))
                continue
            on = _date_of(dated.name)
            if on is None:
                count = sum(1 for _ in files_under(folder, top, []))
                findings.append(finding("INT-FOLDER-DATE", top, count=count))
            elif period.first <= on <= period.last:
                made += [_of_crew(f, crew.name, on) for f in files_under(folder, top, findings)]
    made.sort(key=lambda f: f.file.path)
    return made


def _of_crew(found: Found, crew: str, on: date) -> Found:
    file = found.file
    dated = DeliveredFile(path=file.path, size_bytes=file.size_bytes, modified_ns=file.modified_ns, crew=crew, on=on)
    return Found(file=dated, path=found.path, kind=found.kind)


def _stray(path: str) -> Finding:
    return finding(
        "INT-PLACE",
        path,
        reason="does not lie in a folder of a crew and a day",
        remedy="Move it into crews/<crew>/<date>/, such as crews/A/2031-04-03/.",
    )


def _date_of(name: str) -> date | None:
    """Return the day a folder is named after: ``2031-04-03``, ``20310403``, ``03.04.2031``, words behind it or none."""
    for text in (name, re.split(r"[ _]", name)[0]):
        try:
            return day(text)
        except NotUnderstood:
            continue
    return None
