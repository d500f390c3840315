"""Whether photos from several places show depth: a flat thing looks alike in them where it is laid on the wood's level.

Deep and flat are told by one figure, the gain: by how much better the photos match on the depths that the sweep found
than on the level of the wood around. The best of many depths always matches a little better by chance, however flat a
thing is; where it matches much better, or where the level alone does not match, the thing lies elsewhere.
"""

from __future__ import annotations

import math

NATS_AT_ONE, NATS_BY_LOG = 7.8, 4.6
"""Log-likelihood ratio of a void to a flat thing at a gain of 1, and for each log of the gain: a logistic regression of
what 200 voids and 344 flat things found on 95 simulated slabs were, on the gain from three photos and from two, beside
the chance that one photo gave them (``benchmarks/flat.py``). Of these regions 28 flat ones had a chance of half and
more; fitted with every eighth of the slabs left out, none of them has with three photos and 5 with two, and 1 and 5
voids have less (6 ml in all)."""
LEAST_GAIN = 0.02
"""A gain says no more when it is less: it is the chance part that is left (0.01 to 0.1 fit as well)."""
MOST_NATS = 4.2
"""However clear, photos say no more than this: of 200 voids none read as flat as a flat thing, nor any flat thing away
from the edge as deep as a void, so that one in 67 may (the rule of three)."""


def void_nats(gain: float, *, beside_edge: bool = False) -> float:
    """Return the log-likelihood ratio of a void to a flat thing, given by how much depths match better than the level.

    Parameters
    ----------
    gain
        Mean correlation on the depths found, less that on the wood's level.
    beside_edge
        The thing touches the slab's outline: what is deep there may as well be the slab's own flank, or the bench.
    """
    nats = NATS_AT_ONE + NATS_BY_LOG * math.log(max(gain, 0.0) + LEAST_GAIN)
    return min(max(nats, -MOST_NATS), 0.0 if beside_edge else MOST_NATS)
