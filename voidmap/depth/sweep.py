"""Plane sweep: depth of every cell of a grid from two or more views.

For each trial depth the views are laid onto the plane at that depth and compared in small windows by zero-mean
normalised cross-correlation (ZNCC), only where both lines of sight pass through the opening. The best depth is
then refined by Gauss-Newton rounds at full resolution, which do not lock to the sweep's steps.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.depth.views import Grid, Picture, View, camera_height

WINDOW_PX = 9
"""Side of the windows that are compared, cells: smaller ones fail on weak texture, larger ones round off walls."""
LEAST_SEEN = 0.35
"""A window counts when this share of it is seen by both views."""
GREY_NOISE = 1.5
"""Standard deviation of noise that two windows are allowed, grey levels: windows without texture match nothing."""
STEP_PX = 1.0
"""Shift between the farthest views from one trial depth to the next, px of the coarse grid."""
BEND_COST = 0.08
"""Price of a depth that differs by one trial from the cell before, in units of correlation."""
BREAK_COST = 0.5
"""Price of a larger difference: walls are allowed, single cells that jump are not."""
ROUNDS = 4
"""Gauss-Newton rounds; the first two with the coarse window."""
GOOD_MATCH = 0.5
"""Least correlation of a depth that is believed."""
NOISE_CELLS = 3.0
"""Neighbouring cells share their noise (resampling, sharpening, JPEG): this many count as one."""


@dataclass(frozen=True, eq=False)
class DepthMap:
    """Depth on a grid: ``depth_mm`` (h, w), its standard error, and the correlation there (0 where unseen)."""

    depth_mm: Picture
    error_mm: Picture
    match: Picture

    @property
    def sure(self) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
        """Where the depth is believed."""
        return self.match >= GOOD_MATCH


def trial_depths(views: Sequence[View], grid: Grid, lo_mm: float, hi_mm: float) -> np.ndarray:
    """Return trial depths such that the farthest pair of views shifts by ``STEP_PX`` from one to the next."""
    apart = max(float(np.hypot(*(a.camera_mm - b.camera_mm)[:2])) for a, b in combinations(views, 2))
    height = min(camera_height(v.camera_mm) for v in views)
    # Shift of a pair at depth d: apart * d / (height + d); invert for equal steps of the shift.
    step = STEP_PX * grid.mm_per_px
    lo, hi = (apart * d / (height + d) for d in (lo_mm, hi_mm))
    shifts = np.arange(lo, hi + step, step)
    shifts = shifts[shifts < 0.9 * apart]
    return np.asarray(shifts * height / (apart - shifts), dtype=np.float64)


def sweep(views: Sequence[View], grid: Grid, lo_mm: float, hi_mm: float) -> DepthMap:
    """Find the depth of every cell of a grid.

    Parameters
    ----------
    views
        At least two, of about the grid's resolution.
    grid
        The cells.
    lo_mm, hi_mm
        Depths that are tried.

    Returns
    -------
    DepthMap
        With ``match`` 0 where no two views see a cell.
    """
    halves = [view.half() for view in views]
    coarse = grid.coarser(2)
    start = _search(halves, coarse, trial_depths(halves, coarse, lo_mm, hi_mm))
    depth = cv2.resize(start, (grid.width, grid.height), interpolation=cv2.INTER_LINEAR)
    return refine(views, grid, depth, lo_mm=lo_mm, hi_mm=hi_mm)


def _search(views: Sequence[View], grid: Grid, depths: np.ndarray) -> Picture:
    """Return the best trial depth of every cell, between steps by a parabola."""
    costs = _smooth_costs(np.stack([1.0 - _score(views, grid, float(d)) for d in depths]))
    best = costs.argmin(axis=0)
    inner = np.clip(best, 1, len(depths) - 2)
    rows, columns = np.indices(best.shape)
    before, here, after = (costs[inner + k, rows, columns] for k in (-1, 0, 1))
    bend = before - 2 * here + after
    shift = np.where(bend > 1e-6, 0.5 * (before - after) / np.where(bend > 1e-6, bend, 1.0), 0.0)
    at = np.where(best == inner, inner + np.clip(shift, -0.5, 0.5), best)
    depth = np.interp(at, np.arange(len(depths)), depths).astype(np.float32)
    return cv2.medianBlur(depth, 5)


def _smooth_costs(costs: NDArray[np.float32]) -> NDArray[np.float32]:
    """Add up costs along the four ways across the grid, with a price for every change of depth.

    Each way is the exact dynamic programme of a scan line (a step of one trial costs ``BEND_COST``, a larger one
    ``BREAK_COST``); a weakly textured cell takes its depth from its neighbours.
    """
    total = np.zeros_like(costs)
    for axis in (1, 2):
        for order in (1, -1):
            lines = np.moveaxis(costs, axis, 0)[::order]
            path = lines[0].copy()
            sums = np.moveaxis(total, axis, 0)[::order]
            sums[0] += path
            for n in range(1, len(lines)):
                least = path.min(axis=0)
                near = np.minimum(path, least + np.float32(BREAK_COST))
                near[1:] = np.minimum(near[1:], path[:-1] + np.float32(BEND_COST))
                near[:-1] = np.minimum(near[:-1], path[1:] + np.float32(BEND_COST))
                path = lines[n] + near - least
                sums[n] += path
    return total


def _box(picture: Picture, window: int = WINDOW_PX) -> Picture:
    return cv2.boxFilter(picture, -1, (window, window), normalize=True, borderType=cv2.BORDER_CONSTANT)


def _score(views: Sequence[View], grid: Grid, depth_mm: float) -> Picture:
    """Mean correlation of all pairs of views that see a cell at a depth, (h, w); 0 where none does."""
    warped = [view.warp(grid, depth_mm) for view in views]
    total = np.zeros(grid.shape, np.float32)
    weight = np.zeros(grid.shape, np.float32)
    for (a, seen_a), (b, seen_b) in combinations(warped, 2):
        w = seen_a * seen_b
        sw = _box(w)
        many = np.maximum(sw, 1e-6)
        wa, wb = w * a, w * b
        ma, mb = _box(wa) / many, _box(wb) / many
        va = _box(wa * a) / many - ma * ma
        vb = _box(wb * b) / many - mb * mb
        cov = _box(wa * b) / many - ma * mb
        znc = cov / np.sqrt((np.maximum(va, 0) + GREY_NOISE**2) * (np.maximum(vb, 0) + GREY_NOISE**2))
        use = np.where(sw >= LEAST_SEEN, sw, 0)
        total += use * znc
        weight += use
    return np.where(weight > 0, total / np.maximum(weight, 1e-6), np.float32(0.0))


def refine(
    views: Sequence[View], grid: Grid, depth: Picture, *, lo_mm: float, hi_mm: float, window: int = WINDOW_PX
) -> DepthMap:
    """Refine depths by Gauss-Newton on the views' differences, with gain and offset free in each window.

    Parameters
    ----------
    views
        At least two, of about the grid's resolution.
    grid
        The cells.
    depth
        (h, w) float32 first guess, within about two px of shift.
    lo_mm, hi_mm
        Depths outside are cut.
    window
        Side of the windows, cells.
    """
    slopes = [
        (cv2.Sobel(v.image, cv2.CV_32F, 1, 0, scale=1 / 8), cv2.Sobel(v.image, cv2.CV_32F, 0, 1, scale=1 / 8))
        for v in views
    ]
    limit = _px_as_mm(views, grid)
    for n in range(ROUNDS + 1):
        push, pull, match = _normal_equation(views, slopes, grid, depth, window)
        step = np.where(pull > 0, push / np.maximum(pull, 1e-9), 0).astype(np.float32)
        step = np.clip(step, -limit, limit)
        if n == 0:
            kept = [depth, step, pull, match]
        else:
            # A round that made the match worse went too far: the best depth so far stays, with half the step.
            better = match > kept[3]
            kept[1] = kept[1] * np.float32(0.5)
            kept = [np.where(better, new, old) for new, old in zip((depth, step, pull, match), kept, strict=True)]
        depth = cv2.medianBlur(np.clip(kept[0] - kept[1], lo_mm, hi_mm).astype(np.float32), 3)
    depth, pushed, pull, match = kept
    spread = 2 * (1 - np.clip(match, 0, 0.999)) * NOISE_CELLS / np.maximum(pull * window**2, 1e-9)
    error = np.sqrt(spread + pushed**2).astype(np.float32)
    return DepthMap(depth, error, match)


def _px_as_mm(views: Sequence[View], grid: Grid) -> float:
    """Depth that shifts the farthest pair by one cell, mm."""
    apart = max(float(np.hypot(*(a.camera_mm - b.camera_mm)[:2])) for a, b in combinations(views, 2))
    return float(grid.mm_per_px * np.mean([camera_height(v.camera_mm) for v in views]) / apart)


def _normal_equation(
    views: Sequence[View], slopes: Sequence[tuple[Picture, Picture]], grid: Grid, depth: Picture, window: int
) -> tuple[Picture, Picture, Picture]:
    """Sum over pairs of views: J r, J J (per window cell) and the mean correlation."""
    looked = []
    for view, (gx, gy) in zip(views, slopes, strict=True):
        column, row, dx, dy = view.lookup(grid, depth)
        image = cv2.remap(view.image, column, row, cv2.INTER_CUBIC)
        slope = cv2.remap(gx, column, row, cv2.INTER_LINEAR) * dx + cv2.remap(gy, column, row, cv2.INTER_LINEAR) * dy
        looked.append((image, slope, cv2.remap(view.opening, column, row, cv2.INTER_LINEAR)))
    push, pull, total, weight = (np.zeros(grid.shape, np.float32) for _ in range(4))
    for (a, ja, seen_a), (b, jb, seen_b) in combinations(looked, 2):
        w = seen_a * seen_b
        sw = _box(w, window)
        many = np.maximum(sw, 1e-6)

        def mean(picture: Picture, w: Picture = w, many: Picture = many) -> Picture:
            return _box(w * picture, window) / many

        ma, mb = mean(a), mean(b)
        sa = np.sqrt(np.maximum(mean(a * a) - ma * ma, 0) + GREY_NOISE**2)
        sb = np.sqrt(np.maximum(mean(b * b) - mb * mb, 0) + GREY_NOISE**2)
        cov = mean(a * b) - ma * mb
        r, j = a / sa - b / sb, ja / sa - jb / sb
        mr, mj = mean(r), mean(j)
        use = np.where(sw >= LEAST_SEEN, sw, 0)
        push += use * (mean(r * j) - mr * mj)
        pull += use * np.maximum(mean(j * j) - mj * mj, 0)
        total += use * cov / (sa * sb)
        weight += use
    match = np.where(weight > 0, total / np.maximum(weight, 1e-6), np.float32(0))
    return push, pull, match
