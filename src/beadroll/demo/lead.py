"""Lead letters: a small stroke font on a 5 x 7 grid, as a radiographer sets it on the pipe.

Knows strokes and how they look on a film of a given pitch. Knows nothing of what the letters say.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

Mask = NDArray[np.float32]

GLYPHS: Final = {
    "A": "0620 2046 1434",
    "B": "0600 0030 3041 4142 4233 3303 3344 4445 4536 3606",
    "C": "4130 3010 1001 0105 0516 1636 3645",
    "D": "0600 0020 2042 4244 4426 2606",
    "E": "4000 0006 0646 0333",
    "F": "4000 0006 0333",
    "G": "4130 3010 1001 0105 0516 1636 3645 4543 4323",
    "H": "0006 4046 0343",
    "I": "2026 1030 1636",
    "J": "4045 4536 3616 1605",
    "K": "0006 4003 0346",
    "L": "0006 0646",
    "M": "0600 0023 2340 4046",
    "N": "0600 0046 4640",
    "O": "1030 3041 4145 4536 3616 1605 0501 0110",
    "P": "0600 0030 3041 4142 4233 3303",
    "Q": "1030 3041 4145 4536 3616 1605 0501 0110 2446",
    "R": "0600 0030 3041 4142 4233 3303 2346",
    "S": "4130 3010 1001 0102 0213 1333 3344 4445 4536 3616 1605",
    "T": "0040 2026",
    "U": "0005 0516 1636 3645 4540",
    "V": "0026 2640",
    "W": "0016 1622 2236 3640",
    "X": "0046 4006",
    "Y": "0023 2340 2326",
    "Z": "0040 4006 0646",
    "0": "1030 3041 4145 4536 3616 1605 0501 0110",
    "1": "1120 2026 1636",
    "2": "0110 1030 3041 4142 4206 0646",
    "3": "0110 1030 3041 4142 4233 3344 4445 4536 3616 1605 1333",
    "4": "3630 3004 0444",
    "5": "4000 0003 0333 3344 4445 4536 3616 1605",
    "6": "4130 3010 1001 0105 0516 1636 3645 4544 4433 3313 1304",
    "7": "0040 4016",
    "8": "1030 3041 4142 4233 3344 4445 4536 3616 1605 0504 0413 1302 0201 0110 1333",
    "9": "0516 1636 3645 4541 4130 3010 1001 0102 0213 1333 3342",
    "-": "0343",
    "/": "0640",
    ".": "2526",
    " ": "",
}
"""Straight strokes as pairs of grid points, each a column 0-4 and a row 0-6 from the top left."""

_STROKE: Final = 0.16
"""Width of a stroke as a part of the letter's height."""
ADVANCE: Final = 0.86
"""Distance from one letter to the next as a part of the height."""


@lru_cache(maxsize=512)
def glyph(letter: str, height_px: float, edge_px: float) -> Mask:
    """Return one letter as coverage 0 to 1; ``edge_px`` is the width of its unsharp edge in pixels."""
    cell = height_px / 6
    margin = height_px * _STROKE / 2 + edge_px
    rows = int(np.ceil(height_px + 2 * margin))
    columns = int(np.ceil(4 * cell + 2 * margin))
    y, x = np.ogrid[0:rows, 0:columns]
    nearest = np.full((rows, columns), np.inf)
    for stroke in GLYPHS[letter].split():
        ax, ay, bx, by = (int(digit) * cell + margin for digit in stroke)
        length2 = (bx - ax) ** 2 + (by - ay) ** 2
        along = np.clip(((x - ax) * (bx - ax) + (y - ay) * (by - ay)) / length2, 0, 1)
        nearest = np.minimum(nearest, np.hypot(x - ax - along * (bx - ax), y - ay - along * (by - ay)))
    covered = np.clip(0.5 + (height_px * _STROKE / 2 - nearest) / max(edge_px, 1.0), 0, 1)
    return covered.astype(np.float32)


def set_text(text: str, height_px: float, edge_px: float) -> Mask:
    """Return a line of lead letters as coverage 0 to 1. Raises ``KeyError`` for a letter the box does not hold."""
    step = height_px * ADVANCE
    masks = [glyph(letter, round(height_px, 2), round(edge_px, 2)) for letter in text]
    width = int(np.ceil(step * (len(text) - 1))) + max(mask.shape[1] for mask in masks) + 1
    line = np.zeros((masks[0].shape[0], width), np.float32)
    for place, mask in enumerate(masks):
        left = round(place * step)
        part = line[:, left : left + mask.shape[1]]
        np.maximum(part, mask, out=part)
    return line
