"""A delivered image in, its object for the package out, with the proof that nothing was lost.

Knows the order of the work: walk, decode, encode, decode again, compare, digest, preview, and the trial restoring.
Refuses to keep an encoding it has not decoded and compared, and to call a file restorable that it has not restored.
"""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

import numpy as np

from beadroll.errors import InputError
from beadroll.images import codecs, diconde, explicit, png, recipe, tiff, write
from beadroll.images.codecs import Array, BitstreamError, Buffer, Codec
from beadroll.images.display import LONGEST_SIDE, DisplayFilter, preview
from beadroll.images.identity import Identity
from beadroll.images.opening import decode_png, decode_tiff
from beadroll.images.pixels import Pixels, decode_dicom, pixel_digest
from beadroll.images.recipe import Part, Recipe
from beadroll.images.source import HeldBytes
from beadroll.images.walk import EXPLICIT_LITTLE, PIXEL_DATA, Layout, looks_like_dicom, walk

_PRIVATE_GROUP: Final = 0x7FDF
_SCRATCH_LIMIT: Final = 64 << 20
_scratch = threading.local()


@dataclass(frozen=True, slots=True, kw_only=True)
class Converted:
    """The object for the package and what was proved about it.

    ``unchanged`` is true where the object is the delivered file itself. ``restorable`` is true where ``restore`` was
    run on the object and gave the delivered bytes; ``keep_delivered`` where the delivered bytes must be kept beside
    it. ``changes`` says in sentences what differs from the delivered file. ``preview`` is a JPEG.
    """

    data: bytes
    delivered_sha512: str
    pixel_sha512: str
    unchanged: bool
    restorable: bool
    keep_delivered: bool
    sop_class_uid: str
    sop_instance_uid: str
    transfer_syntax: str
    rows: int
    columns: int
    frames: int
    bits_allocated: int
    bits_stored: int
    signed: bool
    photometric: str
    pixel_pitch_mm: tuple[float, float] | None
    lossy: bool
    changes: tuple[str, ...]
    preview: bytes


def convert(
    delivered: bytes,
    identity: Identity,
    *,
    codec: Codec,
    name: str,
    preview_px: int = LONGEST_SIDE,
    display_filter: DisplayFilter | None = None,
) -> Converted:
    """Make the object for the package from a delivered DICOM, TIFF or PNG file.

    The same bytes, identity and codec give the same object. Safe to call from several threads; the heavy parts
    release the interpreter lock. Raises ``InputError`` where the file is damaged, hostile or no grayscale radiograph.
    """
    source = HeldBytes(delivered, name=name)
    look = partial(preview, longest=preview_px, chosen=display_filter)
    if not delivered:
        raise InputError("the file is empty", path=name, remedy="Ask for the file again.")
    if looks_like_dicom(source.read(0, 132)):
        return _from_dicom(delivered, walk(source), codec, look)
    if tiff.looks_like_tiff(source.read(0, 4)):
        walked = tiff.walk(source)
        origin = _Origin("TIFF", walked.first.texts, tiff.recipe(walked), walked.lossy)
        return _made(delivered, identity, decode_tiff(walked), codec, origin, look)
    if source.read(0, 8) == png.SIGNATURE:
        seen = png.walk(source)
        return _made(delivered, identity, decode_png(seen), codec, _Origin("PNG", seen.texts, None, lossy=False), look)
    raise InputError(
        "it is neither DICOM, TIFF nor PNG, or it is encrypted",
        path=name,
        remedy="Deliver the radiograph in one of these formats, without a password.",
    )


@dataclass(frozen=True, slots=True)
class _Origin:
    """The container a file was delivered in, its own texts, and how to make it again."""

    container: str
    texts: dict[str, str]
    recipe: Recipe | None
    lossy: bool


def _from_dicom(delivered: bytes, layout: Layout, codec: Codec, look: Callable[[Pixels], bytes]) -> Converted:
    pixels = decode_dicom(layout)
    sha512 = hashlib.sha512(delivered).hexdigest()
    done = _transcoded(layout, pixels, codec, sha512, len(delivered))
    data, syntax, changes = done or (delivered, layout.transfer_syntax, ())
    unchanged = done is None
    restorable = _gives_back(data, pixels.array, delivered)
    return Converted(
        data=data,
        delivered_sha512=sha512,
        pixel_sha512=pixel_digest(pixels),
        unchanged=unchanged,
        restorable=restorable,
        keep_delivered=not (unchanged or restorable),
        sop_class_uid=layout.text(0x00080016),
        sop_instance_uid=layout.text(0x00080018),
        transfer_syntax=syntax,
        rows=pixels.rows,
        columns=pixels.columns,
        frames=pixels.frames,
        bits_allocated=pixels.bits_allocated,
        bits_stored=pixels.bits_stored,
        signed=pixels.signed,
        photometric=pixels.photometric,
        pixel_pitch_mm=pixels.pixel_pitch_mm,
        lossy=layout.transfer_syntax in codecs.LOSSY or layout.text(0x00282110) == "01",
        changes=changes,
        preview=look(pixels),
    )


