"""Measures of a closed outline in mm, for shapes that were drawn by hand."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from voidmap.model import Floats
from voidmap.records import Outline, Point

_RASTER_PX = 700
"""Longest side of the raster on which the widest place is looked for: 0.15 % of the shape's length."""
_LONG = 3.0
"""From this ratio of length to width on, a shape's length follows its bends."""


@dataclass(frozen=True)
class ShapeMeasures:
    """What an outline says of itself; ``middle_mm`` is the inner point farthest from the rim."""

    area_mm2: float
    rim_mm: float
    length_mm: float
    width_mean_mm: float
    width_max_mm: float
    middle_mm: Point


def area_mm2(outline_mm: ArrayLike) -> float:
    """Area inside a closed outline (N, 2) mm, by the shoelace rule."""
    x, y = np.asarray(outline_mm, dtype=np.float64).T
    return float(abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2)


def rim_mm(outline_mm: ArrayLike) -> float:
    """Length of a closed outline (N, 2) mm."""
    points = np.asarray(outline_mm, dtype=np.float64)
    return float(np.hypot(*(np.roll(points, -1, axis=0) - points).T).sum())


def measure(outline_mm: ArrayLike) -> ShapeMeasures:
    """Measure a closed outline (N, 2) mm.

    A long shape is taken as a band: its length and mean width are the sides of the rectangle of the same area
    and rim, so the length follows the bends. A compact one has its greatest extent as length.
    """
    points = np.asarray(outline_mm, dtype=np.float64)
    area, rim = area_mm2(points), rim_mm(points)
    middle, inscribed = middle_of(points)
    half = rim / 4
    spread = half * half - area
    band = half + math.sqrt(spread) if spread > 0 else 0.0
    extent = _extent(points)
    long = area > 0 and band * band / area > _LONG
    length = max(band, extent) if long else extent
    mean_width = area / length if length > 0 else 0.0
    return ShapeMeasures(area, rim, length, mean_width, max(2 * inscribed, mean_width), middle)


def middle_of(outline_mm: ArrayLike) -> tuple[Point, float]:
    """Return the inner point farthest from the rim, and that distance, mm."""
    import cv2

    points = np.asarray(outline_mm, dtype=np.float64)
    low, high = points.min(axis=0), points.max(axis=0)
    step = max(float((high - low).max()) / _RASTER_PX, 1e-6)
    size = np.ceil((high - low) / step).astype(int) + 5
    mask = np.zeros((int(size[1]), int(size[0])), np.uint8)
    fixed = np.round(((points - low) / step + 2) * 256).astype(np.int32)
    cv2.fillPoly(mask, [fixed.reshape(-1, 1, 2)], 1, shift=8)
    far = cv2.distanceTransform(mask, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    row, column = np.unravel_index(int(far.argmax()), far.shape)
    x, y = low + (np.array([column, row]) - 2) * step
    return (round(float(x), 3), round(float(y), 3)), float(distance_mm([(x, y)], points)[0])


def inside(points_mm: ArrayLike, outline_mm: ArrayLike) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Tell which of the points (N, 2) lie inside a closed outline, by the even-odd rule."""
    points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
    a = np.asarray(outline_mm, dtype=np.float64)
    b = np.roll(a, -1, axis=0)
    x, y = points[:, :1], points[:, 1:]
    spans = (a[:, 1] > y) != (b[:, 1] > y)
    rise = np.where(b[:, 1] == a[:, 1], 1.0, b[:, 1] - a[:, 1])
    crossing = a[:, 0] + (y - a[:, 1]) * (b[:, 0] - a[:, 0]) / rise
    return np.asarray((spans & (x < crossing)).sum(axis=1) % 2 == 1)


def distance_mm(points_mm: ArrayLike, outline_mm: ArrayLike) -> Floats:
    """Distance of points (N, 2) from a closed outline's line, mm, (N,)."""
    points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 1, 2)
    a = np.asarray(outline_mm, dtype=np.float64)[None]
    along = np.roll(a, -1, axis=1) - a
    square = np.maximum((along**2).sum(axis=2), 1e-12)
    share = np.clip(((points - a) * along).sum(axis=2) / square, 0, 1)
    gap = points - (a + share[..., None] * along)
    return np.asarray(np.sqrt((gap**2).sum(axis=2).min(axis=1)))


def resample(outline_mm: ArrayLike, step_mm: float) -> Floats:
    """Points along a closed outline, about ``step_mm`` apart, (M, 2)."""
    points = np.asarray(outline_mm, dtype=np.float64)
    closed = np.vstack([points, points[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    count = max(8, int(along[-1] / step_mm))
    at = np.linspace(0, along[-1], count, endpoint=False)
    return np.column_stack([np.interp(at, along, closed[:, 0]), np.interp(at, along, closed[:, 1])])


def thinned(outline_mm: Outline, tolerance_mm: float) -> Outline:
    """Leave out the points that lie within ``tolerance_mm`` of the line through the others."""
    import cv2

    points = np.asarray(outline_mm, dtype=np.float32).reshape(-1, 1, 2)
    kept = cv2.approxPolyDP(points, tolerance_mm, True).reshape(-1, 2)
    return tuple((round(float(x), 3), round(float(y), 3)) for x, y in kept)


def _extent(points: Floats) -> float:
    """Greatest distance between two points of an outline, mm."""
    import cv2

    hull = cv2.convexHull(points.astype(np.float32).reshape(-1, 1, 2)).reshape(-1, 2).astype(np.float64)
    return float(np.sqrt(((hull[:, None] - hull[None]) ** 2).sum(axis=2)).max())
