"""Whether a photo in which no board can be read is blurred: told by its strongest edges, whatever they belong to."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

REACH_PX = 12
"""How far to either side of an edge its step is looked at: blur that hides a board is a few pixels wide."""
WIDE_PX = 4.0
"""Blur under which edges are looked for: sharp and blurred ones then count alike."""
AHEAD_RATIO = 1.7
"""Edges that face within 30 degrees of the way looked along: one that runs along it is passed slowly, sharp or not."""
EDGE_SHARE, LEAST_EDGES, MOST_EDGES = 0.002, 30, 4000
LEAST_STEP = 100.0
"""8-bit levels: over ten times the noise of a phone by lamplight, so that noise alone makes no sharp edge."""
SHARP_STEP = 0.16
"""Share of an edge's step that is made from one pixel to the next under a Gaussian blur of 2.5 px (0.4 / sigma).
Boards are read up to about that; the sharpest tenth of the edges of a sharp photo make 0.27 and more."""


SHRINKS = (1, 2, 4, 8)
"""Blur so wide that no edge makes its step within reach makes it in a smaller picture, where it is wide still."""


def is_blurred(grey: NDArray[np.uint8]) -> bool:
    """Return whether even the sharpest of the strongest edges across x are wide; without such edges, False."""
    for shrink in SHRINKS:
        small = cv2.resize(grey, None, fx=1 / shrink, fy=1 / shrink, interpolation=cv2.INTER_AREA)
        share = _sharpest_share(np.asarray(small, dtype=np.uint8))
        if share is not None:
            return share < SHARP_STEP
    return False


def _sharpest_share(grey: NDArray[np.uint8]) -> float | None:
    """Return the share of its step that one of the sharpest edges makes in a pixel; None without strong edges."""
    every = max(1, grey.shape[0] // 1500)
    wide = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), WIDE_PX)
    across, along = (np.abs(cv2.Sobel(wide, cv2.CV_32F, 1 - k, k))[::every] for k in (0, 1))
    strength = np.where(across > AHEAD_RATIO * along, across, 0)
    strength[:, : REACH_PX + 1] = strength[:, -REACH_PX - 1 :] = 0
    rows, columns = np.nonzero(strength > max(float(np.quantile(strength[::2, ::2], 1 - EDGE_SHARE)), 1.0))
    if not len(rows):
        return None
    few = np.linspace(0, len(rows) - 1, min(len(rows), MOST_EDGES)).astype(int)
    # Noise averages out over five pixels along the edge.
    lines = cv2.blur(grey, (1, 5))[::every].astype(np.float32)
    profile = lines[rows[few, None], columns[few, None] + np.arange(-REACH_PX, REACH_PX + 1)]
    step = np.ptp(profile, axis=1)
    sharpest = np.abs(np.diff(profile, axis=1)).max(axis=1)
    strong = step > LEAST_STEP
    if strong.sum() < LEAST_EDGES:
        return None
    return float(np.quantile(sharpest[strong] / step[strong], 0.9))
