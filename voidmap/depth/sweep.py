"""Plane sweep: depth of every cell of a grid from two or more views.

For each trial depth the views are laid onto the plane at that depth and compared in small windows by zero-mean
normalised cross-correlation (ZNCC), in whitened brightness (:meth:`voidmap.depth.views.View.whitened`), so that a
shadow's edge or the dark of a hole does not outweigh the texture. Only lines of sight that pass through the opening
count, and only cells inside it: the wood around and the rim never take part. Trial depths lie one whole pixel of
shift apart. Costs are added up along four ways across the grid, and a parabola through the best three gives the
depth between the steps. A second sweep runs along the surface so found, shifted by whole pixels: its windows lean
with the floor. On a large grid the first sweep goes at half the resolution.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.depth.views import Grid, Picture, View, camera_height, halved

WINDOW_PX = 7
"""Side of the windows that are compared, cells: smaller ones fail on weak texture, larger ones round off walls and lay
the depth of a ridge over the floor that it hides from one of the photos (seen by two of three: a sixth too shallow)."""
LEAST_SEEN = 0.3
"""A window counts when this share of it is seen by both views."""
FEW_SEEN = 0.5
"""Evidence of a place that windows barely see is shrunk as if this many windows more had matched nothing: a chance
match of a few cells must not beat a sound one of many."""
FLAT = 0.1
"""Spread of whitened brightness (1 where there is texture) that two windows are allowed without matching anything."""
STEP_PX = 1.0
"""Shift between the farthest views from one trial depth to the next, cells."""
BEND_COST = 0.08
"""Price of a depth that differs by one trial from the cell before, in units of correlation."""
BREAK_COST = 0.6
"""Price of a larger difference: walls are allowed, single cells that jump are not."""
MOST_FIRST_CELLS = 12_000
"""With more cells the first sweep, which tries all depths, goes at half the resolution: an eighth of the work. Smaller
grids lose their texture by that (with 4,000 four of 39 simulated voids were no longer matched, with 8,000 one)."""
REACH_STEPS = 4
"""The second sweep looks this many steps above and below the surface that the first one found."""
LEAN_CELLS = 2.0
"""The surface that the second sweep follows is smoothed by this (sigma, cells)."""
GOOD_MATCH = 0.45
"""Least correlation of a depth that is believed: a window of 49 cells, of which three count as one, has it by chance
in one of 25 trials, and neighbours must agree. At 0.4 what is matched by chance makes deep holes too shallow, at 0.5
dark ones are lost."""
SAME_STEPS = 3.0
"""Depths on one line of sight that differ by no more steps than this are one place (a slanting floor, noise)."""
SPECK_WINDOWS = 1.0
"""A patch of like depths with no more cells than so many windows may be one chance match, as large as a window. Of 38
simulated voids seen from two photos more than half of the cells in such patches were too shallow by 0.4 of the mean
depth and more, of those in patches of 600 cells and more one in ten."""
SAME_PATCH_STEPS = 2.0
"""Neighbours whose depths differ by less than so many steps are of one patch."""
PATCH_UNITS, NO_PATCH = 16, -32_000
"""Parts of a step that patches are told by, in whole numbers, and the number of what was not matched."""
NOISE_CELLS = 3.0
"""Neighbouring cells share their noise (resampling, sharpening, JPEG): this many count as one."""

Floats32 = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class DepthMap:
    """Depth on a grid: ``depth_mm`` (h, w), its standard error, and the correlation there (0 where unseen)."""

    depth_mm: Picture
    error_mm: Picture
    match: Picture

    @property
    def sure(self) -> NDArray[np.bool_]:
        """Where the depth is believed."""
        return self.match >= GOOD_MATCH


def trial_depths(views: Sequence[View], grid: Grid, lo_mm: float, hi_mm: float) -> NDArray[np.float64]:
    """Return trial depths such that the farthest pair of views shifts by ``STEP_PX`` from one to the next."""
    apart = farthest_mm(views)
    height = min(camera_height(v.camera_mm) for v in views)
    # Shift of a pair at depth d: apart * d / (height + d); invert for equal steps of the shift.
    step = STEP_PX * grid.mm_per_px
    lo, hi = (apart * d / (height + d) for d in (lo_mm, hi_mm))
    shifts = np.arange(lo, hi + step, step)
    shifts = shifts[shifts < 0.9 * apart]
    return np.asarray(shifts * height / (apart - shifts), dtype=np.float64)


def farthest_mm(views: Sequence[View]) -> float:
    """Distance between the farthest two cameras, along the top, mm."""
    return max(float(np.hypot(*(a.camera_mm - b.camera_mm)[:2])) for a, b in combinations(views, 2))


def sweep(
    views: Sequence[View],
    grid: Grid,
    lo_mm: float,
    hi_mm: float,
    *,
    inside: Picture | None = None,
) -> DepthMap:
    """Find the depth of every cell of a grid.

    Parameters
    ----------
    views
        At least two, whitened, of about the grid's resolution.
    grid
        The cells.
    lo_mm, hi_mm
        Depths that are tried.
    inside
        (h, w) float32, 1 for cells that may be matched; all when left out.

    Returns
    -------
    DepthMap
        With ``match`` 0 where no two views see a cell.
    """
    cells = np.ones(grid.shape, np.float32) if inside is None else inside
    return sweep_along(views, grid, first_surface(views, grid, lo_mm, hi_mm, cells), lo_mm, hi_mm, cells)


def first_surface(views: Sequence[View], grid: Grid, lo_mm: float, hi_mm: float, cells: Picture) -> Picture:
    """Find the smooth surface (h, w) mm that a sweep of level planes gives, of large grids at half the resolution.

    The parameters are those of :func:`sweep`; ``cells`` (h, w) float32 is 1 for cells that may be matched.
    """
    if grid.width * grid.height <= MOST_FIRST_CELLS:
        return _first(views, grid, cells, (lo_mm, hi_mm))
    coarse = grid.coarser(2)
    fewer = (halved(cells, grid) > 0.5).astype(np.float32)
    surface = _first([v.half().whitened() for v in views], coarse, fewer, (lo_mm, hi_mm))
    fine = cv2.resize(surface, (2 * coarse.width, 2 * coarse.height), interpolation=cv2.INTER_LINEAR)
    return np.ascontiguousarray(fine[: grid.height, : grid.width])


def match_on(views: Sequence[View], grid: Grid, depth_mm: Picture, cells: Picture) -> Picture:
    """Return how well the views match on one surface: the mean correlation of every cell, 0 where no two see it.

    Parameters
    ----------
    views, grid
        As for :func:`sweep`.
    depth_mm
        (h, w) the surface.
    cells
        (h, w) float32, 1 for cells that may be matched.
    """
    return np.asarray(_scores(_looks(views, grid, depth_mm, cells))[1], dtype=np.float32)


def seen_once(found: DepthMap, views: Sequence[View], grid: Grid) -> DepthMap:
    """Take back what was matched where a line of sight is claimed by another depth that matches better.

    A line of sight ends at the first thing that it meets, so that of two places on it that were matched one is wrong:
    beside a rim that hides the floor behind it, the floor's own picture matches once more, badly, at the rim's depth.
    A place stays when two views at least show nothing else there.
    """
    rows, columns = np.nonzero(found.sure)
    depth, match = found.depth_mm[rows, columns], found.match[rows, columns]
    order = np.argsort(match, kind="stable")
    height = np.float32(np.mean([camera_height(v.camera_mm) for v in views]))
    step = np.float32(STEP_PX * grid.mm_per_px / farthest_mm(views)) * (height + depth) ** 2 / height
    free = np.zeros(len(depth), np.int8)
    for view in views:
        column, row, _, _ = view.lookup(grid, found.depth_mm)
        across = np.clip(np.rint(column[rows, columns]).astype(np.intp), 0, view.grid.width - 1)
        down = np.clip(np.rint(row[rows, columns]).astype(np.intp), 0, view.grid.height - 1)
        at = down * view.grid.width + across
        winner = np.zeros(view.grid.width * view.grid.height, np.float32)
        winner[at[order]] = depth[order]
        free += np.abs(winner[at] - depth) <= SAME_STEPS * step
    match = found.match.copy()
    lost = free < 2
    match[rows[lost], columns[lost]] = 0
    return replace(found, match=match)


def without_specks(found: DepthMap, views: Sequence[View], grid: Grid) -> DepthMap:
    """Take back what was matched in small patches that stand alone: from two photos no third speaks against chance."""
    height = np.float32(np.mean([camera_height(v.camera_mm) for v in views]))
    step = np.float32(STEP_PX * grid.mm_per_px / farthest_mm(views))
    shift = np.float32(PATCH_UNITS) / step * found.depth_mm / (height + found.depth_mm)
    patches = np.where(found.sure, np.clip(shift, NO_PATCH + 1, -NO_PATCH), NO_PATCH).astype(np.int16)
    cv2.filterSpeckles(patches, NO_PATCH, int(SPECK_WINDOWS * WINDOW_PX**2), int(SAME_PATCH_STEPS * PATCH_UNITS))
    return replace(found, match=np.where(found.sure & (patches == NO_PATCH), np.float32(0), found.match))


def _first(views: Sequence[View], grid: Grid, cells: Picture, limits: tuple[float, float]) -> Picture:
    """Sweep level planes, and return the surface of the best ones, smoothed."""
    depths = trial_depths(views, grid, *limits)
    planes = ([(a, s * cells) for a, s in (v.warp(grid, float(d)) for v in views)] for d in depths)
    at, match, _ = _search(planes)
    first = np.interp(at, np.arange(len(depths)), depths).astype(np.float32)
    return _smoothed(first, cells * np.maximum(match, 0.05))


def sweep_along(
    views: Sequence[View], grid: Grid, surface: Picture, lo_mm: float, hi_mm: float, cells: Picture
) -> DepthMap:
    """Sweep along a surface (h, w) mm, shifted up and down by whole pixels of the farthest pair's shift.

    The other parameters are those of :func:`first_surface`.
    """
    limits = lo_mm, hi_mm
    height = np.float32(np.mean([camera_height(v.camera_mm) for v in views]))
    step = np.float32(STEP_PX * grid.mm_per_px / farthest_mm(views)) * (height + surface) ** 2 / height
    trials = [
        np.clip(surface + np.float32(n) * step, *limits).astype(np.float32)
        for n in range(-REACH_STEPS, REACH_STEPS + 1)
    ]
    at, match, curve = _search(_looks(views, grid, depth, cells) for depth in trials)
    depth = np.clip(surface + (at - REACH_STEPS).astype(np.float32) * step, *limits).astype(np.float32)
    error = step * np.sqrt(2 * (1 - np.clip(match, 0, 0.999)) * NOISE_CELLS / (curve * WINDOW_PX**2))
    return DepthMap(cv2.medianBlur(depth, 3), error.astype(np.float32), match)


def _looks(views: Sequence[View], grid: Grid, depth: Picture, cells: Picture) -> list[tuple[Picture, Picture]]:
    looks = []
    for view in views:
        column, row, _, _ = view.lookup(grid, depth)
        image = cv2.remap(view.image, column, row, cv2.INTER_CUBIC)
        looks.append((image, cv2.remap(view.opening, column, row, cv2.INTER_LINEAR) * cells))
    return looks


def _smoothed(depth: Picture, weight: Picture) -> Picture:
    """Smooth a depth map by weight, for windows to lean on."""
    share = cv2.GaussianBlur(weight, (0, 0), LEAN_CELLS)
    mean = cv2.GaussianBlur(weight * depth, (0, 0), LEAN_CELLS)
    return np.where(share > 1e-3, mean / np.maximum(share, 1e-3), depth).astype(np.float32)


def _search(
    trials: Iterable[list[tuple[Picture, Picture]]],
) -> tuple[NDArray[np.float64], Floats32, Floats32]:
    """Return the best trial of every cell (between trials by a parabola), its correlation and the peak's curvature."""
    both = [_scores(looks) for looks in trials]
    scores = np.stack([raw for _, raw in both])
    costs = 1.0 - np.stack([shrunk for shrunk, _ in both])
    costs = _smooth_costs(costs)
    best = costs.argmin(axis=0)
    inner = np.clip(best, 1, len(costs) - 2)
    rows, columns = np.indices(best.shape, sparse=True)
    before, here, after = (costs[inner + k, rows, columns] for k in (-1, 0, 1))
    shift = np.clip(0.5 * (before - after) / np.maximum(before - 2 * here + after, 1e-6), -0.5, 0.5)
    low, top, high = (scores[inner + k, rows, columns] for k in (-1, 0, 1))
    curve = np.maximum(2 * top - low - high, np.float32(0.02))
    return np.where(best == inner, inner + shift, best), scores[best, rows, columns], curve


