"""One square-on picture of a long top from overlapping photos, without doubles."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats, Ortho, Photo, Plane
from voidmap.scale.rectify import GRID_PX, footprint_mm, rectify

SAME_PLACE = 0.5
"""Photos of one place share most of their ground; stations along a top share a third or so."""
LIGHT_CELLS = 4.0
"""Blur of the shared light, in cells of 16 px: slower than wood's figure, faster than vignetting."""
GAIN_LIMIT = 1.5
"""Exposures of one top differ by less than this; a larger ratio is not exposure."""


def is_long_top(planes: Sequence[Plane]) -> bool:
    """Whether the photos march along a top, rather than look at one place from several."""
    if len(planes) < 2:
        return False
    first = ground_quad_mm(planes[0])
    return any(_shared(first, ground_quad_mm(plane)) < SAME_PLACE for plane in planes[1:])


def ground_quad_mm(plane: Plane) -> Floats:
    """Return the corners (4, 2) mm of the ground that a photo shows, clipped to its useful part."""
    x0, y0, x1, y1 = footprint_mm(plane)
    width, height = plane.size_px
    corners = plane.to_mm([[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]])
    return np.asarray(np.clip(corners, [x0, y0], [x1, y1]), dtype=np.float64)


def _shared(a: Floats, b: Floats) -> float:
    area, _ = cv2.intersectConvexConvex(a.astype(np.float32), b.astype(np.float32))
    smaller = min(cv2.contourArea(a.astype(np.float32)), cv2.contourArea(b.astype(np.float32)))
    return float(area / max(smaller, 1e-9))