def _transcoded(
    layout: Layout, pixels: Pixels, codec: Codec, sha512: str, size: int
) -> tuple[bytes, str, tuple[str, ...]] | None:
    """Return the transcoded object, or None where the delivered file is best kept as it is.

    Kept as they are: pixels that came compressed (their bitstream is the original, and a lossy one must not be
    dressed up as lossless), colour and words above 16 bits, and a file whose own private group stands in the way.
    """
    geometry = layout.geometry
    if not layout.native or not pixels.grayscale or geometry is None or geometry.bits_allocated == 1:
        return None
    if any(tag >> 16 == _PRIVATE_GROUP for tag in layout.elements):
        return None
    syntax, frames, notes = _encode(pixels, codec)
    if syntax == layout.transfer_syntax:
        return None
    group_length = layout.elements.get(0x7FE00000)
    plain = layout.transfer_syntax == EXPLICIT_LITTLE and group_length is None
    if plain:
        pixel = layout.elements[PIXEL_DATA]
        head: Buffer = layout.source.view(layout.body_start, pixel.start - layout.body_start)
        tail: Buffer = layout.source.view(pixel.end, layout.source.size - pixel.end)
    else:
        head = explicit.explicit_little(layout, after_pixels=False)
        tail = explicit.explicit_little(layout, after_pixels=True)
    private = recipe.block(_dicom_recipe(layout, pixels, head, plain=plain), sha512=sha512, size=size)
    meta = write.meta_with_syntax(layout, syntax)
    data = b"".join([meta, head, private, *_pixel_parts(syntax, frames, pixels), tail])
    changes = [f"Pixel data rewritten without loss from transfer syntax {layout.transfer_syntax} to {syntax}."]
    if not plain:
        changes.append("Attributes rewritten as explicit VR little-endian; group length elements left out.")
    return data, syntax, (*changes, *notes)


def _dicom_recipe(layout: Layout, pixels: Pixels, head: Buffer, *, plain: bool) -> Recipe | None:
    """Return how to make the received file: its head from the object where it stands there unchanged."""
    if layout.source is not layout.meta_source:
        return None
    pixel = layout.elements[PIXEL_DATA]
    source = layout.source
    order = "<" if layout.little else ">"
    if order == ">" and pixels.bits_allocated == 8 and pixel.vr == b"OW":  # noqa: PLR2004 - bytes swapped in pairs
        return None
    code = recipe.code(order, pixels.array.dtype)
    samples = pixels.array.size
    after = pixel.value + samples * pixels.array.dtype.itemsize
    parts: list[Part] = []
    literals: list[Buffer] = []
    if plain:
        parts += [("literal", layout.body_start), ("object", 0, len(head))]
        parts += [("literal", pixel.value - pixel.start)]
        literals += [source.view(0, layout.body_start), source.view(pixel.start, pixel.value - pixel.start)]
    else:
        parts += [("literal", pixel.value)]
        literals += [source.view(0, pixel.value)]
    parts.append(("samples", 0, samples, code))
    if after < source.size:
        parts.append(("literal", source.size - after))
        literals.append(source.view(after, source.size - after))
    made = Recipe(parts=tuple(parts), literals=tuple(literals))
    return made if made.worth_it else None


def _made(
    delivered: bytes,
    identity: Identity,
    pixels: Pixels,
    codec: Codec,
    origin: _Origin,
    look: Callable[[Pixels], bytes],
) -> Converted:
    """Make a DICONDE object for an image that came without one."""
    changes = [f"DICONDE object written for the {origin.container} file delivered; sample values untouched."]
    if pixels.pixel_pitch_mm is None and identity.pixel_pitch_mm is not None:
        pixels = replace(pixels, pixel_pitch_mm=identity.pixel_pitch_mm)
        changes.append("Pixel pitch taken from the record, because the file gives none.")
    sha512 = hashlib.sha512(delivered).hexdigest()
    sop_class = diconde.sop_class(identity, pixels)
    triple = diconde.uids(identity, sha512)
    syntax, frames, notes = _encode(pixels, codec)
    head = diconde.data_set(
        identity, pixels, sop_class_uid=sop_class, uid_triple=triple, texts=origin.texts, lossy=origin.lossy
    )
    data = b"".join(
        [
            write.meta(sop_class, triple[2], syntax),
            head,
            recipe.block(origin.recipe, sha512=sha512, size=len(delivered)),
            *_pixel_parts(syntax, frames, pixels),
        ]
    )
    restorable = origin.recipe is not None and _gives_back(data, pixels.array, delivered)
    return Converted(
        data=data,
        delivered_sha512=sha512,
        pixel_sha512=pixel_digest(pixels),
        unchanged=False,
        restorable=restorable,
        keep_delivered=not restorable,
        sop_class_uid=sop_class,
        sop_instance_uid=triple[2],
        transfer_syntax=syntax,
        rows=pixels.rows,
        columns=pixels.columns,
        frames=pixels.frames,
        bits_allocated=pixels.bits_allocated,
        bits_stored=pixels.bits_stored,
        signed=pixels.signed,
        photometric=pixels.photometric,
        pixel_pitch_mm=pixels.pixel_pitch_mm,
        lossy=origin.lossy,
        changes=(*changes, *notes),
        preview=look(pixels),
    )


