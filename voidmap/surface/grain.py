"""The direction of the grain, from the picture alone.

Wood varies fast across its growth rings and slowly along them, so the picture's gradients point across the
grain. The structure tensor averages them with their sign ignored (J. Bigun, G. Granlund, 1987).
"""

from __future__ import annotations

import cv2
import numpy as np

from voidmap.model import Ortho, SlabFound
from voidmap.surface.mosaic import Bools, Floats32, block_mean, box_of

# Rings and pores are judged at this grid: finer than a ring (about 1 to 5 mm), coarser than camera noise.
GRAIN_CELL_MM = 0.6
# Gradients this near the slab's edge, a board or a card belong to those, not to the wood.
GRAIN_MARGIN_MM = 4.0
# A gradient counts up to this multiple of the median one, so that one dark crack does not decide.
GRADIENT_CAP = 4.0


def grain_direction_deg(ortho: Ortho, slab: SlabFound) -> float:
    """Return the direction of the grain in the slab frame.

    Parameters
    ----------
    ortho
        The slab's top seen square-on.
    slab
        Where the top is, and what of it is covered.

    Returns
    -------
    float
        Degrees from x toward y, in [-90, 90); 0 when nothing of the top is in view.
    """
    grey, free = _coarse(ortho, slab)
    if not free.any():
        return 0.0
    across, down = _capped_gradients(grey, free)
    a, b = across[free], down[free]
    xx, yy, xy = float(a @ a), float(b @ b), float(a @ b)
    steepest = 0.5 * np.arctan2(2.0 * xy, xx - yy)
    along = np.rad2deg(steepest) + 90.0
    return float((along + 90.0) % 180.0 - 90.0)


def _coarse(ortho: Ortho, slab: SlabFound) -> tuple[Floats32, Bools]:
    """Shrink the top to the grain's grid: log grey values and the places where they speak of wood."""
    shrink = max(1, round(GRAIN_CELL_MM / ortho.mm_per_px))
    box = box_of(slab.mask)
    grey = block_mean(np.asarray(cv2.cvtColor(ortho.pixels[box], cv2.COLOR_BGR2GRAY), dtype=np.uint8), shrink)
    bare = slab.mask[box] & ~slab.covered[box] & ortho.valid[box]
    share = block_mean(bare.view(np.uint8) * np.uint8(255), shrink)
    reach = max(1, round(GRAIN_MARGIN_MM / (shrink * ortho.mm_per_px)))
    margin = np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)
    whole = (share == 255).astype(np.uint8)
    free = cv2.erode(whole, margin, borderType=cv2.BORDER_CONSTANT, borderValue=0).astype(bool)
    return np.asarray(cv2.log(grey.astype(np.float32) + 1.0), dtype=np.float32), free


def _capped_gradients(grey: Floats32, free: Bools) -> tuple[Floats32, Floats32]:
    smooth = cv2.GaussianBlur(grey, (0, 0), 1.0)
    across = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3)
    down = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3)
    size = np.asarray(cv2.magnitude(across, down), dtype=np.float32)
    cap = GRADIENT_CAP * max(float(np.median(size[free])), 1e-9)
    # In their own place: each of these pictures is a quarter of the photo's pixels in floats.
    np.divide(cap, cv2.max(size, 1e-12, dst=size), out=size)
    scale = cv2.min(size, 1.0, dst=size)
    return cv2.multiply(across, scale, dst=across), cv2.multiply(down, scale, dst=down)
