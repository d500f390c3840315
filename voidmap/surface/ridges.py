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
from voidmap.surface.mosaic import Bools, Floats32, block_mean

# Blur (1 sigma, px) before the second differences, at each level of the pyramid.
RIDGE_BLUR_PX = 1.0
PYRAMID_LEVELS = 3
# Rows handled at once, and the pixels around them that the filters reach.
STRIP_ROWS, HALO_PX = 96, 8
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


def strengths(picture: Floats32) -> tuple[Floats32, Floats32]:
    """Return how strongly each pixel of a picture is a dark line, and a dark dot.

    Both are taken at the best level of the pyramid. On a line the larger curvature stands alone; in a dot the
    smaller one is as great, so the smaller one measures the dot.
    """
    line, dot = _responses(picture)
    for _ in range(1, PYRAMID_LEVELS):
        picture = np.asarray(cv2.pyrDown(picture), dtype=np.float32)
        for best, response in zip((line, dot), _responses(picture), strict=True):
            cv2.max(best, cv2.resize(response, line.shape[::-1], interpolation=cv2.INTER_LINEAR), dst=best)
    return line, dot


def _responses(picture: Floats32) -> tuple[Floats32, Floats32]:
    """Return the line and the dot response of one level (H, W), from the eigenvalues m + s and m - s."""
    line, dot = np.zeros_like(picture), np.zeros_like(picture)
    rows = picture.shape[0]
    for top in range(0, rows, STRIP_ROWS):
        end = min(rows, top + STRIP_ROWS)
        low, high = max(0, top - HALO_PX), min(rows, end + HALO_PX)
        drawn = np.flatnonzero(picture[low:high].any(axis=0))
        if not len(drawn):
            continue
        columns = slice(max(0, int(drawn[0]) - HALO_PX), int(drawn[-1]) + 1 + HALO_PX)
        soft = cv2.GaussianBlur(picture[low:high, columns], (0, 0), RIDGE_BLUR_PX)
        xx, yy = (cv2.Sobel(soft, -1, *order, ksize=1) for order in ((2, 0), (0, 2)))
        # OpenCV's mixed difference of two pixels each way is four times the derivative.
        xy = cv2.Sobel(soft, -1, 1, 1, ksize=1, scale=0.25)
        spread = cv2.magnitude(cv2.addWeighted(xx, 0.5, yy, -0.5, 0), xy)
        mean = cv2.addWeighted(xx, 0.5, yy, 0.5, 0)
        keep = slice(top - low, end - low)
        # The larger eigenvalue less the size of the smaller one is twice the lesser of m and s.
        line[top:end, columns] = cv2.addWeighted(cv2.max(cv2.min(mean, spread), 0.0), 2.0, mean, 0.0, 0)[keep]
        dot[top:end, columns] = cv2.max(cv2.subtract(mean, spread), 0.0)[keep]
    return line, dot


def against_neighbours(strength: Floats32, seen: Bools, mm_per_px: float) -> Floats32:
    """Divide a response, in its own place, by its own local root mean square, the strongest pixels capped."""
    shrink = 4
    sample = strength[::shrink, ::shrink][seen[::shrink, ::shrink]]
    if not len(sample):
        return strength
    small = _mean_square(strength, float(np.quantile(sample, CAP_QUANTILE)), shrink)
    weight = block_mean(seen.view(np.uint8) * np.uint8(255), shrink) / np.float32(255)
    sigma = NEIGHBOUR_MM / (mm_per_px * shrink)
    total = np.maximum(cv2.GaussianBlur(weight, (0, 0), sigma), 0.05)
    local = np.sqrt(cv2.GaussianBlur(small, (0, 0), sigma) / total)
    whole = float(np.sqrt(small.sum() / max(float(weight.sum()), 1.0)))
    level = np.maximum(local, max(LEAST_LOCAL_SHARE * whole, LEAST_LEVEL)).astype(np.float32)
    full = cv2.resize(1.0 / level, (seen.shape[1], seen.shape[0]), interpolation=cv2.INTER_LINEAR)
    return np.asarray(cv2.multiply(strength, full, dst=strength), dtype=np.float32)


def _mean_square(strength: Floats32, cap: float, shrink: int) -> Floats32:
    """Mean of the capped squares over blocks, strip by strip."""
    rows = max(shrink, STRIP_ROWS // shrink * shrink)
    whole = max(shrink, len(strength) // shrink * shrink)
    strips = (cv2.min(strength[top : min(whole, top + rows)], cap) for top in range(0, whole, rows))
    return np.vstack([block_mean(np.asarray(cv2.multiply(s, s), dtype=np.float32), shrink) for s in strips])


def line_and_dot_scores(evened: Evened) -> tuple[Floats32, Floats32]:
    """Return how many times stronger than the figure nearby each pixel is as a line and as a dot, (H, W)."""
    size = 2 * BORDER_PX + 1
    inner = np.asarray(cv2.erode(evened.seen.view(np.uint8), np.ones((size, size), np.uint8))).view(np.bool_)
    # Nobody else holds the bare picture: its memory serves again once the pyramid is past it.
    line, dot = strengths(np.asarray(cv2.copyTo(evened.dark, evened.seen.view(np.uint8)), dtype=np.float32))
    outer = ~inner
    for strength in (line, dot):
        np.copyto(strength, 0.0, where=outer)
        against_neighbours(strength, inner, evened.mm_per_px)
    return line, dot