def mosaic(
    photos: Sequence[Photo],
    planes: Sequence[Plane],
    *,
    mm_per_px: float | None = None,
    bounds_mm: tuple[float, float, float, float] | None = None,
) -> Ortho:
    """Put photos of one long top together into one square-on picture.

    Every place is shown by the one photo that sees it best (finest, and farthest from the photo's border), so
    that nothing is doubled; the light is evened over the overlaps.

    Parameters
    ----------
    photos, planes
        Solved together, in one slab frame.
    mm_per_px
        Pixel size; the median of the photos' own when not given.
    bounds_mm
        (x0, y0, x1, y1) slab mm; all that the photos show when not given.
    """
    feet = np.array([footprint_mm(plane) for plane in planes])
    if mm_per_px is None:
        middles = [plane.to_mm([np.array(plane.size_px) / 2]) for plane in planes]
        mm_per_px = float(np.median([p.mm_per_px_at(m)[0] for p, m in zip(planes, middles, strict=True)]))
    x0, y0, x1, y1 = bounds_mm or (*feet[:, :2].min(axis=0), *feet[:, 2:].max(axis=0))
    # Whole nodes of the coarse grid, so that every photo's part falls on the same pixels.
    node = GRID_PX * mm_per_px
    columns, rows = int((x1 - x0) / node) + 1, int((y1 - y0) / node) + 1
    best, weights = _best_photo(planes, x0, y0, node, rows, columns)
    gains = _gain_maps(photos, planes, weights, x0, y0, node)
    pixels = np.zeros((rows * GRID_PX, columns * GRID_PX, 3), np.uint8)
    valid = np.zeros(pixels.shape[:2], np.bool_)
    for i, (photo, plane) in enumerate(zip(photos, planes, strict=True)):
        part = _part(photo, plane, best == i, x0, y0, mm_per_px)
        if part is None:
            continue
        ortho, top, left = part
        high, wide = ortho.pixels.shape[:2]
        cells = (slice(top // GRID_PX, (top + high) // GRID_PX), slice(left // GRID_PX, (left + wide) // GRID_PX))
        window = (slice(top, top + high), slice(left, left + wide))
        own = np.repeat(np.repeat(best[cells] == i, GRID_PX, axis=0), GRID_PX, axis=1) & ortho.valid
        gain = cv2.resize(gains[i][cells], (wide, high), interpolation=cv2.INTER_LINEAR)
        lit = np.clip(ortho.pixels * gain + 0.5, 0, 255).astype(np.uint8)
        pixels[window][own] = lit[own]
        valid[window] |= own
    return Ortho(pixels, valid, float(x0), float(y0), mm_per_px)


def _part(
    photo: Photo, plane: Plane, mine: NDArray[np.bool_], x0: float, y0: float, mm_per_px: float
) -> tuple[Ortho, int, int] | None:
    """Rectify the box of nodes that a photo owns: the picture with its first row and column."""
    rows, columns = np.nonzero(mine)
    if len(rows) == 0:
        return None
    top, left = int(rows.min()) * GRID_PX, int(columns.min()) * GRID_PX
    high, wide = (int(rows.max()) + 1) * GRID_PX - top, (int(columns.max()) + 1) * GRID_PX - left
    start_x, start_y = x0 + left * mm_per_px, y0 + top * mm_per_px
    # Half a pixel less than whole keeps rounding from adding a row.
    bounds = (start_x, start_y, start_x + (wide - 0.5) * mm_per_px, start_y + (high - 0.5) * mm_per_px)
    return rectify(photo, plane, mm_per_px=mm_per_px, bounds_mm=bounds), top, left


def _nodes_mm(x0: float, y0: float, node: float, rows: int, columns: int) -> Floats:
    x, y = np.meshgrid(x0 + (np.arange(columns) + 0.5) * node, y0 + (np.arange(rows) + 0.5) * node)
    return np.column_stack([x.ravel(), y.ravel()])


def _best_photo(
    planes: Sequence[Plane], x0: float, y0: float, node: float, rows: int, columns: int
) -> tuple[NDArray[np.int64], Floats]:
    """Which photo shows each cell best, (rows, columns), -1 where none does; and weights (P, rows, columns)."""
    nodes = _nodes_mm(x0, y0, node, rows, columns)
    scores = np.full((len(planes), len(nodes)), -np.inf)
    weights = np.zeros((len(planes), len(nodes)))
    for i, plane in enumerate(planes):
        image = plane.to_px(nodes)
        size = np.array(plane.size_px)
        room = np.minimum(image, size - 1 - image).min(axis=1)
        inside = room > 0
        # Square-on views hide less of a void's floor: the share of the border distance counts as sharpness.
        score = room[inside] / size.min() - np.log(plane.mm_per_px_at(nodes[inside]))
        # A cell that the border cuts is taken only when no other photo shows it.
        scores[i, inside] = score - 1e3 * (room[inside] < 2 * GRID_PX)
        weights[i, inside] = (room[inside] / size.min()) ** 2
    best = np.where(np.isfinite(scores.max(axis=0)), scores.argmax(axis=0), -1)
    return best.reshape(rows, columns), weights.reshape(len(planes), rows, columns)


def _gain_maps(
    photos: Sequence[Photo], planes: Sequence[Plane], weights: Floats, x0: float, y0: float, node: float
) -> NDArray[np.float32]:
    """Gain of each photo at each cell, (P, rows, columns, 3): its light becomes the weighted mean of all.

    Only the light's slow part is shared; the detail of a place comes from one photo alone.
    """
    count, rows, columns = weights.shape
    nodes = _nodes_mm(x0, y0, node, rows, columns)
    light = np.zeros((count, rows, columns, 3), np.float32)
    for i, (photo, plane) in enumerate(zip(photos, planes, strict=True)):
        shrunk = cv2.resize(photo.pixels, None, fx=1 / 8, fy=1 / 8, interpolation=cv2.INTER_AREA)
        at = np.round((plane.to_px(nodes) - 3.5) / 8).astype(int)
        at = np.clip(at, 0, np.array(shrunk.shape[1::-1]) - 1)
        seen = (weights[i] > 0).astype(np.float32)
        patch = shrunk[at[:, 1], at[:, 0]].reshape(rows, columns, 3) * seen[:, :, None]
        share = np.maximum(cv2.GaussianBlur(seen, (0, 0), LIGHT_CELLS), 1e-3)
        light[i] = np.maximum(cv2.GaussianBlur(patch, (0, 0), LIGHT_CELLS) / share[:, :, None], 1.0)
    weight = weights[..., None].astype(np.float32)
    mean = (light * weight).sum(axis=0) / np.maximum(weight.sum(axis=0), 1e-12)
    gains = np.where(weight > 0, mean / light, 1.0)
    return np.clip(gains, 1 / GAIN_LIMIT, GAIN_LIMIT).astype(np.float32)
