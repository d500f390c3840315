"""Where a thing's rim is drawn, so that its area is right."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from voidmap.records import Kind
from voidmap.surface.candidates import Looked, moved
from voidmap.surface.features import Candidate
from voidmap.surface.parting import parted
from voidmap.surface.rim import Cover, cover_of

# A rim runs where half of a pixel is covered. A torn rim has teeth finer than the blur: at half it runs too far in
# (of 105 bark voids of simulated slabs the area is 2.6 % too small, median, and 0.7 % at this share; of 7 of other
# renderers 1.0 and 2.5 % too large).
TORN_LEVEL = 0.40
MOST_GROWTH = 1.5
# A thing that fills more of its convex hull than this has no torn rim.
TORN_SOLIDITY = 0.93


def rim_drawn(found: Candidate, kind: Kind, looked: Looked | None = None) -> Cover:
    """Return the cover with its rim drawn so that the kind's areas are right.

    A line's is drawn at its own level, a bark void's where its colours part from the wood's in the picture that it was
    found in, when that is given; others stay as they are.
    """
    if found.source == "line":
        return _line_drawn(found)
    if kind is not Kind.BARK_VOID or looked is None or looked.pixels is None:
        return found.cover
    level = TORN_LEVEL if found.features["solidity"] <= TORN_SOLIDITY else 0.5
    (x, y), evened = looked.corner, looked.evened
    again = parted(moved(found, (-x, -y)).cover, level, looked.pixels, evened.seen, evened.mm_per_px)
    return moved(replace(found, cover=again), looked.corner).cover


def _line_drawn(found: Candidate) -> Cover:
    cover, level = found.cover, found.rim_level
    if level == 0.5:
        return cover
    share = np.clip(cover.share + np.float32(0.5 - level), 0.0, 1.0)
    if found.path_px is not None:  # a crack stays in one piece where it is faint
        spine = np.zeros(share.shape, np.uint8)
        cv2.polylines(spine, [np.round(found.path_px - cover.corner).astype(np.int32)], False, 1)
        share = np.where((spine > 0) & cover.mask, np.maximum(share, np.float32(0.51)), share)
    again = cover_of(share, cover.corner, cover.mask)
    return again if again is not None and again.area_px < MOST_GROWTH * cover.area_px else cover
