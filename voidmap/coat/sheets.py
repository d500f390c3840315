"""Pictures made ready to be laid onto each other: the wood evened, and where it counts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.coat.ground import FIXED_POINT, STEPS_PX, Bytes, Floats32, even_along_grain, grain_of
from voidmap.model import Floats, Ortho
from voidmap.scale.rectify import GRID_PX

WORK_MM = 0.4
"""Grid on which pictures are compared, mm: pores are still seen, and a picture stays under a megapixel or so."""
SPREAD_MM = 4.0
"""Local contrast is read over this distance (1 sigma)."""
MEAN_STEP = 4
"""Its grid, px: well under a 1 sigma of 10 px."""
MOST_SWING = 3.0
"""A place counts up to this multiple of the local contrast, so that glints and fills' edges do not decide."""
CLIPPED = 250
"""8-bit grey from which a place is glare."""


@dataclass(frozen=True, eq=False)
class Sheet:
    """A picture made ready to compare: evened wood, where it counts, and its frame."""

    wood: Floats32
    counts: Bytes
    x0_mm: float
    y0_mm: float
    mm_per_px: float

    def to_mm(self, points_px: Floats) -> Floats:
        """Carry its pixels (N, 2) to its frame."""
        return np.asarray(points_px * self.mm_per_px + [self.x0_mm, self.y0_mm], dtype=np.float64)

    def to_px(self, points_mm: Floats) -> Floats:
        """Carry points (N, 2) of its frame to its pixels."""
        return np.asarray((points_mm - [self.x0_mm, self.y0_mm]) / self.mm_per_px, dtype=np.float64)


def ready(ortho: Ortho, *, hidden_mm: tuple[Floats, ...] = ()) -> Sheet:
    """Make a picture ready to compare.

    Parameters
    ----------
    ortho
        The picture, square-on.
    hidden_mm
        Outlines of what lies on the slab (boards and their sheets), in the picture's frame.
    """
    times = max(1, int(WORK_MM / ortho.mm_per_px))
    step = times * ortho.mm_per_px
    shift = (step - ortho.mm_per_px) / 2
    share = WORK_MM / step
    pixels, valid = (_stepped(shrunk(a, times), share) for a in (ortho.pixels, ortho.valid.astype(np.uint8) * 255))
    grey = np.asarray(cv2.cvtColor(np.ascontiguousarray(pixels), cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    counts = np.where((valid == 255) & (grey < CLIPPED), 255, 0).astype(np.uint8)
    x0, y0 = ortho.x0_mm + shift, ortho.y0_mm + shift
    for outline in hidden_mm:
        at = (np.asarray(outline) - [x0, y0]) / WORK_MM
        cv2.fillPoly(counts, [np.round(at).astype(np.int32)], 0)
    side = 2 * max(STEPS_PX) + 1
    counts = cv2.erode(counts, np.ones((side, side), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0)
    wood = _evened(grey, counts, SPREAD_MM / WORK_MM)
    return Sheet(wood, np.asarray(counts, dtype=np.uint8), x0, y0, WORK_MM)


def shrunk(picture: NDArray[Any], times: int) -> NDArray[Any]:
    """Return a picture (H, W, ...) shrunk by a whole number, cut to whole pixels: both its steps grow alike."""
    height, width = (max(times, side // times * times) for side in picture.shape[:2])
    cut = np.ascontiguousarray(picture[:height, :width])
    size = (max(1, cut.shape[1] // times), max(1, cut.shape[0] // times))
    return cut if times == 1 else np.asarray(cv2.resize(cut, size, interpolation=cv2.INTER_AREA))


def warped(
    sheet: Sheet, size: tuple[int, int], to_mm: Callable[[Floats], Floats]
) -> tuple[Floats32, NDArray[np.bool_]]:
    """Resample a sheet onto a grid of ``size`` (w, h); ``to_mm`` carries the grid's pixels to the sheet's frame."""
    at_x, at_y = smooth_map(lambda px: sheet.to_px(to_mm(px)), size)
    wood = cv2.remap(sheet.wood, at_x, at_y, cv2.INTER_LINEAR)
    counts = cv2.remap(sheet.counts, at_x, at_y, cv2.INTER_NEAREST, borderValue=0)
    return np.asarray(wood, dtype=np.float32), np.asarray(counts > 0)


def smooth_map(carry: Callable[[Floats], Floats], size: tuple[int, int]) -> tuple[Floats32, Floats32]:
    """Return where each pixel of a grid of ``size`` (w, h) goes, worked out at every 16th and interpolated."""
    width, height = size
    # Enlarged so many times, a node's own place is in the middle of its cell; one cell more lies about the grid.
    columns, rows = (
        (np.arange(-1, -(-side // GRID_PX) + 1) * GRID_PX + (GRID_PX - 1) / 2).astype(np.float64) for side in size
    )
    x, y = np.meshgrid(columns, rows)
    there = carry(np.column_stack([x.ravel(), y.ravel()])).astype(np.float32)
    fine = [
        cv2.resize(nodes.reshape(x.shape), None, fx=GRID_PX, fy=GRID_PX, interpolation=cv2.INTER_LINEAR)
        for nodes in there.T
    ]
    at_x, at_y = (f[GRID_PX : GRID_PX + height, GRID_PX : GRID_PX + width] for f in fine)
    return np.ascontiguousarray(at_x, dtype=np.float32), np.ascontiguousarray(at_y, dtype=np.float32)


def _stepped(picture: NDArray[Any], share: float) -> NDArray[Any]:
    """Resample a picture to a step ``share`` times its own, the first pixel staying where it is."""
    height, width = picture.shape[:2]
    size = (max(1, int((width - 1) / share) + 1), max(1, int((height - 1) / share) + 1))
    matrix = np.array([[share, 0.0, 0.0], [0.0, share, 0.0]])
    return np.asarray(cv2.warpAffine(picture, matrix, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP))


def _evened(grey: Bytes, counts: Bytes, sigma: float) -> Floats32:
    weight = (counts > 0).astype(np.float32)
    fixed = cv2.multiply(grey, FIXED_POINT, dtype=cv2.CV_16S)
    fine = even_along_grain(fixed, grain_of(grey)).astype(np.float32) * weight
    # Means over a wide reach are worked out on a coarser grid.
    size = (max(1, grey.shape[1] // MEAN_STEP), max(1, grey.shape[0] // MEAN_STEP))
    total, power = (
        cv2.GaussianBlur(cv2.resize(a, size, interpolation=cv2.INTER_AREA), (0, 0), sigma / MEAN_STEP)
        for a in (weight, fine * fine)
    )
    contrast = np.sqrt(power / np.maximum(total, 1e-3)) + FIXED_POINT / 4
    share = cv2.resize(1 / contrast, grey.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(np.clip(fine * share, -MOST_SWING, MOST_SWING) * weight, dtype=np.float32)
