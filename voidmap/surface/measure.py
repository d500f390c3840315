"""Size and shape of a patch of the ortho picture, with intervals."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from voidmap.model import Floats, Ortho, Plane
from voidmap.records import Interval
from voidmap.surface.light import Bools

# Half-width of a 95 % interval in standard deviations.
Z95 = 1.96


@dataclass(frozen=True, eq=False)
class Shape:
    """Plain measures of a mask, in pixels of the ortho picture."""

    area_px: float
    length_px: float
    width_mean_px: float
    width_max_px: float
    perimeter_px: float


def outline_of(mask: Bools, corner: tuple[int, int]) -> Floats:
    """Return the outer outline (N, 2) of a mask in ortho px: marching squares at half a pixel's cover.

    The outline of the largest part is returned, open (the last point does not repeat the first one).
    """
    from skimage.measure import find_contours

    padded = np.pad(mask.astype(np.float32), 1)
    lines = find_contours(padded, 0.5, fully_connected="high")
    line = max(lines, key=lambda points: abs(polygon_area(points)))
    return np.asarray(line[:-1, ::-1] - 1.0 + np.array(corner, dtype=np.float64))


def polygon_area(points: Floats) -> float:
    """Signed area of a closed polygon (shoelace)."""
    x, y = points[:, 0], points[:, 1]
    return float(0.5 * (np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))))


def shape_of(mask: Bools) -> Shape:
    """Measure a mask: the length runs along its skeleton, the widths come from the distance to the rim."""
    from skimage.morphology import skeletonize

    padded = np.pad(mask, 1).astype(np.uint8)
    reach = cv2.distanceTransform(padded, cv2.DIST_L2, 5)
    bones = skeletonize(padded.astype(bool))
    area = float(mask.sum())
    widest = 2.0 * float(reach.max())
    length = path_length(bones) + min(widest, 2.0 * float(reach[bones].mean()))
    length = max(length, np.sqrt(area))
    ring = padded.astype(bool) & ~cv2.erode(padded, np.ones((3, 3), np.uint8)).astype(bool)
    return Shape(area, float(length), float(area / length), widest, float(ring.sum()) * 1.05)


def path_length(bones: Bools) -> float:
    """Length of the longest path through a skeleton, px."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import dijkstra

    rows, columns = np.nonzero(bones)
    count = len(rows)
    if count < 2:
        return 0.0
    number = np.full(bones.shape, -1)
    number[rows, columns] = np.arange(count)
    starts, ends, steps = [], [], []
    for down, right in ((0, 1), (1, 0), (1, 1), (1, -1)):
        near = np.full(count, -1)
        inside = (rows + down < bones.shape[0]) & (columns + right < bones.shape[1]) & (columns + right >= 0)
        near[inside] = number[rows[inside] + down, columns[inside] + right]
        linked = near >= 0
        starts.append(np.nonzero(linked)[0])
        ends.append(near[linked])
        steps.append(np.full(int(linked.sum()), np.hypot(down, right)))
    pairs = (np.concatenate(steps), (np.concatenate(starts), np.concatenate(ends)))
    graph = coo_matrix(pairs, shape=(count, count)).tocsr()
    first = dijkstra(graph, directed=False, indices=0)
    far = int(np.argmax(np.where(np.isfinite(first), first, -1.0)))
    reach = dijkstra(graph, directed=False, indices=far)
    return float(reach[np.isfinite(reach)].max())


def area_interval(area_mm2: float, rim_length_mm: float, rim_doubt_mm: float, scale_rel: float) -> Interval:
    """95 % interval of an area: the rim may lie in or out all along, and the scale may be off."""
    doubt = np.hypot(rim_length_mm * rim_doubt_mm, area_mm2 * scale_rel)
    share = float(np.exp(Z95 * doubt / max(area_mm2, 1e-9)))
    return Interval(area_mm2 / share, area_mm2 * share)


def area_scale_rel(plane: Plane | None, points_mm: Floats) -> Floats:
    """Relative 1-sigma of an area at slab points (N, 2), from the plane's draws, (N,)."""
    count = len(points_mm)
    if plane is None or count == 0 or len(plane.draws) < 2:
        return np.zeros(count)
    side = 5.0 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], dtype=np.float64)
    squares = (points_mm[:, None, :] + side[None]).reshape(-1, 2)
    pixels = plane.to_px(squares)
    areas = np.empty((len(plane.draws), count))
    for row in range(len(plane.draws)):
        places = plane.drawn(row).to_mm(pixels).reshape(count, 4, 2)
        x, y = places[..., 0], places[..., 1]
        areas[row] = 0.5 * np.sum(x * np.roll(y, -1, 1) - y * np.roll(x, -1, 1), axis=1)
    return np.asarray(areas.std(axis=0) / np.abs(areas.mean(axis=0)))


def edge_contact_mm(
    mask: Bools, corner: tuple[int, int], slab_outline_mm: Floats, ortho: Ortho, tolerance_mm: float
) -> float:
    """Length of the slab's outline that lies within ``tolerance_mm`` of a mask."""
    step = 0.25
    closed = np.vstack([slab_outline_mm, slab_outline_mm[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    places = np.arange(0.0, along[-1], step)
    points = np.column_stack([np.interp(places, along, closed[:, k]) for k in (0, 1)])
    reach = max(1, round(tolerance_mm / ortho.mm_per_px))
    padded = np.pad(mask, reach + 1).astype(np.uint8)
    size = (2 * reach + 1, 2 * reach + 1)
    grown = cv2.dilate(padded, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, size))
    local = np.round(ortho.to_px(points) - np.array(corner) + reach + 1).astype(int)
    inside = ((local >= 0) & (local < np.array(grown.shape[::-1]))).all(axis=1)
    touched = grown[local[inside, 1], local[inside, 0]] > 0
    return float(touched.sum() * step)
