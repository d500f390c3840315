"""Shapes of voids: what part of the greatest depth the mean is, and how the floor falls away from the rim.

Used where depth is one number or a few. ``MEAN_OVER_MAX`` holds the mean depth over the greatest depth by
kind, each between two solids that bracket it (the ratios are exact solid geometry: cone 1/3, paraboloid 1/2,
half ellipsoid 2/3, cylinder 1, V-groove 1/2, rectangle 1); the spread is that of a uniform distribution
between the brackets, so that the ratio's own interval holds for any void between the two solids.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats
from voidmap.records import Kind, Outline, Point

_ROOT_12 = 12.0**0.5

BRACKETS: dict[Kind, tuple[float, float]] = {
    # A check tapers along its length (a straight taper 1/2, half an ellipse pi/4 of the greatest) and across (a V 1/2,
    # a slot 1): from a little more than the product of the least to that of the greatest.
    Kind.CRACK: (0.30, 0.75),
    # An open seam is a slot of even depth, or one that closes toward one end.
    Kind.SEAM_GAP: (0.50, 1.00),
    # A bark void is a dish: between a broad dish with one pit (below a cone's 1/3) and a half ellipsoid.
    Kind.BARK_VOID: (0.25, 0.67),
    # A knot narrows toward the pith: between a cone and a cylinder.
    Kind.KNOT_HOLE: (0.33, 1.00),
    # A beetle's hole is drilled: a cylinder with a round end.
    Kind.HOLE: (0.75, 1.00),
}

FLOOR_POWER = 2.0
"""The floor's section from rim to deepest place: depth grows as 1 - (1 - s)^2, a parabola (s: 0 rim, 1 middle)."""
RIM_SHARE = 0.35
"""No dot in this share of the area nearest to the rim: a slip of a mm changes the reading there."""
CELL_SHARE = 1 / 40
"""The raster that an outline is filled on has cells of this share of its largest extent."""


@dataclass(frozen=True, eq=False)
class Profile:
    """An outline filled with the floor that the shape model expects.

    ``points_mm`` (N, 2) are cells inside the outline; ``share`` (N,) is the expected depth there over the
    mean depth; ``rim_mm`` (N,) the distance to the outline.
    """

    points_mm: Floats
    share: Floats
    rim_mm: Floats


def mean_over_max(kind: Kind) -> tuple[float, float]:
    """Return the mean depth over the greatest depth of a kind, and its standard error (both as ratios)."""
    lo, hi = BRACKETS.get(kind, (0.38, 1.0))
    return (lo + hi) / 2, (hi - lo) / _ROOT_12


def profile(outline_mm: Outline | Floats) -> Profile:
    """Fill an outline with the floor that the shape model expects.

    Parameters
    ----------
    outline_mm
        (N, 2) points of the slab frame, at least three.

    Returns
    -------
    Profile
        At least one cell.
    """
    import cv2

    outline = np.asarray(outline_mm, dtype=np.float64).reshape(-1, 2)
    low, high = outline.min(axis=0), outline.max(axis=0)
    cell = max(float((high - low).max()) * CELL_SHARE, 1e-3)
    # Thin voids need cells well below their width.
    cell = min(cell, max(_thickness_mm(outline) / 4, 1e-3))
    size = np.ceil((high - low) / cell).astype(int) + 5
    size = np.minimum(size, 2000)
    shifted = (outline - low) / cell + 2
    mask = np.zeros((int(size[1]), int(size[0])), np.uint8)
    cv2.fillPoly(mask, [np.round(shifted * 16).astype(np.int32)], 1, shift=4)
    if not mask.any():
        middle = outline.mean(axis=0, keepdims=True)
        return Profile(middle, np.ones(1), np.full(1, cell / 2))
    rim = cv2.distanceTransform(mask, cv2.DIST_L2, 5)
    rows, columns = np.nonzero(mask)
    reach = rim[rows, columns].astype(np.float64)
    s = reach / reach.max()
    floor = 1.0 - (1.0 - s) ** FLOOR_POWER
    points = (np.column_stack([columns, rows]) - 2.0) * cell + low
    return Profile(points, floor / floor.mean(), reach * cell)


def _thickness_mm(outline: Floats) -> float:
    """Mean width of an outline: twice its area over its perimeter."""
    ahead = np.roll(outline, -1, axis=0)
    area = abs(float(np.sum(outline[:, 0] * ahead[:, 1] - ahead[:, 0] * outline[:, 1]))) / 2
    around = float(np.hypot(*(ahead - outline).T).sum())
    return 2 * area / around if around > 0 else 0.0


def strata_dots(shape: Profile, count: int) -> tuple[Point, ...]:
    """Choose dots that between them show a void's floor, away from the rim.

    The inner cells are cut into ``count`` strata of equal area by their distance to the rim; each dot sits in the
    middle of its stratum, as far from the others as it can. The deepest comes first.
    """
    order = np.argsort(shape.rim_mm, kind="stable")
    order = order[int(len(order) * RIM_SHARE) :]
    chosen: list[NDArray[np.float64]] = []
    for part in range(count - 1, -1, -1):
        stratum = order[len(order) * part // count : max(len(order) * (part + 1) // count, 1)]
        middle = float(np.median(shape.rim_mm[stratum]))
        near = stratum[np.argsort(np.abs(shape.rim_mm[stratum] - middle), kind="stable")]
        near = near[: max(1, len(near) // 5)]
        points = shape.points_mm[near]
        if chosen:
            apart = np.min([np.hypot(*(points - c).T) for c in chosen], axis=0)
            chosen.append(points[int(np.argmax(apart))])
        else:
            chosen.append(points[0])
    return tuple((round(float(p[0]), 2), round(float(p[1]), 2)) for p in chosen)
