"""A DICOM File-set with its DICOMDIR, for viewers that open nothing else (PS3.10, 8; PS3.3, annex F).

Knows file names of at most eight capitals and the four levels component, study, series, image. Refuses to alter an
object: the files are copies, the directory is made from their headers, and everything in it can be made again.
"""

from __future__ import annotations

import os
import shutil
import struct
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from beadroll.errors import InputError, MachineError
from beadroll.images import write
from beadroll.images.source import FileBytes
from beadroll.images.walk import EXPLICIT_LITTLE, Layout, walk

DIRECTORY_CLASS: Final = "1.2.840.10008.1.3.10"
FILES_A_FOLDER: Final = 1_000
_SET: Final = "DICOM"

# Keys of each level, with their VR (PS3.3, F.5.1 to F.5.4).
_CHARACTER_SET: Final = (0x00080005, b"CS")
_PATIENT: Final = (_CHARACTER_SET, (0x00100010, b"PN"), (0x00100020, b"LO"))
_STUDY: Final = (
    _CHARACTER_SET,
    (0x00080020, b"DA"),
    (0x00080030, b"TM"),
    (0x00080050, b"SH"),
    (0x00081030, b"LO"),
    (0x0020000D, b"UI"),
    (0x00200010, b"SH"),
)
_SERIES: Final = (_CHARACTER_SET, (0x00080060, b"CS"), (0x0020000E, b"UI"), (0x00200011, b"IS"))
_IMAGE: Final = (_CHARACTER_SET, (0x00200013, b"IS"))


@dataclass(frozen=True, slots=True, kw_only=True)
class MediaFile:
    """One object and its name in the File-set, such as ``("DICOM", "D0000", "I0000001")``."""

    path: Path
    file_id: tuple[str, ...]


@dataclass(slots=True)
class _Record:
    """One directory record: its level's keys, what is under it, and where it will stand."""

    kind: str
    keys: bytes
    below: dict[str, _Record] = field(default_factory=dict)
    offset: int = 0

    @property
    def size(self) -> int:
        """Bytes of the item with its header."""
        return 8 + len(self.body(0))

    def body(self, following: int) -> bytes:
        """Return the item's content, given the offset of the next record of its level (0 for the last)."""
        lower = next(iter(self.below.values())).offset if self.below else 0
        return b"".join(
            [
                write.element(0x00041400, b"UL", struct.pack("<I", following)),
                write.element(0x00041410, b"US", b"\xff\xff"),
                write.element(0x00041420, b"UL", struct.pack("<I", lower)),
                write.element(0x00041430, b"CS", self.kind.encode("ascii")),
                self.keys,
            ]
        )


def plan(paths: Sequence[Path]) -> tuple[MediaFile, ...]:
    """Give every object a name that PS3.10 (8.2, 8.5) allows, in the order given."""
    return tuple(
        MediaFile(path=path, file_id=(_SET, f"D{number // FILES_A_FOLDER:04}", f"I{number:07}"))
        for number, path in enumerate(paths)
    )


def directory(files: Sequence[MediaFile], *, file_set_id: str) -> bytes:
    """Return the DICOMDIR of these files. ``file_set_id`` is at most 16 capitals, digits, underscores and blanks.

    Raises ``InputError`` where a file is no whole DICOM object or lacks the UIDs that place it.
    """
    root: dict[str, _Record] = {}
    for file in files:
        with FileBytes(file.path) as source:
            _place(root, walk(source), file)
    head = [
        write.element(0x00041130, b"CS", file_set_id.encode("ascii")),
        write.element(0x00041200, b"UL", b"\x00" * 4),
        write.element(0x00041202, b"UL", b"\x00" * 4),
        write.element(0x00041212, b"US", b"\x00\x00"),
    ]
    meta = write.meta(DIRECTORY_CLASS, write.uid("directory", *_instances(root)), EXPLICIT_LITTLE)
    end = _lay_out(root, len(meta) + sum(map(len, head)) + 12)
    roots = list(root.values())
    if roots:
        head[1] = write.element(0x00041200, b"UL", struct.pack("<I", roots[0].offset))
        head[2] = write.element(0x00041202, b"UL", struct.pack("<I", roots[-1].offset))
    items = b"".join(_items(root))
    made = b"".join([meta, *head, write.header(0x00041220, b"SQ", len(items)), items])
    assert len(made) == end
    return made


