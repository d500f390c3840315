"""The longest way through a skeleton: a crack from end to end."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats
from voidmap.surface.mosaic import Bools

Ints = NDArray[np.int64]


def longest_paths(skeletons: Sequence[NDArray[np.integer]]) -> list[Floats]:
    """Return the longest way through each skeleton, (N, 2) points (column, row) px from end to end.

    Parameters
    ----------
    skeletons
        Pixels (M, 2) of each, (column, row), row by row; a pixel touches its eight neighbours. Of a skeleton in
        several pieces the piece of its first pixel is taken.

    Notes
    -----
    In a tree the pixel farthest from any pixel is an end of the longest way. All skeletons go into one graph, so
    that two searches serve them all.
    """
    from scipy.sparse.csgraph import dijkstra

    sizes = np.array([len(points) for points in skeletons], dtype=np.int64)
    first = np.concatenate([[0], np.cumsum(sizes)])[:-1]
    if not sizes.sum():
        return [np.empty((0, 2)) for _ in skeletons]
    graph = _steps(skeletons, first, int(sizes.sum()))
    away = dijkstra(graph, directed=False, indices=first[sizes > 0], min_only=True)
    starts = _farthest(away, first, sizes)
    away, before, _ = dijkstra(
        graph, directed=False, indices=starts[sizes > 0], min_only=True, return_predecessors=True
    )
    ends = _farthest(away, first, sizes)
    return [_traced(*each, before) for each in zip(skeletons, first, starts, ends, strict=True)]


def longest_path(bones: Bools) -> Floats:
    """Return the longest way through a skeleton (H, W) as (N, 2) points (column, row), from end to end."""
    return longest_paths([np.argwhere(bones)[:, ::-1]])[0]


def smoothed(path: Floats) -> Floats:
    """Take the pixel steps out of a path (N, 2): a running mean of 7 points, the ends kept.

    Steps to eight neighbours alone are up to 8 % longer than the line that they follow (H. Freeman's chain code).
    """
    if len(path) < 9:
        return path
    padded = np.vstack([2 * path[0] - path[3:0:-1], path, 2 * path[-1] - path[-2:-5:-1]])
    kernel = np.full(7, 1.0 / 7.0)
    return np.column_stack([np.convolve(padded[:, k], kernel, "valid") for k in (0, 1)])


def _steps(skeletons: Sequence[NDArray[np.integer]], first: Ints, count: int) -> Any:
    """Return the graph (count, count) of neighbouring pixels, each step with its length in px."""
    from scipy.sparse import coo_matrix

    points = np.concatenate(skeletons)
    low, (wide, high) = points.min(axis=0) - 1, np.ptp(points, axis=0) + 3
    own = np.repeat(np.arange(len(skeletons)), [len(each) for each in skeletons])
    column, row = (points - low).T
    # Pixels come row by row, so their numbers rise, and a neighbour is found by halving.
    number = (own * high + row) * wide + column
    starts, ends, steps = [], [], []
    for down, right in ((0, 1), (1, 0), (1, 1), (1, -1)):
        wanted = number + down * wide + right
        place = np.minimum(np.searchsorted(number, wanted), count - 1)
        linked = np.flatnonzero(number[place] == wanted)
        starts.append(linked)
        ends.append(place[linked])
        steps.append(np.full(len(linked), np.hypot(down, right)))
    pairs = (np.concatenate(starts), np.concatenate(ends))
    return coo_matrix((np.concatenate(steps), pairs), shape=(count, count)).tocsr()


def _farthest(away: Floats, first: Ints, sizes: Ints) -> Ints:
    """Return the number of each skeleton's pixel that is farthest away; of an empty one, its first."""
    reached = np.where(np.isfinite(away), away, -1.0)
    return np.array(
        [f + (int(np.argmax(reached[f : f + n])) if n else 0) for f, n in zip(first, sizes, strict=True)],
        dtype=np.int64,
    )


def _traced(points: NDArray[np.integer], first: int, start: int, end: int, before: NDArray[np.int32]) -> Floats:
    """Walk back from the end of a way to its start."""
    if not len(points):
        return np.empty((0, 2))
    order = [int(end)]
    while order[-1] != start:
        order.append(int(before[order[-1]]))
    return points[np.array(order) - first].astype(np.float64)
