"""Probability of detection from hits and misses: MIL-HDBK-1823A (2009), appendix G.

The chance of finding a target of size a is ``1 / (1 + exp(-(b0 + b1 * g(a))))`` with g the identity or the natural
log. The bound on the size found nine times in ten follows the handbook: the largest one whose likelihood-ratio
deviance from the best fit stays under the chi-square of one degree of freedom at 0.95 (3.8415). Read one-sidedly
that is a bound with 97.5 % confidence, so it errs on the careful side.

The handbook's curve rises to 1: large enough, all is found. Where targets are missed for other reasons than their size
(beside a rim, in a reflection, mirroring no lamp) it rises to a ceiling below 1, which is fitted with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from voidmap.errors import ValueRefused

Floats = NDArray[np.float64]

CHI2_95 = 3.841458820694124
"""0.95 quantile of chi-square with one degree of freedom."""
STEEPEST = 60.0
"""Greatest slope per unit of log size that is believed: beyond it hits and misses are simply parted by size."""
SOFTEST = 1e-3
"""Least slope over the spread of the sizes; below it the size says nothing."""
LEAST_INFORMATION = 1e-9
"""Added to the information's diagonal, as a share of it: where a single target between hits and misses decides the
curve the rest tells less than rounding, and no step could be solved for."""

CEILING_PERCENT = range(20, 101)
"""Ceilings tried: steps of 1 % are finer than the 1 sigma of 2 to 3 % that 480 targets leave."""
COARSE_PERCENT = 8
OUT_OF_SIGHT = 40.0
"""The search downward ends where the deviance has risen by this: such a ceiling is e^-20 as likely as the best, and a
lower one explains fewer finds still."""


@dataclass(frozen=True)
class Fit:
    """A fitted curve: intercept and slope, whether sizes were logged, deviance, covariance ((2, 2) nested).

    ``ceiling`` is the chance that the curve rises to; ``doubt`` the 1 sigma, in log odds, that all sizes share about
    the whole curve and that more targets would not take away.
    """

    intercept: float
    slope: float
    log_size: bool
    deviance: float
    covariance: tuple[tuple[float, float], tuple[float, float]]
    ceiling: float = 1.0
    doubt: float = 0.0

    def chance(self, sizes: ArrayLike) -> Floats:
        """Return the probability of detection at sizes (N,)."""
        x = np.asarray(sizes, dtype=np.float64)
        x = np.log(x) if self.log_size else x
        return self.ceiling * _expit(self.intercept + self.slope * x)

    def size_at(self, chance: float) -> float:
        """Return the size that is found with a probability; infinite when none is."""
        if chance >= self.ceiling:
            return float("inf")
        x = (_logit(chance / self.ceiling) - self.intercept) / self.slope
        return float(np.exp(x) if self.log_size else x)

    def drawn_chances(self, sizes: Floats, rng: np.random.Generator, draws: int) -> Floats:
        """Draw the chances (draws, N) at sizes (N,), with all that is in doubt about the curve; size is logged."""
        curves = rng.multivariate_normal((self.intercept, self.slope), np.asarray(self.covariance), size=draws)
        shared = rng.normal(0.0, self.doubt, (draws, 1))
        chance = self.ceiling * _expit(curves[:, :1] + curves[:, 1:] * np.log(sizes)[None, :])
        chance = np.clip(chance, 1e-9, 1 - 1e-9)
        return _expit(np.log(chance / (1 - chance)) + shared)


def fit_values(fit: Fit | None) -> tuple[float, ...]:
    """Return a fit over log size as numbers.

    They are intercept, slope, their variances with the covariance in between, ceiling and doubt.
    """
    if fit is None:
        return ()
    (own, shared), (_, slope) = fit.covariance
    return (fit.intercept, fit.slope, own, shared, slope, fit.ceiling, fit.doubt)


def fit_of_values(values: Sequence[float]) -> Fit | None:
    """Return the fit over log size that :func:`fit_values` gave as numbers; None for none.

    Records of before the ceiling have the first five.
    """
    if not values:
        return None
    intercept, slope, own, shared, other, *more = values
    ceiling, doubt = more or (1.0, 0.0)
    return Fit(intercept, slope, True, 0.0, ((own, shared), (shared, other)), ceiling, doubt)


def fit_with_ceiling(sizes: ArrayLike, hits: ArrayLike, *, weights: ArrayLike | None = None) -> Fit:
    """Fit the curve over the log of the size together with its ceiling, by maximum likelihood.

    Parameters and errors as for :func:`fit_hit_miss`. The covariance is that with the ceiling known.
    """
    tried = {}
    step = COARSE_PERCENT
    span = CEILING_PERCENT[::-step]
    while True:
        for percent in span:
            if percent not in tried:
                tried[percent] = fit_hit_miss(sizes, hits, weights=weights, ceiling=percent / 100)
            if tried[percent].deviance > min(fit.deviance for fit in tried.values()) + OUT_OF_SIGHT:
                break
        best = min(tried, key=lambda percent: tried[percent].deviance)
        if step == 1:
            return tried[best]
        step //= 2
        span = range(min(CEILING_PERCENT[-1], best + step), max(CEILING_PERCENT[0], best - step) - 1, -step)


def fit_hit_miss(
    sizes: ArrayLike,
    hits: ArrayLike,
    *,
    log_size: bool = True,
    weights: ArrayLike | None = None,
    ceiling: float = 1.0,
) -> Fit:
    """Fit the curve by maximum likelihood (Newton's method, Fisher's scoring where the likelihood is not concave).

    Parameters
    ----------
    sizes
        (N,) sizes of the targets.
    hits
        (N,) 1 found, 0 missed.
    log_size
        Whether the curve runs over the log of the size.
    weights
        (N,) how much each target counts; None when all count alike. They are scaled to the number of targets alike
        that would tell as much, (sum of w)^2 / sum of w^2 (L. Kish, Survey Sampling, 1965).
    ceiling
        The chance that the curve rises to, known.

    Raises
    ------
    ValueRefused
        When there are no hits or no misses: no curve can then be told.
    """
    x, y = _prepared(sizes, hits, log_size)
    if y.min() == y.max():
        raise ValueRefused("all targets were found, or none", "plant smaller and larger ones")
    share = _shares(weights, len(x))
    middle, spread = float(x.mean()), float(x.std())
    z = (x - middle) / spread
    beta, best = np.zeros(2), -np.inf
    step = np.zeros(2)
    for _ in range(100):
        trial = beta + step
        trial[1] = min(trial[1], STEEPEST * spread)
        eta = trial[0] + trial[1] * z
        likelihood = _log_likelihood(eta, y, share, ceiling)
        if likelihood < best:
            # Too far: a step that long would lead back and forth for ever.
            step /= 2
        else:
            beta, best = trial, likelihood
            step = _step(eta, y, z, share, ceiling)
        if np.abs(step).max() < 1e-10:
            break
    eta = beta[0] + beta[1] * z
    information = _information(_scoring(eta, y, share, ceiling)[0], z)
    back = np.array([[1.0, -middle / spread], [0.0, 1 / spread]])
    covariance = back @ np.linalg.inv(information) @ back.T
    intercept, slope = back @ beta
    return Fit(
        float(intercept),
        float(slope),
        log_size,
        -2 * _log_likelihood(eta, y, share, ceiling),
        ((float(covariance[0, 0]), float(covariance[0, 1])), (float(covariance[1, 0]), float(covariance[1, 1]))),
        ceiling,
    )


def _step(eta: Floats, y: Floats, z: Floats, share: Floats, ceiling: float) -> Floats:
    """Return the next step of intercept and slope, of 2 at most: Newton's, or Fisher's where that leads downhill."""
    weight, score = _scoring(eta, y, share, ceiling)
    goal = np.array([score.sum(), score @ z])
    own = _information(_curvature(eta, y, share, ceiling), z)
    upward = own[0, 0] > 0 and own[0, 0] * own[1, 1] > own[0, 1] ** 2
    step = np.linalg.solve(own if upward else _information(weight, z), goal)
    return np.asarray(step * min(1.0, 2.0 / max(float(np.abs(step).max()), 1e-12)), dtype=np.float64)


def _information(weight: Floats, z: Floats) -> Floats:
    """Return the information (2, 2) on intercept and slope of targets (N,) at z with these weights."""
    own, shared, slope = weight.sum(), weight @ z, weight @ (z * z)
    hold = LEAST_INFORMATION * (abs(own) + abs(slope))
    return np.array([[own + hold, shared], [shared, slope + hold]])


def _curvature(eta: Floats, y: Floats, share: Floats, ceiling: float) -> Floats:
    """Return what each target (N,) itself tells: the likelihood's curvature, whose mean is the information."""
    s = _expit(eta)
    missed = np.maximum(1 - ceiling * s, 1e-12)
    of_miss = ceiling * ((1 - 2 * s) * missed + ceiling * s * (1 - s)) / (missed * missed)
    return np.asarray(share * s * (1 - s) * np.where(y > 0, 1.0, of_miss), dtype=np.float64)


