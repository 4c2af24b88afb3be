"""The one small tree of exceptions: 'cannot go on', with an exit code and the line that says what to do next.

Knows nothing of what went wrong in detail: lists of faults are findings (see ``findings``), carried here as a
report. Foreign exceptions are turned into these at four walls only: images, documents/tables, seal, catalog.
"""

from __future__ import annotations

from typing import ClassVar, Protocol


class Reportable(Protocol):
    """Anything that can be shown line by line; in practice ``findings.Report``."""

    def lines(self) -> list[str]:
        """Return one readable sentence per finding."""
        ...


class BeadrollError(Exception):
    """Base of every error a user may see: one sentence that says what happened, one that says what to do."""

    exit_code: ClassVar[int] = 1

    def __init__(self, message: str, *, remedy: str = "") -> None:
        """Keep the sentence and the remedy apart, so that screens can set them differently."""
        super().__init__(message)
        self.message = message
        self.remedy = remedy


class InputError(BeadrollError):
    """A file or a row that cannot be used. ``path`` and ``place`` (sheet and cell, row, element) address it."""

    def __init__(self, message: str, *, path: str, place: str = "", remedy: str = "") -> None:
        """Address the fault: ``path`` names the file, ``place`` the sheet and cell, row or element in it."""
        where = f"{path}, {place}" if place else path
        super().__init__(f"{where}: {message}", remedy=remedy)
        self.path = path
        self.place = place
        self.fault = message


class ArchiveError(BeadrollError):
    """The archive cannot do what was asked: not an archive, locked, or its store contradicts itself."""


class MachineError(BeadrollError):
    """The machine refused: disk full, no permission, a reader or writer of the system failed."""


class NotReady(BeadrollError):  # noqa: N818 - a state of the handover, named as the office says it
    """The handover has open findings that stop it. Carries the report."""

    exit_code: ClassVar[int] = 3

    def __init__(self, message: str, report: Reportable, *, remedy: str = "") -> None:
        """Carry the report whose findings stand in the way."""
        super().__init__(message, remedy=remedy)
        self.report = report


class NotTrusted(BeadrollError):  # noqa: N818 - a verdict, named as the client says it
    """A package, seal or receipt failed verification. Carries the report with every failure."""

    exit_code: ClassVar[int] = 4

    def __init__(self, message: str, report: Reportable, *, remedy: str = "") -> None:
        """Carry the report that lists every failure, file by file."""
        super().__init__(message, remedy=remedy)
        self.report = report
