"""Quantiles of small samples: NumPy's own spend more on their options than on the sample."""

from __future__ import annotations

import numpy as np

from voidmap.surface.mosaic import Floats32


def quantiles(values: Floats32, *shares: float) -> tuple[float, ...]:
    """Return quantiles of values (n,), n at least 1, linear between neighbours."""
    ordered = np.sort(values)
    spots = np.array(shares) * (len(ordered) - 1)
    below = spots.astype(np.intp)
    above = np.minimum(below + 1, len(ordered) - 1)
    return tuple((ordered[below] + (spots - below) * (ordered[above] - ordered[below])).tolist())


def median(values: Floats32, otherwise: float) -> float:
    """Return the median of values (n,); ``otherwise`` when there are none."""
    return quantiles(values, 0.5)[0] if len(values) else otherwise
