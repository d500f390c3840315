"""The strip between a void that opens on the slab's side and the outline: it is the void's mouth.

There the floor is lit from the side, or the bench is seen, so that the strip looks like neither wood nor void and is
left out of the void's rim. No wood stands in it: what a void and the outline enclose between them hangs on nothing.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.model import SlabFound
from voidmap.surface.mosaic import Bools
from voidmap.surface.odd import disc
from voidmap.surface.rim import Cover, cover_of

# Wood between a void and the slab's side that is narrower than twice this is not told from the void's torn lips, which
# are left out of its rim by about this much at either end of the mouth.
LIP_MM = 2.0
# A strip larger than this share of the void is no mouth.
MOST_STRIP = 1.0


def with_mouth(cover: Cover, slab: SlabFound, mm_per_px: float) -> Cover:
    """Return a void's cover with what lies between it and the slab's outline.

    Parameters
    ----------
    cover
        Of a void that opens on the slab's side, in px of the square-on picture that ``slab`` was found in.
    slab
        Where the top is; what covers it stays out.
    mm_per_px
        Scale of the picture.

    Returns
    -------
    Cover
        The same where nothing, or too much (``MOST_STRIP``), lies between.
    """
    reach = max(1, round(LIP_MM / mm_per_px))
    pad = 2 * reach + 2
    rows, columns = cover.mask.shape
    height, width = slab.mask.shape
    left, top = max(0, cover.corner[0] - pad), max(0, cover.corner[1] - pad)
    box = np.s_[top : min(height, cover.corner[1] + rows + pad), left : min(width, cover.corner[0] + columns + pad)]
    wood = slab.mask[box]
    own = np.s_[cover.corner[1] - top :, cover.corner[0] - left :]
    void = np.zeros(wood.shape, np.bool_)
    void[own][:rows, :columns] = cover.mask
    strip = _between(void, ~wood, reach) & ~slab.covered[box]
    if not 0 < np.count_nonzero(strip) <= MOST_STRIP * np.count_nonzero(void):
        return cover
    share = np.zeros(wood.shape, np.float32)
    share[own][:rows, :columns] = cover.share
    share[strip] = 1.0
    whole = cover_of(share, (left, top), void)
    return cover if whole is None else whole


def _between(void: Bools, beside: Bools, reach: int) -> Bools:
    """Return what a void and what lies beside the slab enclose between them, when ``reach`` px wide gaps are closed."""
    bridge = _closed(void | beside, reach) & ~_closed(void, reach) & ~_closed(beside, reach)
    free = ~(void | beside | bridge)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(free.astype(np.uint8), connectivity=4, ltype=cv2.CV_32S)
    first, size = stats[:, [cv2.CC_STAT_LEFT, cv2.CC_STAT_TOP]], stats[:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]]
    inner = (first > 0).all(axis=1) & (first + size < np.array(free.shape[::-1])).all(axis=1)
    inner[0] = False
    return np.asarray(bridge | inner[labels], dtype=np.bool_)


def _closed(cells: Bools, reach: int) -> NDArray[np.bool_]:
    """Close gaps of up to twice ``reach`` px; what lies beyond the border is as the border is."""
    pad = 2 * reach
    framed = cv2.copyMakeBorder(cells.astype(np.uint8), pad, pad, pad, pad, cv2.BORDER_REPLICATE)
    closed = cv2.morphologyEx(framed, cv2.MORPH_CLOSE, disc(2 * reach + 1))
    return np.asarray(closed[pad:-pad, pad:-pad] > 0, dtype=np.bool_)