def _scoring(eta: Floats, y: Floats, share: Floats, ceiling: float) -> tuple[Floats, Floats]:
    """Return each target's information and score (N,) by the curve's log odds ``eta``."""
    s = _expit(eta)
    q = ceiling * s
    slope = np.maximum(ceiling * s * (1 - s), 1e-12)
    gain = slope / np.maximum(q * (1 - q), 1e-12)
    return share * np.maximum(slope * gain, 1e-12), share * (y - q) * gain


def size_bound(
    sizes: ArrayLike,
    hits: ArrayLike,
    fit: Fit,
    *,
    chance: float = 0.9,
    cut: float = CHI2_95,
    weights: ArrayLike | None = None,
) -> float:
    """Return the upper bound of the size found with probability ``chance`` (a90/95 for 0.9).

    ``weights`` are those that the curve was fitted with; its ceiling is taken as known.

    Infinite when the hits and misses can't bound it.
    """
    if chance >= fit.ceiling:
        return float("inf")
    x, y = _prepared(sizes, hits, fit.log_size)
    share = _shares(weights, len(x))
    start = np.log(fit.size_at(chance)) if fit.log_size else fit.size_at(chance)
    reach = max(float(np.ptp(x)), 1e-6)

    def excess(at: float) -> float:
        return _profile_deviance(x, y, share, at, chance, fit.ceiling) - fit.deviance - cut

    if excess(start + 20 * reach) < 0:
        return float("inf")
    far = start
    while excess(far) < 0:
        far += 0.1 * reach
    near, bound = max(start, far - 0.1 * reach), far
    while bound - near > 1e-9 * reach:
        middle = (near + bound) / 2
        near, bound = (middle, bound) if excess(middle) < 0 else (near, middle)
    return float(np.exp(bound) if fit.log_size else bound)


