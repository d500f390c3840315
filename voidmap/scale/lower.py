"""A board on the bench beside a slab that leaves the photo: told by parallax, from two photos or more.

Two photos laid square-on in the boards' plane agree where things lie in it. A slab beside the board stands above that
plane: there they agree once both are laid out as high as its top is.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats, Ortho, Photo, Plane
from voidmap.scale.bench import LEAST_PAPERS

MM_PER_PX = 4.0
"""Knots, bark and figure are told at this scale, and little is left to compute."""
HEIGHTS_MM = np.arange(12.0, 85.0, 6.0)
"""Thicknesses of slabs; between two of them a thing moves by a millimetre or two from photo to photo, half a pixel."""
WINDOW_PX = 15
"""Side of the square in which photos are compared: 60 mm, a few figures of grain."""
ALIKE, MORE_ALIKE = 0.6, 0.3
"""Correlation of photos that show the same thing; and by how much it is higher than in the boards' plane."""
PAPER_MM2 = 297.0 * 210.0
"""An A4 sheet."""
COARSE_PX = 16
"""Places in the photos are reckoned for every sixteenth pixel of the map, and in between by straight lines."""


def above_boards_mm(ortho: Ortho, photos: Sequence[Photo], planes: Sequence[Plane]) -> float | None:
    """Return how high a large piece stands above the boards' plane, mm, or None when none is seen to.

    Parameters
    ----------
    ortho
        The first photo laid square-on, for what it covers.
    photos, planes
        Two or more of one scene.
    """
    first = planes[0]
    # The farther apart, the more a height shows.
    other = max(range(1, len(planes)), key=lambda i: float(np.linalg.norm(planes[i].camera_mm - first.camera_mm)))
    size = (
        int(ortho.pixels.shape[1] * ortho.mm_per_px / MM_PER_PX),
        int(ortho.pixels.shape[0] * ortho.mm_per_px / MM_PER_PX),
    )
    views = [(_small(photos[i], planes[i]), planes[i]) for i in (0, other)]
    flat = _alike(views, ortho, size, 0.0)
    raised = np.stack([_alike(views, ortho, size, height) for height in HEIGHTS_MM])
    best = raised.argmax(axis=0)
    seen = (raised.max(axis=0) > ALIKE) & (raised.max(axis=0) > flat + MORE_ALIKE)
    least_px = LEAST_PAPERS * PAPER_MM2 / MM_PER_PX**2
    found = [(int(np.sum(seen & (np.abs(best - k) <= 1))), float(h)) for k, h in enumerate(HEIGHTS_MM)]
    area, height = max(found)
    return height if area > least_px else None


def _small(photo: Photo, plane: Plane) -> tuple[NDArray[np.float32], float]:
    """Return the grey photo shrunk to about the map's pixels, and by how much."""
    scale = float(np.median(plane.mm_per_px_at(np.concatenate(plane.patterns_mm)))) / MM_PER_PX
    grey = cv2.cvtColor(photo.pixels, cv2.COLOR_BGR2GRAY)
    return cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA).astype(np.float32), scale


def _alike(
    views: Sequence[tuple[tuple[NDArray[np.float32], float], Plane]], ortho: Ortho, size: tuple[int, int], up_mm: float
) -> Floats:
    """Return the local correlation (H, W) of two photos laid out at a height over the boards' plane; -1 unseen."""
    one, two = (_laid(small, scale, plane, ortho, size, up_mm) for (small, scale), plane in views)
    seen = (one > 0) & (two > 0)

    def mean(values: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.asarray(cv2.boxFilter(values, -1, (WINDOW_PX, WINDOW_PX)), dtype=np.float32)

    m1, m2 = mean(one), mean(two)
    cross = mean(one * two) - m1 * m2
    spread = (mean(one * one) - m1 * m1) * (mean(two * two) - m2 * m2)
    alike = cross / np.sqrt(np.maximum(spread, 1.0))
    whole = cv2.erode(seen.astype(np.uint8), np.ones((WINDOW_PX, WINDOW_PX), np.uint8))
    return np.where(whole > 0, alike, -1.0)


def _laid(
    small: NDArray[np.float32], scale: float, plane: Plane, ortho: Ortho, size: tuple[int, int], up_mm: float
) -> NDArray[np.float32]:
    """Lay a shrunk photo out square-on at a height, (H, W); 0 where it shows nothing."""
    columns, rows = (np.arange(0, n + COARSE_PX, COARSE_PX) for n in size)
    x, y = np.meshgrid((columns + 0.5) * MM_PER_PX + ortho.x0_mm, (rows + 0.5) * MM_PER_PX + ortho.y0_mm)
    places = (plane.to_px(np.column_stack([x.ravel(), y.ravel()]), depth_mm=-up_mm) + 0.5) * scale - 0.5
    coarse = places.reshape(len(rows), len(columns), 2).astype(np.float32)
    step = np.meshgrid(*(np.arange(n, dtype=np.float32) / COARSE_PX for n in size))
    maps = cv2.remap(coarse, step[0], step[1], cv2.INTER_LINEAR)
    return np.asarray(cv2.remap(small, maps, None, cv2.INTER_LINEAR), dtype=np.float32)
