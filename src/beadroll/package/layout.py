"""Where everything lies in a delivery package, and which names may stand in one.

Knows every path of the package's tree and the rules for names; refuses to know what the files hold. Paths are made by
us from ASCII letters, digits, dot, underscore and dash, so no reader ever has to decide about escaping, Unicode forms,
letter case or a system's reserved names. The crews' own names are metadata inside the records.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum


class Form(StrEnum):
    """The two forms of one package: a folder for media and network drives, a ZIP for single-file transfer."""

    FOLDER = "folder"
    ZIP = "zip"


@dataclass(frozen=True, slots=True, kw_only=True)
class FileEntry:
    """One file of a package: its path below the package's folder, its size in bytes, its SHA-512 in lower-case hex."""

    path: str
    size: int
    sha512: str


BAGIT = "bagit.txt"
BAG_INFO = "bag-info.txt"
MANIFEST = "manifest-sha512.txt"
TAG_MANIFEST = "tagmanifest-sha512.txt"
FETCH = "fetch.txt"
READ_ME = "READ-ME-FIRST.txt"
TREE = "proof/tree.txt"
SIZES = "proof/sizes.txt"
SEALS = "seals"

PAYLOAD = "data"
INDEX = "data/index.json"
METS = "data/mets.xml"
PAGE = "data/index.html"
DECISIONS = "data/decisions.json"
FINDINGS = "data/findings.json"
REPORTS = "data/reports"
CATALOG = "data/catalog"
WELDS = "data/welds"
TECHNIQUES = "data/techniques"
TECHNIQUES_LIST = f"{TECHNIQUES}/techniques.json"
PEOPLE = "data/people"
PEOPLE_LIST = f"{PEOPLE}/people.json"
EQUIPMENT = "data/equipment"
EQUIPMENT_LIST = f"{EQUIPMENT}/equipment.json"
AS_DELIVERED = "data/as-delivered"
SCHEMAS = "data/schemas"
CATALOG_TABLES = (
    "handovers",
    "amendments",
    "welds",
    "events",
    "exposures",
    "radiographs",
    "interpretations",
    "indications",
    "dispositions",
    "signoffs",
    "people",
    "equipment",
    "findings",
    "decisions",
    "files",
)

MAX_FILES = 100_000
"""Most files in one package; a reader stops there, so that its memory stays bounded."""
MAX_NAMES = 800_000
"""Most files and folders in one package; a reader stops there, so that its time stays bounded."""
MAX_PATH = 200
"""Longest path in characters. Leaves 59 of Windows' 260 for the place the package is copied to."""
MAX_NAME = 80
"""Longest single name in characters."""
MAX_DEPTH = 8
"""Most names in one path."""
SAFE_NAME_LENGTH = 48
"""Longest name that ``safe_name`` makes."""
MAX_TAG_FILE = 1 << 20
"""Largest small tag file (bagit.txt, bag-info.txt, a seal) a reader takes into memory, in bytes."""
MAX_MANIFEST = MAX_FILES * (128 + 2 + MAX_PATH + 1)
"""Largest manifest a reader takes into memory, in bytes."""
MAX_SEALS = 64
"""Most seals and statements in one package."""

_NAME = re.compile(r"[A-Za-z0-9_](?:[A-Za-z0-9._-]*[A-Za-z0-9_-])?", re.ASCII)
_FOREIGN = re.compile(r"[^A-Za-z0-9._-]+", re.ASCII)
_EXTENSION = re.compile(r"\.[A-Za-z0-9]{1,8}\Z", re.ASCII)
_TAG_LENGTH = 10
_TAGGED = re.compile(rf"_[0-9a-f]{{{_TAG_LENGTH}}}\Z", re.ASCII | re.IGNORECASE)
_RESERVED = frozenset(
    ["con", "prn", "aux", "nul", "conin$", "conout$"]
    + [f"{port}{digit}" for port in ("com", "lpt") for digit in "0123456789"]
)
"""Device names no file may have on Windows, whatever its extension (Microsoft, Naming Files, Paths, Namespaces)."""


def _reserved(name: str) -> bool:
    return name.split(".", 1)[0].casefold() in _RESERVED


def _plain(text: str) -> bool:
    """Say whether a text may stand as it is: safe, short, not a device name, and not like a tagged name."""
    stem = text[: -len(_extension(text)) or None]
    return (
        len(text) <= SAFE_NAME_LENGTH
        and _NAME.fullmatch(text) is not None
        and not _reserved(text)
        and _TAGGED.search(stem) is None
    )


def _extension(text: str) -> str:
    found = _EXTENSION.search(text)
    return found.group() if found and found.start() > 0 else ""


def _tagged(text: str) -> str:
    """Spell a text with safe characters and a tag of its digest, so that two texts never share a name."""
    extension = _extension(text)
    stem = unicodedata.normalize("NFKD", text.removesuffix(extension)).encode("ascii", "ignore").decode()
    tag = hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:_TAG_LENGTH]
    room = SAFE_NAME_LENGTH - _TAG_LENGTH - 1 - len(extension)
    stem = _FOREIGN.sub("-", stem).strip("-._")[:room].rstrip("-._") or "x"
    if _reserved(stem):
        stem = f"x-{stem}"[:room].rstrip("-._")
    return f"{stem}_{tag}{extension}"


