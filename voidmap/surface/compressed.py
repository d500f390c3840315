"""What the compression alone may have drawn: spots in near black, a few levels of 255 from what lies around them."""

from __future__ import annotations

import cv2
import numpy as np

from voidmap.model import Ortho, Region
from voidmap.records import Kind

# A JPEG of usual quality (quantisation steps of 5 to 10 for the low frequencies: half of ITU-T T.81's table K.1, from
# memory) moves the levels of 8 by 8 px by up to half a step. Of the holes called on 7 photos of simulated slabs, two
# of a slab with a black knot, 8 are 3.0 to 4.8 levels from their surroundings, all in that knot and none of them one;
# the true ones 9 and more.
LEAST_LEVELS = 6.0
# What is around a spot lies from so many to so many px from its rim.
RING_PX = (2.0, 6.0)


def is_drawn_by_compression(region: Region, ortho: Ortho) -> bool:
    """Tell whether a hole is so few levels from what lies around it that the photo's compression may have drawn it."""
    if region.kind is not Kind.HOLE:
        return False
    pad = int(RING_PX[1]) + 1
    # A mask may reach beyond the picture.
    left, top = (at - pad for at in region.corner)
    whole = np.pad(region.mask, pad)[max(0, -top) :, max(0, -left) :]
    pixels = ortho.pixels[max(0, top) :, max(0, left) :][: whole.shape[0], : whole.shape[1]]
    inside = whole[: pixels.shape[0], : pixels.shape[1]]
    away = cv2.distanceTransform((~inside).astype(np.uint8), cv2.DIST_L2, 5)
    ring = (away >= RING_PX[0]) & (away <= RING_PX[1])
    if not (ring.any() and inside.any()):
        return False
    grey = cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY).astype(np.float32)
    return bool(abs(float(np.median(grey[ring])) - float(grey[inside].mean())) < LEAST_LEVELS)
