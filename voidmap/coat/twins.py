"""Pairs of glints: a lamp mirrored on both sides of a pinhole's raised rim.

The pit itself may be no darker than the wood around it; the two glints then are all that shows it, and its centre
lies between them, where nothing is seen. Each pair of like bright spots therefore gives a candidate at its middle.
"""

from __future__ import annotations

from dataclasses import fields

import numpy as np
from numpy.typing import NDArray

from voidmap.coat.candidates import DISC_RADIUS_SIGMAS, SIGMAS_PX, THRESHOLD, Candidates, Level, find_candidates
from voidmap.coat.ground import Bytes
from voidmap.coat.near import pairs_within
from voidmap.model import Floats

LEAST_STRENGTH = THRESHOLD
"""Curvature over noise of a glint: any bright candidate."""
PLAIN_STRENGTH = 6.0
"""A mirrored lamp stands so far over the ground's noise, but for the rims of the smallest pits."""
FAINT_APART_PX = 12.0
"""Fainter glints are a pair only when they are no farther apart: a pit of 9 px; wider pits mirror a lamp plainly, and
faint bright spots lie about by chance. On 84 simulated coats of gloss F1 is .857 without the fainter ones and .876
with them."""
MOST_UNLIKE = 3.0
"""Two glints of one rim differ at most by this factor in strength and in width."""
WIDEST_PX = 4.0
"""Smoothing that meets a glint best, px: wider bright spots are pits full of dust, or glare."""
LEAST_APART_PX = 3.0
"""Two glints nearer than this run into one."""
CREST_RADII = 1.4
"""A rim's crest, where the glints lie, is at about this many radii (``pit.draw_pit``: 1.2 to 1.65)."""
MOST_PARTNERS = 4
"""A glint is paired with this many like ones at most, the nearest."""


def find_all(levels: tuple[Level, ...], look: Bytes) -> Candidates:
    """Find all places that might be pinholes, pairs of glints among them; parameters as for ``find_candidates``."""
    found = find_candidates(levels, look)
    twins = twins_of(found, len(levels))
    return Candidates(*(np.concatenate([getattr(found, f.name), getattr(twins, f.name)]) for f in fields(Candidates)))


def twins_of(found: Candidates, levels: int) -> Candidates:
    """Return candidates, of polarity 0, in the middle of each pair of glints.

    Parameters
    ----------
    found
        The candidates of the picture itself.
    levels
        How many levels its pyramid has; they tell how wide the widest pinhole is that is looked for.
    """
    widest_px = 2 * DISC_RADIUS_SIGMAS * SIGMAS_PX[-1] * 2 ** (levels - 1)
    glints = found[(found.polarity > 0) & (found.strength >= LEAST_STRENGTH) & (found.sigma_px <= WIDEST_PX)]
    glints = glints[_alone(glints)]
    places = np.column_stack([glints.x_px, glints.y_px])
    # A faint one's partner is near: most glints are faint, and few pairs are left to look at.
    reach = np.where(glints.strength >= PLAIN_STRENGTH, CREST_RADII * widest_px, FAINT_APART_PX)
    i, j, apart = pairs_within(places, places, np.minimum(reach, CREST_RADII * widest_px))
    like = np.abs(np.log(glints.strength[i] / glints.strength[j])) <= np.log(MOST_UNLIKE)
    like &= np.abs(np.log(glints.sigma_px[i] / glints.sigma_px[j])) <= np.log(MOST_UNLIKE)
    keep = (apart >= LEAST_APART_PX) & like & (apart <= reach[j])
    i, j, apart = i[keep], j[keep], apart[keep]
    near = _rank(i, apart) < MOST_PARTNERS
    once = near & (i < j)
    i, j, apart = i[once], j[once], apart[once]
    middle = (places[i] + places[j]) / 2
    sigma = apart / CREST_RADII / 2 / DISC_RADIUS_SIGMAS
    level = np.clip(np.floor(np.log2(np.maximum(sigma / SIGMAS_PX[0], 1.0))), 0, levels - 1).astype(np.int64)
    strength = np.minimum(glints.strength[i], glints.strength[j])
    return Candidates(middle[:, 0], middle[:, 1], level, sigma, np.zeros(len(i), np.int64), strength)


def _alone(glints: Candidates) -> NDArray[np.bool_]:
    """Tell which glints are the strongest of their place: a glint answers on several levels."""
    places = np.column_stack([glints.x_px, glints.y_px])
    i, j, _ = pairs_within(places, places, LEAST_APART_PX)
    weaker = (glints.strength[i] < glints.strength[j]) | ((glints.strength[i] == glints.strength[j]) & (i > j))
    alone = np.ones(len(glints), bool)
    alone[i[weaker & (i != j)]] = False
    return alone


def _rank(group: NDArray[np.int64], value: Floats) -> NDArray[np.int64]:
    """Return each value's rank within its group, from 0, the least first."""
    order = np.lexsort((value, group))
    starts = np.flatnonzero(np.diff(group[order], prepend=-1))
    size = np.diff([*starts, len(order)])
    rank = np.empty(len(order), np.int64)
    rank[order] = np.arange(len(order)) - np.repeat(starts, size)
    return rank
