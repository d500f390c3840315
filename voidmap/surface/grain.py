"""The direction of the grain, from the picture alone.

Wood varies fast across its growth rings and slowly along them, so the picture's gradients point across the
grain. The structure tensor averages them with their sign ignored (J. Bigun, G. Granlund, 1987). Each place has one
vote, however strong its gradients are: a row of saw marks or a knot's dark rim is a small part of the top.
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
# Gradients this near to one another (1 sigma) are one place's vote: about a ring.
VOTE_MM = 2.0


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
    grey, free, cell_mm = _coarse(ortho, slab)
    if not free.any():
        return 0.0
    across, down = _capped_gradients(grey, free)
    twice = _votes(across * across - down * down, 2.0 * across * down, free, VOTE_MM / cell_mm)
    steepest = 0.5 * np.arctan2(twice[1], twice[0])
    along = np.rad2deg(steepest) + 90.0
    return float((along + 90.0) % 180.0 - 90.0)


def _votes(cosine: Floats32, sine: Floats32, free: Bools, reach_px: float) -> tuple[float, float]:
    """Return the sum of unit vectors at twice the angle of the gradients, each that of its surroundings."""
    around = [cv2.GaussianBlur(np.where(free, part, np.float32(0)), (0, 0), reach_px)[free] for part in (cosine, sine)]
    size = np.maximum(np.hypot(*around), np.float32(1e-12))
    return float((around[0] / size).sum()), float((around[1] / size).sum())


def _coarse(ortho: Ortho, slab: SlabFound) -> tuple[Floats32, Bools, float]:
    """Shrink the top to the grain's grid: log grey values, the places where they speak of wood, a cell's mm."""
    shrink = max(1, round(GRAIN_CELL_MM / ortho.mm_per_px))
    box = box_of(slab.mask)
    grey = block_mean(np.asarray(cv2.cvtColor(ortho.pixels[box], cv2.COLOR_BGR2GRAY), dtype=np.uint8), shrink)
    bare = slab.mask[box] & ~slab.covered[box] & ortho.valid[box]
    share = block_mean(bare.view(np.uint8) * np.uint8(255), shrink)
    reach = max(1, round(GRAIN_MARGIN_MM / (shrink * ortho.mm_per_px)))
    margin = np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)
    whole = (share == 255).astype(np.uint8)
    free = cv2.erode(whole, margin, borderType=cv2.BORDER_CONSTANT, borderValue=0).astype(bool)
    bright = np.asarray(cv2.log(grey.astype(np.float32) + 1.0), dtype=np.float32)
    return bright, free, shrink * ortho.mm_per_px


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
