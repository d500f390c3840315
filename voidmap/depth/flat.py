"""Whether photos from several places show depth: a flat thing looks alike in them where it is laid on the wood's level.

Deep and flat are told by one figure, the gain: by how much better the photos match on the depths that the sweep found
than on the level of the wood around. The best of many depths always matches a little better by chance, however flat a
thing is; where it matches much better, or where the level alone does not match, the thing lies elsewhere.
"""

from __future__ import annotations

import math

NATS_AT_ONE, NATS_BY_LOG = 7.4, 4.2
PAIR_NATS_AT_ONE, PAIR_NATS_BY_LOG = 5.7, 3.5
"""Log-likelihood ratio of a void to a flat thing at a gain of 1, and for each log of the gain, from three photos and
more, and from two: logistic regressions of what 256 voids and 394 flat things found on 97 simulated slabs were, on the
gain, beside the chance that one photo gave them. With every eighth of the slabs left out of the fit, 3 of the flat
things (of 2 ml in all) came out as voids and 2 of the voids as flat (``benchmarks/flat.py``)."""
LEAST_GAIN = 0.02
"""A gain says no more when it is less: it is the chance part that is left (0.01 to 0.1 fit as well)."""
MOST_NATS = 4.4
"""However clear, photos say no more than this: of 256 voids none read as flat, nor any of as many flat things away from
the edge as deep, so that one in 85 may (the rule of three)."""


def void_nats(gain: float, *, views: int, beside_edge: bool = False) -> float:
    """Return the log-likelihood ratio of a void to a flat thing, given by how much depths match better than the level.

    Parameters
    ----------
    gain
        Mean correlation on the depths found, less that on the wood's level.
    views
        Number of photos.
    beside_edge
        The thing touches the slab's outline: what is deep there may as well be the slab's own flank, or the bench.
    """
    at_one, by_log = (PAIR_NATS_AT_ONE, PAIR_NATS_BY_LOG) if views < 3 else (NATS_AT_ONE, NATS_BY_LOG)
    nats = at_one + by_log * math.log(max(gain, 0.0) + LEAST_GAIN)
    return min(max(nats, -MOST_NATS), 0.0 if beside_edge else MOST_NATS)
