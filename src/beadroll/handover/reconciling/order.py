"""The order in which a crew made its images, as a witness: welds are shot one after another.

Knows which radiograph stands between which others. Refuses to name a weld by itself: order only speaks for or against
a weld that other evidence has named.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final, Self

from beadroll.handover.reconciling.expected import PlaceKey, WeldKey
from beadroll.handover.reconciling.witnesses import Hearing, in_order

AMONG: Final = 2
"""A weld fits among its own images; 1 is between its neighbours on the sheets, 0 not at all."""
_CLOSE: Final = 3
"""Places on the sheets between two welds that leave room for one or two others."""
_AROUND: Final = 6
"""Images looked at on either side of an exchange."""
_MOST_PARTS: Final = 3
"""Parts of two welds after an exchange: one together, the other with at most one image made apart."""
_LEAST_GAIN: Final = 2
"""Breaks an exchange must remove before two radiographs are asked about."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shooting:
    """The claimed places of each crew and day in the order the images were made."""

    runs: Sequence[Sequence[str]]
    claims: Mapping[str, PlaceKey]
    at: Mapping[str, tuple[int, int]] = field(default_factory=dict)

    @classmethod
    def of(cls, hearings: Iterable[Hearing], claims: Mapping[str, PlaceKey]) -> Self:
        """Put the radiographs in order, group by group."""
        runs = [[h.path for h in group] for group in in_order(hearings)]
        at = {path: (i, j) for i, run in enumerate(runs) for j, path in enumerate(run)}
        return cls(runs=runs, claims=dict(claims), at=at)

    def neighbours(self, path: str) -> tuple[WeldKey | None, WeldKey | None]:
        """Return the welds claimed by the nearest radiographs made before and after this one."""
        if path not in self.at:
            return None, None
        i, j = self.at[path]
        run = self.runs[i]
        before = next((self.claims[p][:2] for p in reversed(run[max(0, j - 6) : j]) if p in self.claims), None)
        after = next((self.claims[p][:2] for p in run[j + 1 : j + 7] if p in self.claims), None)
        return before, after

    def fit(self, path: str, weld: WeldKey, order: Mapping[WeldKey, int]) -> int | None:
        """Return how well a weld fits the place in order: 2 among its own, 1 between its neighbours, 0 not at all.

        None where the order is not known or there is nobody on either side.
        """
        before, after = self.neighbours(path)
        if before is None and after is None:
            return None
        if weld in (before, after):
            return AMONG
        low, high = order.get(before) if before else None, order.get(after) if after else None
        here = order.get(weld)
        if here is None:
            return 0
        between = (low is None or low < here) and (high is None or here < high)
        return 1 if between and not (low is None and high is None) else 0

    def belongs(self, path: str, weld: WeldKey, order: Mapping[WeldKey, int]) -> bool:
        """Say whether a weld is the one, or one of two, that the sheets list between the welds on either side."""
        before, after = self.neighbours(path)
        low, high, here = (order.get(w) if w else None for w in (before, after, weld))
        return low is not None and high is not None and here is not None and low < here < high <= low + _CLOSE

    def lies_at(self, path: str, weld: WeldKey, order: Mapping[WeldKey, int]) -> bool:
        """Say whether a radiograph lies among a weld's images, or just where the sheets have it."""
        return self.fit(path, weld, order) == AMONG or self.belongs(path, weld, order)

    def adjacent(self, one: str, other: str) -> bool:
        """Say whether two radiographs were made one right after the other."""
        (run, i), (other_run, j) = self.at.get(one, (-1, 0)), self.at.get(other, (-2, 0))
        return run == other_run and abs(i - j) == 1

    def swapped(self, order: Mapping[WeldKey, int]) -> list[tuple[str, str]]:
        """Return pairs of radiographs that stand among each other's welds, and would not if exchanged.

        A pair counts when exchanging its two names brings the images of their welds together and takes at least two
        breaks out of the order: changes of weld, or segments of a weld made against the crew's usual direction. A
        radiograph that was merely made later than the rest of its weld has no partner whose exchange does that. Where
        two pairs of the same welds would do, the one that leaves the welds in the sheets' ``order`` counts, or both.
        """
        found: list[tuple[str, str]] = []
        for run in self.runs:
            named = [p for p in run if p in self.claims]
            keys = [self.claims[p] for p in named]
            found += [(named[i], named[j]) for i, j in _exchanges(keys, order)]
        return found