def write_media(paths: Sequence[Path], folder: Path, *, file_set_id: str = "RADIOGRAPHS") -> tuple[MediaFile, ...]:
    """Copy objects into a new File-set with its DICOMDIR; the folder appears whole or not at all.

    Raises ``InputError`` where the folder exists already or an object is damaged, ``MachineError`` where the system
    refuses.
    """
    if folder.exists():
        raise InputError("it exists already", path=str(folder), remedy="Choose a folder that is not there yet.")
    files = plan(paths)
    made = directory(files, file_set_id=file_set_id)
    part = folder.with_name(f".{folder.name}.part")
    try:
        shutil.rmtree(part, ignore_errors=True)
        for file in files:
            target = part.joinpath(*file.file_id)
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(file.path, target)
        part.mkdir(exist_ok=True)
        with (part / "DICOMDIR").open("wb") as stream:
            stream.write(made)
            stream.flush()
            os.fsync(stream.fileno())
        part.rename(folder)
    except OSError as refused:
        shutil.rmtree(part, ignore_errors=True)
        raise MachineError(
            f"{folder}: the File-set could not be written: {refused.strerror}", remedy="Check space and permissions."
        ) from refused
    return files


def _place(root: dict[str, _Record], layout: Layout, file: MediaFile) -> None:
    """Put one file under its component, study and series; the first file of a level names it."""
    component = layout.value(0x00100020).strip(b" \x00").hex()
    study, series, instance = (layout.text(tag) for tag in (0x0020000D, 0x0020000E, 0x00080018))
    if not (study and series and instance):
        raise InputError(
            "it lacks the UIDs that place it in a directory",
            path=str(file.path),
            remedy="Leave it out of the File-set, or ask for a whole DICOM file.",
        )
    patient_record = root.setdefault(component, _Record("PATIENT", _keys(layout, _PATIENT)))
    study_record = patient_record.below.setdefault(study, _Record("STUDY", _keys(layout, _STUDY)))
    series_record = study_record.below.setdefault(series, _Record("SERIES", _keys(layout, _SERIES)))
    if instance in series_record.below:
        raise InputError(
            "the same image stands in the File-set twice", path=str(file.path), remedy="Leave one of the two out."
        )
    referenced = [
        write.element(0x00041500, b"CS", "\\".join(file.file_id).encode("ascii")),
        write.element(0x00041510, b"UI", layout.text(0x00080016).encode("ascii")),
        write.element(0x00041511, b"UI", instance.encode("ascii")),
        write.element(0x00041512, b"UI", layout.transfer_syntax.encode("ascii")),
    ]
    series_record.below[instance] = _Record("IMAGE", b"".join(referenced) + _keys(layout, _IMAGE))


def _keys(layout: Layout, wanted: tuple[tuple[int, bytes], ...]) -> bytes:
    made = []
    for tag, vr in wanted:
        raw = layout.value(tag).rstrip(b" \x00")
        if raw or tag != _CHARACTER_SET[0]:
            made.append(write.element(tag, vr, raw))
    return b"".join(made)


def _instances(level: dict[str, _Record]) -> list[str]:
    return [name for key, one in level.items() for name in (_instances(one.below) if one.below else [key])]


def _lay_out(level: dict[str, _Record], at: int) -> int:
    """Give every record its offset, depth first; return the offset after them."""
    for record in level.values():
        record.offset = at
        at = _lay_out(record.below, at + record.size)
    return at


def _items(level: dict[str, _Record]) -> list[bytes]:
    records = list(level.values())
    made = []
    for number, record in enumerate(records):
        following = records[number + 1].offset if number + 1 < len(records) else 0
        made.append(write.item(record.body(following)))
        made.extend(_items(record.below))
    return made
