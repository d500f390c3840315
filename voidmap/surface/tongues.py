"""Tongues of a slab's mask: a rule, a clamp or an arm that lies over the slab's edge."""

from __future__ import annotations

import cv2
import numpy as np
from scipy import ndimage

from voidmap.surface.mosaic import Bools

# What sticks out of a slab and is narrower than twice the first and longer than the second is a rule, a clamp or an arm
# over its edge. Shop rules are up to 40 mm wide (common practice, no source); of 208 simulated slabs four have spurs so
# long and slender, of 200 mm² at most.
TONGUE_HALF_MM, TONGUE_LONG_MM = 20.0, 30.0


def without_tongues(slab: Bools, valid: Bools, half: int, reach: int) -> Bools:
    """Cut off what sticks out of a slab.

    Parameters
    ----------
    slab, valid
        Masks (h, w) of the slab, and of what the photo shows. What lies beyond that may be slab: a corner that the
        photo cuts off sharply stays.
    half, reach
        What is narrower than twice the first and longer than the second, px, is cut off.

    Returns
    -------
    ndarray of bool, (h, w)
    """
    photo = np.s_[half:-half, half:-half]
    maybe = np.pad(slab | ~valid, half, constant_values=True)
    deep = cv2.distanceTransform(maybe.astype(np.uint8), cv2.DIST_L2, 5)
    if deep[photo][slab].max(initial=0.0) < 2 * half:
        return slab
    body = cv2.distanceTransform((deep < half).astype(np.uint8), cv2.DIST_L2, 5) <= half
    away = cv2.distanceTransform((~body).astype(np.uint8), cv2.DIST_L2, 5)
    spurs, count = ndimage.label(maybe & ~body)
    farthest = np.asarray(ndimage.maximum(away, spurs, np.arange(count + 1)))
    farthest[0] = 0.0
    return slab & ~(farthest > reach)[spurs][photo]
