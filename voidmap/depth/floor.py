"""A void's floor from a few rays of light that meet it: the mean depth, with the doubt of the shape.

The floor is taken to fall from the rim as depth = D (1 - (1 - s)^p), s the distance from the rim over the greatest
such distance: p = 1 is a cone, 2 a bowl, 8 a pan with steep walls. Every pair (D, p) says where the rays would meet
the floor; the pairs that say what was seen are kept, each with its weight. Where the rays end on a steep far wall
many depths say the same, and the doubt grows by itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats

POWERS = (1.0, 1.6, 2.5, 4.0, 8.0)
DEPTH_STEPS = 48
SHALLOWEST_MM = 0.3
CELLS = 160
"""Cells along the longer side of the raster that distances from the rim are worked out on."""
ROUGH_LOG, BUMP_LOG = 0.35, 0.7
"""How far a rough floor's depth is from the smooth one's at a place (log, 1 s.d.; bark's own ridges): below it, and
above. A ray ends at the first bump that it meets, so that most ends lie above the smooth floor: with one spread for
both simulated voids read a fifth too shallow."""
SHAPE_LOG = 0.4
"""What a floor of another shape than all of these adds (log, 1 s.d.; an estimate, checked on simulated voids)."""
ALIKE = 20.0
"""Rays of one void say no more than so many that know nothing of each other: neighbours meet the same ridge."""


@dataclass(frozen=True)
class FloorFit:
    """Mean and standard deviation of the log of a void's mean and greatest depth, mm."""

    mean_log: float
    mean_sd: float
    greatest_log: float


def fit_floor(
    outline_mm: Floats,
    rim_mm: Floats,
    way: Floats,
    tangent: Floats,
    depth_mm: Floats,
    *,
    deepest_mm: float,
    beyond: NDArray[np.bool_] | None = None,
) -> FloorFit:
    """Fit the floor to where rays from the rim meet it.

    Parameters
    ----------
    outline_mm
        (N, 2) the void's outline.
    rim_mm, way, tangent
        (K, 2), (K, 2), (K,): where each ray enters, the unit level way to the lamp, its slope.
    depth_mm
        (K,) how deep each ray met the floor.
    deepest_mm
        No floor is deeper (the slab's thickness).
    beyond
        (K,) rays that did not meet the floor before the far wall: ``depth_mm`` is how deep they are there.
    """
    low = outline_mm.min(axis=0)
    span = np.ptp(outline_mm, axis=0)
    cell = float(span.max()) / CELLS
    size = np.ceil(span / cell).astype(int) + 5
    mask = np.zeros((int(size[1]), int(size[0])), np.uint8)
    cv2.fillPoly(mask, [np.round(((outline_mm - low) / cell + 2) * 16).astype(np.int32)], 1, shift=4)
    rim = cv2.distanceTransform(mask, cv2.DIST_L2, 5)
    share = rim / max(float(rim.max()), 1e-6)
    far = float(np.hypot(*span)) + 2 * cell
    level = np.arange(0.5 * cell, far, cell)
    ground = rim_mm[:, None, :] - level[None, :, None] * way[:, None, :]
    at = ((ground - low) / cell + 2).astype(np.float32)
    s = cv2.remap(share, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    ray = level[None, :] * tangent[:, None]
    depths = np.geomspace(SHALLOWEST_MM, max(deepest_mm, 2 * SHALLOWEST_MM), DEPTH_STEPS)
    inner = share[mask > 0]
    mean, greatest, cost = [], [], []
    seen = np.log(np.maximum(depth_mm, 1e-3))
    count = min(ALIKE, float(len(seen)))
    for power in POWERS:
        fall = 1 - (1 - s) ** power
        ratio = float(np.mean(1 - (1 - inner) ** power))
        for depth in depths:
            # The first place, beyond the rim's own wall, where the floor is above the ray.
            met = depth * fall <= ray
            met &= np.maximum.accumulate(~met, axis=1)
            none = ~met.any(axis=1)
            k = np.where(none, len(level) - 1, met.argmax(axis=1))
            z = np.maximum(ray[np.arange(len(ray)), k], 1e-3)
            # A floor that the ray never dips below casts no shadow there.
            z = np.where(none, cell * tangent, z)
            off = np.log(z) - seen
            rough = np.where(off > 0, BUMP_LOG, ROUGH_LOG)
            if beyond is not None:
                off = np.where(beyond, np.minimum(off, 0), off)
            cost.append(count * float(np.mean(np.minimum((off / rough) ** 2, 9.0))))
            mean.append(np.log(depth * ratio))
            greatest.append(np.log(depth))
    weight = np.exp(-(np.array(cost) - min(cost)) / 2)
    weight /= weight.sum()
    m, g = np.array(mean), np.array(greatest)
    middle = float(weight @ m)
    own = float(weight @ (m - middle) ** 2) ** 0.5
    return FloorFit(middle, float(np.hypot(own, SHAPE_LOG)), float(weight @ g))
