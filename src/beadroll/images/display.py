"""An 8-bit overview and a window for a page: for looking, never for judging and never stored in an image.

Knows grey values. Refuses to know where the weld is: lead markers (very bright or very dark, small) and unexposed or
burnt-out borders (flat, at an end of the range) are kept from setting the window, and nothing is hidden by it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from beadroll.images.codecs import Array
from beadroll.images.pixels import Pixels

LONGEST_SIDE: Final = 800
_SAMPLES_A_SIDE: Final = 256
_QUALITY: Final = 85


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """The grey values shown as black and white. ``low`` < ``high``."""

    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DisplayFilter:
    """Edge enhancement for display: unsharp mask of ``radius_px``, added ``amount`` times, limited to ``limit``.

    ``limit`` is a share of the window's width, so that noise and marker edges are not driven to black and white.
    """

    radius_px: int = 2
    amount: float = 1.0
    limit: float = 0.25


def window_level(frame: Array, *, low: float = 0.02, high: float = 0.98, margin: float = 0.05) -> Window:
    """Return a robust window of one frame: quantiles on a stride, of what is neither border nor clipped.

    The commonest value at either end of the range (an unexposed border, a burnt-out background, a clipped marker) is
    left out where it is more than 1 % of the image. ``margin`` widens the window by that share on both sides.
    """
    rows, columns = frame.shape[:2]
    sparse = frame[:: max(rows // _SAMPLES_A_SIDE, 1), :: max(columns // _SAMPLES_A_SIDE, 1)].ravel()
    ordered = np.sort(sparse)
    kept = _without_flat_ends(ordered)
    bottom = float(kept[int(low * (kept.size - 1))])
    top = float(kept[int(high * (kept.size - 1))])
    if top <= bottom:
        top = bottom + 1.0
    widen = margin * (top - bottom)
    return Window(low=bottom - widen, high=top + widen)


def _without_flat_ends(ordered: Array) -> Array:
    """Cut runs of one value off both ends of the sorted values."""
    first = int(np.searchsorted(ordered, ordered[0], side="right"))
    last = int(np.searchsorted(ordered, ordered[-1], side="left"))
    least = max(ordered.size // 100, 1)
    start = first if first > least else 0
    end = last if ordered.size - last > least else ordered.size
    return ordered[start:end] if end - start > least else ordered


def reduce(frame: Array, longest: int = LONGEST_SIDE) -> NDArray[np.float32]:
    """Return a frame reduced by whole blocks (means) so that its longest side is at most ``longest`` pixels."""
    step = -(-max(frame.shape[0], frame.shape[1]) // longest)
    if step <= 1:
        return frame.astype(np.float32)
    rows, columns = max(frame.shape[0] // step, 1), max(frame.shape[1] // step, 1)
    down, across = min(step, frame.shape[0]), min(step, frame.shape[1])
    cut = frame[: rows * down, : columns * across]
    sums = np.add.reduce(cut.reshape(rows, down, columns * across), axis=1, dtype=_sum_of(frame))
    blocks = np.add.reduce(sums.reshape(rows, columns, across), axis=2, dtype=np.float32)
    return np.asarray(blocks / np.float32(down * across), np.float32)


def _sum_of(frame: Array) -> type[np.generic]:
    return np.int32 if frame.dtype.itemsize <= 2 else np.float64  # noqa: PLR2004


def apply_filter(image: NDArray[np.float32], window: Window, chosen: DisplayFilter) -> NDArray[np.float32]:
    """Return the image with its edges enhanced for display."""
    soft = _box(_box(image, chosen.radius_px, 0), chosen.radius_px, 1)
    bound = chosen.limit * (window.high - window.low)
    return np.asarray(image + np.clip(chosen.amount * (image - soft), -bound, bound), np.float32)


def _box(image: NDArray[np.float32], radius: int, axis: int) -> NDArray[np.float32]:
    width = 2 * radius + 1
    pad = [(0, 0), (0, 0)]
    pad[axis] = (radius + 1, radius)
    sums = np.cumsum(np.pad(image, pad, mode="edge"), axis=axis, dtype=np.float64)
    ahead = np.take(sums, range(width, sums.shape[axis]), axis=axis)
    behind = np.take(sums, range(sums.shape[axis] - width), axis=axis)
    return np.asarray((ahead - behind) / width, np.float32)


def to_bytes(image: NDArray[np.float32], window: Window, *, inverted: bool) -> NDArray[np.uint8]:
    """Map a window to 0-255, the other way round for MONOCHROME1, whose lowest value is white (PS3.3, C.7.6.3.1.2)."""
    scaled = (image - np.float32(window.low)) * np.float32(255.0 / (window.high - window.low))
    shown = np.clip(scaled + np.float32(0.5), 0, 255).astype(np.uint8)
    return np.asarray(255 - shown, np.uint8) if inverted else shown


def preview(pixels: Pixels, *, longest: int = LONGEST_SIDE, chosen: DisplayFilter | None = None) -> bytes:
    """Return a JPEG of the middle frame, windowed, its longest side at most ``longest`` pixels.

    Made from decoded pixels, so that the one pass over them serves the preview too.
    """
    frame = pixels.array[pixels.frames // 2]
    if pixels.samples > 1:
        frame = frame[..., :3].mean(axis=2, dtype=np.float32)
    window = window_level(frame)
    small = reduce(frame, longest)
    if chosen is not None:
        small = apply_filter(small, window, chosen)
    shown = to_bytes(small, window, inverted=pixels.photometric == "MONOCHROME1")
    return bytes(imagecodecs.jpeg8_encode(np.ascontiguousarray(shown), level=_QUALITY))
