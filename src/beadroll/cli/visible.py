"""Makes foreign text safe for a terminal: what would move the cursor or turn the reading order is spelled out.

File names, cells and header texts come from strangers. Knows characters; refuses to know what they say.
"""

from __future__ import annotations

import re
from typing import Final

_DANGEROUS: Final = re.compile(
    "[\x00-\x1f\x7f-\x9f\u00ad\u061c\u180e\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb\ud800-\udfff"
    "\U000e0000-\U000e007f]"
)
"""C0 and C1 controls, soft hyphen, zero-width and direction marks, line separators, lone surrogates, tag characters."""


def visible(text: object) -> str:
    r"""Return the text with every such character spelled out.

    >>> visible("W-0117\x1b[2J\u202e7110")
    'W-0117\\x1b[2J\\u202e7110'
    """
    return _DANGEROUS.sub(_spelled, str(text))


def _spelled(match: re.Match[str]) -> str:
    code = ord(match.group())
    if code in _SHORT:
        return _SHORT[code]
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"  # noqa: PLR2004 - the widths of the escapes


_SHORT: Final = {9: "\\t", 10: "\\n", 13: "\\r"}


def size(count: int) -> str:
    """Return a number of bytes as people say it: ``52.5 MB``."""
    number = float(count)
    for unit in ("bytes", "kB", "MB", "GB"):
        if number < 1000:  # noqa: PLR2004 - decimal units
            return f"{int(number)} bytes" if unit == "bytes" else f"{number:.1f} {unit}"
        number /= 1000
    return f"{number:.1f} TB"


def count(number: int, one: str, many: str = "") -> str:
    """Return a number with its noun: ``1 weld``, ``13 welds``."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"