def _smooth_costs(costs: Floats32) -> Floats32:
    """Add up costs along the four ways across the grid, with a price for every change of depth.

    Each way is the exact dynamic programme of a scan line (a step of one trial costs ``BEND_COST``, a larger one
    ``BREAK_COST``); a weakly textured cell takes its depth from its neighbours.
    """
    total = np.zeros_like(costs)
    for axis in (1, 2):
        lines = np.ascontiguousarray(np.moveaxis(costs, axis, 0))
        sums = np.zeros_like(lines)
        for order in (1, -1):
            path = lines[::order][0].copy()
            sums[::order][0] += path
            for line, into in zip(lines[::order][1:], sums[::order][1:], strict=True):
                path -= path.min(axis=0)
                near = np.minimum(path, np.float32(BREAK_COST))
                path += np.float32(BEND_COST)
                np.minimum(near[1:], path[:-1], out=near[1:])
                np.minimum(near[:-1], path[1:], out=near[:-1])
                near += line
                into += near
                path = near
        total += np.moveaxis(sums, 0, axis)
    return total


def _scores(looks: list[tuple[Picture, Picture]]) -> tuple[Floats32, Floats32]:
    """Mean correlation of all pairs of views that see a cell, (h, w): shrunk by how little is seen, and plain."""
    shape = looks[0][0].shape
    total, weight = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    for (a, seen_a), (b, seen_b) in combinations(looks, 2):
        w = seen_a * seen_b
        box = _box_about(w > 0.5)
        if box is not None:
            evidence, share = _correlation(a[box], b[box], w[box])
            total[box] += evidence
            weight[box] += share
    shrunk, plain = total / (weight + np.float32(FEW_SEEN)), total / np.maximum(weight, np.float32(1e-6))
    return shrunk.astype(np.float32), plain.astype(np.float32)


