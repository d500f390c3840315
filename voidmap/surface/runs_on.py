"""How likely a wider strip beside the top is a void's mouth: the outer line runs on where the inner one breaks off.

Where the edge itself bends, the end of the wood bends and the bark or shade beside it is now wider, now narrower. At a
void that opens on the side the wood breaks off, and the line where the bench begins runs on past it, as smooth as
beside it. This needs no straight edge on either side, unlike a chord over the mouth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats
from voidmap.surface.band import Band
from voidmap.surface.mouth_looks import SAWN_MM, looks_of, straight_over

Ints = NDArray[np.intp]

# A logistic model of the nine figures of mouth_looks, each less its mean and over its spread, and of their squares (a
# mouth is neither as flat as a bend nor as deep as a crack). The first seven were fitted by benchmarks/train_mouths.py
# on 2,315 wider strips of 137 simulated slabs (a strip is right when over 0.6 of it lies within the true top; of pairs
# left out, 0.92 were told apart); 1 sigma over slabs: 0.5, 0.4, 0.25, 0.2, 0.2, 0.4, 0.3, and of the squares 0.2, but
# 0.5 of the first. On 1,930 strips of 120 slabs of more variety, some of them among those, they were found a third too
# sure, scaled down, and the last two fitted beside them (1 sigma 0.1): with a tenth of the slabs left out of that at a
# time, where 40,000 mm2 are wrongly taken, 310,000 are rightly (278,000 before). All nine fitted anew: 294,000.
MEAN = (-0.69, 0.65, -1.17, -1.41, -0.19, 0.19, 0.28, -0.14, 0.08)
SPREAD = (1.46, 0.17, 0.88, 1.04, 1.41, 0.65, 0.57, 0.43, 0.10)
BIAS = -2.09
WEIGHTS = (1.88, 0.0, -0.16, 0.85, 0.96, 0.28, -0.34, -0.54, 0.69)
SQUARES = (0.18, -0.13, 0.14, -0.64, 0.33, 0.11, 0.13, 0.0, 0.0)
# Figures further off are none that it has learned from.
FARTHEST = 3.0
# With parallax the chance is joined with the mean nats of the strip, by which it lies rather at the top's height than
# at the bench's: what is added to the log odds, and their weight (1 sigma 0.2 and 0.15; 100 of the slabs).
HEIGHT_BIAS, HEIGHT_WEIGHT = -0.87, 0.67
# Of strips that overlap the greatest is chosen, so that of those left undecided fewer are voids than their chances say:
# of 374 with a chance of 0.05 to 0.5 on 137 simulated slabs that were left out (one photo and three), 24 were. Their
# log odds times the second, and the first (1 sigma 0.3 and 0.5).
LEFT_BIAS, LEFT_WEIGHT = -0.8, 1.1


@dataclass(frozen=True, eq=False)
class Mouth:
    """A run of rows that may be a void's mouth: chance 0 to 1, and offsets (n,) mm of the edge across it."""

    rows: Ints
    natural_mm: Floats
    chance: float

    @property
    def chance_left(self) -> float:
        """Chance that it is a void when it was left undecided."""
        odds = LEFT_BIAS + LEFT_WEIGHT * float(np.log(self.chance / (1.0 - self.chance)))
        return float(1.0 / (1.0 + np.exp(-odds)))


def as_mouth(top_mm: Floats, side_mm: Floats, rows: Ints, ends: tuple[int, int], band: Band) -> Mouth | None:
    """Weigh a run of wider strip.

    The parameters are those of ``looks_of``.

    Returns
    -------
    Mouth or None
        None where the run is too short or too shallow.
    """
    seen = looks_of(top_mm, side_mm, rows, ends, band)
    if seen is None:
        return None
    figures, natural = seen
    odds = log_odds(figures)
    nats = height_of(band, rows, top_mm[rows], natural)
    if nats is not None:
        odds += HEIGHT_BIAS + HEIGHT_WEIGHT * nats
    sawn, scatter = straight_over(top_mm, rows, ends)
    # Past a sawn edge's mouth bench may be seen where the floor has gone: the line is the saw's.
    if scatter < SAWN_MM:
        natural = np.maximum(natural, sawn)
    return Mouth(rows, natural, float(1.0 / (1.0 + np.exp(-odds))))


def log_odds(figures: Floats) -> float:
    """Return the log odds that a strip is a void's mouth, from the figures (9,) of `looks_of`."""
    z = np.clip((figures - MEAN) / SPREAD, -FARTHEST, FARTHEST)
    return float(BIAS + z @ np.array(WEIGHTS) + z * z @ np.array(SQUARES))


def height_of(band: Band, rows: Ints, from_mm: Floats, to_mm: Floats) -> float | None:
    """Return the mean nats of a strip between two lines (n,) of offsets; None without parallax."""
    if band.nats is None:
        return None
    at = band.offsets_mm[None]
    strip = band.seen[rows] & (at > from_mm[:, None]) & (at < to_mm[:, None])
    return float(band.nats[rows][strip].mean()) if strip.any() else 0.0
