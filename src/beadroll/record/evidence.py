"""Where a statement stands: a file as delivered and the place in it. Knows addresses as text, never opens them."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """The place a statement was read from, so that a person can go and look.

    ``file`` is the path inside the job folder with ``/``; ``sheet`` the sheet of a workbook; ``cell`` such as ``C14``
    (``row`` alone where a whole row is meant, counted from 1); ``element`` a DICOM tag or TIFF tag name.
    """

    file: str
    sheet: str = ""
    row: int | None = None
    cell: str = ""
    element: str = ""

    def __str__(self) -> str:
        """Return the address as people say it: ``weld-log/log.xlsx, sheet Welds, cell C14``."""
        parts = [self.file]
        if self.sheet:
            parts.append(f"sheet {self.sheet}")
        if self.cell:
            parts.append(f"cell {self.cell}")
        elif self.row is not None:
            parts.append(f"row {self.row}")
        if self.element:
            parts.append(f"element {self.element}")
        return ", ".join(parts)