def _pixel_parts(syntax: str, frames: Sequence[Sequence[Buffer]], pixels: Pixels) -> list[Buffer]:
    if syntax != EXPLICIT_LITTLE:
        return write.encapsulated_pixels(frames)
    vr = b"OW" if pixels.bits_allocated > 8 else b"OB"  # noqa: PLR2004 - PS3.5, A.2
    flat = [memoryview(part).cast("B") for frame in frames for part in frame]
    return write.native_pixels(flat, vr=vr, length=pixels.array.nbytes)


def _encode(pixels: Pixels, codec: Codec) -> tuple[str, list[tuple[Buffer, ...]], tuple[str, ...]]:
    """Encode every frame, decode it again and compare; fall back to uncompressed where that is smaller."""
    chosen = codecs.usable(codec, signed=pixels.signed)
    notes = () if chosen is codec else (f"{codec.value} holds no signed samples; {chosen.value} was used.",)
    plain = [(np.require(frame, requirements=["C", "A"]),) for frame in pixels.array]
    if chosen is Codec.UNCOMPRESSED:
        return EXPLICIT_LITTLE, list(plain), notes
    syntax = codecs.SYNTAX[chosen]
    frames = [codecs.encode(chosen, frame, bits=_bits_in_use(pixels, frame)) for (frame,) in plain]
    if sum(len(part) for frame in frames for part in frame) >= pixels.array.nbytes:
        return EXPLICIT_LITTLE, list(plain), (*notes, "Compression does not pay; kept uncompressed.")
    for (frame,), stream in zip(plain, frames, strict=True):
        _prove(syntax, stream, frame, pixels.photometric)
    return syntax, frames, notes


def _bits_in_use(pixels: Pixels, frame: Array) -> int:
    """Return Bits Stored, or the whole word where a value lies above it: no bit may be lost."""
    if pixels.bits_stored < pixels.bits_allocated and int(frame.max()) >> pixels.bits_stored:
        return pixels.bits_allocated
    return pixels.bits_stored


def _prove(syntax: str, stream: Sequence[Buffer], frame: Array, photometric: str) -> None:
    """Decode what was encoded and compare every word."""
    whole: Buffer = stream[0] if len(stream) == 1 else b"".join(stream)
    out = _scratch_array(frame)
    np.invert(frame, out=out)  # no word can be right that the decoder did not write
    try:
        codecs.decode(syntax, memoryview(whole), out, photometric=photometric)
    except BitstreamError as fault:
        raise RuntimeError(f"transfer syntax {syntax}: own encoding does not decode: {fault}") from fault
    if not _same(out, frame):
        raise RuntimeError(f"transfer syntax {syntax}: own encoding decodes to other values")


def _scratch_array(frame: Array) -> Array:
    """Return memory of a frame's shape, kept per thread up to a bound: fresh pages cost a tenth of the decoding."""
    held: Array | None = getattr(_scratch, "held", None)
    if held is None or held.nbytes < frame.nbytes:
        held = np.empty(frame.nbytes, np.uint8)
        _scratch.held = held if frame.nbytes <= _SCRATCH_LIMIT else None
    return held[: frame.nbytes].view(frame.dtype).reshape(frame.shape)


def _same(one: Array, other: Array) -> bool:
    if one.nbytes % 8 == 0 and one.flags.c_contiguous and other.flags.c_contiguous:
        return bool(np.array_equal(one.reshape(-1).view(np.uint64), other.reshape(-1).view(np.uint64)))
    return bool(np.array_equal(one, other))


def _gives_back(data: bytes, array: Array, delivered: bytes) -> bool:
    """Follow the object's own recipe, with the pixels just proved to be what it decodes to, and compare all bytes."""
    layout = walk(HeldBytes(data, name="the object"))
    told = recipe.read(layout)
    if told is None:
        return data is delivered or data == delivered
    if told.parts is None or told.size != len(delivered):
        return False
    expected, at = np.frombuffer(delivered, np.uint8), 0
    for part in recipe.assemble(layout, told, array):
        piece = np.frombuffer(part, np.uint8)
        if not np.array_equal(piece, expected[at : at + piece.size]):
            return False
        at += piece.size
    return at == len(delivered)
