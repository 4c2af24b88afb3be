"""Writes DICOM elements: explicit VR little-endian, the same input giving the same bytes.

Knows lengths, padding and order. Refuses to know attributes.
"""

from __future__ import annotations

import struct
import uuid
from collections.abc import Iterable, Sequence
from typing import Final

from beadroll.images.codecs import Buffer
from beadroll.images.walk import LONG_VRS, UNDEFINED, Layout

IMPLEMENTATION_UID: Final = "2.25.251907838373186155410868640154092473471"
"""Names this writer in file meta information; 2.25 and the integer of a random UUID drawn once (PS3.5, B.2)."""
IMPLEMENTATION_NAME: Final = "BEADROLL_1"
_SPACE: Final = uuid.UUID("bd82f1c9-6a0e-4f5c-9e55-2f0b1a0c7d11")
_PADDED_WITH_NUL: Final = frozenset({b"UI", b"OB", b"OW", b"UN"})


def uid(*parts: str) -> str:
    """Return a UID made from its parts: 2.25 and the integer of a version 5 UUID, the same for the same parts."""
    return f"2.25.{uuid.uuid5(_SPACE, chr(31).join(parts)).int}"


def element(tag: int, vr: bytes, value: bytes) -> bytes:
    """Return one element; the value is padded to an even length."""
    if len(value) % 2:
        value += b"\x00" if vr in _PADDED_WITH_NUL else b" "
    return header(tag, vr, len(value)) + value


def header(tag: int, vr: bytes, length: int) -> bytes:
    """Return an element's header."""
    if vr in LONG_VRS:
        return struct.pack("<HH2sHI", tag >> 16, tag & 0xFFFF, vr, 0, length)
    if length > 0xFFFF:  # noqa: PLR2004 - the short header counts in 16 bits
        return struct.pack("<HH2sHI", tag >> 16, tag & 0xFFFF, b"UN", 0, length)
    return struct.pack("<HH2sH", tag >> 16, tag & 0xFFFF, vr, length)


def item(content: bytes) -> bytes:
    """Return one item of a sequence, of defined length."""
    return struct.pack("<HHI", 0xFFFE, 0xE000, len(content)) + content


def sequence(tag: int, items: Iterable[bytes]) -> bytes:
    """Return a sequence of the given item contents, of defined length."""
    content = b"".join(item(one) for one in items)
    return header(tag, b"SQ", len(content)) + content


def meta(sop_class: str, sop_instance: str, syntax: str) -> bytes:
    """Return preamble, prefix and file meta information of a new object (PS3.10, 7.1)."""
    return _closed(
        b"\x00" * 128,
        [
            element(0x00020001, b"OB", b"\x00\x01"),
            element(0x00020002, b"UI", sop_class.encode("ascii")),
            element(0x00020003, b"UI", sop_instance.encode("ascii")),
            element(0x00020010, b"UI", syntax.encode("ascii")),
            element(0x00020012, b"UI", IMPLEMENTATION_UID.encode("ascii")),
            element(0x00020013, b"SH", IMPLEMENTATION_NAME.encode("ascii")),
        ],
    )


def meta_with_syntax(layout: Layout, syntax: str) -> bytes:
    """Return the file meta information of a delivered object with another transfer syntax, all else kept.

    The implementation that wrote the file is now this one, and is named (PS3.10, 7.1); the preamble is kept.
    """
    ours = {
        0x00020010: element(0x00020010, b"UI", syntax.encode("ascii")),
        0x00020012: element(0x00020012, b"UI", IMPLEMENTATION_UID.encode("ascii")),
        0x00020013: element(0x00020013, b"SH", IMPLEMENTATION_NAME.encode("ascii")),
    }
    kept = {
        tag: layout.meta_source.read(found.start, found.end - found.start)
        for tag, found in layout.meta.items()
        if tag != 0x00020000  # noqa: PLR2004 - the group's length is counted anew
    }
    return _closed(layout.meta_source.read(0, 128), [one for _, one in sorted((kept | ours).items())])


def _closed(preamble: bytes, elements: Sequence[bytes]) -> bytes:
    content = b"".join(elements)
    return preamble + b"DICM" + element(0x00020000, b"UL", struct.pack("<I", len(content))) + content


def native_pixels(frames: Sequence[Buffer], *, vr: bytes, length: int) -> list[Buffer]:
    """Return the parts of a native pixel data element."""
    parts: list[Buffer] = [header(0x7FE00010, vr, length + length % 2), *frames]
    if length % 2:
        parts.append(b"\x00")
    return parts


def encapsulated_pixels(frames: Sequence[Sequence[Buffer]]) -> list[Buffer]:
    """Return the parts of an encapsulated pixel data element: a filled offset table, one fragment a frame."""
    sizes = [sum(len(part) for part in frame) for frame in frames]
    padded = [size + size % 2 for size in sizes]
    offsets, at = [], 0
    for size in padded:
        offsets.append(at)
        at += size + 8
    if at > UNDEFINED:
        offsets = []
    table = struct.pack(f"<{len(offsets)}I", *offsets)
    parts: list[Buffer] = [header(0x7FE00010, b"OB", UNDEFINED), item(table)]
    for frame, size, even in zip(frames, sizes, padded, strict=True):
        parts.append(struct.pack("<HHI", 0xFFFE, 0xE000, even))
        parts.extend(frame)
        parts.append(b"\x00" * (even - size))
    parts.append(struct.pack("<HHI", 0xFFFE, 0xE0DD, 0))
    return parts
