"""How much of an outline runs where the picture shows no edge: there it is no more than a guess."""

from __future__ import annotations

import cv2
import numpy as np

from voidmap.model import Floats, Ortho
from voidmap.surface.edges import resample, smooth_closed

# The outline is looked at every so many mm, and what is beside it is taken together along so many (1 sigma).
EVERY_MM, ALONG_MM = 2.0, 4.0
# What is beside it lies from so far to so far to either side: past its own blur, and not much farther than bark or the
# slab's shadow is wide.
BESIDE_MM = (2.0, 3.0, 4.0, 5.0)
# Its direction is told from this far before to this far after.
REACH_MM = 10.0
# Two sides that differ by less, in the natural log of every colour, show no edge. Of 219 simulated slabs photographed
# whole all have up to 0.21 of their outline so, but for two that ran through bench: 0.39 and 0.75.
LEAST_STEP = 0.05
# Picture values are told by their logarithm above this; closer than this to the photo's border nothing is told.
DARKEST, BORDER_MM = 4.0, 8.0


def bare_share(ortho: Ortho, outline_mm: Floats) -> tuple[float, float]:
    """Return the share of an outline in view that shows no edge, and the share that is in view.

    Parameters
    ----------
    ortho
        The square-on picture, about 1 mm a px.
    outline_mm
        A closed outline (N, 2), mm in the slab frame.

    Returns
    -------
    tuple of float
        Both 0 to 1; what runs along the photo's border is not in view. Where nothing is, nothing is bare.
    """
    line = resample(outline_mm, EVERY_MM)
    reach = round(REACH_MM / EVERY_MM)
    ahead = np.roll(line, -reach, axis=0) - np.roll(line, reach, axis=0)
    across = np.column_stack([-ahead[:, 1], ahead[:, 0]]) / np.maximum(np.hypot(*ahead.T), 1e-9)[:, None]
    inside = _clear_of_border(ortho, line)
    if not inside.any():
        return 0.0, 0.0
    logs = np.log(ortho.pixels.astype(np.float32) + np.float32(DARKEST))
    logs = cv2.GaussianBlur(logs, (0, 0), max(0.4, 0.7 / ortho.mm_per_px))
    one, other = (
        np.mean([_along(ortho, logs, line + side * away * across) for away in BESIDE_MM], axis=0) for side in (-1, 1)
    )
    bare = np.abs(one - other).max(axis=1) < LEAST_STEP
    return float(np.mean(bare[inside])), float(np.mean(inside))


def _along(ortho: Ortho, logs: np.ndarray, line_mm: Floats) -> Floats:
    """Return the colours (N, 3) along a line, taken together with what comes before and after."""
    x, y = ortho.to_px(line_mm).astype(np.float32).T
    colours = cv2.remap(logs, x[:, None], y[:, None], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return smooth_closed(colours.reshape(-1, 3).astype(np.float64), ALONG_MM / EVERY_MM)


def _clear_of_border(ortho: Ortho, line_mm: Floats) -> np.ndarray:
    """Return which points (N,) of a line lie well within the photo."""
    seen = np.pad(ortho.valid.astype(np.uint8), 1)
    far = cv2.distanceTransform(seen, cv2.DIST_L2, 5)[1:-1, 1:-1] * ortho.mm_per_px
    x, y = np.rint(ortho.to_px(line_mm)).astype(int).T
    height, width = far.shape
    return np.asarray(far[np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)] > BORDER_MM)
