"""The tables of a job folder with their columns as understood: to be shown, confirmed once and kept as profiles.

Knows where tables lie and what their headings were read as. Refuses to read any row, and to keep a guess that no
person has confirmed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from beadroll.errors import InputError, MachineError
from beadroll.findings import Finding
from beadroll.handover.gathering.columns import Layout, find_layout, layout_findings, profile_of
from beadroll.handover.gathering.delivered import FileKind, Found, crew_files, files_under
from beadroll.handover.gathering.headings import How, TableKind
from beadroll.handover.gathering.profiles import Meant, Profile, load_profiles, save_profile
from beadroll.record.handover import Period
from beadroll.tables import Sheet, read_book


@dataclass(frozen=True, slots=True, kw_only=True)
class Surveyed:
    """One table: its file and sheet, its columns, and what a person should settle about them."""

    file: str
    sheet: str
    layout: Layout
    findings: tuple[Finding, ...]

    @property
    def settled(self) -> bool:
        """True when nothing about the columns asks for a person."""
        return not self.layout.missing and not self.layout.of(How.CLOSE) and not self.layout.of(How.UNCLEAR)


_FOLDERS: Mapping[str, TableKind] = {
    "weld-log": TableKind.WELD_LOG,
    "techniques": TableKind.TECHNIQUES,
    "people": TableKind.PEOPLE,
    "equipment": TableKind.EQUIPMENT,
}


def survey(folder: Path, period: Period) -> tuple[Surveyed, ...]:
    """Return every table of a job folder for a period, in the order they are read; unreadable files are left out.

    Raises ``InputError`` for a profile that is not valid, ``MachineError`` where a folder cannot be listed.
    """
    profiles = load_profiles(folder)
    return tuple(
        Surveyed(file=sheet.file, sheet=sheet.name, layout=layout, findings=tuple(layout_findings(sheet, layout)))
        for found, kind in _tables(folder, period)
        for sheet in _sheets(found, profiles)
        if not sheet.blank and not sheet.hidden and (layout := find_layout(sheet, kind, profiles)) is not None
    )


def _tables(folder: Path, period: Period) -> Iterator[tuple[Found, TableKind]]:
    unread: list[Finding] = []  # gathering says these
    for name, kind in _FOLDERS.items():
        for found in files_under(folder, name, unread):
            yield found, kind
    for found in crew_files(folder, period, unread):
        yield found, TableKind.READER_SHEET


def _sheets(found: Found, profiles: tuple[Profile, ...]) -> tuple[Sheet, ...]:
    if found.kind not in {FileKind.WORKBOOK, FileKind.TEXT}:
        return ()
    profile = next((p for p in profiles if p.files and p.is_for(found.file.path)), None)
    encoding = profile.encoding if profile else ""
    try:
        return read_book(found.path, name=found.file.path, encoding=encoding).sheets
    except (InputError, MachineError):
        return ()


def confirm(
    folder: Path,
    layout: Layout,
    *,
    name: str,
    confirmed_by: str,
    confirmed_on: date,
    choices: Mapping[str, Meant] | None = None,
    files: tuple[str, ...] = (),
) -> Path:
    """Keep a layout as a person has confirmed it, in ``profiles/<name>.toml``, and return that path.

    ``choices`` settles unclear headings by their words. Raises ``InputError`` for a name that is no plain file name,
    for a choice of no field, or where nobody is named; ``MachineError`` where it cannot be written.
    """
    if not name or not all(c.isascii() and (c.isalnum() or c in "._-") for c in name) or name[0] in ".-":
        raise InputError(
            "the name of a profile is made of letters, digits, dots and dashes",
            path=f"profiles/{name}.toml",
            remedy="Choose another name.",
        )
    profile = profile_of(
        layout, name=name, confirmed_by=confirmed_by, confirmed_on=confirmed_on, choices=choices, files=files
    )
    return save_profile(folder, profile)
