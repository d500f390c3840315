"""How likely a wider strip beside the top is a void's mouth: the outer line runs on where the inner one breaks off.

Where the edge itself bends, the end of the wood bends and the bark or shade beside it is now wider, now narrower. At a
void that opens on the side the wood breaks off, and the line where the bench begins runs on past it, as smooth as
beside it. This needs no straight edge on either side, unlike a chord over the mouth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from voidmap.model import Floats
from voidmap.surface.band import ALONG_MM

Ints = NDArray[np.intp]

# Shallower strips and shorter ones tell nothing.
LEAST_DEPTH_MM, LEAST_MOUTH_MM = 3.0, 10.0
# The strip on either side of the mouth is read over this far.
SHOULDER_MM = 20.0
# Weights of a logistic model, fitted on 1,555 wider strips of 57 simulated slabs and 35 other photos (each weighted by
# its area, a strip is right when over 0.6 of it lies within the true top): the log of the inner line's wander over the
# outer one's, the share of its depth that the strip fills, the log of the shoulders' unsteadiness against the depth,
# the log of depth over mouth.
BIAS, WEIGHTS = -1.5, (2.4, 3.0, -1.0, 1.5)
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


def as_mouth(top_mm: Floats, side_mm: Floats, rows: Ints, ends: tuple[int, int]) -> Mouth | None:
    """Weigh a run of wider strip.

    Parameters
    ----------
    top_mm, side_mm
        (all rows,) offsets of the end of the wood and of what is neither wood nor bench.
    rows, ends
        The run's rows (n,), and those just before and after it.

    Returns
    -------
    Mouth or None
        None where the run is too short or too shallow.
    """
    count = len(top_mm)
    beside = np.arange(max(1, round(SHOULDER_MM / ALONG_MM)))
    before, after = (ends[0] - beside) % count, (ends[1] + beside) % count
    strips = [side_mm[k] - top_mm[k] for k in (before, after)]
    usual = np.linspace(np.median(strips[0]), np.median(strips[1]), len(rows))
    natural = side_mm[rows] - usual
    gap = natural - top_mm[rows]
    depth, mouth = float(gap.max()), len(rows) * ALONG_MM
    if depth < LEAST_DEPTH_MM or mouth < LEAST_MOUTH_MM:
        return None
    around = np.concatenate([before[::-1], rows, after])
    inner, outer = (max(LEAST_SHARE, _wander(line[around]) / depth) for line in (top_mm, side_mm))
    unsteady = max(float(np.subtract(*np.percentile(s, [80, 20]))) for s in strips) / depth
    looks = (
        np.log(inner / outer),
        gap.mean() / depth,
        np.log(max(LEAST_SHARE, unsteady + 0.05)),
        np.log(max(LEAST_SHARE, depth / mouth)),
    )
    chance = 1.0 / (1.0 + np.exp(-(BIAS + float(np.dot(WEIGHTS, looks)))))
    smooth = ndimage.median_filter(natural, min(len(rows), 7) | 1, mode="nearest")
    return Mouth(rows, np.asarray(smooth, dtype=np.float64), float(chance))


def _wander(line: Floats) -> float:
    """Return a line's 1-sigma distance from its own cubic."""
    along = np.polynomial.legendre.legvander(np.linspace(-1.0, 1.0, len(line)), DEGREE)
    return float(np.std(line - along @ np.linalg.lstsq(along, line, rcond=None)[0]))
