"""Keep neighbours in one cup and walk the shortest way, without a cup more."""

from __future__ import annotations

import math
from collections.abc import Sequence

from voidmap.fill.packing import TINY, Load
from voidmap.records import Point

SWEEPS = 2
"""Rounds of exchanges; later ones gain next to nothing."""
MOST_LOADS = 80
"""With more loads exchanges take too long to be worth it."""


def way_through(points: Sequence[Point], start: int) -> list[int]:
    """Return an order to visit points in, from one of them always to the nearest that is left."""
    left = [i for i in range(len(points)) if i != start]
    order = [start]
    while left:
        here = points[order[-1]]
        nearest = min(left, key=lambda i: math.dist(here, points[i]))
        left.remove(nearest)
        order.append(nearest)
    return order


def _spread(inside: Sequence[int], points: Sequence[Point]) -> float:
    if not inside:
        return 0.0
    x = sum(points[i][0] for i in inside) / len(inside)
    y = sum(points[i][1] for i in inside) / len(inside)
    return sum(math.dist((x, y), points[i]) for i in inside)


def exchange(
    cups: Sequence[tuple[int, Sequence[int]]], loads: Sequence[Load], points: Sequence[Point]
) -> list[tuple[int, list[int]]]:
    """Swap or move pours between cups of one round while that brings neighbours together.

    Parameters
    ----------
    cups
        (round, indices of loads), as packed.
    loads, points
        Sizes as shares of a cup, and places in mm, by index.

    Returns
    -------
    list
        As many cups, none empty, each within its limits.
    """
    work = [(r, list(inside)) for r, inside in cups]
    if len(loads) > MOST_LOADS:
        return work

    def fits(inside: Sequence[int]) -> bool:
        return sum(loads[i].volume for i in inside) <= 1 + TINY and sum(loads[i].minutes for i in inside) <= 1 + TINY

    for _ in range(SWEEPS):
        better = False
        for a in range(len(work)):
            for b in range(a + 1, len(work)):
                if work[a][0] == work[b][0]:
                    better |= _improve(work[a][1], work[b][1], points, fits)
        if not better:
            break
    return work


def _improve(first: list[int], second: list[int], points: Sequence[Point], fits: object) -> bool:
    assert callable(fits)
    better = False
    now = _spread(first, points) + _spread(second, points)
    for one in [*first, None]:
        for other in [*second, None]:
            if (one is None or one in first) and (other is None or other in second):
                new_first = [i for i in first if i != one] + ([other] if other is not None else [])
                new_second = [i for i in second if i != other] + ([one] if one is not None else [])
                if not new_first or not new_second or not fits(new_first) or not fits(new_second):
                    continue
                then = _spread(new_first, points) + _spread(new_second, points)
                if then < now - 1e-6:
                    now = then
                    first[:], second[:] = new_first, new_second
                    better = True
    return better