def _exchanges(keys: list[PlaceKey], order: Mapping[WeldKey, int]) -> list[tuple[int, int]]:
    """Return the positions whose names may be exchanged, the best pair of each two welds."""
    strays = _strays(keys)
    if not strays:
        return []
    base = _Disorder.of(keys, order)
    best: dict[frozenset[WeldKey], tuple[tuple[int, int], set[tuple[int, int]]]] = {}
    for i in strays:
        around = {keys[k][:2] for k in (i - 1, i + 1) if 0 <= k < len(keys)} - {keys[i][:2]}
        for j in base.of_welds(around):
            gain = base.gain(keys, i, j)
            if gain is None:
                continue
            welds, pair = frozenset((keys[i][:2], keys[j][:2])), (min(i, j), max(i, j))
            known = best.get(welds)
            if known is None or gain > known[0]:
                best[welds] = (gain, {pair})
            elif gain == known[0]:
                known[1].add(pair)
    taken: set[int] = set()
    pairs = []
    for _, (_, candidates) in sorted(best.items(), key=lambda item: (item[1][0], sorted(item[0])), reverse=True):
        free = [pair for pair in sorted(candidates) if not taken & set(pair)]
        for pair in free:
            pairs.append(pair)
            taken.update(pair)
    return sorted(pairs)


@dataclass(frozen=True, slots=True)
class _Disorder:
    """How far one crew's sequence is from weld after weld, each segment after the one before."""

    positions: Mapping[WeldKey, list[int]]
    direction: int
    order: Mapping[WeldKey, int]

    @classmethod
    def of(cls, keys: Sequence[PlaceKey], order: Mapping[WeldKey, int]) -> Self:
        positions: dict[WeldKey, list[int]] = defaultdict(list)
        for i, key in enumerate(keys):
            positions[key[:2]].append(i)
        rising = sum((_start(b) > _start(a)) - (_start(b) < _start(a)) for a, b in pairwise(keys) if a[:3] == b[:3])
        return cls(positions, 1 if rising >= 0 else -1, order)

    def of_welds(self, welds: Iterable[WeldKey]) -> list[int]:
        return [i for weld in sorted(welds) for i in self.positions[weld]]

    def gain(self, keys: list[PlaceKey], i: int, j: int) -> tuple[int, int] | None:
        """Return what exchanging the names at ``i`` and ``j`` gains: breaks removed, welds put in the sheets' order.

        None where too few breaks are removed, or both welds stay in parts: a crew that shoots two welds by turns.
        """
        exchanged = {i: keys[j], j: keys[i]}
        after = [exchanged.get(k, key) for k, key in enumerate(keys)]
        both = sorted({*self.positions[keys[i][:2]], *self.positions[keys[j][:2]]})
        parts = sum(_parts([k for k in both if after[k][:2] == weld]) for weld in (keys[i][:2], keys[j][:2]))
        if parts > (_MOST_PARTS if keys[i][3] == keys[j][3] else _MOST_PARTS - 1):
            return None
        low, high = max(0, min(i, j) - _AROUND), min(len(keys), max(i, j) + _AROUND + 1)
        before, then = keys[low:high], after[low:high]
        changes = _changes(before) - _changes(then)
        turns = sum(self._inversions(before, keys[k][:3]) - self._inversions(then, keys[k][:3]) for k in (i, j))
        if max(changes, changes + turns) < _LEAST_GAIN:
            return None
        return changes + turns, self._against(before) - self._against(then)

    def _against(self, part: list[PlaceKey]) -> int:
        """Return how often a weld follows one that the sheets list after it."""
        return sum(self.order.get(a[:2], 0) > self.order.get(b[:2], 0) for a, b in pairwise(part))

    def _inversions(self, part: list[PlaceKey], state: tuple[str, str, str]) -> int:
        starts = [_start(key) * self.direction for key in part if key[:3] == state]
        return sum(a > b for n, a in enumerate(starts) for b in starts[n + 1 :])


def _parts(positions: Sequence[int]) -> int:
    """Return in how many parts a weld's images lie."""
    return 1 + sum(b - a > 1 for a, b in pairwise(positions))


def _changes(part: Sequence[PlaceKey]) -> int:
    return sum(a[:2] != b[:2] for a, b in pairwise(part))


def _strays(keys: Sequence[PlaceKey]) -> list[int]:
    """Return where a radiograph stands alone, apart from the others of its weld."""
    blocks: dict[WeldKey, int] = defaultdict(int)
    for k, key in enumerate(keys):
        if not k or keys[k - 1][:2] != key[:2]:
            blocks[key[:2]] += 1
    return [
        k
        for k, key in enumerate(keys)
        if blocks[key[:2]] > 1
        and (not k or keys[k - 1][:2] != key[:2])
        and (k + 1 == len(keys) or keys[k + 1][:2] != key[:2])
    ]


def _start(key: PlaceKey) -> int:
    """Return where a segment begins, for comparing segments of one weld: markers count up from the datum."""
    first = key[3].partition("-")[0]
    return int(first) if first.isdigit() else sum(ord(c) for c in first)
