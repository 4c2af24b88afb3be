"""The small text files of a bag: manifests, bagit.txt, bag-info.txt, sizes.txt. Bytes in, bytes out.

Knows RFC 8493 (BagIt 1.0) and the narrower form a package keeps to: SHA-512, lower-case hex, two spaces, ``/``, LF,
sorted, so that ``sha512sum -c`` works as it stands. Refuses to know files: nothing here opens anything.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from beadroll.findings import Finding, finding
from beadroll.package import layout
from beadroll.package.layout import FileEntry

BAGIT_TXT = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
"""The one declaration a package has (RFC 8493 section 2.1.1)."""

PAYLOAD_OXUM = "Payload-Oxum"

_LINE = re.compile(rb"([0-9a-f]{128})  (.+)", re.DOTALL)
_SIZE = re.compile(rb"(0|[1-9][0-9]{0,17})  (.+)", re.DOTALL)
_LABEL = re.compile(r"[A-Za-z][A-Za-z0-9-]{0,63}", re.ASCII)
_FOLD_AT = 79
"""RFC 8493 section 2.2.2 asks for lines of at most 79 characters."""
_NAMED_FAULTS = 100
"""So many bad lines of one manifest are named one by one; the rest are counted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """What a manifest says: path -> SHA-512 (or, for sizes.txt, bytes as digits), and what was wrong with its lines."""

    entries: Mapping[str, str] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class BagInfo:
    """The bag's label: pairs of label and text, in order. A label may repeat."""

    fields: tuple[tuple[str, str], ...] = ()

    def all(self, label: str) -> tuple[str, ...]:
        """Return every text under a label; labels are compared without letter case (RFC 8493 section 2.2.2)."""
        return tuple(text for name, text in self.fields if name.casefold() == label.casefold())

    def first(self, label: str) -> str:
        """Return the first text under a label, or an empty one."""
        return next(iter(self.all(label)), "")

    def with_field(self, label: str, text: str) -> BagInfo:
        """Return the label with one field replaced, or added at the end."""
        kept = tuple(pair for pair in self.fields if pair[0].casefold() != label.casefold())
        return BagInfo(fields=(*kept, (label, text)))


def format_manifest(files: Iterable[FileEntry]) -> bytes:
    """Write a manifest, sorted by path."""
    lines = sorted((entry.path, entry.sha512) for entry in files)
    return "".join(f"{digest}  {path}\n" for path, digest in lines).encode("ascii")


def format_sizes(files: Iterable[FileEntry]) -> bytes:
    """Write sizes.txt: bytes, two spaces, path, sorted by path. It lets a reader tell a cut file from a changed one."""
    lines = sorted((entry.path, entry.size) for entry in files)
    return "".join(f"{size}  {path}\n" for path, size in lines).encode("ascii")


def parse_manifest(data: bytes, *, name: str, payload: bool) -> Listing:
    """Read a manifest strictly; every bad line is a finding.

    ``payload`` says which half of the bag it lists: paths under ``data/``, or the tag files without the tag manifest
    itself and the seals.
    """
    return _parse(data, name=name, payload=payload, line_form=_LINE)


def parse_sizes(data: bytes) -> Listing:
    """Read sizes.txt strictly; the entries' values are bytes as digits."""
    return _parse(data, name=layout.SIZES, payload=True, line_form=_SIZE)


def _parse(data: bytes, *, name: str, payload: bool, line_form: re.Pattern[bytes]) -> Listing:
    entries: dict[str, str] = {}
    found: list[Finding] = []
    unnamed = 0
    previous = ""
    for number, line in _lines(data):
        path, value, reason = _read_line(line, line_form, payload=payload)
        if not reason and path in entries:
            reason = f"{path} is listed twice"
        if not reason and path < previous:
            reason = f"{path} is not in sorted order"
        if not reason and number > layout.MAX_FILES:
            reason = f"a package has at most {layout.MAX_FILES} files"
        previous = max(previous, path)
        if path and not reason:
            entries[path] = value
        elif len(found) < _NAMED_FAULTS:
            found.append(finding("PKG-MANIFEST-LINE", name, line=number, reason=reason))
        else:
            unnamed += 1
        if number > layout.MAX_FILES:
            break
    if unnamed:
        found.append(finding("PKG-MANIFEST-LINES-MORE", name, count=unnamed))
    return Listing(entries=entries, findings=tuple(found))


def _lines(data: bytes) -> Iterator[tuple[int, bytes]]:
    """Walk the lines without making a list of them first: a file of bare line ends must not fill the memory."""
    start = number = 0
    while start < len(data):
        end = data.find(b"\n", start)
        number += 1
        if end < 0:
            yield number, data[start:] + b"\r"  # an unfinished last line can never match: it may have been cut
            return
        yield number, data[start:end]
        start = end + 1


