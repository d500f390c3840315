"""The level of the wood around a void: a plane laid through the ring of wood, straight from the pictures.

The plane's depth and slopes are found by Gauss-Newton rounds on the differences between the views (whitened, so that
exposure and shading drop out). Wood that is another void, a board's edge or the bench is an outlier and loses weight.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.depth.views import Grid, Picture, View
from voidmap.model import Floats

RING_MM = 10.0
"""Wood this far around a region gives the level."""
RIM_CELLS = 4.0
"""Cells nearest to the region that are left out: the rim's shade and its worn edge."""
REACH_MM = 3.0
"""Wood farther than this from the top's plane is another thing (bench, another void)."""
LEVEL_MM = 0.1
"""Least error of the level: the ring is not the wood that was there."""
ROUNDS = 4
SECTORS = 8
"""The ring is cut into this many sectors, whose scatter tells the level's error."""
LEAST_CELLS = 300
MOST_CELLS = 40_000
"""A box with more cells is looked at with half the resolution (and half again): the ring has cells enough."""
OUTLIER = 1.5
"""Differences larger than this many times their usual size lose weight (Huber's rule)."""


@dataclass(frozen=True, eq=False)
class Level:
    """The wood's plane: its apparent depth ``depth_mm`` at ``middle_mm`` (2,), its slopes (2,) and its error."""

    middle_mm: Floats
    depth_mm: float
    slope: Floats
    error_mm: float

    def on(self, grid: Grid) -> Picture:
        """Return the level on a grid, (h, w) mm."""
        x, y = grid.axes_mm()
        plane = (
            self.depth_mm
            + self.slope[0] * (x - self.middle_mm[0])[None, :]
            + self.slope[1] * (y - self.middle_mm[1])[:, None]
        )
        return plane.astype(np.float32)


def wood_level(views: Sequence[View], grid: Grid, inside: NDArray[np.uint8]) -> Level:
    """Find the level of the wood around a region.

    Parameters
    ----------
    views
        At least two, not whitened, not cut to the void's opening.
    grid
        The region's box with ``RING_MM`` around.
    inside
        (h, w), 1 in the region.

    Returns
    -------
    Level
        The top's own plane, with a wider error, where too little wood is seen.
    """
    while grid.width * grid.height > MOST_CELLS:
        views, grid = [view.half() for view in views], grid.coarser(2)
        inside = cv2.resize(inside, (grid.width, grid.height), interpolation=cv2.INTER_NEAREST)
    views = [view.whitened() for view in views]
    x, y = grid.axes_mm()
    middle = np.array([x.mean(), y.mean()])
    unknown = Level(middle, 0.0, np.zeros(2), 3 * LEVEL_MM)
    far = cv2.distanceTransform((inside == 0).astype(np.uint8), cv2.DIST_L2, 5)
    ring = ((far > RIM_CELLS) & (far < RING_MM / grid.mm_per_px)).astype(np.float32)
    if ring.sum() < LEAST_CELLS:
        return unknown
    across, down = np.meshgrid((x - middle[0]) / np.ptp(x), (y - middle[1]) / np.ptp(y))
    terms = np.stack([np.ones_like(across), across, down]).astype(np.float32)
    fit = np.zeros(3)
    for _ in range(ROUNDS):
        push, pull = _differences(views, grid, np.tensordot(fit, terms, 1).astype(np.float32), ring)
        matrix = np.einsum("iyx,jyx,yx->ij", terms, terms, pull).astype(np.float64)
        if np.linalg.cond(matrix) > 1e8:
            return unknown
        fit -= np.linalg.solve(matrix, np.einsum("iyx,yx->i", terms, push).astype(np.float64))
        if np.abs(fit).max() > REACH_MM:
            return unknown
    slope = fit[1:] / [np.ptp(x), np.ptp(y)]
    return Level(middle, float(fit[0]), slope, min(_scatter(terms, push, pull), REACH_MM))


def _scatter(terms: Picture, push: Picture, pull: Picture) -> float:
    """Return the level's standard error, from what each sector of the ring would still move by."""
    turn = (np.arctan2(terms[2], terms[1]) + np.pi) / (2 * np.pi)
    sector = np.minimum((turn * SECTORS).astype(int), SECTORS - 1).ravel()
    up, weight = (np.bincount(sector, p.ravel(), SECTORS) for p in (push, pull))
    known = weight > 0.1 * weight.max()
    if known.sum() < 3:
        return 3 * LEVEL_MM
    return float(np.hypot(LEVEL_MM, np.std(up[known] / weight[known]) / known.sum() ** 0.5))


def _differences(views: Sequence[View], grid: Grid, depth: Picture, ring: Picture) -> tuple[Picture, Picture]:
    """Return the normal equation's two sides in every cell, added up over pairs of views."""
    looks = []
    for view in views:
        column, row, by_column, by_row = view.lookup(grid, depth)
        image = cv2.remap(view.image, column, row, cv2.INTER_CUBIC)
        gx, gy = cv2.Sobel(image, cv2.CV_32F, 1, 0, scale=1 / 8), cv2.Sobel(image, cv2.CV_32F, 0, 1, scale=1 / 8)
        looks.append((image, gx * by_column + gy * by_row, cv2.remap(view.opening, column, row, cv2.INTER_LINEAR)))
    push, pull = np.zeros(grid.shape, np.float32), np.zeros(grid.shape, np.float32)
    for (a, slope_a, seen_a), (b, slope_b, seen_b) in combinations(looks, 2):
        use = ring * (seen_a * seen_b > 0.99)
        if not use.any():
            continue
        off, slope = a - b, slope_a - slope_b
        usual = max(1.4826 * float(np.median(np.abs(off[use > 0]))), 1e-3)
        use = use * np.minimum(1.0, OUTLIER * usual / np.maximum(np.abs(off), 1e-6)).astype(np.float32)
        push += use * off * slope
        pull += use * slope * slope
    return push, pull
