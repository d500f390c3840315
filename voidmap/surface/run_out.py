"""Called cracks run out at the slab's edge.

Next to the edge nothing is judged: the border's own rows are left out, a check's mouth shows the bench or the lit
end of the floor instead of the dark. What is known of a crack that stops just before the edge is that it goes on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats
from voidmap.surface.candidates import Looked
from voidmap.surface.follow import as_line
from voidmap.surface.lines import tangent
from voidmap.surface.merge import Judged
from voidmap.surface.mosaic import Bools
from voidmap.surface.rim import Cover, cover_of

Ints = NDArray[np.integer]

# A crack whose end points at the edge so near before it, and no farther than it is long, opens there: on 60 photos of
# 20 simulated slabs all 90 true cracks do whose called line stops within this (10 other called lines do not).
EDGE_MM = 12.0
# Its direction and its width at the end are taken over this length.
END_MM = 8.0


def run_out(looked: Looked, judged: Sequence[Judged]) -> list[Judged]:
    """Return what was judged, the cracks that end just before the slab's edge drawn on to it.

    What they are drawn on by is as wide as their ends are.
    """
    return [_run_out(item, looked) for item in judged]


def _run_out(item: Judged, looked: Looked) -> Judged:
    line = as_line(item) if item[1].is_void else None
    if line is None:
        return item
    path = line[0].path_px
    assert path is not None, "a line has a path"
    mm = looked.evened.mm_per_px
    length = float(np.hypot(*np.diff(path, axis=0).T).sum())
    most = min(EDGE_MM / mm, length)
    before, after = (_to_edge(path, end, most, looked) for end in (0, -1))
    found = item[0]
    for end, more in ((0, before), (-1, after)):
        if len(more):
            found = replace(found, cover=_with(found.cover, path, end, more, looked))
    if found is item[0] or found.source != "line":
        return found, item[1]
    more_px = sum(float(np.hypot(*(ends[-1] - path[end]))) for end, ends in ((0, before), (-1, after)) if len(ends))
    figures = found.features | {"log_length": math.log((length + more_px) * mm)}
    return replace(found, path_px=np.vstack([before[::-1], path, after]), features=figures), item[1]


def _to_edge(path: Floats, end: int, most_px: float, looked: Looked) -> Floats:
    """Return the points (N, 2), a px apart, from a path's end to the slab's edge; none where it is too far.

    None either where something that covers the slab comes first.
    """
    way = tangent(path, end, END_MM / looked.evened.mm_per_px)
    points = path[end] + np.arange(1.0, most_px + 1.0)[:, None] * way
    column, row = np.round(points - looked.corner).astype(int).T
    on, bare = (_at(where, row, column) for where in (looked.slab.mask, looked.slab.mask & ~looked.slab.covered))
    count = int(np.argmin(on)) if not on.all() else 0
    return points[: count if bare[:count].all() else 0]


def _at(where: Bools, row: Ints, column: Ints) -> Bools:
    """Return a mask's values at places that may lie outside it (there: no)."""
    height, width = where.shape
    inside = (row >= 0) & (row < height) & (column >= 0) & (column < width)
    return np.asarray(inside & where[np.clip(row, 0, height - 1), np.clip(column, 0, width - 1)])


def _with(cover: Cover, path: Floats, end: int, more: Floats, looked: Looked) -> Cover:
    """Return a cover with the strip along ``more`` (N, 2) px of the picture, as wide as it is at that end of its path.

    The strip ends where the top does.
    """
    from scipy.spatial import cKDTree

    reach = max(1, round(END_MM / looked.evened.mm_per_px))
    places = np.argwhere(cover.mask)[:, ::-1] + cover.corner
    nearest = cKDTree(path).query(places)[1]
    # The end's own point has the round cap beyond it.
    from_end = nearest if end == 0 else len(path) - 1 - nearest
    last = (from_end > 0) & (from_end <= reach)
    way = path[: reach + 1] if end == 0 else path[-reach - 1 :]
    width = max(1.0, np.count_nonzero(last) / max(1.0, float(np.hypot(*np.diff(way, axis=0).T).sum())))
    size = np.array(cover.mask.shape[::-1])
    margin = math.ceil(width) + 2
    # The margin stays in the picture, where the strip does.
    first, last_px = np.array(looked.corner), np.add(looked.corner, looked.slab.mask.shape[::-1])
    low = np.minimum(cover.corner, np.maximum(np.floor(more.min(axis=0)).astype(int) - margin, first))
    high = np.maximum(cover.corner + size, np.minimum(np.ceil(more.max(axis=0)).astype(int) + margin + 1, last_px))
    share = np.zeros((high - low)[::-1], np.float32)
    x, y = np.array(cover.corner) - low
    share[y : y + size[1], x : x + size[0]] = cover.share
    spine = np.ones(share.shape, np.uint8)
    ends = np.vstack([path[end], more]) - low
    cv2.polylines(spine, [np.round(ends).astype(np.int32)], False, 0)
    strip = np.clip(0.5 * width + 0.5 - cv2.distanceTransform(spine, cv2.DIST_L2, 5), 0.0, 1.0)
    row, column = np.indices(share.shape) + (low - looked.corner)[::-1, None, None]
    strip[~_at(looked.slab.mask, row, column)] = 0.0
    seed = np.zeros(share.shape, np.bool_)
    seed[y : y + size[1], x : x + size[0]] = cover.mask
    return cover_of(np.maximum(share, strip).astype(np.float32), (int(low[0]), int(low[1])), seed) or cover
