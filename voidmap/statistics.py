"""Counting statistics: exact intervals, capture-recapture, nearest neighbours, predictions.

All intervals are two-sided and equal-tailed; the level is 95 % unless said otherwise.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from voidmap.errors import ValueRefused
from voidmap.records import Interval

LEVEL = 0.95


def binomial_interval(hits: int, trials: int, *, level: float = LEVEL) -> Interval:
    """Return the exact interval of Clopper and Pearson (Biometrika 26, 1934) for a proportion.

    With no trials it is (0, 1).

    Raises
    ------
    ValueRefused
        When there are more hits than trials, or fewer than none.
    """
    from scipy.stats import beta

    if not 0 <= hits <= trials:
        raise ValueRefused(f"{hits} of {trials} can't be counted", "give hits between 0 and the number of trials")
    if trials == 0:
        return Interval(0.0, 1.0)
    tail = (1 - level) / 2
    lo = beta.ppf(tail, hits, trials - hits + 1) if hits else 0.0
    hi = beta.ppf(1 - tail, hits + 1, trials - hits) if hits < trials else 1.0
    return Interval(float(lo), float(hi))


def poisson_interval(count: int, *, level: float = LEVEL) -> Interval:
    """Return the exact interval of Garwood (Biometrika 28, 1936) for the mean of a Poisson count."""
    from scipy.stats import chi2

    if count < 0:
        raise ValueRefused(f"{count} can't be counted", "give a count of 0 or more")
    tail = (1 - level) / 2
    lo = chi2.ppf(tail, 2 * count) / 2 if count else 0.0
    return Interval(float(lo), float(chi2.ppf(1 - tail, 2 * count + 2) / 2))


def zero_seen_upper(trials: float, *, level: float = LEVEL) -> float:
    """Return the one-sided upper bound of a rate when nothing was seen in ``trials`` units (rule of three)."""
    return float(-np.log(1 - level) / trials)


def chapman(first: int, second: int, both: int) -> tuple[float, float]:
    """Estimate a total from two looks at the same things.

    Parameters
    ----------
    first, second
        How many each look found.
    both
        How many were found by both.

    Returns
    -------
    tuple of float
        Chapman's estimate of the total and its standard error (Chapman 1951; variance of Seber 1970).

    Raises
    ------
    ValueRefused
        When both looks share more than either found.
    """
    if not 0 <= both <= min(first, second):
        raise ValueRefused(f"{both} shared of {first} and {second} can't be", "count the shared ones again")
    total = (first + 1) * (second + 1) / (both + 1) - 1
    spread = (first + 1) * (second + 1) * (first - both) * (second - both)
    return total, float(np.sqrt(spread / ((both + 1) ** 2 * (both + 2))))


def beta_binomial_chances(hits: float, misses: float, trials: int) -> NDArray[np.float64]:
    """Return the chances of 0 ... ``trials`` successes when the rate is Beta(``hits``, ``misses``)."""
    from scipy.stats import betabinom

    return np.asarray(betabinom.pmf(np.arange(trials + 1), trials, hits, misses), dtype=np.float64)


def clark_evans(points: NDArray[np.float64], area: float, perimeter: float) -> tuple[float, float]:
    """Compare mean nearest-neighbour distance with chance.

    Parameters
    ----------
    points
        (N, 2), at least two of them.
    area, perimeter
        Of the window that they lie in, in the points' unit (squared for the area).

    Returns
    -------
    tuple of float
        The ratio with Donnelly's correction for the window's edge (below 1 clustered, above 1 spread out),
        and its normal deviate z.
    """
    from scipy.spatial import KDTree

    n = len(points)
    near = np.asarray(KDTree(points).query(points, k=2)[0])[:, 1]
    expected = 0.5 * np.sqrt(area / n) + (0.0514 + 0.0412 / np.sqrt(n)) * perimeter / n
    deviation = np.sqrt(0.070 * area + 0.037 * perimeter * np.sqrt(area / n)) / n
    return float(near.mean() / expected), float((near.mean() - expected) / deviation)


def ripley_k(points: NDArray[np.float64], area: float, radius: float) -> float:
    """Return B. Ripley's K (1976) without edge correction: neighbours within ``radius``, as the area that chance needs.

    Parameters
    ----------
    points
        (N, 2), at least two of them.
    area
        Of the window that they lie in, in the points' unit squared.
    radius
        In the points' unit; pi radius squared is expected by chance, less what the window's edge takes away.
    """
    from scipy.spatial import KDTree

    n = len(points)
    pairs = len(KDTree(points).query_pairs(radius, output_type="ndarray"))
    return 2.0 * pairs * area / (n * (n - 1))


def equal_tailed(values: NDArray[np.float64], *, level: float = LEVEL) -> Interval:
    """Return the equal-tailed interval of simulated values (N,)."""
    tail = (1 - level) / 2
    lo, hi = np.quantile(values, [tail, 1 - tail])
    return Interval(float(lo), float(hi))
