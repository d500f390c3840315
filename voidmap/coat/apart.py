"""Which of several candidates stands for a place: pinholes stand apart, and candidates lie about each."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from voidmap.coat.near import pairs_within
from voidmap.model import Floats

APART_PX = 5.0
"""Two pinholes nearer than this are one with its rim's glints."""
APART_RADII = 1.8
"""... and so are two that are nearer than so many radii of the larger one."""

Pairs = tuple[NDArray[np.int64], NDArray[np.int64]]


def reach_px(diameter_px: Floats) -> Floats:
    """Return how far (N,) about pinholes of these diameters no other is called, px."""
    return np.maximum(APART_PX, APART_RADII * diameter_px / 2)


def rivals(places: Floats, diameter_px: Floats, chance: Floats) -> Pairs:
    """Return the pairs of places (N, 2) that stand for one pinhole at most: the likelier one's index, the other's.

    The pairs of the likeliest come first.
    """
    rank = np.empty(len(places), np.int64)
    rank[np.argsort(-chance, kind="stable")] = np.arange(len(places))
    i, j, _ = pairs_within(places, places, reach_px(diameter_px))
    ahead = rank[i] < rank[j]
    i, j = i[ahead], j[ahead]
    order = np.argsort(rank[i], kind="stable")
    return i[order], j[order]


def foremost(left: NDArray[np.bool_], pairs: Pairs) -> NDArray[np.int64]:
    """Return the indices of those left of (N,) that have no likelier rival left."""
    better, other = pairs
    out = left.copy()
    out[other[left[better]]] = False
    return np.flatnonzero(out)
