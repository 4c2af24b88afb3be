"""The ZIP records a package uses, as bytes. One exact form: stored, ZIP64, fixed time, nothing optional.

Knows the layout of APPNOTE.TXT 6.3.10 (sections 4.3.7, 4.3.12, 4.3.14 to 4.3.16, 4.5.3). Every record carries the
ZIP64 fields, small or large, so that there is one path and each test takes it. As a name, size, checksum and offset
decide a header completely, a reader makes the header again and compares, instead of trusting what it parses. Refuses
to know files.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

_LOCAL = struct.Struct("<4sHHHHHIIIHH")
_CENTRAL = struct.Struct("<4sHHHHHHIIIHHHHHII")
_EXTRA_LOCAL = struct.Struct("<HHQQ")
_EXTRA_CENTRAL = struct.Struct("<HHQQQ")
_END64 = struct.Struct("<4sQHHIIQQQQ")
_LOCATOR = struct.Struct("<4sIQI")
_END = struct.Struct("<4sHHHHIIH")

_VERSION = 45
"""ZIP64 needs version 4.5 (APPNOTE 4.4.3.2)."""
_MADE_ON_UNIX = 3 << 8
_TIME = 0
_DATE = (1 << 5) | 1
"""1980-01-01 00:00, the first moment ZIP knows: the same payload gives the same headers on any day."""
_FILE_MODE = 0o100644 << 16
_IN_EXTRA = 0xFFFFFFFF
_IN_END64 = 0xFFFF
_ZIP64_ID = 1

TAIL_SIZE = _END64.size + _LOCATOR.size + _END.size
"""Bytes behind the central directory: ZIP64 end record, locator, end record, no comment."""
_ENCRYPTED = 1 | 1 << 6
_DESCRIPTOR = 1 << 3
_KIND_MASK = 0o170000 << 16
_LINK_KIND = 0o120000 << 16


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """One entry: full name in the ZIP, size in bytes, CRC-32, offset of its local header."""

    name: str
    size: int
    crc: int
    offset: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Directory:
    """Where the central directory lies, and how many entries it has."""

    start: int
    size: int
    count: int


class ZipFault(Exception):  # noqa: N818 - caught by the reader, which makes a finding of it
    """A record that is not in the one form; the message says how, in words."""


def header_size(name: str) -> int:
    """Return the bytes of a local header."""
    return _LOCAL.size + len(name) + _EXTRA_LOCAL.size


def local_header(record: Record) -> bytes:
    """Return the record's local header."""
    name = record.name.encode("ascii")
    fixed = _LOCAL.pack(
        b"PK\3\4", _VERSION, 0, 0, _TIME, _DATE, record.crc, _IN_EXTRA, _IN_EXTRA, len(name), _EXTRA_LOCAL.size
    )
    return fixed + name + _EXTRA_LOCAL.pack(_ZIP64_ID, 16, record.size, record.size)


def central_header(record: Record) -> bytes:
    """Return the record's line of the central directory."""
    name = record.name.encode("ascii")
    fixed = _CENTRAL.pack(
        b"PK\1\2",
        _MADE_ON_UNIX | _VERSION,
        _VERSION,
        0,
        0,
        _TIME,
        _DATE,
        record.crc,
        _IN_EXTRA,
        _IN_EXTRA,
        len(name),
        _EXTRA_CENTRAL.size,
        0,
        0,
        0,
        _FILE_MODE,
        _IN_EXTRA,
    )
    return fixed + name + _EXTRA_CENTRAL.pack(_ZIP64_ID, 24, record.size, record.size, record.offset)


def tail(directory: Directory) -> bytes:
    """Return everything behind the central directory."""
    end64_at = directory.start + directory.size
    end64 = _END64.pack(
        b"PK\6\6",
        _END64.size - 12,
        _MADE_ON_UNIX | _VERSION,
        _VERSION,
        0,
        0,
        directory.count,
        directory.count,
        directory.size,
        directory.start,
    )
    locator = _LOCATOR.pack(b"PK\6\7", 0, end64_at, 1)
    end = _END.pack(b"PK\5\6", 0, 0, _IN_END64, _IN_END64, _IN_EXTRA, _IN_EXTRA, 0)
    return end64 + locator + end


def central_directory(records: list[Record]) -> bytes:
    """Return the central directory and the tail, entries sorted by name."""
    start = max((r.offset + header_size(r.name) + r.size for r in records), default=0)
    body = b"".join(central_header(r) for r in sorted(records, key=lambda r: r.name))
    return body + tail(Directory(start=start, size=len(body), count=len(records)))


def parse_tail(data: bytes, file_size: int) -> Directory:
    """Read the file's last ``TAIL_SIZE`` bytes; raises ``ZipFault`` unless they are exactly in the one form."""
    if len(data) != TAIL_SIZE or not data.startswith(b"PK\6\6"):
        raise ZipFault("its end is not where it must be: the file is cut off, or something was added behind it")
    values = _END64.unpack_from(data)
    directory = Directory(count=values[7], size=values[8], start=values[9])
    if directory.start + directory.size + TAIL_SIZE != file_size or tail(directory) != data:
        raise ZipFault("its end records do not agree with each other or with the file's length")
    return directory


def parse_central(data: bytes, at: int) -> tuple[Record, int]:
    """Read one line of the central directory and return it with the place of the next.

    Raises ``ZipFault`` with the reason when it is not in the one form; the line's name, if any, stands in the message.
    """
    try:
        values = _CENTRAL.unpack_from(data, at)
    except struct.error as error:
        raise ZipFault("its list of entries is cut off") from error
    if values[0] != b"PK\1\2":
        raise ZipFault("its list of entries is damaged")
    name_end = at + _CENTRAL.size + values[10]
    after = name_end + values[11] + values[12]
    raw = data[at + _CENTRAL.size : name_end]
    _refuse_kind(raw, flags=values[3], method=values[4], attributes=values[15])
    if not raw.isascii():
        raise ZipFault(f"the entry {raw!a} has characters outside ASCII in its name")
    try:
        _, _, size, _, offset = _EXTRA_CENTRAL.unpack_from(data, name_end)
    except struct.error as error:
        raise ZipFault(f"the entry {raw!a} is cut off") from error
    record = Record(name=raw.decode("ascii"), size=size, crc=values[7], offset=offset)
    if central_header(record) != data[at:after]:
        raise ZipFault(f"the entry {raw!a} is not in the plain stored ZIP64 form")
    return record, after


def _refuse_kind(raw: bytes, *, flags: int, method: int, attributes: int) -> None:
    kinds = (
        (flags & _ENCRYPTED, "encrypted"),
        (method, "compressed"),
        (flags & _DESCRIPTOR, "written with a trailing descriptor"),
        (raw.endswith(b"/"), "a folder entry"),
        (attributes & _KIND_MASK == _LINK_KIND, "a symbolic link"),
        (attributes & _KIND_MASK != _FILE_MODE & _KIND_MASK, "not a plain file"),
    )
    for refused, kind in kinds:
        if refused:
            raise ZipFault(f"the entry {raw!a} is {kind}")
