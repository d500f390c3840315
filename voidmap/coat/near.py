"""Nearest places, without loading a library of trees for some hundred of them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats

CHUNK = 2_000_000
"""Distances held at a time."""


def nearest(places: Floats, at: Floats) -> tuple[Floats, NDArray[np.int64]]:
    """Return the distance (N,) and index (N,) of the nearest of places (M, 2), M > 0, to each of ``at`` (N, 2)."""
    distance, index = np.zeros(len(at)), np.zeros(len(at), np.int64)
    step = max(1, CHUNK // len(places))
    for first in range(0, len(at), step):
        part = at[first : first + step]
        square = (part[:, :1] - places[:, 0]) ** 2 + (part[:, 1:] - places[:, 1]) ** 2
        index[first : first + step] = square.argmin(axis=1)
        distance[first : first + step] = np.sqrt(square.min(axis=1))
    return distance, index


class Near:
    """Places (N, 2) sorted by x, so that those around one are soon found."""

    def __init__(self, places: Floats) -> None:
        self.order = np.argsort(places[:, 0], kind="stable")
        self.x, self.y = places[self.order, 0], places[self.order, 1]

    def around(self, x: float, y: float, reach: float) -> NDArray[np.int64]:
        """Return the indices of the places within ``reach`` of (x, y)."""
        first, last = np.searchsorted(self.x, (x - reach, x + reach))
        away = (self.x[first:last] - x) ** 2 + (self.y[first:last] - y) ** 2
        return np.asarray(self.order[first:last][away <= reach * reach], dtype=np.int64)


def pairs_within(
    here: Floats, there: Floats, reach: float | Floats
) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats]:
    """Return all pairs of ``here`` (N, 2) and ``there`` (M, 2) nearer than ``reach``: their indices and distances.

    The reach may be each one's own of ``here`` (N,).
    """
    own = np.broadcast_to(np.asarray(reach, dtype=np.float64), len(here))
    order = np.argsort(there[:, 0], kind="stable")
    x = there[order, 0]
    first = np.searchsorted(x, here[:, 0] - own)
    count = np.searchsorted(x, here[:, 0] + own, side="right") - first
    i = np.repeat(np.arange(len(here)), count)
    start = np.repeat(np.cumsum(count) - count, count)
    j = order[np.arange(len(i)) - start + np.repeat(first, count)]
    away = np.hypot(here[i, 0] - there[j, 0], here[i, 1] - there[j, 1])
    near = away <= own[i]
    return i[near], j[near], away[near]
