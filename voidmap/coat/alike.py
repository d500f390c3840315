"""Weigh planted pinholes so that those found stand out as the photo's own finds do.

How plainly pinholes show is not known beforehand; it depends on what feeds them and on where the lamps hang. The
detector's own log odds of a place say how plainly. Places of the same log odds are found alike, whether planted or
not; so where the photo's own finds have more of some log odds than the planted finds of their size, more of all
pinholes have it, found or not, by that ratio. The same is told of where they lie: at rims or away from them. The ratio
is fitted as exponential in both (a logistic regression of own finds against planted ones), which carries it on to
those too faint to be found.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats

LEAST_CHANCE, MOST_CHANCE = 0.001, 0.9995
"""Chances are cut to these: beyond, the detector's log odds tell nothing more."""
MOST_SIGMAS = 3.0
"""Log odds are cut to so many standard deviations of the planted ones."""
RIM_SPREAD = 1.0
"""1 sigma, before the finds are looked at, of the logarithm of how many times more often pinholes lie at rims than was
planted: from coat to coat that share changes by such a factor (our assumption)."""
ROUNDS = 50
"""Of Newton's method at most; it takes about six."""


@dataclass(frozen=True, eq=False)
class Looks:
    """How pinholes (N,) show.

    The detector's chance of a pinhole, the diameter found (mm), and how likely their place is a rim, 0 to 1.
    """

    chance: Floats
    found_mm: Floats
    at_rim: Floats

    def __getitem__(self, chosen: NDArray[np.bool_] | NDArray[np.int64]) -> Looks:
        """Return some of them."""
        return Looks(self.chance[chosen], self.found_mm[chosen], self.at_rim[chosen])


def weights(own: Looks, planted: Looks, hit: NDArray[np.bool_], odds_spread: float) -> Floats:
    """Return how much each planted pinhole counts (N,), 1 on average.

    Parameters
    ----------
    own
        The photo's own finds (M,).
    planted, hit
        The planted ones (N,), and whether they were found; the diameters of those that were not do not count.
    odds_spread
        1 sigma, before the finds are looked at, of the ratio's logarithm over one standard deviation of log odds.
    """
    if len(own.chance) == 0 or not hit.any():
        return np.ones(len(hit))
    told = _log_odds(planted.chance)
    middle, spread = float(told.mean()), max(float(told.std()), 1e-3)
    looks = [_plainness(some, middle, spread) for some in (own, planted)]
    design = np.concatenate([_design(looks[0], own.found_mm), _design(looks[1][hit], planted.found_mm[hit])])
    is_own = np.arange(len(design)) < len(own.chance)
    weight = np.where(is_own, np.concatenate([own.chance, np.ones(int(hit.sum()))]), len(own.chance) / hit.sum())
    slopes = _slopes(design, is_own.astype(np.float64), weight, (odds_spread, RIM_SPREAD))
    out = np.exp(looks[1] @ slopes)
    return np.asarray(out / out.mean(), dtype=np.float64)


def _log_odds(chance: Floats) -> Floats:
    cut = np.clip(chance, LEAST_CHANCE, MOST_CHANCE)
    return np.asarray(np.log(cut / (1 - cut)), dtype=np.float64)


def _plainness(looks: Looks, middle: float, spread: float) -> Floats:
    """Return the columns log odds, in standard deviations from the middle, and nearness to a rim."""
    odds = np.clip((_log_odds(looks.chance) - middle) / spread, -MOST_SIGMAS, MOST_SIGMAS)
    return np.column_stack([odds, looks.at_rim])


def _design(looks: Floats, diameter_mm: Floats) -> Floats:
    """Return columns: looks, 1, and the size's logarithm to its square: sizes are spread otherwise here."""
    size = np.log(np.maximum(diameter_mm, 1e-2))
    return np.column_stack([looks, np.ones_like(size), size, size * size])


def _slopes(design: Floats, is_own: Floats, weight: Floats, sigmas: tuple[float, float]) -> Floats:
    """Return the first coefficients of a logistic regression with normal priors of those sigmas on them alone."""
    count = len(sigmas)
    hold = np.zeros(design.shape[1])
    hold[:count] = np.array(sigmas) ** -2.0
    beta = np.zeros(design.shape[1])
    for _ in range(ROUNDS):
        p = 1 / (1 + np.exp(-np.clip(design @ beta, -50, 50)))
        curve = (design * (weight * p * (1 - p))[:, None]).T @ design + np.diag(hold + 1e-9)
        step = np.linalg.solve(curve, design.T @ (weight * (is_own - p)) - hold * beta)
        beta = beta + step * min(1.0, 3.0 / max(float(np.abs(step).max()), 1e-12))
        if np.abs(step).max() < 1e-8:
            break
    return np.asarray(beta[:count], dtype=np.float64)
