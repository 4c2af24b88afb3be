"""TIFF and BigTIFF: a bounded walk of the directories, and the grayscale pixels.

Knows TIFF 6.0's tags for one-sample images. Refuses directories that loop, values and strips outside the file, sizes
beyond DICOM's and colour, before anything is decoded. Compressed, tiled and odd-depth pages are decoded by tifffile.
"""

from __future__ import annotations

import io
import struct
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final, Literal

import numpy as np

from beadroll.errors import InputError
from beadroll.images.codecs import FAULTS, Array, claimed_size
from beadroll.images.recipe import Part, Recipe
from beadroll.images.recipe import code as word_code
from beadroll.images.source import HeldBytes, Source
from beadroll.images.walk import MAX_PIXEL_BYTES, MAX_SIDE

MAX_DIRECTORIES: Final = 4_096
MAX_ENTRIES: Final = 4_096
MAX_TEXT: Final = 4_096
_WHOLE_AGAIN: Final = "Ask for the file again, or open and save it once as a plain grayscale TIFF."
_SIZES: Final = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 16: 8, 17: 8, 18: 8}
_LETTERS: Final = {1: "B", 3: "H", 4: "I", 13: "I", 16: "Q", 18: "Q"}
_TEXTS: Final = {
    269: "document_name", 270: "image_description", 271: "make", 272: "model", 285: "page_name",
    305: "software", 306: "date_time", 315: "artist", 316: "host_computer", 33432: "copyright",
}  # fmt: skip
_JPEG: Final = 7
_READ: Final = frozenset({1, 5, _JPEG, 8, 32773, 32946, 50000})
"""None, LZW, JPEG, Deflate (two numbers), PackBits, Zstandard."""
_TILE_OFFSETS: Final = 324
_TILE_ALLOWANCE: Final = 1 << 20
_WANTED: Final = frozenset(
    {254, 256, 257, 258, 259, 262, 266, 273, 277, 278, 279, 282, 283, 284, 296, 317, 322, 323, 324, 325, 339, *_TEXTS}
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """One directory: what it says of its pixels and where they lie."""

    rows: int
    columns: int
    bits: int
    samples: int
    signed: bool
    real: bool
    min_is_white: bool
    grayscale: bool
    compression: int
    plain: bool
    reduced: bool
    rows_per_strip: int
    tile: tuple[int, int] | None
    offsets: tuple[int, ...]
    counts: tuple[int, ...]
    pixel_pitch_mm: tuple[float, float] | None
    texts: dict[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tiff:
    """A walked TIFF: its full-size pages, all of one shape."""

    source: Source
    order: Literal["<", ">"]
    pages: tuple[Page, ...]
    indices: tuple[int, ...]

    @property
    def first(self) -> Page:
        """The page that speaks for all."""
        return self.pages[0]

    @property
    def lossy(self) -> bool:
        """True where the compression may have altered the samples before they were delivered."""
        return any(page.compression == _JPEG for page in self.pages)

    @property
    def word(self) -> np.dtype[np.generic]:
        """The little-endian word the samples are kept in."""
        size = 1 if self.first.bits <= 8 else 2  # noqa: PLR2004 - bits of a byte
        return np.dtype(f"<{'i' if self.first.signed else 'u'}{size}")


def looks_like_tiff(start: bytes) -> bool:
    """Tell by byte order and version, classic or Big."""
    return start[:4] in (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+")


def walk(source: Source) -> Tiff:
    """Walk all directories. Raises ``InputError`` for what is damaged, out of bounds, or not one-sample grey pages."""
    start = source.read(0, 16)
    order: Literal["<", ">"] = "<" if start[:2] == b"II" else ">"
    big = struct.unpack_from(order + "H", start, 2)[0] == 43  # noqa: PLR2004 - BigTIFF's version
    if len(start) < (16 if big else 8):
        raise _broken(source, "it is cut short inside its header")
    offset = struct.unpack_from(order + ("Q" if big else "I"), start, 8 if big else 4)[0]
    pages, seen = [], set[int]()
    while offset:
        if offset in seen or len(seen) >= MAX_DIRECTORIES:
            raise _broken(source, "its directories run in a circle or are too many")
        seen.add(offset)
        tags, offset = _directory(source, offset, order, big=big)
        pages.append(_page(source, tags))
    kept = [index for index, page in enumerate(pages) if not page.reduced] or list(range(len(pages)))
    if not kept:
        raise _broken(source, "it holds no image")
    made = Tiff(source=source, order=order, pages=tuple(pages[i] for i in kept), indices=tuple(kept))
    _check_pages(made)
    return made


def _broken(source: Source, why: str) -> InputError:
    return InputError(why, path=source.name, remedy=_WHOLE_AGAIN)


def _directory(source: Source, offset: int, order: str, *, big: bool) -> tuple[dict[int, Any], int]:
    head, entry_size, inline = (8, 20, 8) if big else (2, 12, 4)
    raw = source.read(offset, head)
    if len(raw) < head:
        raise _broken(source, "a directory lies outside the file")
    count = struct.unpack(order + ("Q" if big else "H"), raw)[0]
    if count > MAX_ENTRIES:
        raise _broken(source, f"a directory claims {count} entries")
    raw = source.read(offset + head, count * entry_size + inline)
    if len(raw) < count * entry_size + inline:
        raise _broken(source, "it is cut short inside a directory")
    tags: dict[int, Any] = {}
    for index in range(count):
        entry = raw[index * entry_size : (index + 1) * entry_size]
        tag, kind, number = struct.unpack_from(order + ("HHQ" if big else "HHI"), entry)
        size = _SIZES.get(kind, 1) * number
        if size > source.size:
            raise _broken(source, f"tag {tag} claims {size} bytes")
        at = struct.unpack_from(order + ("Q" if big else "I"), entry, entry_size - inline)[0]
        if size > inline and at + size > source.size:
            raise _broken(source, f"the value of tag {tag} lies outside the file")
        if tag in _WANTED:
            value = source.read(at, size) if size > inline else entry[entry_size - inline :][:size]
            tags[tag] = _value(value, kind, number, order)
    following = struct.unpack_from(order + ("Q" if big else "I"), raw, count * entry_size)[0]
    return tags, following


def _value(raw: bytes, kind: int, number: int, order: str) -> Any:
    if kind == 2:  # noqa: PLR2004 - ASCII
        text = raw[:MAX_TEXT].split(b"\x00")[0]
        try:
            return text.decode("utf-8")
        except UnicodeDecodeError:
            return text.decode("latin-1")
    if kind == 5:  # noqa: PLR2004 - RATIONAL
        pairs = struct.unpack(f"{order}{2 * number}I", raw)
        return tuple(a / b if b else 0.0 for a, b in zip(pairs[::2], pairs[1::2], strict=True))
    letter = _LETTERS.get(kind)
    return struct.unpack(f"{order}{number}{letter}", raw) if letter else ()


def _number(tags: dict[int, Any], tag: int, default: int) -> int:
    value = tags.get(tag, ())
    return int(value[0]) if isinstance(value, tuple) and value else default


def _numbers(tags: dict[int, Any], tag: int) -> tuple[int, ...]:
    value = tags.get(tag, ())
    return value if isinstance(value, tuple) else ()


def _page(source: Source, tags: dict[int, Any]) -> Page:
    rows, columns = _number(tags, 257, 0), _number(tags, 256, 0)
    if not 1 <= rows <= MAX_SIDE or not 1 <= columns <= MAX_SIDE:
        raise _broken(source, f"it claims {rows} rows and {columns} columns; 1 to {MAX_SIDE} can be kept")
    photometric, samples = _number(tags, 262, 1), _number(tags, 277, 1)
    form, tiled = _number(tags, 339, 1), _TILE_OFFSETS in tags
    offsets = _numbers(tags, 324 if tiled else 273)
    counts = _numbers(tags, 325 if tiled else 279)
    if len(offsets) != len(counts) or not offsets:
        raise _broken(source, "its strips or tiles are not listed")
    if any(at + length > source.size for at, length in zip(offsets, counts, strict=True)):
        raise _broken(source, "it is cut short: a strip or tile lies outside the file")
    bits = max(_numbers(tags, 258) or (1,))
    plain = not tiled and _number(tags, 259, 1) == 1 and _number(tags, 266, 1) == 1 and bits in (8, 16)
    return Page(
        rows=rows,
        columns=columns,
        bits=bits,
        samples=samples,
        signed=form == 2,  # noqa: PLR2004 - SampleFormat: two's complement
        real=form > 2,  # noqa: PLR2004 - SampleFormat: IEEE or complex
        min_is_white=photometric == 0,
        grayscale=photometric in (0, 1) and samples == 1,
        compression=_number(tags, 259, 1),
        plain=plain and samples == 1,
        reduced=bool(_number(tags, 254, 0) & 1),
        tile=(_number(tags, 323, 0), _number(tags, 322, 0)) if tiled else None,
        rows_per_strip=min(_number(tags, 278, rows) or rows, rows),
        offsets=offsets,
        counts=counts,
        pixel_pitch_mm=_pitch(tags),
        texts={_TEXTS[tag]: text.strip() for tag, text in tags.items() if tag in _TEXTS and isinstance(text, str)},
    )


def _pitch(tags: dict[int, Any]) -> tuple[float, float] | None:
    """Pitch from the resolution; without a unit it is unknown. Inch is the default (TIFF 6.0, ResolutionUnit)."""
    unit = {2: 25.4, 3: 10.0}.get(_number(tags, 296, 2))
    across, down = tags.get(282, ()), tags.get(283, ())
    if unit is None or not isinstance(across, tuple) or not isinstance(down, tuple) or not across or not down:
        return None
    if across[0] <= 0 or down[0] <= 0:
        return None
    return unit / float(down[0]), unit / float(across[0])


def _check_pages(tiff: Tiff) -> None:
    first = tiff.first
    if any(
        (p.rows, p.columns, p.bits, p.samples, p.signed, p.min_is_white)
        != (first.rows, first.columns, first.bits, first.samples, first.signed, first.min_is_white)
        for p in tiff.pages
    ):
        raise InputError(
            "its pages differ in size or depth",
            path=tiff.source.name,
            remedy="Deliver each radiograph as a file of its own.",
        )
    size = first.rows * first.columns * first.samples * -(-first.bits // 8) * len(tiff.pages)
    if size > MAX_PIXEL_BYTES:
        raise _broken(tiff.source, f"it claims {size >> 20} MiB of pixels; the limit is {MAX_PIXEL_BYTES >> 20} MiB")


def require_grayscale(tiff: Tiff) -> None:
    """Refuse colour, floating point and depths that a radiograph does not have."""
    first = tiff.first
    if not first.grayscale:
        raise InputError(
            "it is a colour image, not a grayscale radiograph",
            path=tiff.source.name,
            remedy="Deliver the scanner's grayscale file; a photograph belongs with the documents.",
        )
    if first.real or not 1 < first.bits <= 16:  # noqa: PLR2004 - words of 8 or 16 bits
        raise InputError(
            f"its pixels of {first.bits} bits{' in floating point' if first.real else ''} cannot be kept exactly",
            path=tiff.source.name,
            remedy="Export it with 8 to 16 bits of whole numbers a pixel.",
        )


def decode(tiff: Tiff) -> Array:
    """Return (frames, rows, columns). One plain contiguous page in little-endian order is a view, without a copy."""
    require_grayscale(tiff)
    first = tiff.first
    kind = tiff.word
    delivered = kind.newbyteorder(tiff.order)
    if all(page.plain for page in tiff.pages):
        frames = [np.frombuffer(_plain(tiff.source, page, kind.itemsize), delivered) for page in tiff.pages]
        frames = [frame.astype(kind, copy=False).reshape(first.rows, first.columns) for frame in frames]
    else:
        frames = _by_tifffile(tiff)
    if len(frames) == 1:
        return frames[0].reshape(1, first.rows, first.columns)
    return np.stack(frames)


def _plain(source: Source, page: Page, size: int) -> Any:
    need = page.rows * page.columns * size
    strips = list(zip(page.offsets, page.counts, strict=True))
    start = strips[0][0]
    if all(a[0] + a[1] == b[0] for a, b in pairwise(strips)):
        held: Any = source.view(start, sum(page.counts))
    else:
        held = b"".join(source.view(*strip) for strip in strips)
    if len(held) < need:
        raise _broken(source, f"its strips hold {len(held)} bytes where {need} are needed")
    return memoryview(held)[:need]


def _check_strips(source: Source, page: Page) -> None:
    """Refuse strips and tiles that would grow beyond their size, before anything allocates for them.

    tifffile gives the lossless decoders memory of a strip's size and no more; JPEG's allocates what its header claims.
    """
    rows, columns = page.tile or (page.rows_per_strip, page.columns)
    row_bytes = (columns * page.samples * page.bits + 7) // 8
    if not 0 < rows * row_bytes <= 4 * page.rows * page.columns * 2 + _TILE_ALLOWANCE:
        raise _broken(source, f"its tiles claim {rows} rows and {columns} columns")
    if page.compression not in _READ:
        raise _broken(source, f"its compression (number {page.compression}) is not one that can be read here")
    if page.compression != _JPEG:
        return
    for at, length in zip(page.offsets, page.counts, strict=True):
        size = claimed_size(bytes(source.view(at, min(length, 65_536))))
        if size is None or size[0] > rows or size[1] > columns:
            raise _broken(source, "a strip or tile claims to be larger than its directory says")


def _by_tifffile(tiff: Tiff) -> list[Array]:
    import tifffile  # noqa: PLC0415 - a fifth of a second, needed for few files

    for page in tiff.pages:
        _check_strips(tiff.source, page)
    first = tiff.first
    faults = (tifffile.TiffFileError, AttributeError, AssertionError, MemoryError, *FAULTS)
    try:
        with tifffile.TiffFile(io.BytesIO(tiff.source.view(0, tiff.source.size))) as opened:
            frames = [np.asarray(opened.pages[index].asarray(maxworkers=1)) for index in tiff.indices]
    except faults as fault:
        raise _broken(tiff.source, f"its pixels cannot be decoded ({type(fault).__name__})") from fault
    if any(frame.shape != (first.rows, first.columns) for frame in frames):
        raise _broken(tiff.source, "its pixels are not the size its directory says")
    return [np.ascontiguousarray(frame.astype(tiff.word, copy=False)) for frame in frames]


def recipe(tiff: Tiff) -> Recipe | None:
    """Return how to make the file from its samples, None where its pixels are not plain strips."""
    if not all(page.plain for page in tiff.pages) or not isinstance(tiff.source, HeldBytes):
        return None
    size = tiff.word.itemsize
    spans = sorted(span for number, page in enumerate(tiff.pages) for span in _spans(page, number))
    code = word_code(tiff.order, tiff.word)
    parts: list[Part] = []
    literals = []
    at = 0
    for start, first, count in _merged(spans, size):
        if start < at:
            return None
        if start > at:
            parts.append(("literal", start - at))
            literals.append(tiff.source.view(at, start - at))
        parts.append(("samples", first, count, code))
        at = start + count * size
    if at < tiff.source.size:
        parts.append(("literal", tiff.source.size - at))
        literals.append(tiff.source.view(at, tiff.source.size - at))
    made = Recipe(parts=tuple(parts), literals=tuple(literals))
    return made if made.worth_it else None


def _spans(page: Page, number: int) -> list[tuple[int, int, int]]:
    """Return (offset in the file, first sample, samples) of each strip."""
    spans, row = [], 0
    for at in page.offsets:
        rows = min(page.rows_per_strip, page.rows - row)
        if rows <= 0:
            break
        spans.append((at, (number * page.rows + row) * page.columns, rows * page.columns))
        row += rows
    return spans


def _merged(spans: list[tuple[int, int, int]], size: int) -> list[tuple[int, int, int]]:
    merged: list[tuple[int, int, int]] = []
    for start, first, count in spans:
        if merged:
            last = merged[-1]
            if last[0] + last[2] * size == start and last[1] + last[2] == first:
                merged[-1] = (last[0], last[1], last[2] + count)
                continue
        merged.append((start, first, count))
    return merged
