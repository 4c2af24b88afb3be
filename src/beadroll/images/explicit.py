"""Rewrites a delivered data set from implicit or big-endian to explicit little-endian, value by value.

Knows which type an attribute has in the published dictionary. Keeps every attribute and every value; a private
attribute without a known type becomes UN, which is how DICOM carries the unknown (PS3.5, 6.2.2). Group length
elements, which DICOM retired, are dropped, because they would contradict the rewritten lengths.
"""

from __future__ import annotations

import functools
from typing import Final

import numpy as np
from pydicom._dicom_dict import DicomDictionary

from beadroll.errors import InputError
from beadroll.images import write
from beadroll.images.walk import MAX_DEPTH, PIXEL_DATA, UNDEFINED, Layout, _Walker

_SWAP: Final = {
    b"US": 2, b"SS": 2, b"OW": 2, b"AT": 2, b"UL": 4, b"SL": 4, b"FL": 4, b"OF": 4, b"OL": 4,
    b"FD": 8, b"OD": 8, b"OV": 8, b"SV": 8, b"UV": 8,
}  # fmt: skip
_ITEM_END: Final = 0xFFFEE00D
_SEQUENCE_END: Final = 0xFFFEE0DD


@functools.cache
def _dictionary_vr(tag: int) -> str:
    entry = DicomDictionary.get(tag)
    if entry is not None:
        return str(entry[0])
    group, number = tag >> 16, tag & 0xFFFF
    if group % 2:
        return "LO" if 0x10 <= number <= 0xFF else "UN"  # noqa: PLR2004 - private creators (PS3.5, 7.8.1)
    if 0x6000 <= group < 0x6100 or 0x5000 <= group < 0x5100:  # noqa: PLR2004 - repeating groups
        base = DicomDictionary.get((group & 0xFF00) << 16 | number)
        return str(base[0]) if base is not None else "UN"
    return "UN"


def explicit_little(layout: Layout, *, after_pixels: bool) -> bytes:
    """Return the data set before (or after) the pixel data as explicit little-endian bytes."""
    pixel = layout.elements[PIXEL_DATA]
    start, end = (pixel.end, layout.source.size) if after_pixels else (layout.body_start, pixel.start)
    signed = layout.geometry is not None and layout.geometry.signed
    rewriter = _Rewriter(layout, signed=signed)
    return rewriter.elements(start, end, 0)[0]


class _Rewriter:
    """Walks again with the same bounds, writing what it reads."""

    __slots__ = ("little", "signed", "walker")

    def __init__(self, layout: Layout, *, signed: bool) -> None:
        self.walker = _Walker(layout.source, little=layout.little, explicit=layout.explicit)
        self.little = layout.little
        self.signed = signed

    def elements(self, offset: int, limit: int, depth: int, *, open_end: bool = False) -> tuple[bytes, int]:
        """Rewrite elements up to the limit, or to the item's delimiter; return the bytes and the offset after."""
        if depth > MAX_DEPTH:
            raise InputError(
                f"its sequences are nested more than {MAX_DEPTH} deep",
                path=self.walker.source.name,
                remedy="Ask for the file without its private parts.",
            )
        written: list[bytes] = []
        while offset < limit:
            tag, vr, value, length = self.walker.header(offset, limit)
            self.walker.counted()
            if open_end and tag == _ITEM_END:
                return b"".join(written), value
            vr = self.vr(tag, vr, length)
            if vr == b"SQ" or length == UNDEFINED:
                items, offset = self.sequence(value, limit, length, depth, unknown=vr == b"UN")
                written.append(write.sequence(tag, items))
                continue
            if value + length > limit:
                raise InputError("an item is cut short", path=self.walker.source.name, place=f"byte {offset}")
            if tag & 0xFFFF:
                written.append(write.element(tag, vr, self.value(vr, value, length)))
            offset = value + length
        return b"".join(written), offset

    def sequence(self, offset: int, limit: int, length: int, depth: int, *, unknown: bool) -> tuple[list[bytes], int]:
        """Rewrite the items of a sequence; return their contents and the offset after it."""
        end = limit if length == UNDEFINED else offset + length
        explicit = self.walker.explicit
        self.walker.explicit = explicit and not unknown
        items = []
        while offset < end:
            tag, _, value, size = self.walker.header(offset, end)
            self.walker.counted()
            if tag == _SEQUENCE_END:
                offset = value
                break
            stop = end if size == UNDEFINED else value + size
            if stop > end:
                raise InputError("an item is cut short", path=self.walker.source.name, place=f"byte {offset}")
            content, offset = self.elements(value, stop, depth + 1, open_end=size == UNDEFINED)
            items.append(content)
        self.walker.explicit = explicit
        return items, offset

    def vr(self, tag: int, vr: bytes, length: int) -> bytes:
        """Return the type: as written where explicit, else the dictionary's, ambiguity resolved by PS3.5 annex A."""
        if vr != b"  ":
            return vr
        name = "UL" if tag & 0xFFFF == 0 else _dictionary_vr(tag)
        if name in ("US or SS", "US or SS or OW"):
            if name.endswith("OW") and length > 2:  # noqa: PLR2004 - more than one word
                return b"OW"
            return b"SS" if self.signed else b"US"
        if " or " in name or name == "NONE":
            return b"OW"
        return name.encode("ascii")

    def value(self, vr: bytes, offset: int, length: int) -> bytes:
        """Return a value in little-endian order."""
        raw = self.walker.source.read(offset, length)
        size = _SWAP.get(vr)
        if self.little or size is None or len(raw) % size:
            return raw
        return np.frombuffer(raw, f">u{size}").astype(f"<u{size}").tobytes()
