r"""How a received file is given back byte for byte from the object that stands for it in the package.

A private, documented element carries the little that the object does not: block ``BEADROLL RECIPE 1`` in group 7FDF,
element (7FDF,xx01), VR OB. Its value is one line of ASCII JSON ended by a line feed, then the literal bytes::

    {"parts":[["literal",N],["object",FIRST,N],["samples",FIRST,N,"<u2"]],"sha512":"...","size":S}

The received file is the parts in order: ``literal`` takes the next N literal bytes; ``object`` takes N bytes of the
object from FIRST, counted from the first byte after its file meta information; ``samples`` takes N decoded sample
words from index FIRST over all frames, written as ``<u1``, ``<i1``, ``<u2``, ``<i2`` or,
big-endian, ``>u2``, ``>i2``. ``size`` and
``sha512`` are the received file's. ``"parts":null`` says that the object alone does not suffice and the received
bytes are kept beside it. An object without the block is the received file itself.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from beadroll.errors import InputError
from beadroll.images import pixels, write
from beadroll.images.codecs import Array, Buffer, as_bytes
from beadroll.images.source import HeldBytes
from beadroll.images.walk import Layout, walk

CREATOR_TAG: Final = 0x7FDF0010
RECIPE_TAG: Final = 0x7FDF1001
CREATOR: Final = b"BEADROLL RECIPE 1 "
MAX_LITERAL: Final = 1 << 20
MAX_PARTS: Final = 4_096
_WORDS: Final = frozenset({"<u1", "<i1", "<u2", "<i2", ">u2", ">i2"})

Part = tuple[str, int] | tuple[str, int, int] | tuple[str, int, int, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """The parts of the received file, in order, and the literal bytes they take."""

    parts: tuple[Part, ...]
    literals: tuple[Buffer, ...]

    @property
    def worth_it(self) -> bool:
        """True while the recipe is small beside an image."""
        size = sum(len(one) for one in self.literals)
        return size <= MAX_LITERAL and len(self.parts) <= MAX_PARTS


def code(order: str, word: np.dtype[Any]) -> str:
    """Return the name of a word in a recipe; single bytes have no order."""
    return f"{order if word.itemsize > 1 else '<'}{word.kind}{word.itemsize}"


def block(recipe: Recipe | None, *, sha512: str, size: int) -> bytes:
    """Return the private block as explicit little-endian elements."""
    told = {"parts": [list(part) for part in recipe.parts] if recipe else None, "sha512": sha512, "size": size}
    line = json.dumps(told, sort_keys=True, separators=(",", ":")).encode("ascii") + b"\n"
    value = b"".join([line, *(recipe.literals if recipe else ())])
    return write.element(CREATOR_TAG, b"LO", CREATOR) + write.element(RECIPE_TAG, b"OB", value)


def restore(package_object: bytes, *, delivered_sha512: str = "", name: str = "the object") -> bytes:
    """Give back the received file from its object in the package, byte for byte.

    ``delivered_sha512`` is the digest the index gives for the received file. It matters for an object that was
    received as it is and carries a recipe from an earlier package: without the digest that recipe is followed.

    Raises ``InputError`` where the object is damaged, where the received bytes are kept beside it instead, and where
    what comes out is not the received file: the digest in the recipe is checked, never trusted.
    """
    if delivered_sha512 and hashlib.sha512(package_object).hexdigest() == delivered_sha512:
        return package_object
    layout = walk(HeldBytes(package_object, name=name))
    told = read(layout)
    if told is None:
        return package_object
    found = b"".join(assemble(layout, told, pixels.decode_dicom(layout).array))
    expected = delivered_sha512 or told.sha512
    if len(found) != told.size or hashlib.sha512(found).hexdigest() != expected:
        raise InputError(
            "the restored file differs from the one received",
            path=name,
            remedy="Verify the package; the object has been altered.",
        )
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """A recipe as read from an object."""

    parts: list[list[Any]] | None
    literals: memoryview
    sha512: str
    size: int


def read(layout: Layout) -> Told | None:
    """Return the recipe of a walked object, None where it has none. Raises ``InputError`` where it is damaged."""
    if layout.value(CREATOR_TAG).strip() != CREATOR.strip() or RECIPE_TAG not in layout.elements:
        return None
    element = layout.elements[RECIPE_TAG]
    value = layout.source.view(element.value, element.length)
    line, _, _ = bytes(value[: MAX_PARTS * 64]).partition(b"\n")
    try:
        told = json.loads(line)
        return Told(
            parts=told["parts"], literals=value[len(line) + 1 :], sha512=str(told["sha512"]), size=int(told["size"])
        )
    except (ValueError, KeyError, TypeError, RecursionError) as damaged:
        raise _damaged(layout) from damaged


def assemble(layout: Layout, told: Told, array: Array) -> list[Buffer]:
    """Return the parts of the received file. Raises ``InputError`` where the recipe cannot be followed."""
    if told.parts is None:
        raise InputError(
            "the received file cannot be made from this object alone",
            path=layout.source.name,
            remedy="Take the received bytes, which the package keeps beside it.",
        )
    words = array.reshape(-1)
    made: list[Buffer] = []
    used, total = 0, 0
    for part in told.parts:
        try:
            piece, taken = _piece(layout, part, told.literals[used:], words)
        except (TypeError, ValueError) as damaged:
            raise _damaged(layout) from damaged
        used += taken
        total += len(piece)
        if total > told.size:
            raise _damaged(layout)
        made.append(piece)
    return made


def _piece(layout: Layout, part: list[Any], literals: memoryview, words: Array) -> tuple[Buffer, int]:
    kind, first, *rest = part
    if kind == "literal":
        return literals[: int(first)], int(first)
    if kind == "object":
        return layout.source.view(layout.body_start + int(first), int(rest[0])), 0
    if kind == "samples" and rest[1] in _WORDS and int(first) >= 0:
        chosen = words[int(first) : int(first) + int(rest[0])]
        return as_bytes(np.ascontiguousarray(chosen, dtype=np.dtype(rest[1]))), 0
    raise ValueError(kind)


def _damaged(layout: Layout) -> InputError:
    return InputError(
        "its recipe for the received file is damaged",
        path=layout.source.name,
        remedy="Verify the package; the object has been altered.",
    )
