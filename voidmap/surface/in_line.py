"""Pieces in line are one crack: each piece is judged for itself, their lie to one another afterwards.

A crack that is too shallow here and there to show, or whose middle alone is plain to see, is traced in pieces. Of
lines on 124 simulated slabs and 9 other photos that run on straight from the end of a true crack, over a gap of up to
40 mm when they are called cracks themselves, 98 % are that same crack; of those that are not called, 95 % over 20 mm.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from voidmap.model import Floats
from voidmap.surface.candidates import Looked
from voidmap.surface.doubtful import doubtful_lines, likely_cracks
from voidmap.surface.follow import as_line, bones_of, drawn_anew, path_of, stopping, up_to
from voidmap.surface.lines import end_to_end, tangent
from voidmap.surface.merge import Judged
from voidmap.surface.rim import Cover

# The widest gap between two lines that are both called voids, and to one that is not but may be, mm. No gap is longer
# than the longer of the two.
CALLED_GAP_MM, DOUBTFUL_GAP_MM = 40.0, 20.0
# Both ends point at each other within this angle, their directions taken over this length; ends that nearly touch need
# only face each other.
FACING_DEG, TANGENT_MM, TOUCHING_MM = 30.0, 8.0, 2.0
# ... and run against each other (the cosine between their ways out): a branch does not turn back.
OPPOSED = -0.5


def joined_in_line(looked: Looked, called: Sequence[Judged], judged: Sequence[Judged]) -> list[Judged]:
    """Return what is called, lines in line with one another as one; doubtful lines of all ``judged`` join called ones.

    Doubtful lines that are likely cracks are called as well. A joint crack has the kind and figures of its longest
    called piece, and the greatest chance of its pieces.
    """
    doubtful = doubtful_lines(called, judged)
    likely = likely_cracks(doubtful, called, looked)
    known = {id(found) for found, _ in likely}
    traced = [(item, as_line(item)) for item in called if item[1].is_void]
    sure = [line for _, line in traced if line is not None]
    origins = [item for item, line in traced if line is not None]
    lines = [*sure, *likely, *(item for item in doubtful if id(item[0]) not in known)]
    counts = (len(sure), len(sure) + len(likely))
    joints = _joints([path_of(found) for found, _ in lines], counts, stopping(called), looked.evened.mm_per_px)
    groups = _groups(joints, len(lines))
    before = [*origins, *lines[len(sure) :]]
    joined = {id(before[k][0]) for group in groups for k in group}
    whole = [_one([lines[k] for k in group], looked) for group in groups]
    return [*(item for item in (*called, *likely) if id(item[0]) not in joined), *whole]


def _joints(
    paths: Sequence[Floats], counts: tuple[int, int], stops: Sequence[Cover], mm_per_px: float
) -> Iterator[tuple[int, int]]:
    """Yield pairs of paths (N, 2) px that run on in each other, each end in one at most, the nearest first.

    Of the ``counts`` the first is that of the paths that are called cracks for themselves, the second that of those
    and the likely ones after them; one of each pair is of these.
    """
    sure, likely = counts
    from scipy.spatial import cKDTree

    if not paths:
        return
    ends = np.array([path[e] for path in paths for e in (0, -1)])
    ways = np.array([tangent(path, e, TANGENT_MM / mm_per_px) for path in paths for e in (0, -1)])
    lengths = [float(np.hypot(*np.diff(path, axis=0).T).sum()) * mm_per_px for path in paths]
    pairs = cKDTree(ends).query_pairs(CALLED_GAP_MM / mm_per_px, output_type="ndarray")
    gaps = np.hypot(*(ends[pairs[:, 0]] - ends[pairs[:, 1]]).T) * mm_per_px
    taken: set[int] = set()
    for k in np.argsort(gaps, kind="stable"):
        a, b = (int(end) for end in pairs[k])
        i, j = a // 2, b // 2
        most = CALLED_GAP_MM if max(i, j) < sure else DOUBTFUL_GAP_MM
        if i == j or min(i, j) >= likely or {a, b} & taken or gaps[k] > min(most, max(lengths[i], lengths[j])):
            continue
        between = np.linspace(ends[a], ends[b], 2 + int(gaps[k] / mm_per_px))
        if _face(ways[a], ways[b], ends[b] - ends[a], mm_per_px) and len(up_to(between, stops)) == len(between):
            taken |= {a, b}
            yield i, j


def _face(one: Floats, other: Floats, gap_px: Floats, mm_per_px: float) -> bool:
    """Tell whether two unit vectors out of ends that lie so far apart point at each other."""
    size = float(np.hypot(*gap_px))
    least = np.cos(np.deg2rad(FACING_DEG)) * size
    pointing = size * mm_per_px <= TOUCHING_MM or min(one @ gap_px, -(other @ gap_px)) >= least
    return bool(pointing and one @ other <= OPPOSED)


def _groups(joints: Iterator[tuple[int, int]], count: int) -> list[list[int]]:
    """Return the groups of two and more among ``count`` that are joined."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    rows, columns = np.array(list(joints), dtype=np.intp).reshape(-1, 2).T
    graph = coo_matrix((np.ones(len(rows)), (rows, columns)), shape=(count, count))
    number, group_of = connected_components(graph, directed=False)
    groups = [np.flatnonzero(group_of == g).tolist() for g in range(number)]
    return [group for group in groups if len(group) > 1]


def _one(group: Sequence[Judged], looked: Looked) -> Judged:
    """Measure lines as one, along all of them."""
    lead, judgement = max((item for item in group if item[1].is_void), key=lambda item: item[0].features["log_length"])
    path = end_to_end([path_of(found) for found, _ in group])
    bones = np.vstack([bones_of(found) for found, _ in group])
    chance = max(judged.void_probability for _, judged in group)
    return drawn_anew(lead, path, bones, looked), replace(judgement, void_probability=chance)
