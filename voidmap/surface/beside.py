"""A strip beside the slab whose tint no bench has elsewhere: wide sapwood along a side is easily read as bench."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from voidmap.model import Floats
from voidmap.surface.band import ACROSS_MM, Band
from voidmap.surface.tops_end import TINTS, stretches_of, tint_bins

# The bench's tint is what most stretches of the edge show far out. A stretch counts with so many px of bench, and so
# many stretches are needed: a side of a slab is up to a half of them.
LEAST_PX, LEAST_STRETCHES = 200, 4
# A px is odd when its tint is rarer in the bench than this share of a usual bench px's (20th percentile).
ODD, USUAL_PERCENTILE = 0.05, 20.0
# Single px are noise: over this far across, most are odd. The strip begins within this of the slab's side.
SMOOTH_MM, TOUCHING_MM = 5.0, 1.0
# A strip is at least so wide, in the median over so long.
LEAST_MM, LONG_MM = 8.0, 30.0
# Parallax that says so much (nats) for the bench settles it.
BENCH_NATS = -1.0


def odd_beside(band: Band, side_mm: Floats, bench: np.ndarray) -> Floats:
    """Return the width (rows,) mm of the strip beside the slab that has not the bench's tint, 0 where there is none.

    Parameters
    ----------
    band
        The band along the edge.
    side_mm
        (rows,) offsets where the slab's side ends and bench is seen.
    bench
        (rows, columns) px that are surely far out.
    """
    usual = _bench_tint(band, bench)
    nothing = np.zeros(len(side_mm))
    if usual is None or not bench.any():
        return nothing
    share = usual[tint_bins(band)]
    odd = share < ODD * np.percentile(share[bench][::5], USUAL_PERCENTILE)
    if band.nats is not None:
        odd &= band.nats > BENCH_NATS
    size = round(SMOOTH_MM / ACROSS_MM)
    odd = band.seen & (ndimage.uniform_filter1d(odd.astype(np.float32), size, axis=1) > 0.5)
    beyond = band.offsets_mm[None] > side_mm[:, None] + TOUCHING_MM
    stops = np.pad(beyond & ~odd, ((0, 0), (0, 1)), constant_values=True).argmax(axis=1)
    starts = np.pad(beyond, ((0, 0), (0, 1)), constant_values=True).argmax(axis=1)
    width = ndimage.median_filter((stops - starts) * ACROSS_MM, band.rows_of(LONG_MM), mode="wrap")
    return np.asarray(np.where(width >= LEAST_MM, width + TOUCHING_MM, 0.0), dtype=np.float64)


def _bench_tint(band: Band, bench: np.ndarray) -> Floats | None:
    """Return how common each tint is in the bench, as most stretches of the edge show it."""
    stretch, count = stretches_of(band)
    keys = (stretch * TINTS * TINTS + tint_bins(band))[bench]
    table = np.bincount(keys, minlength=count * TINTS * TINTS).reshape(count, TINTS, TINTS)
    soft = ndimage.gaussian_filter(table.astype(np.float64), (0.0, 0.85, 0.85), mode="nearest").reshape(count, -1)
    known = table.reshape(count, -1).sum(axis=1) >= LEAST_PX
    if known.sum() < LEAST_STRETCHES:
        return None
    return np.asarray(np.median(soft[known] / soft[known].sum(axis=1, keepdims=True), axis=0))
