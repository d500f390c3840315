"""Depth by parallax: a sweep inside one region, the wood around it as the level, holes filled with more doubt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.depth.prior import USUAL_THICKNESS_MM
from voidmap.depth.sweep import DepthMap, refine, sweep
from voidmap.depth.views import Grid, Picture, View, camera_height, make_view
from voidmap.model import Ortho, Photo, Plane, Region
from voidmap.records import DepthEstimate

LEAST_BASE_REL = 0.08
"""Cameras nearer to each other than this share of their height show no depth worth having."""
NARROWEST_MM = 4.0
"""Into a gap narrower than this (mean width) two lines of sight do not reach the floor together."""
LEAST_AREA_MM2 = 60.0
LEAST_CHANCE = 0.005
"""A region that is a void with less than this chance is left out: its expected share of the volume is nothing."""
RIM_PX = 2
"""Cells at the rim that are left out of the matching: they show the top's edge, not the inside."""
RING_MM = 10.0
"""Wood around a region that gives the level."""
LEVEL_REACH_MM = 3.0
"""Wood farther than this from the top's plane is another thing (bench, another void)."""
DEEPER_THAN_SLAB = 1.1
"""The sweep reaches this share of the thickness, so that a bench below a hole is met."""
PROUDEST_MM = -2.0
LEAST_SURE = 0.15
"""A region with less of its area matched is not measured."""
BASIC_REL = 0.06
"""Error of a mean depth that is left with perfect matching (windows at walls, fill at the rim; log): the
scatter of voids of which 0.7 or more was matched, on simulated slabs."""
FILLED_REL_PER_MM = 1.25
"""Error of the depth of what had to be filled in (log) for the share of the area that was filled, per mm of a pixel:
the deepest places are the ones that no two photos see, and coarse windows end farther from them. From 38 voids of
simulated slabs at 0.26 to 0.6 mm a pixel."""
FILLED_REL_MOST = 0.7
LEVEL_MM = 0.1
"""Least error of the level that the wood around gives."""
FLOOR_MM = 0.05
"""Smallest mean depth that is stated: a log-normal has no zero."""
GREATEST_PERCENTILE = 99.0


@dataclass(frozen=True, eq=False)
class Relief:
    """A region's depth map and what it rests on.

    ``depth_mm`` (h, w) below the wood around, on ``grid``; ``inside`` (h, w) the region; ``sure`` the share of
    it that was matched; ``level_error_mm`` the doubt of the wood's level.
    """

    depth_mm: Picture
    inside: NDArray[np.bool_]
    grid: Grid
    sure: float
    level_error_mm: float


def has_parallax(planes: Sequence[Plane]) -> bool:
    """Whether photos were taken from places far enough apart to show depth."""
    if len(planes) < 2 or any(p.reference == "mm_per_px" for p in planes):
        return False
    base = max(float(np.hypot(*(a.camera_mm - b.camera_mm)[:2])) for a, b in combinations(planes, 2))
    return base >= LEAST_BASE_REL * float(np.mean([camera_height(p.camera_mm) for p in planes]))


def measurable(region: Region) -> bool:
    """Whether a region may be a void and is wide enough for two lines of sight to reach its floor."""
    if region.void_probability < LEAST_CHANCE:
        return False
    return region.area_mm2 >= LEAST_AREA_MM2 and region.area_mm2 >= NARROWEST_MM * region.length_mm


def relief(
    region: Region, ortho: Ortho, photos: Sequence[Photo], planes: Sequence[Plane], *, thickness_mm: float | None
) -> Relief | None:
    """Measure a region's depth map; None where the photos do not show it well enough."""
    pad = int(np.ceil(RING_MM / ortho.mm_per_px))
    rows, columns = region.mask.shape
    step = ortho.mm_per_px
    grid = Grid(
        ortho.x0_mm + (region.corner[0] - pad) * step,
        ortho.y0_mm + (region.corner[1] - pad) * step,
        step,
        columns + 2 * pad,
        rows + 2 * pad,
    )
    inside = cv2.copyMakeBorder(region.mask.astype(np.uint8), pad, pad, pad, pad, cv2.BORDER_CONSTANT)
    side = 2 * RIM_PX + 1
    opening = cv2.erode(inside, np.ones((side, side), np.uint8)).astype(np.float32)
    deepest = DEEPER_THAN_SLAB * (thickness_mm or USUAL_THICKNESS_MM)
    whole = [v for p, q in zip(photos, planes, strict=True) if (v := make_view(p, q, grid, deepest)) is not None]
    if len(whole) < 2:
        return None
    views = [view.through(opening, grid) for view in whole]
    level, level_error = _level(whole, grid, inside)
    found = sweep(views, grid, PROUDEST_MM, deepest)
    mask = inside > 0
    sure = float((found.sure & mask).sum() / max(int(mask.sum()), 1))
    if sure < LEAST_SURE:
        return None
    depths = _filled(found, mask) - level
    if thickness_mm is not None:
        # Below the slab is the bench: a fill ends at the underside.
        depths = np.minimum(depths, np.float32(thickness_mm))
    return Relief(depths, mask, grid, sure, level_error)


