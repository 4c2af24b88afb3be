"""Weld numbers as people write them, read by the contract's pattern, and written back in one form.

``W-0117R1 1-2``, ``w117 r1 (1-2)`` and ``LN204_W0117_R1_1-2.tif`` name one radiograph. What a contract keeps apart
stays apart: two prefixes, a letter it gives no meaning to, digits it does not pad. Where a text has more than one
reading every reading is returned and the text is in doubt; nothing is chosen here. Knows the pattern and the lines of
a job. Refuses to know which welds exist.

The grammar, read from the left, letter case and kind of dash apart::

    [line] prefix digits {suffix [count]} [segment]

with any run of blank, dash, underscore, dot or bracket between the parts. Suffixes that make another weld (reweld,
tie-in, penalty) belong to the number; the others (repair, reshoot, cut-out) are the event. No public standard fixes
this syntax; it is a contract item (common practice, no published source).
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from typing import Final

from beadroll.record.job import NumberPattern, SegmentStyle, Suffix, SuffixMeaning

IDENTITY: Final = frozenset({SuffixMeaning.REWELD, SuffixMeaning.TIE_IN, SuffixMeaning.PENALTY})
"""Suffixes that belong to the number: another weld, not another state of the same one."""

_GAP: Final = r"[\s\-_.,:;#()\[\]^\\/+]*"
_DASHES: Final = str.maketrans(dict.fromkeys("\u2010\u2011\u2012\u2013\u2014\u2015\u2212\u00ad", "-"))
_EXTENSION: Final = re.compile(r"\.(?:TIFF?|DCM|DICOM|DIC|DCN|PNG|JPE?G|JLS|JP2|J2K|BMP|IMG|RAW)$")
_DATE: Final = re.compile(r"(?<!\d)(?:19|20|21)\d\d[-_.]?(?:0\d|1[0-2])[-_.]?[0-3]\d(?!\d)")
_COUNT_MAX: Final = 99


@dataclass(frozen=True, slots=True, kw_only=True)
class Marked:
    """One reading of a text: what it says of line, weld, event and segment. An empty part is one it does not name.

    ``event`` is the canonical label: ``R1``, ``RS1``, ``R1RS1``, ``CO``. ``doubts`` are sentences that say why the
    reading is not certain; ``others`` are the other readings of the same text. ``bare`` says that the prefix was
    supplied by the pattern, ``assumed`` that the count behind a suffix was (``R`` for ``R1``).
    """

    as_marked: str
    line: str = ""
    number: str = ""
    event: str = ""
    segment: str = ""
    bare: bool = False
    assumed: bool = False
    doubts: tuple[str, ...] = ()
    others: tuple[Marked, ...] = ()

    @property
    def certain(self) -> bool:
        """True when a weld number was read and nothing speaks against the reading."""
        return bool(self.number) and not self.doubts and not self.others

    @property
    def key(self) -> tuple[str, str, str, str]:
        """Line, number, event and segment: what two texts must share to mean one radiograph."""
        return self.line, self.number, self.event, self.segment


@dataclass(frozen=True, slots=True)
class Split:
    """A normalised number taken apart: prefix, the digits as text, the suffixes that belong to it."""

    prefix: str
    digits: str
    tail: str


def parse(text: str, pattern: NumberPattern, lines: tuple[str, ...] = ()) -> Marked:
    """Read ``text`` by the contract's ``pattern``; ``lines`` are the line names of the job.

    Never raises: a text that names no weld gives a reading without ``number``.
    """
    return _parse(text, pattern, lines)


@lru_cache(maxsize=65536)
def _parse(text: str, pattern: NumberPattern, lines: tuple[str, ...]) -> Marked:
    plain = _plain(text)
    line, rest = _take_line(plain, lines)
    found = list(_numbers(rest, pattern))
    if not found:
        return _without_number(text, rest, line, pattern)
    readings = [_read(text, line, rest, match, pattern) for match in found]
    return _joined(readings)


def format_number(marked: Marked) -> str:
    """Return the one form a reading is written in: ``LN-204 W-0117R1 1-2``."""
    return " ".join(part for part in (marked.line, marked.number + marked.event, marked.segment) if part)


def parse_segment(text: str, pattern: NumberPattern) -> str:
    """Return the segment a cell names, ``1-2``; empty where it names none."""
    found = _segment_at(_plain(text), pattern, anywhere=False)
    return found[0] if found and not found[1].strip(" ()[].,;") else ""


def parse_event(text: str, pattern: NumberPattern) -> str | None:
    """Return the event label a suffix cell names (``R1``); empty for an empty cell, None where it is not a suffix."""
    plain = _plain(text).strip(" -_.()[]")
    if not plain or plain in {"0", "R0", "ORIG", "ORIGINAL", "NEW"}:
        return ""
    taken, rest = _suffixes(plain, pattern)
    if rest.strip(" -_.()[]") or not taken:
        return None
    return "".join(_label(s, n) for s, n, _ in taken if s.meaning not in IDENTITY)


def state_of(event: str, pattern: NumberPattern) -> str:
    """Return the state of the weld that an event label names: ``R1`` of ``R1RS2``; a reshoot changes no state."""
    return "".join(label for label, meaning, _ in split_event(event, pattern) if meaning is not SuffixMeaning.RESHOOT)


def reshoot_of(event: str, pattern: NumberPattern) -> int:
    """Return which reshoot an event label names: 0 for the first shot, 2 for ``R1RS2``."""
    return sum(count for _, meaning, count in split_event(event, pattern) if meaning is SuffixMeaning.RESHOOT)


def repair_of(event: str, pattern: NumberPattern) -> int:
    """Return which repair an event label names: 0 for the weld as first made, 1 for ``R1`` or ``R1RS2``."""
    return sum(count for _, meaning, count in split_event(event, pattern) if meaning is SuffixMeaning.REPAIR)


@lru_cache(maxsize=4096)
def split_event(event: str, pattern: NumberPattern) -> tuple[tuple[str, SuffixMeaning, int], ...]:
    """Return the parts of an event label in order: label, meaning, count (1 where none is written)."""
    taken, _ = _suffixes(event, pattern)
    return tuple((_label(suffix, count), suffix.meaning, count) for suffix, count, _ in taken)


def letters_for(meaning: SuffixMeaning, pattern: NumberPattern) -> str:
    """Return the letters the contract writes for ``meaning``; empty where it has none."""
    return next((s.letters.upper() for s in pattern.suffixes if s.meaning is meaning), "")


def split_number(number: str, pattern: NumberPattern) -> Split:
    """Take a normalised number apart. A text that is not one gives everything as ``tail``."""
    match = _split_pattern(pattern).match(number.upper())
    if not match:
        return Split("", "", number)
    return Split(match["prefix"], match["digits"], number[match.end() :])


def number_of(count: int, pattern: NumberPattern, prefix: str = "") -> str:
    """Return the number the contract gives the weld counted ``count``: ``W-0117``."""
    return f"{(prefix or pattern.prefixes[0]).upper()}{pattern.separator}{count:0{pattern.digits}d}"


# --- reading, part by part -------------------------------------------------------------------------------------


def _plain(text: str) -> str:
    upper = unicodedata.normalize("NFKC", text.translate(_DASHES)).translate(_DASHES).upper().strip()
    return _EXTENSION.sub("", upper)


@cache
def _line_patterns(lines: tuple[str, ...]) -> tuple[tuple[str, re.Pattern[str]], ...]:
    made = []
    for line in sorted(lines, key=len, reverse=True):
        runs = re.findall(r"[A-Z]+|\d+|[^A-Z\d\s\-_.]+", _plain(line))
        if not runs:
            continue
        before = r"(?<![A-Z0-9])"
        after = r"(?!\d)" if runs[-1].isdigit() and len(runs) > 1 else r"(?![A-Z0-9])"
        made.append((line, re.compile(before + r"[\s\-_.]*".join(map(re.escape, runs)) + after)))
    return tuple(made)


def _take_line(plain: str, lines: tuple[str, ...]) -> tuple[str, str]:
    """Return the line a text names and the text without it. A bare number is a line only before a weld number."""
    for line, pattern in _line_patterns(lines):
        match = pattern.search(plain)
        if match and not (match.group().isdigit() and not plain[match.end() :].strip(" -_.,/")):
            return line, f"{plain[: match.start()]} {plain[match.end() :]}".strip()
    return "", plain


@cache
def _prefix_alternatives(pattern: NumberPattern) -> str:
    ordered = sorted({p.upper() for p in pattern.prefixes}, key=len, reverse=True)
    return r"(?P<prefix>" + "|".join(map(re.escape, ordered)) + ")"


@cache
def _split_pattern(pattern: NumberPattern) -> re.Pattern[str]:
    return re.compile(_prefix_alternatives(pattern) + _GAP + r"(?P<digits>\d+)")


@cache
def _number_pattern(pattern: NumberPattern) -> re.Pattern[str]:
    return re.compile(r"(?<![A-Z0-9])" + _prefix_alternatives(pattern) + r"[\s\-_.#]*" + r"(?P<digits>\d{1,9})(?!\d)")


def _numbers(rest: str, pattern: NumberPattern) -> list[re.Match[str]]:
    return list(_number_pattern(pattern).finditer(rest))


def _read(text: str, line: str, rest: str, match: re.Match[str], pattern: NumberPattern) -> Marked:
    digits = match["digits"]
    doubts: list[str] = []
    if len(digits) > pattern.digits and digits.startswith("0"):
        doubts.append(f"{digits} has {len(digits)} digits where this contract writes {pattern.digits}")
    base = f"{match['prefix']}{pattern.separator}{digits.zfill(pattern.digits)}"
    return _finish(text, line, base, rest[match.end() :], pattern, doubts)


def _finish(
    text: str, line: str, base: str, tail: str, pattern: NumberPattern, doubts: list[str], *, bare: bool = False
) -> Marked:
    """Read what follows the digits: suffixes, then the segment; say what is left over and unexplained."""
    taken, after = _suffixes(tail, pattern)
    number = base + "".join(_label(s, n) for s, n, _ in taken if s.meaning in IDENTITY)
    event = "".join(_label(s, n) for s, n, _ in taken if s.meaning not in IDENTITY)
    assumed = any(s.counted and not written for s, _, written in taken)
    if not taken and (glued := re.match(r"[A-Z]+\d*", after)):
        number += glued.group()
        after = after[glued.end() :]
        doubts.append(f"{glued.group()} behind the number has no meaning under this contract")
    segment, left = _segment_at(after, pattern, anywhere=True) or ("", after)
    if taken and taken[-1][0].counted and not taken[-1][2] and segment and after[:1].isdigit():
        doubts.append(f"{tail.strip()} can be read in two ways: a count or a segment")
    if not segment and re.match(r"[\s\-_.]*[\-.]\d{1,3}(?!\d)", left) and not _DATE.search(left):
        doubts.append(f"{left.strip()} behind the number is neither a suffix nor a segment of this contract")
    return Marked(
        as_marked=text,
        line=line,
        number=number,
        event=event,
        segment=segment,
        bare=bare,
        assumed=assumed,
        doubts=tuple(doubts),
    )


@cache
def _suffix_pattern(pattern: NumberPattern) -> re.Pattern[str]:
    ordered = sorted(pattern.suffixes, key=lambda s: len(s.letters), reverse=True)
    letters = "|".join(re.escape(s.letters.upper()) for s in ordered)
    return re.compile(_GAP + rf"(?P<letters>{letters})(?:[\s\-_.]{{0,1}}(?P<count>\d{{1,2}})(?!\d))?")


def _suffixes(tail: str, pattern: NumberPattern) -> tuple[list[tuple[Suffix, int, bool]], str]:
    """Take suffixes off the front of ``tail``: each with its count and whether the count was written."""
    if not pattern.suffixes:
        return [], tail
    known = {s.letters.upper(): s for s in pattern.suffixes}
    taken: list[tuple[Suffix, int, bool]] = []
    at = 0
    while match := _suffix_pattern(pattern).match(tail, at):
        if pattern.segments is SegmentStyle.LETTERS and _LETTERED.match(tail, match.start("letters")):
            break
        suffix, end, count = known[match["letters"]], match.end(), match["count"]
        if count is not None and (not suffix.counted or _starts_segment(tail, match.start("count"), pattern)):
            end, count = match.end("letters"), None
        if re.match(r"[A-Z]", tail[end:]) and not _suffix_pattern(pattern).match(tail, end):
            break
        taken.append((suffix, int(count) if count else 1, count is not None))
        at = end
    return taken, tail[at:]


def _starts_segment(tail: str, at: int, pattern: NumberPattern) -> bool:
    """Say whether the digits at ``at`` open a segment that has no other opening: ``R 1-2``, not ``R1 1-2``."""
    if pattern.segments is not SegmentStyle.NUMBERS:
        return False
    return bool(re.match(r"\d{1,4}[\-/]\d{1,4}(?![\-/]?\d)", tail[at:]))


def _label(suffix: Suffix, count: int) -> str:
    return f"{suffix.letters.upper()}{count}" if suffix.counted else suffix.letters.upper()


_NUMBERED: Final = re.compile(r"(?<![A-Z0-9])(\d{1,4})\s?(?:[\-/]|\bTO\b)\s?(\d{1,4})(?![\-/.]?\d|[A-Z])")
_UNDERSCORED: Final = re.compile(r"(?<![A-Z0-9])(\d{1,2})[_ ](\d{1,2})(?![\-/.]?\d|[A-Z])")
_LETTERED: Final = re.compile(r"(?<![A-Z0-9])([A-Z])\s?[\-/_]\s?([A-Z])(?![A-Z0-9])")


def _segment_at(tail: str, pattern: NumberPattern, *, anywhere: bool) -> tuple[str, str] | None:
    """Return the segment found in ``tail`` and what is left; at its start only, unless ``anywhere``."""
    bare = _DATE.sub(" ", tail)
    forms = (_LETTERED,) if pattern.segments is SegmentStyle.LETTERS else (_NUMBERED, _UNDERSCORED)
    for form in forms:
        found = list(form.finditer(bare))
        if len(found) == 1 and (anywhere or not bare[: found[0].start()].strip(" -_.()[]")):
            first, second = found[0].groups()
            left = f"{bare[: found[0].start()]} {bare[found[0].end() :]}"
            if pattern.segments is SegmentStyle.LETTERS:
                return f"{first}-{second}", left
            return f"{int(first)}-{int(second)}", left
    return None


# --- texts without a plain number ------------------------------------------------------------------------------

_BARE: Final = re.compile(r"(?<![A-Z0-9\-])(?P<digits>\d{1,6})(?!\d)")
_FOREIGN: Final = re.compile(r"(?<![A-Z0-9])(?P<prefix>[A-Z]{1,3})[\s\-_.#]*(?P<digits>\d{2,9})(?!\d)")


def _without_number(text: str, rest: str, line: str, pattern: NumberPattern) -> Marked:
    """Read a text without a prefix of the contract: another prefix is not ours to merge, a bare number may be."""
    foreign = _FOREIGN.search(_DATE.sub(" ", rest))
    if foreign and (related := [p for p in pattern.prefixes if _related(p, foreign["prefix"])]):
        doubt = f"{foreign['prefix']} is not a prefix of this contract ({', '.join(pattern.prefixes)})"
        tail = rest[rest.index(foreign.group()) + len(foreign.group()) :]
        digits = foreign["digits"].zfill(pattern.digits)
        bases = [f"{prefix.upper()}{pattern.separator}{digits}" for prefix in related]
        return _joined([_finish(text, line, base, tail, pattern, [doubt]) for base in bases])
    bare = _BARE.match(rest.lstrip(" -_.#"))
    if not bare or len(bare["digits"]) < min(pattern.digits, 3) or len(bare["digits"]) > pattern.digits:
        return Marked(as_marked=text, line=line, segment=_lone_segment(rest, pattern))
    digits = bare["digits"].zfill(pattern.digits)
    tail = rest.lstrip(" -_.#")[bare.end() :]
    bases = [f"{prefix.upper()}{pattern.separator}{digits}" for prefix in pattern.prefixes]
    return _joined([_finish(text, line, base, tail, pattern, [], bare=True) for base in bases])


def _lone_segment(rest: str, pattern: NumberPattern) -> str:
    found = _segment_at(rest, pattern, anywhere=False)
    return found[0] if found and not found[1].strip(" -_.()[]") else ""


def _related(ours: str, theirs: str) -> bool:
    """Say whether two prefixes could be meant for one another: W and FW, FW and W."""
    return ours.upper().endswith(theirs) or theirs.endswith(ours.upper())


def _joined(readings: list[Marked]) -> Marked:
    """Return one reading with the different others beside it; all of them in doubt when they differ."""
    distinct: dict[tuple[str, str], Marked] = {}
    for reading in readings:
        distinct.setdefault((reading.number, reading.event), reading)
    first, *others = distinct.values()
    if not others:
        return next((r for r in readings if r.segment), first)
    names = ", ".join(r.number + r.event for r in (first, *others))
    return replace(first, others=tuple(others), doubts=(*first.doubts, f"it can be read as {names}"))
