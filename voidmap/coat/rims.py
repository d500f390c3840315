"""Where the rims of fills run: long edges between colours.

Air leaves wood at the rims of voids, so that many pinholes come up there (common practice, no source); and there a
detector has the hardest ground to see them on. What a photo could show is therefore asked at rims too.
"""

from __future__ import annotations

import cv2
import numpy as np

from voidmap.coat.ground import Bytes, Floats32

LEAST_RUN_MM = 3.0
"""An edge runs at least so far: a pinhole's own outline bends away before."""
ABOUT_MM = 0.5
"""Pinholes lie about a rim, 1 sigma: the air comes out beside the edge as well as on it (our assumption)."""
TURNS = 8
"""Directions in which edges are followed: 22.5 degrees apart."""
PLAIN_SHARE = 0.8
"""This share of the surface counts as plain: growth rings and pores have edges too."""


def rim_strength(small: Bytes, px_per_mm: float, shrink: int, seen: Bytes) -> Floats32:
    """Return how likely each place is a fill's rim, (h, w) on a grid of ``shrink`` px, 0 on plain ground.

    Parameters
    ----------
    small
        The photo on that grid, (h, w, 3) uint8.
    px_per_mm
        Photo pixels in a millimetre of the surface.
    shrink
        Photo pixels to a cell of the grid, either way.
    seen
        (h, w) uint8, non-zero where the surface is seen.

    Notes
    -----
    The power of the gradient, of the colour in which it is the strongest, where it goes on along a line (a grey
    opening by lines), over what the plain part of the surface has, spread as pinholes are about a rim (``ABOUT_MM``).
    """
    edge = np.zeros(seen.shape, np.float32)
    # A middle of nine cells takes away what is as small as a pinhole.
    for channel in cv2.split(cv2.medianBlur(small, 3)):
        across, down = (cv2.Sobel(channel, cv2.CV_32F, *way) for way in ((1, 0), (0, 1)))
        edge = np.maximum(edge, cv2.magnitude(across, down))
    side = max(5, round(LEAST_RUN_MM * px_per_mm / shrink) | 1)
    rim = np.zeros_like(edge)
    for turn in range(TURNS):
        rim = np.maximum(rim, cv2.morphologyEx(edge, cv2.MORPH_OPEN, _line(side, np.pi * turn / TURNS)))
    on = seen > 0
    if not on.any():
        return np.zeros_like(rim)
    over = np.where(on, np.maximum(rim - np.quantile(rim[on], PLAIN_SHARE), 0), 0).astype(np.float32)
    about = cv2.GaussianBlur(over * over, (0, 0), max(ABOUT_MM * px_per_mm / shrink, 0.1))
    return np.asarray(np.where(on, about, 0), dtype=np.float32)


def _line(side: int, angle_rad: float) -> Bytes:
    """Return a line through the middle of a square (side, side)."""
    middle = side // 2
    x, y = middle * np.cos(angle_rad), middle * np.sin(angle_rad)
    ends = ((round(middle - x), round(middle - y)), (round(middle + x), round(middle + y)))
    return np.asarray(cv2.line(np.zeros((side, side), np.uint8), *ends, 1), dtype=np.uint8)
