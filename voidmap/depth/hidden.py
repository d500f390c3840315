"""What no two photos see of a void's floor: it lies deeper than the floor around it, and it may be a pit.

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
AROUND_CELLS = 4
"""The floor this far around a patch tells how bright it should be."""
DEEPER = 1.25
"""A hidden floor is so much deeper than what it is filled with: 1.35 on average on those voids, 1.0 on three voids of
another renderer (path-traced)."""
DEEPER_LOG = 0.3
"""Spread of that (log)."""
OPEN_LEAST, OPEN_BY_SURE, OPEN_MOST = 0.45, 0.8, 0.9
"""Chance that what was matched in a shaft goes down to its floor: the first, and the second for each share of the area
that was matched (20 simulated shafts, of which half read within 15 % and half 1.7 to 3.6 times too shallow)."""
PIT_FLOOR_REL, PIT_FLOOR_SD = 0.68, 0.22
"""Mean depth of a patch that is a pit through the slab, over the thickness, and its spread: its walls and the floor
around it belong to the patch too."""
LARGE_SHARE = 0.1
LARGE_WEIGHT = 1.7
"""Log odds of a pit for each log of the largest patch's share of the area over ``LARGE_SHARE``. These weights are those
of a logistic regression on 112 bark voids of simulated slabs, of which 27 went through."""
SHADE = (0.45, 1.25)
LIGHT_WEIGHT = 3.1
"""Log odds for each log that a patch is darker or brighter than a hidden floor is (``SHADE``, over the floor around):
light does not come out of a deep pit, and a bench in the light shines through it. One log at most."""
SURE_WEIGHT = 4.9
"""Log odds for the share that was matched, over a half: an unmatched patch says more where all else matched."""
DEEP_WEIGHT = 0.8
"""Log odds for each log of the floor's depth about the patch over the thickness: a pit is seldom in a shallow void."""
ODDS = 1.9
"""Log odds where all of these are nothing, over those before."""
LARGEST_PIT_SHARE = 0.3
"""A pit takes no more of a void's area: a wider patch is dark rather than deep."""
SMALLEST_SHARE = 0.01
SHALLOWEST_MM = 1.0
DISHES = (Kind.BARK_VOID,)
"""Kinds whose floor lies open: in a shaft the floor is hidden whether it goes through or not."""


@dataclass(frozen=True)
class Hidden:
    """The hidden part of a floor.

    ``share`` of the void's area; ``depth_mm`` the mean depth that it was filled with; ``largest`` share of the area
    that the largest patch has; ``light`` of that patch over that of the floor around it (1 when unknown);
    ``mouth`` share of the area that the largest patch has with the cells around it whose windows reach into it, and
    ``mouth_mm`` the mean depth stated there.
    """

    share: float = 0.0
    depth_mm: float = 0.0
    largest: float = 0.0
    light: float = 1.0
    mouth: float = 0.0
    mouth_mm: float = 0.0


NOTHING_HIDDEN = Hidden()


def find_hidden(matched: Bools, inside: Bools, depth_mm: Picture, brightness: Picture) -> Hidden:
    """Find the patches of a void where nothing matched.

    Parameters
    ----------
    matched, inside
        (h, w) cells whose depth is believed; the void.
    depth_mm
        (h, w) filled.
    brightness
        (h, w) grey values of the floor.
    """
    rim = cv2.distanceTransform(inside.astype(np.uint8), cv2.DIST_L2, 5)
    square = np.ones((LEAST_PATCH_CELLS, LEAST_PATCH_CELLS), np.uint8)
    patches = cv2.morphologyEx((inside & ~matched & (rim > RIM_CELLS)).astype(np.uint8), cv2.MORPH_OPEN, square)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(patches)
    if count < 2:
        return NOTHING_HIDDEN
    area = float(inside.sum())
    largest = labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    side = 2 * AROUND_CELLS + 1
    mouth = (cv2.dilate(largest.astype(np.uint8), np.ones((side, side), np.uint8)) > 0) & inside
    around = mouth & matched
    light = 1.0
    if around.any():
        light = float(np.median(brightness[largest]) + 1) / float(np.median(brightness[around]) + 1)
    hidden = patches > 0
    return Hidden(
        share=float(hidden.sum()) / area,
        depth_mm=float(depth_mm[hidden].mean()),
        largest=float(largest.sum()) / area,
        light=light,
        mouth=float(mouth.sum()) / area,
        mouth_mm=float(depth_mm[mouth].mean()),
    )


def pit_chance(hidden: Hidden, sure: float, kind: Kind, before: float, *, thickness_mm: float) -> float:
    """Return the chance that a void goes through the slab, given what is hidden of its floor.

    Parameters
    ----------
    hidden, sure
        The hidden part, and the share of the area that was matched.
    kind
        The void's likeliest kind.
    before
        The chance without the photos from other places.
    thickness_mm
        The slab's thickness.
    """
    if kind not in DISHES or not 0 < before < 1:
        return before
    odds = float(np.log(before / (1 - before))) + ODDS
    odds += DEEP_WEIGHT * float(np.log(max(hidden.mouth_mm, SHALLOWEST_MM) / thickness_mm))
    odds += LARGE_WEIGHT * float(np.log(max(hidden.largest, SMALLEST_SHARE) / LARGE_SHARE))
    odds += SURE_WEIGHT * (sure - 0.5)
    if hidden.largest > 2 * SMALLEST_SHARE:
        off = max(float(np.log(SHADE[0] / hidden.light)), float(np.log(hidden.light / SHADE[1])), 0.0)
        odds += LIGHT_WEIGHT * min(off, 1.0)
    return 1 / (1 + float(np.exp(-odds)))


def floor_seen(sure: float, kind: Kind) -> float:
    """Return the chance that the matched share of a void shows its floor, not the walls of a shaft alone."""
    return 1.0 if kind in DISHES else min(OPEN_LEAST + OPEN_BY_SURE * sure, OPEN_MOST)


def with_hidden(mean_mm: float, hidden: Hidden, *, kind: Kind, thickness_mm: float, pit: float) -> tuple[float, float]:
    """Return a void's mean depth with its hidden part as deep as it should be, and the doubt of that (log, 1 s.d.).

    In a shaft the hidden part is the floor itself, and nothing is added: see :func:`floor_seen`.

    Parameters
    ----------
    mean_mm
        Mean depth with the hidden part filled from around it.
    hidden
        The hidden part.
    kind
        The void's likeliest kind.
    thickness_mm
        The slab's thickness.
    pit
        Chance that the hidden part of a dish is a pit through the slab.
    """
    if kind not in DISHES:
        return mean_mm, 0.0
    blind = hidden.share * (min(DEEPER * hidden.depth_mm, thickness_mm) - hidden.depth_mm)
    mouth = min(hidden.mouth, LARGEST_PIT_SHARE)
    through = max(mouth * (PIT_FLOOR_REL * thickness_mm - hidden.mouth_mm), blind)
    mean = mean_mm + (1 - pit) * blind + pit * through
    variance = (1 - pit) * (hidden.share * DEEPER_LOG * DEEPER * hidden.depth_mm) ** 2
    variance += pit * (mouth * PIT_FLOOR_SD * thickness_mm) ** 2 + pit * (1 - pit) * (through - blind) ** 2
    return mean, float(np.log1p(variance / mean**2)) ** 0.5
