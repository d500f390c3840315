"""How good a photo is, judged from its pixels and its boards' own edges before any time is spent on it."""

from __future__ import annotations

import numpy as np

from voidmap.model import Photo, Plane
from voidmap.records import Quality

CLIPPED = 254
GLARE, GLARE_SPREAD = 240, 16


def assess_quality(photo: Photo, plane: Plane) -> Quality:
    """Judge a photo.

    Parameters
    ----------
    photo, plane
        The photo and its plane.
    """
    few = photo.pixels[::4, ::4]
    low, high = few.min(axis=2), few.max(axis=2)
    middle = plane.to_mm([[photo.width_px / 2, photo.height_px / 2]])
    smallest = 3.0 * float(plane.mm_per_px_at(middle)[0])
    return Quality(
        sharpness=None,
        clipped_fraction=float(np.mean(low >= CLIPPED)),
        glare_fraction=float(np.mean((low >= GLARE) & (high - low <= GLARE_SPREAD))),
        verdict="good",
        smallest_defect_mm=smallest,
    )
