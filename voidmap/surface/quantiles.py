"""Quantiles of small samples: NumPy's own spend more on their options than on the sample."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from voidmap.surface.mosaic import Bools, Floats32


def quantiles(values: Floats32, *shares: float) -> tuple[float, ...]:
    """Return quantiles of values (n,), n at least 1, linear between neighbours."""
    ordered = np.sort(values)
    last = len(ordered) - 1
    found = []
    for share in shares:
        below = int(share * last)
        low, high = ordered[below], ordered[min(below + 1, last)]
        found.append(float(low) + (share * last - below) * float(high - low))
    return tuple(found)


def median(values: Floats32, otherwise: float) -> float:
    """Return the median of values (n,); ``otherwise`` when there are none."""
    return quantiles(values, 0.5)[0] if len(values) else otherwise


def medians(values: Floats32, known: Bools) -> tuple[Floats32, NDArray[np.intp]]:
    """Return the median (n,) of the known values of each row (n, m), 0 where none is, and how many are known."""
    ordered = np.sort(np.where(known, values, np.float32(np.inf)), axis=1)
    count = known.sum(axis=1)
    middle = np.maximum(count - 1, 0)
    both = np.take_along_axis(ordered, np.column_stack([middle // 2, (middle + 1) // 2]), axis=1)
    return np.where(count > 0, both.mean(axis=1), np.float32(0)), count