def _read_line(line: bytes, line_form: re.Pattern[bytes], *, payload: bool) -> tuple[str, str, str]:
    """Return path, value and what is wrong (empty when nothing is)."""
    if line.endswith(b"\r"):
        return "", "", "the line does not end as it must, with a line feed alone"
    match = line_form.fullmatch(line)
    if match is None:
        return "", "", "the line is not a value in lower case, two spaces and a path"
    path = match[2].decode("utf-8", "backslashreplace")
    reason = _listing_fault(path, payload=payload)
    return ("", "", reason) if reason else (path, match[1].decode("ascii"), "")


def _listing_fault(path: str, *, payload: bool) -> str:
    reason = layout.path_fault(path)
    if reason:
        return f"the path {layout.shown(path)} may not stand in a package: {reason}"
    if path.startswith(f"{layout.PAYLOAD}/") is not payload:
        return f"{path} belongs in the other manifest"
    if path == layout.TAG_MANIFEST or layout.is_seal(path):
        return f"{path} cannot be listed here: it is made after this manifest"
    return ""


def check_bagit(data: bytes) -> tuple[Finding, ...]:
    """Check the declaration, byte for byte."""
    return () if data == BAGIT_TXT else (finding("PKG-BAGIT-DECLARATION", layout.BAGIT),)


def format_bag_info(info: BagInfo) -> bytes:
    """Write bag-info.txt, folding long texts at spaces.

    Raises ``ValueError`` for a label that is no label, or a text with line ends, control characters, or spaces that
    folding would not give back: texts are put in order where they are made.
    """
    lines: list[str] = []
    for label, text in info.fields:
        if _LABEL.fullmatch(label) is None:
            raise ValueError(f"{label!r} cannot be a label of {layout.BAG_INFO}")
        if not text or text != " ".join(text.split()) or not text.isprintable():
            raise ValueError(f"the text of {label} must be one line of words with single spaces, not {text!r}")
        lines.extend(_fold(f"{label}:", text.split(" ")))
    return "".join(f"{line}\n" for line in lines).encode("utf-8")


def _fold(line: str, words: Iterable[str]) -> Iterator[str]:
    """Break before a word that would pass the limit; the first word always stays beside its label."""
    head = True
    for word in words:
        if not head and len(line) + 1 + len(word) > _FOLD_AT:
            yield line
            line = f"  {word}"
        else:
            line = f"{line} {word}"
        head = False
    yield line


def parse_bag_info(data: bytes) -> tuple[BagInfo, tuple[Finding, ...]]:
    """Read bag-info.txt; folded lines are joined by one space. Every bad line is a finding."""
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        return BagInfo(), (finding("PKG-BAG-INFO-LINE", layout.BAG_INFO, line=0, reason="it is not UTF-8"),)
    fields: list[tuple[str, str]] = []
    found: list[Finding] = []
    *lines, rest = text.split("\n")
    for number, line in enumerate(lines, start=1):
        reason = _read_field(line, fields)
        if reason and len(found) < _NAMED_FAULTS:
            found.append(finding("PKG-BAG-INFO-LINE", layout.BAG_INFO, line=number, reason=reason))
    if rest:
        cut = "the last line has no end, so it may be cut off"
        found.append(finding("PKG-BAG-INFO-LINE", layout.BAG_INFO, line=len(lines) + 1, reason=cut))
    return BagInfo(fields=tuple(fields)), tuple(found)


def _read_field(line: str, fields: list[tuple[str, str]]) -> str:
    """Add one line to the fields read so far; return what is wrong with it, or nothing."""
    if not line.isprintable():
        return "it has control characters"
    if line.startswith(" ") and line.strip():
        if not fields:
            return "it continues a line that is not there"
        label, text = fields[-1]
        fields[-1] = (label, f"{text} {' '.join(line.split())}")
        return ""
    label, colon, text = line.partition(":")
    if not colon or _LABEL.fullmatch(label) is None or not text.strip():
        return "it is not a label, a colon and a text"
    fields.append((label, " ".join(text.split())))
    return ""


def oxum(files: Iterable[FileEntry]) -> str:
    """Return the payload's Oxum: bytes, dot, files (RFC 8493 section 2.2.2). Tag files are left out."""
    sizes = [entry.size for entry in files if entry.path.startswith(f"{layout.PAYLOAD}/")]
    return f"{sum(sizes)}.{len(sizes)}"
