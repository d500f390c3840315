"""Dark lines: how strongly each pixel lies on one, against what this slab's rings and pores do nearby.

The larger eigenvalue of the Hessian is great across a dark line and the smaller one small along it
(C. Steger, 1998; Y. Sato and others, 1998). It is taken at one fixed blur on a pyramid, so that lines of 1
to about 16 pixels are met at the cost of one and a third pictures, and in strips, so that the working set
stays in the cache.
"""

from __future__ import annotations

import cv2
import numpy as np

from voidmap.surface.light import Evened
from voidmap.surface.mosaic import Bools, Floats32

# Blur (1 sigma, px) before the second differences, at each level of the pyramid.
RIDGE_BLUR_PX = 1.0
PYRAMID_LEVELS = 3
# Rows handled at once, and the rows around them that the filters reach.
STRIP_ROWS, HALO_ROWS = 192, 8
# Rings and pores are judged within this reach (1 sigma).
NEIGHBOUR_MM = 8.0
# The local level is at least this share of the slab's own: a very calm place does not make a line.
LEAST_LOCAL_SHARE = 0.7
# The strongest pixels (cracks themselves) do not count for the level: this quantile caps them.
CAP_QUANTILE = 0.99
# A slab calmer than this (log units a pixel²) has no figure, only noise of 8 bits.
LEAST_LEVEL = 0.003
# Lines this near the border of what is seen belong to the border.
BORDER_PX = 4


def curvatures(picture: Floats32) -> tuple[Floats32, Floats32]:
    """Return the larger and the smaller eigenvalue of the Hessian of a picture (H, W), after the blur."""
    larger, smaller = np.empty_like(picture), np.empty_like(picture)
    rows = picture.shape[0]
    second = np.array([[1, -2, 1]], np.float32)
    cross = np.array([[0.25, 0, -0.25], [0, 0, 0], [-0.25, 0, 0.25]], np.float32)
    for top in range(0, rows, STRIP_ROWS):
        end = min(rows, top + STRIP_ROWS)
        low, high = max(0, top - HALO_ROWS), min(rows, end + HALO_ROWS)
        soft = cv2.GaussianBlur(picture[low:high], (0, 0), RIDGE_BLUR_PX)
        xx, yy = cv2.filter2D(soft, -1, second), cv2.filter2D(soft, -1, second.T)
        xy = cv2.filter2D(soft, -1, cross)
        half = cv2.addWeighted(xx, 0.5, yy, -0.5, 0)
        spread = cv2.magnitude(half, xy)
        mean = cv2.addWeighted(xx, 0.5, yy, 0.5, 0)
        keep = slice(top - low, end - low)
        larger[top:end] = cv2.add(mean, spread)[keep]
        smaller[top:end] = cv2.subtract(mean, spread)[keep]
    return larger, smaller


def strengths(picture: Floats32) -> tuple[Floats32, Floats32]:
    """Return how strongly each pixel of a picture is a dark line, and a dark dot.

    Both are taken at the best level of the pyramid. On a line the larger curvature stands alone; in a dot the
    smaller one is as great, so the smaller one measures the dot.
    """
    line, dot = np.zeros_like(picture), np.zeros_like(picture)
    for level in range(PYRAMID_LEVELS):
        if level:
            picture = np.asarray(cv2.pyrDown(picture), dtype=np.float32)
        larger, smaller = curvatures(picture)
        ridge = cv2.max(cv2.subtract(larger, cv2.absdiff(smaller, np.zeros(1))), 0.0)
        blob = cv2.max(smaller, 0.0)
        for best, response in ((line, ridge), (dot, blob)):
            if level:
                response = cv2.resize(response, line.shape[::-1], interpolation=cv2.INTER_LINEAR)
            cv2.max(best, response, dst=best)
    return line, dot


def against_neighbours(strength: Floats32, seen: Bools, mm_per_px: float) -> Floats32:
    """Divide a response by its own local root mean square, the strongest pixels capped."""
    shrink = 4
    sample = strength[::shrink, ::shrink][seen[::shrink, ::shrink]]
    if not len(sample):
        return np.zeros_like(strength)
    cap = float(np.quantile(sample, CAP_QUANTILE))
    square = np.square(np.minimum(strength, np.float32(cap))) * seen
    size = (max(1, seen.shape[1] // shrink), max(1, seen.shape[0] // shrink))
    small = cv2.resize(square, size, interpolation=cv2.INTER_AREA)
    weight = cv2.resize(seen.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    sigma = NEIGHBOUR_MM / (mm_per_px * shrink)
    total = np.maximum(cv2.GaussianBlur(weight, (0, 0), sigma), 0.05)
    local = np.sqrt(cv2.GaussianBlur(small, (0, 0), sigma) / total)
    whole = float(np.sqrt(small.sum() / max(float(weight.sum()), 1.0)))
    level = np.maximum(local, max(LEAST_LOCAL_SHARE * whole, LEAST_LEVEL)).astype(np.float32)
    level = cv2.resize(level, (seen.shape[1], seen.shape[0]), interpolation=cv2.INTER_LINEAR)
    return np.asarray(strength / level, dtype=np.float32)


def line_and_dot_scores(evened: Evened) -> tuple[Floats32, Floats32]:
    """Return how many times stronger than the figure nearby each pixel is as a line and as a dot, (H, W)."""
    picture = np.where(evened.seen, evened.dark, np.float32(0))
    size = 2 * BORDER_PX + 1
    inner = cv2.erode(evened.seen.astype(np.uint8), np.ones((size, size), np.uint8)).astype(bool)
    scores = []
    for strength in strengths(picture):
        strength[~inner] = 0.0
        scores.append(against_neighbours(strength, inner, evened.mm_per_px))
    return scores[0], scores[1]
