"""How one weld number is mistaken for another: two digits changed round, one digit wrong, one left out or doubled.

Knows the slips of a hand on a keyboard or with lead numerals (common practice, no published source). Refuses to say
which of two numbers is right.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from enum import IntEnum
from itertools import combinations

from beadroll.record.job import NumberPattern
from beadroll.record.number import split_number


class Slip(IntEnum):
    """The kind of slip, likelier ones first."""

    TRANSPOSED = 1
    """Two digits changed round."""
    ONE_DIGIT = 2
    """One digit is another."""
    LENGTH = 3
    """A digit is missing or stands twice."""
    PREFIX = 4
    """The same digits behind another prefix or before other letters."""


@dataclass(frozen=True, slots=True)
class Near:
    """A number near another, the slip that leads from one to the other, and the words for it."""

    number: str
    slip: Slip
    words: str


class NearNumbers:
    """The numbers of a week, to be asked which of them a number may be a slip of; a question costs a few look-ups."""

    def __init__(self, numbers: Iterable[str], pattern: NumberPattern) -> None:
        """Index the numbers by their digits."""
        self._pattern = pattern
        self._known: dict[str, list[Near]] = {}
        self._parts: dict[tuple[str, str, str], str] = {}
        self._wild: dict[tuple[str, str, str], list[str]] = defaultdict(list)
        self._shortened: dict[tuple[str, str, str], list[str]] = defaultdict(list)
        self._same_digits: dict[str, list[str]] = defaultdict(list)
        for number in sorted(set(numbers)):
            prefix, digits, tail = self._split(number)
            self._parts[prefix, digits, tail] = number
            self._same_digits[digits].append(number)
            for i in range(len(digits)):
                self._wild[prefix, f"{digits[:i]}?{digits[i + 1 :]}", tail].append(number)
            for short in _shortened(digits):
                self._shortened[prefix, short, tail].append(number)

    def _split(self, number: str) -> tuple[str, str, str]:
        parts = split_number(number, self._pattern)
        return parts.prefix, parts.digits, parts.tail

    def of(self, number: str) -> list[Near]:
        """Return the indexed numbers that ``number`` may be a slip of, likeliest slip first, never itself."""
        if number not in self._known:
            self._known[number] = self._near(number)
        return self._known[number]

    def _near(self, number: str) -> list[Near]:
        prefix, digits, tail = self._split(number)
        found: dict[str, Near] = {}
        for i, j in combinations(range(len(digits)), 2):
            if digits[i] != digits[j]:
                swapped = f"{digits[:i]}{digits[j]}{digits[i + 1 : j]}{digits[i]}{digits[j + 1 :]}"
                other = self._parts.get((prefix, swapped, tail))
                if other:
                    low, high = sorted((digits[i], digits[j]))
                    found.setdefault(other, Near(other, Slip.TRANSPOSED, f"digits {low} and {high} transposed"))
        for i in range(len(digits)):
            for other in self._wild.get((prefix, f"{digits[:i]}?{digits[i + 1 :]}", tail), ()):
                theirs = self._split(other)[1][i]
                found.setdefault(other, Near(other, Slip.ONE_DIGIT, f"digit {digits[i]} written for {theirs}"))
        for other in self._shortened.get((prefix, digits.lstrip("0"), tail), ()):
            found.setdefault(other, Near(other, Slip.LENGTH, "a digit left out"))
        for short in _shortened(digits):
            longer = self._parts.get((prefix, short.zfill(self._pattern.digits), tail))
            if longer:
                found.setdefault(longer, Near(longer, Slip.LENGTH, "a digit too many"))
        for other in self._same_digits.get(digits, ()):
            found.setdefault(other, Near(other, Slip.PREFIX, f"the same digits, marked {other}"))
        found.pop(number, None)
        return sorted(found.values(), key=lambda near: (near.slip, near.number))


def _shortened(digits: str) -> set[str]:
    """Return the digits with any one left out, without leading zeros."""
    plain = digits.lstrip("0")
    return {(plain[:i] + plain[i + 1 :]).lstrip("0") for i in range(len(plain))} - {""}
