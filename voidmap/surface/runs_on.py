"""How likely a wider strip beside the top is a void's mouth: the outer line runs on where the inner one breaks off.

Where the edge itself bends, the end of the wood bends and the bark or shade beside it is now wider, now narrower. At a
void that opens on the side the wood breaks off, and the line where the bench begins runs on past it, as smooth as
beside it. This needs no straight edge on either side, unlike a chord over the mouth.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from voidmap.model import Floats
from voidmap.surface.band import ALONG_MM, Band

Ints = NDArray[np.intp]

# Shallower strips and shorter ones tell nothing.
LEAST_DEPTH_MM, LEAST_MOUTH_MM = 3.0, 10.0
# The strip on either side of the mouth is read over this far.
SHOULDER_MM = 20.0
# A logistic model of four figures: the log of the inner line's wander over the outer one's, the share of its depth
# that the strip fills, the log of the shoulders' unsteadiness against the depth, the log of depth over mouth. Fitted
# by benchmarks/train_mouths.py on 1,202 wider strips of 57 simulated slabs (a strip is right when over 0.6 of it lies
# within the true top); on slabs left out, a right strip is likelier than a wrong one in 0.80 of pairs. Strips 3 to 5
# times as deep as wide are among them: the right ones are checks that run out through a sawn end. The second weight is
# hardly known (1 sigma 1.6) and with it the bias; the others are to 0.4.
BIAS, WEIGHTS = -1.0, (2.2, 2.4, -0.9, 1.5)
# With parallax the chance is joined with the mean nats of the strip, by which it lies rather at the top's height than
# at the bench's: what is added to the log odds, and their weight.
HEIGHT_BIAS, HEIGHT_WEIGHT = -1.2, 0.85
# Of strips that overlap the greatest is chosen, so that of those left undecided fewer are voids than their chances say:
# of 257 with a chance of 0.05 to 0.5 on 77 simulated slabs (one photo and three) 14 were. Their log odds times the
# second, and the first (1 sigma 0.35 and 0.6).
LEFT_BIAS, LEFT_WEIGHT = -1.9, 0.6
# Below this a share counts no less in the logs.
LEAST_SHARE = 0.01
# Lines wander off their own cubic: an edge bends once or twice over a mouth.
DEGREE = 3


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

    Parameters
    ----------
    top_mm, side_mm
        (all rows,) offsets of the end of the wood and of what is neither wood nor bench.
    rows, ends
        The run's rows (n,), and those just before and after it.
    band
        The band that both were found in.

    Returns
    -------
    Mouth or None
        None where the run is too short or too shallow.
    """
    seen = looks_of(top_mm, side_mm, rows, ends)
    if seen is None:
        return None
    looks, natural = seen
    odds = BIAS + float(np.dot(WEIGHTS, looks))
    nats = height_of(band, rows, top_mm[rows], natural)
    if nats is not None:
        odds += HEIGHT_BIAS + HEIGHT_WEIGHT * nats
    chance = 1.0 / (1.0 + np.exp(-odds))
    smooth = ndimage.median_filter(natural, min(len(rows), 7) | 1, mode="nearest")
    return Mouth(rows, np.asarray(smooth, dtype=np.float64), float(chance))


def looks_of(top_mm: Floats, side_mm: Floats, rows: Ints, ends: tuple[int, int]) -> tuple[Floats, Floats] | None:
    """Measure a run of wider strip: the model's four figures (4,), and offsets (n,) mm of the edge carried across it.

    Arguments and None as in `as_mouth`.
    """
    mouth = len(rows) * ALONG_MM
    if mouth < LEAST_MOUTH_MM:
        return None
    count = len(top_mm)
    beside = np.arange(max(1, round(SHOULDER_MM / ALONG_MM)))
    before, after = (ends[0] - beside) % count, (ends[1] + beside) % count
    low, usual, high = np.percentile([side_mm[k] - top_mm[k] for k in (before, after)], (20, 50, 80), axis=1)
    natural = side_mm[rows] - np.linspace(usual[0], usual[1], len(rows))
    gap = natural - top_mm[rows]
    depth = float(gap.max())
    if depth < LEAST_DEPTH_MM:
        return None
    around = np.concatenate([before[::-1], rows, after])
    inner, outer = np.maximum(LEAST_SHARE, _wander(np.stack([top_mm[around], side_mm[around]])) / depth)
    looks = (
        np.log(inner / outer),
        gap.mean() / depth,
        np.log(max(LEAST_SHARE, float((high - low).max()) / depth + 0.05)),
        np.log(max(LEAST_SHARE, depth / mouth)),
    )
    return np.array(looks), natural


def height_of(band: Band, rows: Ints, from_mm: Floats, to_mm: Floats) -> float | None:
    """Return the mean nats of a strip between two lines (n,) of offsets; None without parallax."""
    if band.nats is None:
        return None
    at = band.offsets_mm[None]
    strip = band.seen[rows] & (at > from_mm[:, None]) & (at < to_mm[:, None])
    return float(band.nats[rows][strip].mean()) if strip.any() else 0.0


def _wander(lines: Floats) -> Floats:
    """Return the 1-sigma distances (k,) of lines (k, n) from their own cubics."""
    curves = _curves(lines.shape[1])
    return np.asarray(np.std(lines - lines @ curves @ curves.T, axis=1))


@lru_cache(maxsize=256)
def _curves(count: int) -> Floats:
    """Return an orthonormal basis (count, DEGREE + 1) of the cubics over a line of points."""
    along = np.polynomial.legendre.legvander(np.linspace(-1.0, 1.0, count), DEGREE)
    return np.asarray(np.linalg.qr(along)[0])
