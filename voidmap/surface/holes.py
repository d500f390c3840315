"""Take the voids out of the flat things around them: a knot's hole is not the knot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np

from voidmap.model import Region
from voidmap.surface.mosaic import Bools
from voidmap.surface.odd import disc

# A void's wall is seen this far outside of its rim by a camera that stands to the side.
WALL_MM = 1.0
# A flat thing of which less than this is left beside its voids is their rim, and no thing of its own.
LEAST_LEFT = 1.0 / 3.0


def without_holes(regions: Sequence[Region], mm_per_px: float) -> list[Region]:
    """Return the regions, each flat one without the voids in its mask; one that is nearly all void is left out.

    The depth of what is left then tells whether the knot around a hole is itself loose; with the hole in it, it would
    be taken for a void that counts twice.
    """
    voids = [_grown(region, mm_per_px) for region in regions if region.kind.is_void]
    kept = []
    for region in regions:
        left = region.mask if region.kind.is_void else _cleared(region, voids)
        if left.sum() >= LEAST_LEFT * region.mask.sum():
            kept.append(replace(region, mask=left))
    return kept


def _grown(region: Region, mm_per_px: float) -> tuple[Bools, tuple[int, int]]:
    """Return a region's mask with its walls, and the (column, row) of its first pixel."""
    reach = max(1, round(WALL_MM / mm_per_px))
    mask = cv2.dilate(np.pad(region.mask, reach).astype(np.uint8), disc(2 * reach + 1))
    return np.asarray(mask).astype(bool), (region.corner[0] - reach, region.corner[1] - reach)


def _cleared(region: Region, voids: Sequence[tuple[Bools, tuple[int, int]]]) -> Bools:
    left = region.mask.copy()
    for mask, corner in voids:
        x, y = corner[0] - region.corner[0], corner[1] - region.corner[1]
        top, start = max(0, y), max(0, x)
        bottom, end = min(left.shape[0], y + mask.shape[0]), min(left.shape[1], x + mask.shape[1])
        if bottom > top and end > start:
            left[top:bottom, start:end] &= ~mask[top - y : bottom - y, start - x : end - x]
    return left
