"""Sapwood in the cut between slab and bench: paler than the heartwood around the boards, and smooth as a bench."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from voidmap.model import Floats
from voidmap.surface.patches import COLOUR, Bools

# A paler patch whose tint is nearer to the wood's than to the bench's may be sapwood: how far that is believed.
SAP_TRUST = 0.3
# By its tone a paler patch is the less bench's, the more it outshines this percentile of what is surely bench: on an
# olive bench sapwood's tint is nearer to the bench's. Its grain has to speak for itself: paper outshines a bench too.
# (Of 417 photos of simulated slabs one gets half a strip of sapwood back that was cut off, 40 mm wide.)
BRIGHTEST = 99.0
# What difference of tint says nothing (log units).
TINT_SAME = 0.03


def as_sapwood(looks: Floats, slab: Bools, bench: Bools, stand: tuple[int, int]) -> tuple[Floats, Floats]:
    """How far each paler look is the wood's rather than the bench's, 0 to 1: by its tint and tone, and by its tint.

    ``looks`` (n, 5) are log units, as named in ``LOOKS``, ``slab`` and ``bench`` (n,) what is taken for either; so many
    patches stand for all of a side, and so many nearest ones of them are asked (``stand``).
    """
    most, nearest = stand
    wood, other = (looks[known][:: max(1, int(known.sum()) // most), COLOUR] for known in (slab, bench))
    near = (np.asarray(cKDTree(own).query(looks[:, COLOUR], k=nearest, workers=-1)[0]) for own in (wood, other))
    to_wood, to_bench = (n.mean(axis=1) + TINT_SAME for n in near)
    pale = looks[:, 0] > np.median(looks[slab, 0])
    outshines = np.maximum(looks[:, 0] - np.percentile(looks[bench, 0], BRIGHTEST), 0.0)

    def share(far: Floats) -> Floats:
        return np.where(pale, far**2 / (to_wood**2 + far**2), 0.0)

    return share(np.hypot(to_bench, outshines)), share(to_bench)


def paler_than_both(looks: Floats, slab: Bools, bench: Bools) -> Bools:
    """Return which looks are paler than the usual one of either side."""
    return np.asarray(looks[:, 0] > max(float(np.median(looks[known, 0])) for known in (slab, bench)))