def _box_about(cells: NDArray[np.bool_]) -> tuple[slice, slice] | None:
    """Return the box of some cells with the windows about them; None when there are none."""
    left, top, width, height = cv2.boundingRect(cells.view(np.uint8))
    if width == 0:
        return None
    half = WINDOW_PX // 2
    return slice(max(top - half, 0), top + height + half), slice(max(left - half, 0), left + width + half)


def _correlation(a: Floats32, b: Floats32, w: Floats32) -> tuple[Floats32, Floats32]:
    """Return the correlation of two views' windows times the share that both see, ``w``, and that share."""
    wa, wb = w * a, w * b
    sums = cv2.merge([w, wa, wb, wa * a, wb * b, wa * b])
    sums = cv2.boxFilter(sums, -1, (WINDOW_PX, WINDOW_PX), normalize=True, borderType=cv2.BORDER_CONSTANT)
    # Moments times the share that is seen, all numerators and denominators times its square; in place, for speed.
    seen, ma, mb, va, vb, cov = cv2.split(sums)
    floor = np.float32(FLAT**2) * seen * seen
    for spread, mean in ((va, ma), (vb, mb)):
        spread *= seen
        spread -= mean * mean
        np.maximum(spread, 0, out=spread)
        spread += floor
    cov *= seen
    cov -= ma * mb
    va *= vb
    va += np.float32(1e-12)
    cov /= np.sqrt(va, out=va)
    seen *= (seen >= LEAST_SEEN) & (w > 0.5)
    cov *= seen
    return cov, seen
