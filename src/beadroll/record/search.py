"""The key by which lines and weld numbers are sorted and searched. Knows spelling; refuses to know identity."""

from __future__ import annotations

import re
import unicodedata

_DIGITS = re.compile(r"[0-9]+")
_KEY_DIGITS = 8


def search_key(text: str) -> str:
    """Return the form in which lines and weld numbers are sorted and searched: ``W-0117`` and ``w 117`` agree.

    Unicode NFKC, upper case, letters and digits only, each run of digits without leading zeros padded to eight. It
    finds; it never identifies: two numbers that a contract keeps apart stay apart in ``line`` and ``number``.
    """
    plain = "".join(c for c in unicodedata.normalize("NFKC", text).upper() if c.isalnum())
    return _DIGITS.sub(lambda run: (run.group().lstrip("0") or "0").zfill(_KEY_DIGITS), plain)
