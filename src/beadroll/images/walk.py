"""The bounded walk of a DICOM file, done before anything else reads it.

Knows the element structure of PS3.5 and nothing of its meaning beyond what is needed to prove that the file is whole:
lengths against the file's size, a depth, an element and a fragment cap, pixel data as long as the attributes say, and
the last element ending where the file ends. Refuses to guess: a file that breaks a bound is an ``InputError`` with one
sentence, in bounded time and memory. Nothing is repaired here and nothing is read twice.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass, field
from typing import Final

from beadroll.errors import InputError
from beadroll.images.source import HeldBytes, Source

IMPLICIT_LITTLE: Final = "1.2.840.10008.1.2"
EXPLICIT_LITTLE: Final = "1.2.840.10008.1.2.1"
DEFLATED: Final = "1.2.840.10008.1.2.1.99"
EXPLICIT_BIG: Final = "1.2.840.10008.1.2.2"
NATIVE: Final = frozenset({IMPLICIT_LITTLE, EXPLICIT_LITTLE, DEFLATED, EXPLICIT_BIG})

MAX_DEPTH: Final = 16
MAX_ELEMENTS: Final = 100_000
MAX_FRAGMENTS: Final = 100_000
MAX_PIXEL_BYTES: Final = 1 << 30
"""Decoded pixels of one file: 1 GiB holds a 350 x 430 mm film at 25 um and 16 bit twice over."""
MAX_INFLATED_BYTES: Final = 256 << 20
MAX_SIDE: Final = 65_535
"""Rows and Columns are 16-bit words (PS3.5, VR US)."""

PIXEL_DATA: Final = 0x7FE00010
UNDEFINED: Final = 0xFFFFFFFF
_ITEM: Final = 0xFFFEE000
_ITEM_END: Final = 0xFFFEE00D
_SEQUENCE_END: Final = 0xFFFEE0DD
_ENCRYPTED: Final = 0x04000500
_WHOLE_AGAIN: Final = "Ask for the file again from the machine that made it, and compare the sizes."

SHORT_VRS: Final = frozenset(b"AE AS AT CS DA DS DT FD FL IS LO LT PN SH SL SS ST TM UI UL US".split())
LONG_VRS: Final = frozenset(b"OB OD OF OL OV OW SQ SV UC UN UR UT UV".split())


@dataclass(frozen=True, slots=True)
class Element:
    """One top-level element: where its header starts, where its value starts, and where it ends."""

    tag: int
    vr: bytes
    start: int
    value: int
    end: int
    defined: bool

    @property
    def length(self) -> int:
        """Length of the value in bytes; for an undefined length up to and including its delimiter."""
        return self.end - self.value


@dataclass(frozen=True, slots=True, kw_only=True)
class Geometry:
    """What the attributes say of the pixels."""

    rows: int
    columns: int
    frames: int
    samples: int
    bits_allocated: int
    bits_stored: int
    high_bit: int
    signed: bool
    planar: int
    photometric: str

    @property
    def frame_bytes(self) -> int:
        """Bytes of one native frame, rounded up for packed single bits."""
        if self.photometric == "YBR_FULL_422":
            return self.rows * self.columns * 2 * self.bits_allocated // 8
        return (self.rows * self.columns * self.samples * self.bits_allocated + 7) // 8

    @property
    def native_bytes(self) -> int:
        """Bytes of all frames; single bits run on across frames (PS3.5, 8.1.1)."""
        if self.bits_allocated == 1:
            return (self.rows * self.columns * self.samples * self.frames + 7) // 8
        return self.frame_bytes * self.frames


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """A walked file: every top-level element addressed in ``source``, which is inflated where the file was deflated."""

    source: Source
    transfer_syntax: str
    little: bool
    explicit: bool
    meta: dict[int, Element]
    meta_source: Source
    body_start: int
    elements: dict[int, Element]
    fragments: tuple[tuple[int, int], ...] = ()
    offsets_table: tuple[int, int] = (0, 0)
    geometry: Geometry | None = field(default=None)

    @property
    def native(self) -> bool:
        """True where the pixels lie uncompressed in the file."""
        return self.transfer_syntax in NATIVE

    def value(self, tag: int) -> bytes:
        """Return the raw value of a top-level element, empty where absent or a sequence."""
        element = self.elements.get(tag)
        if element is None or not element.defined or element.vr == b"SQ":
            return b""
        return self.source.read(element.value, element.length)

    def text(self, tag: int) -> str:
        """Return an ASCII value without its padding."""
        return self.value(tag).decode("ascii", "replace").strip(" \x00")

    def number(self, tag: int, default: int) -> int:
        """Return an unsigned 16-bit value."""
        raw = self.value(tag)
        if len(raw) < 2:  # noqa: PLR2004 - a 16-bit word
            return default
        return int.from_bytes(raw[:2], "little" if self.little else "big")


def looks_like_dicom(start: bytes) -> bool:
    """Tell by the 128-byte preamble and prefix (PS3.10, 7.1)."""
    return start[128:132] == b"DICM"


def walk(source: Source) -> Layout:
    """Walk a whole DICOM file and prove its structure; pixel data are stepped over, not read.

    Raises ``InputError`` for anything that is not a whole, unencrypted DICOM file within the bounds above.
    """
    if not looks_like_dicom(source.read(0, 132)):
        raise InputError("it is not a DICOM file: the prefix DICM is missing", path=source.name)
    meta_walker = _Walker(source, little=True, explicit=True)
    meta, body = meta_walker.meta()
    syntax_element = meta.get(0x00020010)
    if syntax_element is None:
        raise _broken(source, "the file meta information names no transfer syntax")
    raw = source.read(syntax_element.value, min(syntax_element.length, 66))
    syntax = raw.decode("ascii", "replace").strip(" \x00")
    data, start = source, body
    if syntax == DEFLATED:
        data, start = HeldBytes(_inflate(source, body), name=source.name), 0
    walker = _Walker(data, little=syntax != EXPLICIT_BIG, explicit=syntax != IMPLICIT_LITTLE)
    elements = walker.body(start)
    if _ENCRYPTED in elements:
        raise InputError("parts of it are encrypted", path=source.name, remedy="Ask for the file without encryption.")
    layout = Layout(
        source=data,
        transfer_syntax=syntax,
        little=walker.little,
        explicit=walker.explicit,
        meta=meta,
        meta_source=source,
        body_start=start,
        elements=elements,
        fragments=tuple(walker.fragments),
        offsets_table=walker.offsets_table,
    )
    if PIXEL_DATA not in elements:
        return layout
    return _with_geometry(layout)


def _broken(source: Source, why: str) -> InputError:
    return InputError(why, path=source.name, remedy=_WHOLE_AGAIN)


class _Walker:
    """Steps from element to element; holds the counters that the caps are checked against."""

    __slots__ = ("count", "explicit", "fragments", "little", "offsets_table", "order", "source")

    def __init__(self, source: Source, *, little: bool, explicit: bool) -> None:
        self.source = source
        self.little = little
        self.explicit = explicit
        self.order = "<" if little else ">"
        self.count = 0
        self.fragments: list[tuple[int, int]] = []
        self.offsets_table = (0, 0)

    def meta(self) -> tuple[dict[int, Element], int]:
        """Read the file meta group, which is explicit little-endian whatever follows (PS3.10, 7.1)."""
        found: dict[int, Element] = {}
        offset = 132
        while self.source.read(offset, 2) == b"\x02\x00":
            element = self.element(offset, self.source.size)
            if not element.defined or element.tag in found:
                raise _broken(self.source, f"the file meta information is damaged at byte {offset}")
            found[element.tag] = element
            offset = element.end
        return found, offset

    def body(self, offset: int) -> dict[int, Element]:
        """Walk the data set to the end of the source."""
        size = self.source.size
        found: dict[int, Element] = {}
        while offset < size:
            element = self.element(offset, size)
            if element.tag in found:
                raise _broken(self.source, f"element {_tag(element.tag)} stands in it twice")
            found[element.tag] = element
            offset = element.end
            if element.vr == b"SQ" and element.defined:
                self.sequence(element.value, element.end, 1, defined=True)
        return found

    def element(self, offset: int, limit: int, depth: int = 0) -> Element:
        """Read one element header and step over its value."""
        self.counted()
        tag, vr, value, length = self.header(offset, limit)
        if length != UNDEFINED:
            if value + length > limit:
                raise _broken(
                    self.source,
                    f"it is cut short: element {_tag(tag)} claims {length} bytes and {limit - value} are left",
                )
            return Element(tag, vr, offset, value, value + length, defined=True)
        if tag == PIXEL_DATA and depth == 0:
            return Element(tag, vr, offset, value, self.encapsulated(value, limit), defined=False)
        if vr not in (b"SQ", b"UN", b"  "):
            raise _broken(self.source, f"element {_tag(tag)} has no length")
        end = self.sequence(value, limit, depth + 1, defined=False, unknown=vr == b"UN")
        return Element(tag, vr, offset, value, end, defined=False)

    def counted(self) -> None:
        """Count one element or item against the cap."""
        self.count += 1
        if self.count > MAX_ELEMENTS:
            raise _broken(self.source, f"it holds more than {MAX_ELEMENTS} elements")

    def header(self, offset: int, limit: int) -> tuple[int, bytes, int, int]:
        """Return tag, VR, offset of the value and its length; two blanks stand for an implicit VR."""
        raw = self.source.read(offset, 12)
        if limit - offset < 8 or len(raw) < 8:  # noqa: PLR2004 - the shortest element header
            raise _broken(self.source, f"it is cut short at byte {offset}, inside an element's header")
        group, number = struct.unpack_from(self.order + "HH", raw)
        tag = group << 16 | number
        if group == 0xFFFE or not self.explicit:  # noqa: PLR2004 - items and delimiters carry no VR
            return tag, b"  ", offset + 8, struct.unpack_from(self.order + "I", raw, 4)[0]
        vr = raw[4:6]
        if vr in SHORT_VRS:
            return tag, vr, offset + 8, struct.unpack_from(self.order + "H", raw, 6)[0]
        if vr not in LONG_VRS or len(raw) < 12 or limit - offset < 12:  # noqa: PLR2004 - the long header
            raise _broken(self.source, f"element {_tag(tag)} at byte {offset} is damaged: its type is unreadable")
        return tag, vr, offset + 12, struct.unpack_from(self.order + "I", raw, 8)[0]

    def sequence(self, offset: int, limit: int, depth: int, *, defined: bool, unknown: bool = False) -> int:
        """Walk items up to the delimiter or the limit; return the offset after them."""
        if depth > MAX_DEPTH:
            raise _broken(self.source, f"its sequences are nested more than {MAX_DEPTH} deep")
        explicit = self.explicit
        self.explicit = explicit and not unknown
        while True:
            if defined and offset == limit:
                break
            tag, _, value, length = self.header(offset, limit)
            self.counted()
            if tag == _SEQUENCE_END and not defined:
                offset = value
                break
            if tag != _ITEM or (length != UNDEFINED and value + length > limit):
                raise _broken(self.source, f"a sequence is damaged at byte {offset}")
            offset = self.item(value, limit if length == UNDEFINED else value + length, depth, length)
        self.explicit = explicit
        return offset

    def item(self, offset: int, limit: int, depth: int, length: int) -> int:
        """Walk the elements of one item; return the offset after it."""
        while offset < limit:
            if length == UNDEFINED and self.header(offset, limit)[0] == _ITEM_END:
                return offset + 8
            element = self.element(offset, limit, depth)
            if element.vr == b"SQ" and element.defined:
                self.sequence(element.value, element.end, depth + 1, defined=True)
            offset = element.end
        if length == UNDEFINED:
            raise _broken(self.source, "an item of a sequence has no end")
        return offset

    def encapsulated(self, offset: int, limit: int) -> int:
        """Walk the fragments of compressed pixel data (PS3.5, A.4); return the offset after the delimiter."""
        first = True
        while True:
            tag, _, value, length = self.header(offset, limit)
            if tag == _SEQUENCE_END:
                return value
            if tag != _ITEM or length == UNDEFINED or value + length > limit:
                raise _broken(self.source, f"the compressed pixel data are damaged at byte {offset}")
            if first:
                self.offsets_table = (value, length)
            else:
                self.fragments.append((value, length))
            if len(self.fragments) > MAX_FRAGMENTS:
                raise _broken(self.source, f"the pixel data lie in more than {MAX_FRAGMENTS} fragments")
            first = False
            offset = value + length


def _tag(tag: int) -> str:
    return f"({tag >> 16:04X},{tag & 0xFFFF:04X})"


def _inflate(source: Source, start: int) -> bytes:
    """Inflate a deflated data set within a bound; zlib stops at the bound, whatever the stream claims."""
    inflater = zlib.decompressobj(-zlib.MAX_WBITS)
    try:
        data = inflater.decompress(source.view(start, source.size - start), MAX_INFLATED_BYTES)
    except zlib.error as damaged:
        raise _broken(source, "its deflated data are damaged") from damaged
    if not inflater.eof:
        if len(data) >= MAX_INFLATED_BYTES:
            raise _broken(source, f"it inflates to more than {MAX_INFLATED_BYTES >> 20} MiB")
        raise _broken(source, "it is cut short: its deflated data have no end")
    if inflater.unused_data not in (b"", b"\x00", _gzip_trailer(data)):  # one NUL pads to an even length
        raise _broken(source, "bytes follow the end of its deflated data")
    return data


def _gzip_trailer(data: bytes) -> bytes:
    """Return the check sum and length some writers leave behind the stream (RFC 1952, 2.3.1)."""
    return struct.pack("<II", zlib.crc32(data), len(data) & UNDEFINED)


def _frames(layout: Layout) -> int:
    text = layout.text(0x00280008)
    if not text:
        return 1
    try:
        frames = int(text)
    except ValueError:
        frames = 0
    if not 1 <= frames <= MAX_FRAGMENTS:
        raise _broken(layout.source, f"its number of frames is {text[:20]!r}")
    return frames


def _with_geometry(layout: Layout) -> Layout:
    """Add what the attributes say of the pixels, and hold the pixel data against it."""
    stored_default = layout.number(0x00280100, 0)
    stored = layout.number(0x00280101, stored_default)
    made = Geometry(
        rows=layout.number(0x00280010, 0),
        columns=layout.number(0x00280011, 0),
        frames=_frames(layout),
        samples=layout.number(0x00280002, 1),
        bits_allocated=stored_default,
        bits_stored=stored,
        high_bit=layout.number(0x00280102, max(stored - 1, 0)),
        signed=layout.number(0x00280103, 0) == 1,
        planar=layout.number(0x00280006, 0),
        photometric=layout.text(0x00280004),
    )
    _check_geometry(layout, made)
    return Layout(
        source=layout.source,
        transfer_syntax=layout.transfer_syntax,
        little=layout.little,
        explicit=layout.explicit,
        meta=layout.meta,
        meta_source=layout.meta_source,
        body_start=layout.body_start,
        elements=layout.elements,
        fragments=layout.fragments,
        offsets_table=layout.offsets_table,
        geometry=made,
    )


def _check_geometry(layout: Layout, made: Geometry) -> None:
    source = layout.source
    pixel = layout.elements[PIXEL_DATA]
    if not made.rows or not made.columns:
        raise _broken(source, "it does not say how many rows and columns it has")
    if made.samples not in (1, 3, 4) or made.bits_allocated not in (1, 8, 16, 32, 64):
        raise _broken(source, f"it claims {made.samples} samples of {made.bits_allocated} bits a pixel")
    if not 1 <= made.bits_stored <= made.bits_allocated:
        raise _broken(source, f"it claims {made.bits_stored} bits stored in {made.bits_allocated}")
    if made.native_bytes > MAX_PIXEL_BYTES:
        raise InputError(
            f"it claims {made.native_bytes >> 20} MiB of pixels; the limit is {MAX_PIXEL_BYTES >> 20} MiB",
            path=source.name,
            remedy="Deliver the frames as separate files, or check Rows, Columns and Number of Frames.",
        )
    if layout.native != pixel.defined:
        raise _broken(source, f"its pixel data do not fit its transfer syntax {layout.transfer_syntax}")
    if layout.native and pixel.length not in (made.native_bytes, made.native_bytes + made.native_bytes % 2):
        raise _broken(source, f"its pixel data have {pixel.length} bytes where its attributes need {made.native_bytes}")
    if not layout.native and not layout.fragments:
        raise _broken(source, "its compressed pixel data are empty")