def _profile_deviance(x: Floats, y: Floats, share: Floats, at: float, chance: float, ceiling: float) -> float:
    """Least deviance of a curve that passes through ``chance`` at ``at``: by Fisher's scoring over the slope."""
    spread = float(x.std())
    low, high = SOFTEST / spread, 10 * STEEPEST / spread
    away, slope, there = x - at, 1 / spread, _logit(chance / ceiling)
    for _ in range(60):
        weight, score = _scoring(there + slope * away, y, share, ceiling)
        step = float((score * away).sum() / max(float((weight * away * away).sum()), 1e-12))
        moved = min(max(slope + min(max(step, -0.7 * slope), 2 * slope), low), high)
        if abs(moved - slope) <= 1e-10 * slope:
            break
        slope = moved
    return -2 * _log_likelihood(there + slope * away, y, share, ceiling)


def _prepared(sizes: ArrayLike, hits: ArrayLike, log_size: bool) -> tuple[Floats, Floats]:
    x = np.asarray(sizes, dtype=np.float64)
    return (np.log(x) if log_size else x), np.asarray(hits, dtype=np.float64)


def _shares(weights: ArrayLike | None, count: int) -> Floats:
    if weights is None:
        return np.ones(count)
    w = np.asarray(weights, dtype=np.float64)
    return np.asarray(w * w.sum() / np.sum(w * w), dtype=np.float64)


def _log_likelihood(eta: Floats, y: Floats, share: Floats, ceiling: float) -> float:
    found = np.log(ceiling) - np.logaddexp(0.0, -eta)
    missed = -np.logaddexp(0.0, eta) if ceiling == 1.0 else np.log1p(-ceiling * _expit(eta))
    return float(np.sum(share * np.where(y > 0, found, missed)))


def _expit(eta: Floats) -> Floats:
    return np.asarray(1 / (1 + np.exp(-np.clip(eta, -500, 500))), dtype=np.float64)


def _logit(p: float) -> float:
    return float(np.log(p / (1 - p)))
