"""At which level a thing's rim is drawn, so that its area is right."""

from __future__ import annotations

import cv2
import numpy as np

from voidmap.records import Kind
from voidmap.surface.features import Candidate
from voidmap.surface.rim import Cover, cover_of

# A rim runs where half of a pixel is covered. A torn rim has teeth finer than the blur and bays where the bark has the
# wood's own colour: at half it runs too far in (by 0.36 mm at the median of 100 bark voids of simulated slabs 1 to 60),
# at this share it is right in the mean. Where that lets the cover leak, the half stays.
RIM_LEVEL = {Kind.BARK_VOID: 0.30}
MOST_GROWTH = 1.5
# A thing that fills more of its convex hull than this has no torn rim.
TORN_SOLIDITY = 0.93


def rim_drawn(found: Candidate, kind: Kind) -> Cover:
    """Return the cover with its rim drawn at the level at which the kind's areas are right."""
    cover, level = found.cover, found.rim_level
    if found.source != "line":
        level = RIM_LEVEL.get(kind, 0.5) if found.features["solidity"] <= TORN_SOLIDITY else 0.5
    if level == 0.5:
        return cover
    share = np.clip(cover.share + np.float32(0.5 - level), 0.0, 1.0)
    if found.path_px is not None:  # a crack stays in one piece where it is faint
        spine = np.zeros(share.shape, np.uint8)
        cv2.polylines(spine, [np.round(found.path_px - cover.corner).astype(np.int32)], False, 1)
        share = np.where((spine > 0) & cover.mask, np.maximum(share, np.float32(0.51)), share)
    again = cover_of(share, cover.corner, cover.mask)
    return again if again is not None and again.area_px < MOST_GROWTH * cover.area_px else cover
