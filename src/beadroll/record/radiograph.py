"""Exposures and radiographs: one shot, and the image of one segment it gave."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum

from beadroll.record.evidence import Address


class Origin(StrEnum):
    """What the image is. A digitised film is a copy of a film; a CR or DR image is itself the radiograph."""

    FILM_DIGITISED = "film_digitised"
    CR = "cr"
    DR = "dr"


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """One shot of a weld: technique, source, time.

    ``event`` is the label of the state that was shot (see ``WeldEvent.label``). Distances in mm, activity in Ci,
    tube voltage in kV, exposure time in s. ``exposed_on`` is the day the sheet gives; ``exposed_at`` is known only
    where a time of day is. ``source`` is the serial number of an isotope source or X-ray set.
    """

    id: str
    event: str = ""
    technique: str = ""
    source: str = ""
    detector: str = ""
    crew: str = ""
    radiographer: str = ""
    exposed_on: date | None = None
    exposed_at: datetime | None = None
    activity_ci: float | None = None
    tube_kv: float | None = None
    exposure_s: float | None = None
    sfd_mm: float | None = None
    stated_at: tuple[Address, ...] = ()

    @property
    def day(self) -> date | None:
        """The day of the shot: the sheet's, else that of the moment."""
        return self.exposed_on or (self.exposed_at.date() if self.exposed_at else None)


class Witness(StrEnum):
    """What kind of evidence says that a radiograph belongs to a weld."""

    HEADER = "header"
    FILE_NAME = "file_name"
    FOLDER = "folder"
    READER_SHEET = "reader_sheet"
    WELD_LOG = "weld_log"
    NEIGHBOURS = "neighbours"
    DECISION = "decision"


@dataclass(frozen=True, slots=True, kw_only=True)
class Testimony:
    """What one witness says: the text as it stands there, what it was read as, and where it stands."""

    witness: Witness
    text: str
    read_as: str
    agrees: bool
    stated_at: Address | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Radiograph:
    """One image of one segment.

    ``path`` is its place in the package; ``delivered_as`` the crew's own file, kept as metadata. ``sha512`` and
    ``size_bytes`` are of the file in the package, ``delivered_sha512`` of the file as delivered, ``pixel_sha512`` of
    the decoded pixels in canonical form. ``restorable``: the delivered file can be made again byte for byte from the
    packaged one; otherwise ``delivered_path`` is where the delivered bytes lie in the package.
    ``supersedes`` is the id of the radiograph this one was made to replace; the older one stays.
    """

    id: str
    exposure: str
    event: str = ""
    segment: str = ""
    origin: Origin = Origin.FILM_DIGITISED
    iso14096_class: str = ""
    path: str = ""
    size_bytes: int = 0
    sha512: str = ""
    delivered_as: str = ""
    delivered_size_bytes: int = 0
    delivered_sha512: str = ""
    delivered_path: str = ""
    pixel_sha512: str = ""
    restorable: bool = False
    transfer_syntax: str = ""
    rows: int = 0
    columns: int = 0
    frames: int = 1
    bits_stored: int = 0
    pixel_pitch_row_mm: float | None = None
    pixel_pitch_column_mm: float | None = None
    preview: str = ""
    changes: tuple[str, ...] = ()
    supersedes: str = ""
    witnesses: tuple[Testimony, ...] = ()
