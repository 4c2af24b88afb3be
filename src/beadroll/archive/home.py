"""An archive's folder: what lies where, and the few settings in ``archive.toml``.

Knows the names and how an empty archive is made. Refuses to know what is kept in it.

    archive.toml  store/  catalog/  trust/  receipts/  audit/  locks/  staging/
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

import tomlkit

from beadroll.archive import locks
from beadroll.archive.store import LOCKS, STAGING, Store, replace_file
from beadroll.errors import ArchiveError, InputError
from beadroll.package.seals.trust import ROLE, TRUST_TOML, Trust
from beadroll.package.staging import machine_error

SETTINGS: Final = "archive.toml"
TRUST: Final = "trust"
RECEIPTS: Final = "receipts"
AUDIT: Final = "audit"
REFUSED: Final = "audit/refused"
FORMAT: Final = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What an archive says of itself. ``required_roles`` must have sealed a package before it is received."""

    title: str
    created: datetime
    required_roles: tuple[str, ...]


def create_archive(
    folder: Path, *, title: str, now: datetime, required_roles: tuple[str, ...] = ("contractor",)
) -> Settings:
    """Make an empty archive; one whose making was interrupted is finished.

    Raises ``InputError`` where something else lies in the folder or a role is no role, ``MachineError`` when the
    system refuses. The settings are written last: a folder with them is a whole archive.
    """
    from beadroll.archive.catalog_write import create_catalog  # noqa: PLC0415 - only making and receiving need it

    bad = [role for role in required_roles if not ROLE.match(role)]
    if bad:
        raise InputError(f"{bad[0]!r} is no role", path=str(folder), remedy="Use words such as contractor, inspector.")
    if (folder / SETTINGS).exists():
        raise InputError("is an archive already", path=str(folder), remedy="Use it as it is, or name another folder.")
    if folder.is_dir() and {each.name for each in folder.iterdir()} - _ours():
        raise InputError("is not empty", path=str(folder), remedy="Name a new or an empty folder for the archive.")
    try:
        for name in (TRUST, RECEIPTS, REFUSED):
            (folder / name).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise machine_error("could not make the archive", folder, error) from error
    Store.create(folder)
    create_catalog(folder)
    made = tomlkit.document()
    made.add(tomlkit.comment("An archive of weld radiograph handovers."))
    made["format"] = FORMAT
    made["title"] = title
    made["created"] = now.isoformat(timespec="seconds")
    made["required_roles"] = list(required_roles)
    try:
        with locks.working_folder(folder / STAGING) as work:
            replace_file(folder / SETTINGS, tomlkit.dumps(made).encode("utf-8"), work)
    except OSError as error:
        raise machine_error("could not make the archive", folder, error) from error
    return read_settings(folder)


def read_settings(folder: Path) -> Settings:
    """Return an archive's settings. Raises ``ArchiveError`` where the folder is no archive, or a setting is wrong."""
    path = folder / SETTINGS
    try:
        found = tomllib.loads(path.read_text(encoding="utf-8"))
        if found["format"] != FORMAT:
            raise ArchiveError(
                f"{path} is of format {found['format']}; this program knows format {FORMAT}",
                remedy="Use a newer program.",
            )
        settings = Settings(
            title=str(found["title"]),
            created=datetime.fromisoformat(found["created"]),
            required_roles=tuple(found["required_roles"]),
        )
    except FileNotFoundError as error:
        raise ArchiveError(
            f"{folder} is no archive: it has no {SETTINGS}",
            remedy="Name the archive's folder, or make a new archive first.",
        ) from error
    except OSError as error:
        raise machine_error("cannot be read", path, error) from error
    except (KeyError, TypeError, ValueError) as error:
        raise ArchiveError(f"{path} cannot be understood: {error}", remedy="Mend the line it names.") from error
    if not all(ROLE.match(str(role)) for role in settings.required_roles):
        raise ArchiveError(f"{path}: required_roles holds something that is no role", remedy="Mend that line.")
    return settings


def load_trust(folder: Path) -> Trust:
    """Return whom an archive trusts: nobody, where nobody has been pinned yet. Raises as ``Trust.load``."""
    return Trust.load(folder / TRUST) if (folder / TRUST / TRUST_TOML).exists() else Trust.nobody()


def _ours() -> set[str]:
    return {"store", "catalog", TRUST, RECEIPTS, AUDIT, LOCKS, STAGING}
