"""Where the rims of fills run: long edges between colours.

Air leaves wood at the rims of voids, so that many pinholes come up there (common practice, no source); and there a
detector has the hardest ground to see them on. What a photo could show is therefore asked at rims too.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.coat.ground import Bytes, Floats32
from voidmap.coat.inspected import CLIPPED
from voidmap.coat.plant import LINEAR

LEAST_RUN_MM = 3.0
"""An edge runs at least so far: a pinhole's own outline bends away before."""
ABOUT_MM = 0.5
"""Pinholes lie about a rim, 1 sigma: the air comes out beside the edge as well as on it (our assumption)."""
TURNS = 8
"""Directions in which edges are followed: 22.5 degrees apart."""
CLIPPED_ABOUT_MM = 1.0
"""Round clipped glare no colour is told so far out: one channel clips before the others."""
LEAST_COLOUR = 0.1
"""A ground whose channels differ by less (share of the largest, light; woods by .3 to .7) is grey: its brightness tells
then."""
SOME = 16
"""Every so many cells tell what the ground is like: tens of thousands."""
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
    Colours are differences of two channels' light: a lamp mirrored in the film is about as bright in all three, adds
    to what the ground sends, and drops out.
    """
    on = seen > 0
    if not on.any():
        return np.zeros(seen.shape, np.float32)
    edge = _edges(small, on, px_per_mm / shrink)
    side = max(5, round(LEAST_RUN_MM * px_per_mm / shrink) | 1)
    rim = np.zeros_like(edge)
    for turn in range(TURNS):
        rim = np.maximum(rim, cv2.morphologyEx(edge, cv2.MORPH_OPEN, _line(side, np.pi * turn / TURNS)))
    over = np.where(on, np.maximum(rim - np.quantile(rim[on][::SOME], PLAIN_SHARE), 0), 0).astype(np.float32)
    about = cv2.GaussianBlur(over * over, (0, 0), max(ABOUT_MM * px_per_mm / shrink, 0.1))
    return np.asarray(np.where(on, about, 0), dtype=np.float32)


def _edges(small: Bytes, on: NDArray[np.bool_], cells_per_mm: float) -> Floats32:
    """Return how steeply the ground's colour changes, (h, w); a mirrored lamp's own edge is none."""
    # A middle of nine cells takes away what is as small as a pinhole.
    plain = cv2.split(cv2.medianBlur(small, 3))
    light = [cv2.LUT(channel, LINEAR) for channel in plain]
    least, most = (way(way(light[0], light[1]), light[2])[on][::SOME] for way in (cv2.min, cv2.max))
    if np.median(least / np.maximum(most, 1e-3)) > 1 - LEAST_COLOUR:
        return _steepest(plain)
    edge = _steepest([cv2.subtract(light[one], light[other]) for one, other in ((2, 1), (0, 1), (2, 0))])
    clipped = cv2.compare(cv2.max(cv2.max(plain[0], plain[1]), plain[2]), float(CLIPPED), cv2.CMP_GE)
    reach = max(1, round(CLIPPED_ABOUT_MM * cells_per_mm))
    edge[cv2.dilate(clipped, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)) > 0] = 0
    return edge


def _steepest(planes: Sequence[cv2.typing.MatLike]) -> Floats32:
    """Return the largest gradient of several planes (h, w)."""
    edge: cv2.typing.MatLike = np.zeros(planes[0].shape, np.float32)
    for plane in planes:
        across, down = (cv2.Sobel(plane, cv2.CV_32F, *way) for way in ((1, 0), (0, 1)))
        edge = cv2.max(edge, cv2.magnitude(across, down))
    return np.asarray(edge, dtype=np.float32)


def _line(side: int, angle_rad: float) -> Bytes:
    """Return a line through the middle of a square (side, side)."""
    middle = side // 2
    x, y = middle * np.cos(angle_rad), middle * np.sin(angle_rad)
    ends = ((round(middle - x), round(middle - y)), (round(middle + x), round(middle + y)))
    return np.asarray(cv2.line(np.zeros((side, side), np.uint8), *ends, 1), dtype=np.uint8)
