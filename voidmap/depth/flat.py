"""Whether photos from several places show depth: a flat thing looks alike in them where it is laid on the wood's level.

Deep and flat are told by one figure, the gain: by how much better the photos match on the depths that the sweep found
than on the level of the wood around. The best of many depths always matches a little better by chance, however flat a
thing is; where it matches much better, or where the level alone does not match, the thing lies elsewhere.
"""

from __future__ import annotations

import math

NATS_AT_ONE, NATS_BY_LOG = 14.8, 8.0
PAIR_NATS_AT_ONE, PAIR_NATS_BY_LOG = 5.9, 3.7
"""Log-likelihood ratio of a void to a flat thing at a gain of 1, and for each log of the gain, from three photos and
more, and from two: logistic regressions of what 200 voids and 342 flat things found on 95 simulated slabs were, on the
gain, beside the chance that one photo gave them (``benchmarks/flat.py``). Of these regions 28 flat ones had a chance of
half and more; fitted with every eighth of the slabs left out, none of them has with three photos and 5 with two, and 1
and 5 voids have less (6 ml in all). Both together: 7.8 and 4.6, which loses holes of knots in soft photos."""
LEAST_GAIN = 0.02
"""A gain says no more when it is less: it is the chance part that is left (0.01 to 0.1 fit as well)."""
MOST_NATS = 4.2
"""However clear, photos say no more than this: of 200 voids none read as flat as a flat thing, nor any flat thing away
from the edge as deep as a void, so that one in 67 may (the rule of three)."""
FLANK_REL = 0.4
"""Beside the edge what is narrower than this share of the thickness may be the slab's own flank, seen at a slant of 22
degrees or slid outward: 12 such strips on 97 simulated slabs were 0.08 to 0.23 wide, and no void beside them had a
chance below a half by one photo."""


def void_nats(gain: float, *, views: int, may_be_flank: bool = False) -> float:
    """Return the log-likelihood ratio of a void to a flat thing, given by how much depths match better than the level.

    Parameters
    ----------
    gain
        Mean correlation on the depths found, less that on the wood's level.
    views
        Number of photos.
    may_be_flank
        What is deep here may as well be the slab's own flank, or the bench; see :func:`may_be_flank`.
    """
    at_one, by_log = (PAIR_NATS_AT_ONE, PAIR_NATS_BY_LOG) if views < 3 else (NATS_AT_ONE, NATS_BY_LOG)
    nats = at_one + by_log * math.log(max(gain, 0.0) + LEAST_GAIN)
    return min(max(nats, -MOST_NATS), 0.0 if may_be_flank else MOST_NATS)


def may_be_flank(*, opens_on_edge: bool, width_mm: float, thickness_mm: float) -> bool:
    """Whether a thing lies beside the slab's outline and is narrow enough to be the slab's own flank."""
    return opens_on_edge and width_mm < FLANK_REL * thickness_mm
