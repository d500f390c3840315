"""The true rim of a crack whose walls slope.

Half of a crack's own darkness is where its rim lies when the walls are steep. Walls that slope darken slowly: the
cover then grows more from three quarters of the darkness to one quarter than the blur alone makes it grow. A wall
that darkens evenly from the rim on puts its rim that growth outside of the half; one that is darkest in a narrow
middle puts it further out.
"""

from __future__ import annotations

import numpy as np

from voidmap.surface.rim import Cover, cover_of

# A blurred edge grows so many sigmas from three quarters to one quarter, on each side.
BLUR_GROWTH = 1.35
# The covered share is itself smoothed by this (1 sigma, px).
SHARE_BLUR_PX = 0.5
# How far outside of the half the rim lies, in growths: 1 for an even slope (simulated cracks ask for 2.6, those of
# another renderer for less than 1).
SLOPE_REACH = 1.0
# The faintest level at which a rim is drawn: below is the wood's own figure.
FAINTEST = 0.15


def drawn_at(cover: Cover, level: float) -> Cover | None:
    """Draw a cover's rim where ``level`` of a pixel is covered instead of one half."""
    share = np.clip(cover.share + np.float32(0.5 - level), 0.0, 1.0)
    return cover_of(share, cover.corner, cover.mask)


def with_slopes(cover: Cover, length_px: float, blur_px: float) -> Cover:
    """Return a crack's cover with its rim drawn where walls that slope begin.

    ``length_px`` is the crack's length, ``blur_px`` the picture's blur (1 sigma).
    """
    wide, narrow = drawn_at(cover, 0.25), drawn_at(cover, 0.75)
    if wide is None or narrow is None:
        return cover
    blurred = 2.0 * BLUR_GROWTH * float(np.hypot(blur_px, SHARE_BLUR_PX)) * length_px
    slope = wide.area_px - narrow.area_px - blurred
    if slope <= 0.0:
        return cover
    target = cover.area_px + SLOPE_REACH * slope
    best = cover
    for level in np.arange(0.45, FAINTEST - 0.01, -0.05):
        again = drawn_at(cover, float(level))
        if again is None or again.area_px > target:
            break
        best = again
    return best