def safe_name(text: str) -> str:
    """Make one path name of any text: the text itself where it is safe and upper-case, else a tagged spelling.

    Two different texts never get names that agree after case-folding (but for a collision of a 40-bit digest): of
    ``W-17A`` and ``w-17a`` only the first keeps its plain spelling. For example ``safe_name("W-0117")`` is ``W-0117``
    and ``safe_name("W 12/3")`` is ``W-12-3_`` with ten hex digits behind it.
    """
    if _plain(text) and text == text.upper():
        return text
    return _tagged(text)


def distinct_names(texts: Iterable[str]) -> dict[str, str]:
    """Make path names for texts that share one folder: plain where nothing clashes, else tagged.

    The result depends on the set of texts only, never on their order. Lower-case names such as ``weld-log.xlsx`` stay
    readable here, which ``safe_name``, knowing one text at a time, cannot allow.
    """
    wanted = sorted(set(texts))
    folded: dict[str, int] = {}
    for text in wanted:
        folded[text.casefold()] = folded.get(text.casefold(), 0) + 1
    return {text: text if _plain(text) and folded[text.casefold()] == 1 else _tagged(text) for text in wanted}


def weld_folder(line: str, number: str) -> str:
    """Return the folder of one weld, from the line and the weld number as the record writes them."""
    return f"{WELDS}/{safe_name(line)}/{safe_name(number)}"


def weld_record(line: str, number: str) -> str:
    """Return the path of a weld's record."""
    return f"{weld_folder(line, number)}/weld.json"


def radiograph(line: str, number: str, name: str) -> str:
    """Return the path of one radiograph of a weld; ``name`` is a file name made by ``safe_name`` or by us."""
    return f"{weld_folder(line, number)}/radiographs/{name}"


def catalog_table(table: str) -> str:
    """Return the path of one Parquet segment; raises ``ValueError`` for a table the format does not have."""
    if table not in CATALOG_TABLES:
        raise ValueError(f"{table!r} is not a table of the package")
    return f"{CATALOG}/{table}.parquet"


def seal_path(role: str) -> str:
    """Return the path of a seal; raises ``ValueError`` when the role is no safe name."""
    path = f"{SEALS}/{role}.p7s"
    fault = path_fault(path)
    if fault or "/" in role:
        raise ValueError(f"{role!r} cannot name a seal: {fault or 'it has a slash in it'}")
    return path


def statement_path(role: str) -> str:
    """Return the path of a countersigner's statement, which that role's seal is over; raises as ``seal_path``."""
    return f"{seal_path(role).removesuffix('.p7s')}.json"


def is_seal(path: str) -> bool:
    """Say whether a path is a seal's or a countersigner's statement's, and so stands outside the tag manifest."""
    return path.startswith(f"{SEALS}/") and path.endswith((".p7s", ".json")) and path.count("/") == 1


def path_fault(path: str) -> str:
    """Say in words why a path may not stand in a package; empty when it may.

    Applied alike on every system, so that a package refused by one reader is refused by all.
    """
    whole = _whole_path_fault(path)
    if whole:
        return whole
    for name in path.split("/"):
        fault = _name_fault(name)
        if fault:
            return fault
    return ""


def _whole_path_fault(path: str) -> str:
    rules = (
        (not path, "it is empty"),
        (len(path) > MAX_PATH, f"it is longer than {MAX_PATH} characters"),
        (path.startswith("//"), "it names a network share"),
        (path.startswith("\\\\"), "it names a network share"),
        (path.startswith("/"), "it is absolute"),
        (re.match(r"[A-Za-z]:", path) is not None, "it begins with a drive letter"),
        ("\\" in path, "it has a backslash in it"),
        (path.startswith("~"), "it begins with a home folder's sign"),
        (path.count("/") >= MAX_DEPTH, f"it is more than {MAX_DEPTH} folders deep"),
    )
    return next((reason for broken, reason in rules if broken), "")


def _name_fault(name: str) -> str:
    rules = (
        (name == "", "it has an empty name in it"),
        (name in {".", ".."}, "it climbs with dots"),
        (not name.isascii(), "it has characters outside ASCII"),
        (not name.isprintable(), "it has control characters"),
        ("%" in name, "it has a percent sign, which manifests use for escapes"),
        (len(name) > MAX_NAME, f"a name in it is longer than {MAX_NAME} characters"),
        (_reserved(name), "a name in it is reserved by Windows"),
        (_NAME.fullmatch(name) is None, "a name in it is not made of letters, digits, dot, underscore and dash"),
    )
    return next((reason for broken, reason in rules if broken), "")


def clashes(paths: Iterable[str]) -> dict[str, str]:
    """Find paths that some system would take for another: path -> the earlier path it clashes with.

    Compared are files and the folders they lie in, after case-folding; a file lying where another path needs a folder
    is a clash too.
    """
    seen: dict[str, str] = {}
    files: set[str] = set()
    folders: dict[str, str] = {}
    found: dict[str, str] = {}
    for path in sorted(paths):
        names = path.split("/")
        for depth in range(1, len(names) + 1):
            part = "/".join(names[:depth])
            earlier = seen.setdefault(part.casefold(), part)
            if earlier != part:
                found.setdefault(path, earlier)
            if depth < len(names):
                folders.setdefault(part, path)
        files.add(path)
    for path in files & folders.keys():
        found.setdefault(folders[path], path)
    return found


def shown(text: str) -> str:
    """Return a foreign name fit for a screen: printable ASCII, escapes spelled out, cut at 120 characters."""
    limit = 120
    safe = "".join(
        c if c.isascii() and c.isprintable() else c.encode("unicode_escape").decode() for c in text[: limit + 1]
    )
    return safe if len(safe) <= limit else safe[: limit - 3] + "..."
