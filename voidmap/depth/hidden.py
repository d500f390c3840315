"""What no two photos see of a void's floor: it lies deeper than the floor around it, and it may come out below.

Where the floor of a void that is wide enough matches nowhere, something hides it: a ridge, a wall, or the dark of a
pit that comes out below. Filling such a patch from what lies around it makes it too shallow. The figures below are of
bark voids of simulated slabs (0.2 to 0.4 mm a pixel, three photos).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.records import Kind

Picture = NDArray[np.float32]
Bools = NDArray[np.bool_]

RIM_CELLS = 4.0
"""Unmatched cells this near to the rim are the rim's wall (a window's half side), not a hidden floor."""
LEAST_PATCH_CELLS = 5
"""A patch narrower than this is a gap in the matching."""
DEEPER = 1.25
"""A hidden floor is so much deeper than what it is filled with: 1.35 on average on those voids, 1.0 on three voids of
another renderer (path-traced)."""
DEEPER_LOG = 0.3
"""Spread of that (log)."""
FLOOR_ODDS, FLOOR_BY_SPREAD, FLOOR_BY_CELLS, FLOOR_MOST = -0.5, -1.75, 1.6, 0.95
"""Log odds that what was matched in a shaft is its floor: the first; the second for each log of the spread of the
matched depths (quartiles apart over the median, ``LEAST_SPREAD`` and more); the third for each log of the number of
cells matched over ``FLOOR_CELLS``. A floor lies at one depth; walls lie at all, and what matches by chance is small (a
window has 49 cells). A logistic regression on 106 looks at holes of knots on 137 simulated slabs, from three photos and
from two (floor: within 1.5 times), bound to give 60 cells less than 0.2. Fitted to 77 of the slabs, of the 15 looks on
the others given .6 and more 13 had met it, of the 30 given less than .4 six; fitted to all, 34 of 38 and 10 of 59. The
last is the most that is given."""
LEAST_SPREAD, FLOOR_CELLS = 0.15, 400.0
PIERCED_ODDS, PIERCED_BY_DEPTH, PIERCED_POWER, PIERCED_BY_PATCH = -2.05, 4.7, 3.0, 0.7
"""Log odds that a dish goes through the slab: the first; the second times this power of its greatest depth over the
slab's thickness; the last for each log of the largest hidden patch's share over ``LARGE_SHARE``, the less the deeper
the floor was met. A logistic regression on 253 outlines of bark voids on 77 simulated slabs, of which 69 went through:
of those met as deep as 0.8 of the thickness nine in ten do, of those met less deep than half of it one in ten. On
slabs left out it ranks at 0.87 (area under the curve) and says what is; nothing else tried adds to it (the patch's
darkness, the share met near the underside or at the bench, extent, the edge). That a quarter goes through is these
slabs' own share, a guess for others: with half the odds the totals of 97 slabs come out 0.6 % lower, those of two slabs
of other renderers 0.3 and 3 %."""
LARGE_SHARE, SMALLEST_SHARE = 0.1, 0.01
PIERCED_REACH, PIERCED_REACH_SD = 0.3, 0.2
"""What is not matched of a dish that goes through lies this part of the way from the matched floor to the underside,
and its spread (the same voids): its pits come out below, its walls do not."""
SETTLED = 0.2
"""From three photos, a chance of less than this that a dish goes through, or that it does not, is doubt of its depth
and no part of it."""
DISHES = (Kind.BARK_VOID,)
"""Kinds whose floor lies open: in a shaft the floor is hidden whether it goes through or not."""
ALL_TINTED = 0.8
"""A dish that goes through comes out at a pit: where the bench's tint covers so much of its floor that the tint alone
gives this chance, the floor is of that tint itself. Of 21 such voids found on 117 simulated slabs three went through,
of 32 given 0.2 to 0.8 nineteen."""


@dataclass(frozen=True)
class Hidden:
    """The hidden part of a floor.

    ``share`` of the void's area; ``depth_mm`` the mean depth that it was filled with; ``largest`` share of the area
    that the largest patch has.
    """

    share: float = 0.0
    depth_mm: float = 0.0
    largest: float = 0.0


NOTHING_HIDDEN = Hidden()


def find_hidden(matched: Bools, inside: Bools, depth_mm: Picture) -> Hidden:
    """Find the patches of a void where nothing matched.

    Parameters
    ----------
    matched, inside
        (h, w) cells whose depth is believed; the void.
    depth_mm
        (h, w) filled.
    """
    rim = cv2.distanceTransform(inside.astype(np.uint8), cv2.DIST_L2, 5)
    square = np.ones((LEAST_PATCH_CELLS, LEAST_PATCH_CELLS), np.uint8)
    patches = cv2.morphologyEx((inside & ~matched & (rim > RIM_CELLS)).astype(np.uint8), cv2.MORPH_OPEN, square)
    count, _, stats, _ = cv2.connectedComponentsWithStats(patches)
    if count < 2:
        return NOTHING_HIDDEN
    area, hidden = float(inside.sum()), patches > 0
    largest = float(stats[1:, cv2.CC_STAT_AREA].max()) / area
    return Hidden(float(hidden.sum()) / area, float(depth_mm[hidden].mean()), largest)


def pierced_chance(greatest_mm: float, thickness_mm: float, hidden: Hidden) -> float:
    """Return the chance that a dish goes through the slab, given how deep it was met and what is hidden of it."""
    share = min(max(greatest_mm / thickness_mm, 0.0), 1.0)
    patch = float(np.log(max(hidden.largest, SMALLEST_SHARE) / LARGE_SHARE))
    odds = PIERCED_ODDS + PIERCED_BY_DEPTH * share**PIERCED_POWER + PIERCED_BY_PATCH * (1 - share) * patch
    return 1 / (1 + float(np.exp(-odds)))


def tinted_chance(chance: float, kind: Kind) -> float:
    """Return the chance that a void goes through, given what the tint of its floor alone says; 0: it tells nothing.

    Parameters
    ----------
    chance
        By how much of the floor has the bench's tint.
    kind
        The void's likeliest kind.
    """
    return 0.0 if kind in DISHES and chance >= ALL_TINTED else chance


def floor_seen(spread: float, cells: int, kind: Kind) -> float:
    """Return the chance that what was matched in a void is its floor, not the walls of a shaft alone.

    Parameters
    ----------
    spread
        Distance between the quartiles of the matched depths, over their median.
    cells
        Number of cells that were matched.
    kind
        The void's likeliest kind.
    """
    if kind in DISHES:
        return 1.0
    odds = FLOOR_ODDS + FLOOR_BY_SPREAD * float(np.log(max(spread, LEAST_SPREAD)))
    odds += FLOOR_BY_CELLS * float(np.log(max(cells, 1) / FLOOR_CELLS))
    return min(1 / (1 + float(np.exp(-odds))), FLOOR_MOST)


def with_hidden(
    mean_mm: float,
    hidden: Hidden,
    *,
    matched_mm: float,
    sure: float,
    kind: Kind,
    thickness_mm: float,
    pierced: float,
    views: int,
) -> tuple[float, float]:
    """Return a void's mean depth with its hidden part as deep as it should be, and the doubt of that (log, 1 s.d.).

    In a shaft the hidden part is the floor itself, and nothing is added: see :func:`floor_seen`. Where three photos and
    more hardly leave open whether a dish goes through (``SETTLED``), the likelier is its depth and the other its doubt:
    the mean of both is the depth of neither (on 96 simulated slabs it missed the volumes of 134 inner bark voids by
    7.3 %, this by 6.0 %; their totals by 9.7 and 9.4 %). Two photos see less of a pit: there the mean of both fares
    better (totals missed by 8.6 against 9.9 %).

    Parameters
    ----------
    mean_mm
        Mean depth with what was not matched filled from around it.
    hidden
        The hidden part.
    matched_mm, sure
        Mean depth of what was matched, and its share of the area.
    kind
        The void's likeliest kind.
    thickness_mm
        The slab's thickness.
    pierced
        Chance that a dish goes through the slab.
    views
        Number of photos.
    """
    if kind not in DISHES:
        return mean_mm, 0.0
    deeper = DEEPER * hidden.depth_mm
    blind = hidden.share * (min(deeper, thickness_mm) - hidden.depth_mm)
    reach = (1 - sure) * max(thickness_mm - matched_mm, 0.0)
    through = max(PIERCED_REACH * reach, blind)
    in_doubt = views < 3 or SETTLED <= pierced <= 1 - SETTLED
    counted = pierced if in_doubt else round(pierced)
    more = (1 - counted) * blind + counted * through
    # The largest patch may be a pit all through.
    deepest = max(hidden.largest * max(thickness_mm - hidden.depth_mm, 0.0), through)
    variance = pierced * ((PIERCED_REACH_SD * reach) ** 2 + (deepest - more) ** 2)
    variance += (1 - pierced) * ((hidden.share * DEEPER_LOG * deeper) ** 2 + (blind - more) ** 2)
    mean = mean_mm + more
    return mean, float(np.log1p(variance / mean**2)) ** 0.5