def _level(views: Sequence[View], grid: Grid, inside: NDArray[np.uint8]) -> tuple[Picture, float]:
    """Fit a plane to the wood around a region: its apparent depth on the grid, and its error at the middle."""
    zero = np.zeros(grid.shape, np.float32)
    found = refine(views, grid, zero, lo_mm=-LEVEL_REACH_MM, hi_mm=LEVEL_REACH_MM, window=15)
    near = cv2.dilate(inside, np.ones((9, 9), np.uint8)) > 0
    use = found.sure & ~near & (np.abs(found.depth_mm) < 0.9 * LEVEL_REACH_MM)
    rows, columns = np.nonzero(use)
    if len(rows) < 200:
        return zero, 3 * LEVEL_MM
    middle = np.array([grid.width / 2, grid.height / 2])
    terms = np.column_stack([np.ones(len(rows)), (columns - middle[0]) / grid.width, (rows - middle[1]) / grid.height])
    seen = found.depth_mm[use].astype(np.float64)
    weight = 1.0 / (found.error_mm[use].astype(np.float64) ** 2 + LEVEL_MM**2)
    keep = np.ones(len(seen))
    fit = np.zeros(3)
    for _ in range(6):
        root = np.sqrt(weight * keep)
        fit = np.linalg.lstsq(terms * root[:, None], seen * root, rcond=None)[0]
        off = np.abs(seen - terms @ fit)
        scale = max(1.4826 * float(np.median(off)), 0.02)
        keep = np.minimum(1.0, 1.5 * scale / np.maximum(off, 1e-6))
    y, x = np.indices(grid.shape, dtype=np.float32)
    plane = fit[0] + fit[1] * (x - middle[0]) / grid.width + fit[2] * (y - middle[1]) / grid.height
    return plane.astype(np.float32), float(np.hypot(LEVEL_MM, scale / 10))


def _filled(found: DepthMap, mask: NDArray[np.bool_]) -> Picture:
    """Smooth by weight and fill what was not matched, from near to far."""
    believed = np.where(found.sure & mask, found.match**2 / (found.error_mm**2 + 0.3**2), 0).astype(np.float32)
    out = np.zeros(mask.shape, np.float32)
    left = mask.copy()
    for sigma in (1.5, 3.0, 6.0, 12.0, 24.0, 48.0, 96.0):
        weight = cv2.GaussianBlur(believed, (0, 0), sigma)
        value = cv2.GaussianBlur(believed * found.depth_mm, (0, 0), sigma)
        share = cv2.GaussianBlur((found.sure & mask).astype(np.float32), (0, 0), sigma)
        here = left & (share > 0.2) & (weight > 0)
        out[here] = value[here] / weight[here]
        left &= ~here
        if not left.any():
            break
    if left.any():
        out[left] = float(np.sum(believed * found.depth_mm) / max(float(believed.sum()), 1e-9))
    return out


def parallax_estimate(relief: Relief, planes: Sequence[Plane]) -> DepthEstimate:
    """Turn a depth map into an estimate of the mean depth.

    The errors: ``own_rel`` from matching, filling and the wood's level; ``shared_rel["lens and place"]`` from
    the planes' draws.
    """
    depths = relief.depth_mm[relief.inside].astype(np.float64)
    mean = max(float(depths.mean()), FLOOR_MM)
    greatest = max(float(np.percentile(depths, GREATEST_PERCENTILE)), mean)
    filled = min(FILLED_REL_PER_MM * relief.grid.mm_per_px, FILLED_REL_MOST) * (1 - relief.sure)
    own = float(np.sqrt(BASIC_REL**2 + filled**2 + (relief.level_error_mm / mean) ** 2))
    middle = np.array([relief.grid.x0_mm, relief.grid.y0_mm]) + relief.grid.mm_per_px / 2 * np.array(
        [relief.grid.width, relief.grid.height]
    )
    shared = {"lens and place": depth_scale_error(planes, middle, mean)}
    return DepthEstimate("parallax", mean, greatest, min(own, 1.5), shared)


def depth_scale_error(planes: Sequence[Plane], at_mm: NDArray[np.float64], depth_mm: float) -> float:
    """Relative standard error of a depth that comes from where the cameras stood: height^2 over base, by draws."""
    rows = min(len(p.draws) for p in planes)
    if rows < 2:
        return 0.0
    pair = max(combinations(planes, 2), key=lambda ab: float(np.hypot(*(ab[0].camera_mm - ab[1].camera_mm)[:2])))
    factors = []
    for row in range(0, rows, max(1, rows // 60)):
        a, b = (p.drawn(row).camera_mm for p in pair)
        # The shift between the views on the top for a point at this depth below it.
        shift = [(c[:2] - at_mm) * depth_mm / (camera_height(c) + depth_mm) for c in (a, b)]
        factors.append(float(np.hypot(*(shift[0] - shift[1]))))
    return float(np.std(factors) / np.mean(factors))
