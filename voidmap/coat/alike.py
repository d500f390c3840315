"""Weigh planted pinholes so that those found stand out as the photo's own finds do.

How plainly pinholes show is not known beforehand; it depends on what feeds them and on where the lamps hang. The
detector's own log odds of a place say how plainly. Places of the same log odds are found alike, whether planted or
not; so where the photo's own finds have more of some log odds than the planted finds of their size, more of all
pinholes have it, found or not, by that ratio. The ratio is fitted as exponential in the log odds (a logistic
regression of own finds against planted ones), which carries it on to those too faint to be found.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats

LEAST_CHANCE, MOST_CHANCE = 0.001, 0.9995
"""Chances are cut to these: beyond, the detector's log odds tell nothing more."""
MOST_SIGMAS = 3.0
"""Log odds are cut to so many standard deviations of the planted ones."""
ROUNDS = 50
"""Of Newton's method at most; it takes about six."""


def weights(
    own_chance: Floats, own_mm: Floats, chance: Floats, found_mm: Floats, hit: NDArray[np.bool_], ratio_spread: float
) -> Floats:
    """Return how much each planted pinhole counts (N,), 1 on average.

    Parameters
    ----------
    own_chance, own_mm
        The photo's own finds (M,): the detector's chances of a pinhole, and diameters.
    chance, found_mm, hit
        The planted ones (N,): the chance that the detector gives their place, the diameter found, whether found.
    ratio_spread
        1 sigma, before the finds are looked at, of the ratio's logarithm over one standard deviation of log odds.
    """
    if len(own_chance) == 0 or not hit.any():
        return np.ones(len(hit))
    told = _log_odds(chance)
    middle, spread = float(told.mean()), max(float(told.std()), 1e-3)
    here = np.clip((_log_odds(own_chance) - middle) / spread, -MOST_SIGMAS, MOST_SIGMAS)
    there = np.clip((told - middle) / spread, -MOST_SIGMAS, MOST_SIGMAS)
    design = np.concatenate([_design(here, own_mm), _design(there[hit], found_mm[hit])])
    is_own = np.arange(len(design)) < len(here)
    weight = np.where(is_own, np.concatenate([own_chance, np.ones(int(hit.sum()))]), len(here) / hit.sum())
    slope = _slope(design, is_own.astype(np.float64), weight, ratio_spread)
    out = np.exp(slope * there)
    return np.asarray(out / out.mean(), dtype=np.float64)


def _log_odds(chance: Floats) -> Floats:
    cut = np.clip(chance, LEAST_CHANCE, MOST_CHANCE)
    return np.asarray(np.log(cut / (1 - cut)), dtype=np.float64)


def _design(odds: Floats, diameter_mm: Floats) -> Floats:
    """Return the columns log odds, 1, and the size's logarithm to its square: sizes are spread otherwise here."""
    size = np.log(np.maximum(diameter_mm, 1e-2))
    return np.column_stack([odds, np.ones_like(odds), size, size * size])


def _slope(design: Floats, is_own: Floats, weight: Floats, sigma: float) -> float:
    """Return the first coefficient of a logistic regression with a normal prior of that sigma on it alone."""
    hold = np.array([sigma**-2, 0.0, 0.0, 0.0])
    beta = np.zeros(4)
    for _ in range(ROUNDS):
        p = 1 / (1 + np.exp(-np.clip(design @ beta, -50, 50)))
        curve = (design * (weight * p * (1 - p))[:, None]).T @ design + np.diag(hold + 1e-9)
        step = np.linalg.solve(curve, design.T @ (weight * (is_own - p)) - hold * beta)
        beta = beta + step * min(1.0, 3.0 / max(float(np.abs(step).max()), 1e-12))
        if np.abs(step).max() < 1e-8:
            break
    return float(beta[0])
