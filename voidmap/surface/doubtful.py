"""Lines that look like cracks by halves: judged again by what only a line tells.

A line's figures are those of its cover; that it goes on past its ends, where it is too faint to be traced, is no
figure of its own. Nor does a chance that is right for patches and spots hold for lines.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from voidmap.records import Kind
from voidmap.surface.candidates import Looked
from voidmap.surface.features import Candidate
from voidmap.surface.follow import path_of
from voidmap.surface.merge import BRIDGE_MM, Judged
from voidmap.surface.nested import shared
from voidmap.surface.reach import DOUBTFUL, past_ends
from voidmap.surface.rim import Cover

# A line of less chance than this is no piece of a crack even in line with one.
LEAST_CHANCE = 0.1
# What shares more than this with a void is a part of it.
OVERLAP = 0.5
# A line of which a void makes up more than this is that void, traced.
MOSTLY = 0.15
# The log odds that a line is a crack: a start, a share of those that it was judged by, the more (natural log, from 1 mm
# up) the farther it is followed past its ends; less the longer it is itself (a crack shows in pieces, a ring runs
# on), the bluer it is than the wood (natural log: pencil, tape, paper; the light in a crack has met wood), and the more
# of what surrounds it is no bare top (share: the slab's own edge). Fitted by logistic regression to 1010 lines (591 of
# them on voids) of chance .03 to .93 on 161 simulated slabs. On 20 others benchmarks/train_doubtful.py gives 3.15,
# 1.09, .60, -.88, -6.8, -7.3 (337 lines; 1 sigma over slabs 1.12, .17, .18, .32, 3.1, 4.6).
START, OWN, ONWARD, LENGTH, BLUE, BORDER = 3.24, 1.24, 0.57, -0.66, -5.9, -6.0
# It is called from this chance on when it is at least so long with what it is followed by: what is shorter, and goes on
# nowhere, other renderers' pores and flecks look like. Of those of the fitted lines that were not called before 123 of
# 132 are true.
CALL, LEAST_FOLLOWED_MM = 0.8, 15.0
# A crack as wide as this in the mean is deep, and dark enough to be sure by its figures: a wide line in doubt is a band
# of the wood's own. Of those that would be called 28 of 29 up to 1.9 mm wide are cracks, and neither of two wider ones
# (110 simulated slabs, 36 of them conifers).
WIDEST_IN_DOUBT_MM = 2.5
# What is less than this many times longer than wide is no line: it was traced around or across a patch.
STUBBY = 3.0
# Of a slab with more doubtful lines than this (one of 20 simulated ones) the odds know nothing: what stands out is
# its figure, as a phone that evens out or sharpens the tones shows it.
MOST_DOUBTFUL = 7


def doubtful_lines(called: Sequence[Judged], judged: Sequence[Judged]) -> list[Judged]:
    """Return the lines of all ``judged`` that are called no void but may be one: slender, not unlikely, of no void."""
    voids = [found.cover for found, judgement in called if judgement.is_void]
    lines = (item for item in judged if is_line(item) and not is_stubby(item))
    return [item for item in lines if _may_be_void(item, voids)]


def likely_cracks(doubtful: Sequence[Judged], called: Sequence[Judged], looked: Looked) -> list[Judged]:
    """Return those of a slab's doubtful lines that are likely cracks, with their chance, as such."""
    voids = [item for item in called if item[1].is_void]
    if len(doubtful) > MOST_DOUBTFUL:
        return []
    corner, mm = np.array(looked.corner, dtype=np.float64), looked.evened.mm_per_px
    onward = past_ends([path_of(found) - corner for found, _ in doubtful], looked.evened, DOUBTFUL)
    likely = []
    for (found, judgement), ends in zip(doubtful, onward, strict=True):
        onward_mm = sum(len(points) for points in ends) * mm
        chance = crack_chance(found, judgement.void_probability, onward_mm)
        long = math.exp(found.features["log_length"]) + onward_mm >= LEAST_FOLLOWED_MM
        narrow = found.cover.area_px * mm * mm <= WIDEST_IN_DOUBT_MM * math.exp(found.features["log_length"])
        if long and narrow and chance >= CALL and not _is_of(found, voids, mm):
            likely.append((found, replace(judgement, kind=Kind.CRACK, void_probability=chance)))
    return likely


def crack_chance(found: Candidate, chance: float, onward_mm: float) -> float:
    """Return the chance that a line of this chance by its figures is a crack.

    ``onward_mm`` is how far it can be followed past its ends, both together.
    """
    figures = found.features
    odds = START + OWN * math.log(chance / (1.0 - chance)) + ONWARD * math.log1p(onward_mm)
    odds += LENGTH * figures["log_length"] + BLUE * figures["blue"] + BORDER * figures["at_border"]
    return 1.0 / (1.0 + math.exp(-odds))


def is_line(item: Judged) -> bool:
    """Tell whether a thing was traced as a line."""
    return item[0].source == "line" and item[0].path_px is not None


def is_stubby(item: Judged) -> bool:
    """Tell whether a line runs around or across something wide."""
    return item[0].source == "line" and item[0].features["log_axes"] < math.log(STUBBY)


def _may_be_void(item: Judged, voids: Sequence[Cover]) -> bool:
    found, judgement = item
    likely = not judgement.is_void and judgement.void_probability >= LEAST_CHANCE
    return likely and all(shared(found.cover, cover) <= OVERLAP for cover in voids)


def _is_of(found: Candidate, voids: Sequence[Judged], mm_per_px: float) -> bool:
    """Tell whether a line belongs to a void that is called: is that void for the most part, or branches off a crack.

    A branch would make one void of two cracks that meet, and was not likely enough for itself.
    """
    large = (other.cover for other, _ in voids if other.cover.area_px > MOSTLY * found.cover.area_px)
    if any(shared(cover, found.cover) > OVERLAP for cover in large):
        return True
    return any(_touch(found.cover, item[0].cover, BRIDGE_MM / mm_per_px) for item in voids if is_line(item))


def _touch(one: Cover, other: Cover, reach_px: float) -> bool:
    """Tell whether two outlines come that near to each other."""
    from scipy.spatial import cKDTree

    away, _ = cKDTree(other.outline_px).query(one.outline_px, distance_upper_bound=reach_px)
    return bool(np.isfinite(away).any())
