"""See the slab's top square-on: one resampling from photo to slab frame."""

from __future__ import annotations

import cv2
import numpy as np

from voidmap.errors import ScaleError
from voidmap.model import Floats, Ortho, Photo, Plane

GRID_PX = 16
"""Step of the coarse map; between its nodes the map is interpolated (error below 0.005 px)."""
STRIP_ROWS = 256
"""Rows resampled at a time, whole cells of the coarse map, so that the full map is never held."""
MOST_PIXELS = 120e6
FARTHEST_SCALE = 3.0
"""Ground seen at more than this many times the finest mm per px is left out: it is the far end of a tilted
view, where a pixel no longer shows anything of use."""


def rectify(
    photo: Photo,
    plane: Plane,
    *,
    mm_per_px: float | None = None,
    bounds_mm: tuple[float, float, float, float] | None = None,
) -> Ortho:
    """Resample a photo into the slab frame.

    Parameters
    ----------
    photo, plane
        The photo and the plane of the slab's top in it.
    mm_per_px
        Pixel size; the photo's own at the middle of the bounds when not given.
    bounds_mm
        (x0, y0, x1, y1) slab mm; the photo's footprint when not given.

    Returns
    -------
    Ortho
        The first pixel is centred at (x0, y0).

    Raises
    ------
    ScaleError
        When the picture would be too large to hold.
    """
    bounds = footprint_mm(plane) if bounds_mm is None else bounds_mm
    x0, y0, x1, y1 = bounds
    if mm_per_px is None:
        middle = _nearest_inside(plane, np.array([(x0 + x1) / 2, (y0 + y1) / 2]))
        mm_per_px = float(plane.mm_per_px_at(middle[None])[0])
    width = max(1, int(np.floor((x1 - x0) / mm_per_px)) + 1)
    height = max(1, int(np.floor((y1 - y0) / mm_per_px)) + 1)
    if width * height > MOST_PIXELS:
        raise ScaleError(
            f"a square-on picture of {width} x {height} pixels is too large",
            "photograph more nearly from straight above, or give a coarser scale",
        )
    pixels, valid = _resample(photo, plane, x0, y0, mm_per_px, width, height)
    return Ortho(pixels, valid, float(x0), float(y0), float(mm_per_px))


def footprint_mm(plane: Plane) -> tuple[float, float, float, float]:
    """Return the bounds (x0, y0, x1, y1) mm of the ground that a photo shows, without its far, coarse end."""
    width, height = plane.size_px
    columns, rows = np.meshgrid(np.linspace(0, width - 1, 33), np.linspace(0, height - 1, 25))
    image = np.column_stack([columns.ravel(), rows.ravel()])
    in_front = _in_front(plane, image)
    ground = plane.to_mm(image[in_front])
    scale = plane.mm_per_px_at(ground)
    near = ground[np.isfinite(scale) & (scale <= FARTHEST_SCALE * np.nanmin(scale))]
    (x0, y0), (x1, y1) = near.min(axis=0), near.max(axis=0)
    return float(x0), float(y0), float(x1), float(y1)


def _in_front(plane: Plane, image_px: Floats) -> np.ndarray:
    """Whether the ray of each photo point meets the plane in front of the camera."""
    lens = plane.lens
    rays = np.column_stack(
        [(image_px[:, 0] - lens.cx) / lens.fx, (image_px[:, 1] - lens.cy) / lens.fy, np.ones(len(image_px))]
    )
    normal = plane.rotation[:, 2]
    return np.asarray((rays @ normal) * (plane.translation_mm @ normal) > 0)


def _nearest_inside(plane: Plane, point_mm: Floats) -> Floats:
    image = plane.to_px(point_mm[None])[0]
    inside = np.clip(image, 0, np.array(plane.size_px) - 1)
    return np.asarray(plane.to_mm(inside[None])[0], dtype=np.float64)


def _resample(
    photo: Photo, plane: Plane, x0: float, y0: float, mm_per_px: float, width: int, height: int
) -> tuple[np.ndarray, np.ndarray]:
    pixels = np.zeros((height, width, 3), np.uint8)
    valid = np.zeros((height, width), np.bool_)
    coarse = coarse_map(plane, x0, y0, mm_per_px, width, height)
    last_x, last_y = float(photo.width_px - 1), float(photo.height_px - 1)
    for top in range(0, height, STRIP_ROWS):
        rows = min(STRIP_ROWS, height - top)
        nodes = coarse[top // GRID_PX : (top + rows - 1) // GRID_PX + 2]
        first, end = _cells_seen(nodes, last_x, last_y)
        left, right = first * GRID_PX, min(width, end * GRID_PX)
        if left >= right:
            continue
        at_x, at_y = fine_map(nodes[:, first : end + 1], 0, rows, right - left)
        strip = cv2.remap(photo.pixels, at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        inside = cv2.min(cv2.inRange(at_x, 0.0, last_x), cv2.inRange(at_y, 0.0, last_y))
        cv2.copyTo(strip, inside, dst=pixels[top : top + rows, left:right])
        np.not_equal(inside, 0, out=valid[top : top + rows, left:right])
    return pixels, valid


def _cells_seen(nodes: np.ndarray, last_x: float, last_y: float) -> tuple[int, int]:
    """First cell, and the one after the last, between the columns of a strip's nodes that may show the photo.

    ``nodes`` (rows, columns, 2) are photo px. A cell's map lies between those of the nodes around it.
    """
    low, high = nodes.min(axis=0), nodes.max(axis=0)
    low, high = np.minimum(low[:-1], low[1:]), np.maximum(high[:-1], high[1:])
    # A pixel more, for what interpolation rounds.
    seen = np.flatnonzero(((low <= [last_x + 1, last_y + 1]) & (high >= -1)).all(axis=1))
    return (int(seen[0]), int(seen[-1]) + 1) if len(seen) else (0, 0)


def coarse_map(plane: Plane, x0: float, y0: float, mm_per_px: float, width: int, height: int) -> np.ndarray:
    """Photo px of every 16th pixel of a square-on picture, (rows, columns, 2) float32."""
    columns = np.arange(0, width + GRID_PX, GRID_PX)
    rows = np.arange(0, height + GRID_PX, GRID_PX)
    x, y = np.meshgrid(x0 + columns * mm_per_px, y0 + rows * mm_per_px)
    image = plane.to_px(np.column_stack([x.ravel(), y.ravel()]))
    return image.reshape(len(rows), len(columns), 2).astype(np.float32)


def fine_map(coarse: np.ndarray, top: int, rows: int, width: int) -> tuple[np.ndarray, np.ndarray]:
    """Interpolate a coarse map over rows ``top`` to ``top + rows``: x and y, (rows, width) float32."""
    first = top // GRID_PX
    last = (top + rows - 1) // GRID_PX + 2
    part = coarse[first:last]
    tall = (part.shape[0] - 1) * GRID_PX
    wide = (part.shape[1] - 1) * GRID_PX
    # A warp with whole-node steps puts node (i, j) exactly at pixel (16 i, 16 j).
    step = np.array([[1 / GRID_PX, 0, 0], [0, 1 / GRID_PX, 0]])
    fine = [
        cv2.warpAffine(
            np.ascontiguousarray(part[:, :, axis]),
            step,
            (wide, tall),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
        for axis in (0, 1)
    ]
    cut = slice(top - first * GRID_PX, top - first * GRID_PX + rows)
    return np.ascontiguousarray(fine[0][cut, :width]), np.ascontiguousarray(fine[1][cut, :width])
