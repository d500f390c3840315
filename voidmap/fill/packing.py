"""Pack pours into the fewest cups: two limits a cup (volume and minutes), lifts in order.

A branch and bound that is exact while it stays within its nodes; beyond, the best found stands, beside a lower
bound: L2 of Martello and Toth (Discrete Applied Mathematics 28, 1990, 59-70) in both limits.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate

TINY = 1e-9
NODES = 1500
"""Branches looked at before the best found is taken; about a tenth of a second."""
EXACT_LOADS = 60
"""With more loads than this no search within the nodes improves on best-fit decreasing."""


@dataclass(frozen=True)
class Load:
    """A pour as the packer sees it: ``chain`` is its void, ``link`` its lift there, sizes as shares of a cup."""

    chain: int
    link: int
    links: int
    volume: float
    minutes: float


@dataclass(frozen=True)
class Packing:
    """Which pours go into which cup: ``cups`` holds (round, indices of loads), in order of rounds."""

    cups: tuple[tuple[int, tuple[int, ...]], ...]
    bound: int
    exact: bool


def l2_bound(sizes: Sequence[float]) -> int:
    """Return L2 for bins of size 1: no packing of these sizes (each at most 1) uses fewer bins."""
    ordered = sorted(sizes)
    sums = [0.0, *accumulate(ordered)]
    middle = bisect_right(ordered, 0.5 + TINY)
    best = 0
    for alpha in sorted({0.0, *ordered[:middle]}):
        small = bisect_left(ordered, alpha - TINY)
        huge = max(middle, bisect_right(ordered, 1 - alpha + TINY))
        room = (huge - middle) - (sums[huge] - sums[middle])
        rest = sums[middle] - sums[min(small, middle)]
        best = max(best, len(ordered) - middle + max(0, math.ceil(rest - room - 1e-7)))
    return best


def lower_bound(loads: Sequence[Load], rounds: int) -> int:
    """Return a number of cups that no plan in so many rounds can undercut."""

    def least(chosen: Sequence[Load]) -> int:
        return max(l2_bound([load.volume for load in chosen]), l2_bound([load.minutes for load in chosen]))

    fixed = [[load for load in loads if load.links == rounds and load.link == r] for r in range(1, rounds + 1)]
    return max(least(loads), sum(least(chosen) for chosen in fixed)) if loads else 0


def pack(loads: Sequence[Load], rounds: int, *, nodes: int = NODES) -> Packing:
    """Pack loads into the fewest cups.

    A load of lift ``link`` out of ``links`` may go into rounds ``link`` to ``rounds - links + link``; a void's
    lifts go into rising rounds, the cups of one lift into the same round.
    """
    search = _Search(loads, rounds, nodes)
    search.run()
    order = sorted(range(len(search.best_bins)), key=lambda b: search.best_bins[b][0])
    cups = tuple((search.best_bins[b][0], tuple(sorted(search.best_bins[b][1]))) for b in order)
    return Packing(cups, search.bound, search.searched or len(cups) == search.bound)


class _Search:
    """Best-fit decreasing, then depth-first search: largest loads first, early rounds and full cups first."""

    def __init__(self, loads: Sequence[Load], rounds: int, nodes: int) -> None:
        self.loads = loads
        self.rounds = rounds
        self.nodes_left = nodes
        self.bound = lower_bound(loads, rounds)
        size = [max(load.volume, load.minutes) for load in loads]
        # Voids of many lifts first (their rounds are bound), then large ones; the lifts of a void in order.
        self.order = sorted(range(len(loads)), key=lambda i: (-loads[i].links, -size[i], loads[i].chain))
        self.left_volume = self._suffix([loads[i].volume for i in self.order])
        self.left_minutes = self._suffix([loads[i].minutes for i in self.order])
        self.bins: list[tuple[int, list[int]]] = []
        self.free: list[list[float]] = []
        self.bin_of: dict[int, int] = {}
        self.round_of: dict[tuple[int, int], list[int]] = {}
        self.searched = False
        self.best_bins: list[tuple[int, tuple[int, ...]]] = []
        self.best = len(loads) + 1

    @staticmethod
    def _suffix(sizes: Sequence[float]) -> list[float]:
        left = [0.0]
        for size in reversed(sizes):
            left.append(left[-1] + size)
        return left[::-1]

    def run(self) -> None:
        """Find a plan without looking back, then search for better ones."""
        for index in self.order:
            places = self._places(index)
            self._put(index, places[0])
        self._keep()
        while self.bins:
            self._take(self.bins[-1][1][-1])
        if len(self.loads) <= EXACT_LOADS:
            self._search(0)
        self.searched = len(self.loads) <= EXACT_LOADS and self.nodes_left > 0

    def _keep(self) -> None:
        self.best = len(self.bins)
        self.best_bins = [(r, tuple(inside)) for r, inside in self.bins]

    def _search(self, step: int) -> None:
        if self.nodes_left <= 0 or self.best == self.bound or len(self.bins) + self._more_needed(step) >= self.best:
            return
        if step == len(self.order):
            self._keep()
            return
        self.nodes_left -= 1
        index = self.order[step]
        for place in self._places(index):
            self._put(index, place)
            self._search(step + 1)
            self._take(index)

    def _places(self, index: int) -> list[tuple[int, int]]:
        """Return where a load may go, as (cup, round): open cups by round, fullest first, then new ones."""
        load = self.loads[index]
        allowed = self._rounds(load)
        seen = set()
        places = []
        for b in sorted(range(len(self.bins)), key=lambda b: (self.bins[b][0], self.free[b][0])):
            r, (volume, minutes) = self.bins[b][0], self.free[b]
            key = (r, round(volume, 9), round(minutes, 9))
            if r in allowed and key not in seen and load.volume <= volume + TINY and load.minutes <= minutes + TINY:
                seen.add(key)
                places.append((b, r))
        return places + [(len(self.bins), r) for r in allowed]

    def _more_needed(self, step: int) -> int:
        volume = self.left_volume[step] - sum(free[0] for free in self.free)
        minutes = self.left_minutes[step] - sum(free[1] for free in self.free)
        return max(0, math.ceil(max(volume, minutes) - 1e-7))

    def _rounds(self, load: Load) -> list[int]:
        lo, hi = load.link, self.rounds - load.links + load.link
        for link in range(1, load.links + 1):
            for r in self.round_of.get((load.chain, link), ())[:1]:
                lo = max(lo, r + load.link - link) if link <= load.link else lo
                hi = min(hi, r - (link - load.link)) if link >= load.link else hi
        return list(range(lo, hi + 1))

    def _put(self, index: int, place: tuple[int, int]) -> None:
        load, (b, r) = self.loads[index], place
        if b == len(self.bins):
            self.bins.append((r, []))
            self.free.append([1.0, 1.0])
        self.bins[b][1].append(index)
        self.free[b][0] -= load.volume
        self.free[b][1] -= load.minutes
        self.bin_of[index] = b
        self.round_of.setdefault((load.chain, load.link), []).append(r)

    def _take(self, index: int) -> None:
        load, b = self.loads[index], self.bin_of.pop(index)
        self.bins[b][1].remove(index)
        self.free[b][0] += load.volume
        self.free[b][1] += load.minutes
        self.round_of[(load.chain, load.link)].pop()
        if not self.bins[b][1]:
            self.bins.pop()
            self.free.pop()
