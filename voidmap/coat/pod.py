"""Probability of detection from hits and misses: MIL-HDBK-1823A (2009), appendix G.

The chance of finding a target of size a is ``1 / (1 + exp(-(b0 + b1 * g(a))))`` with g the identity or the natural
log. The bound on the size found nine times in ten follows the handbook: the largest one whose likelihood-ratio
deviance from the best fit stays under the chi-square of one degree of freedom at 0.95 (3.8415). Read one-sidedly
that is a bound with 97.5 % confidence, so it errs on the careful side.
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


@dataclass(frozen=True)
class Fit:
    """A fitted curve: intercept and slope, whether sizes were logged, deviance, covariance ((2, 2) nested)."""

    intercept: float
    slope: float
    log_size: bool
    deviance: float
    covariance: tuple[tuple[float, float], tuple[float, float]]

    def chance(self, sizes: ArrayLike) -> Floats:
        """Return the probability of detection at sizes (N,)."""
        x = np.asarray(sizes, dtype=np.float64)
        x = np.log(x) if self.log_size else x
        return np.asarray(1 / (1 + np.exp(-(self.intercept + self.slope * x))), dtype=np.float64)

    def size_at(self, chance: float) -> float:
        """Return the size that is found with a probability."""
        x = (_logit(chance) - self.intercept) / self.slope
        return float(np.exp(x) if self.log_size else x)


def fit_values(fit: Fit | None) -> tuple[float, ...]:
    """Return a fit over log size as numbers: intercept, slope, their variances with the covariance in between."""
    if fit is None:
        return ()
    (own, shared), (_, slope) = fit.covariance
    return (fit.intercept, fit.slope, own, shared, slope)


def fit_of_values(values: Sequence[float]) -> Fit | None:
    """Return the fit over log size that :func:`fit_values` gave as numbers; None for none."""
    if not values:
        return None
    intercept, slope, own, shared, other = values
    return Fit(intercept, slope, True, 0.0, ((own, shared), (shared, other)))


def fit_hit_miss(sizes: ArrayLike, hits: ArrayLike, *, log_size: bool = True, weights: ArrayLike | None = None) -> Fit:
    """Fit the curve by maximum likelihood (Newton's method).

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
    design = np.column_stack([np.ones_like(z), z])
    beta = np.zeros(2)
    for _ in range(100):
        p = _expit(design @ beta)
        weight = share * np.maximum(p * (1 - p), 1e-12)
        step = np.linalg.solve(design.T @ (design * weight[:, None]), design.T @ (share * (y - p)))
        step *= min(1.0, 2.0 / max(float(np.abs(step).max()), 1e-12))
        beta = beta + step
        beta[1] = min(beta[1], STEEPEST * spread)
        if np.abs(step).max() < 1e-10:
            break
    p = _expit(design @ beta)
    information = design.T @ (design * (share * np.maximum(p * (1 - p), 1e-12))[:, None])
    back = np.array([[1.0, -middle / spread], [0.0, 1 / spread]])
    covariance = back @ np.linalg.inv(information) @ back.T
    intercept, slope = back @ beta
    return Fit(
        float(intercept),
        float(slope),
        log_size,
        -2 * _log_likelihood(design @ beta, y, share),
        ((float(covariance[0, 0]), float(covariance[0, 1])), (float(covariance[1, 0]), float(covariance[1, 1]))),
    )


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

    ``weights`` are those that the curve was fitted with.

    Infinite when the hits and misses can't bound it.
    """
    x, y = _prepared(sizes, hits, fit.log_size)
    share = _shares(weights, len(x))
    start = np.log(fit.size_at(chance)) if fit.log_size else fit.size_at(chance)
    reach = max(float(np.ptp(x)), 1e-6)

    def excess(at: float) -> float:
        return _profile_deviance(x, y, share, at, chance) - fit.deviance - cut

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


def _profile_deviance(x: Floats, y: Floats, share: Floats, at: float, chance: float) -> float:
    """Least deviance of a curve that passes through ``chance`` at ``at``: convex in the slope, so Newton's method."""
    spread = float(x.std())
    low, high = SOFTEST / spread, 10 * STEEPEST / spread
    away, slope = x - at, 1 / spread
    for _ in range(60):
        p = _expit(_logit(chance) + slope * away)
        step = float((share * (y - p) * away).sum() / max(float((share * p * (1 - p) * away * away).sum()), 1e-12))
        moved = min(max(slope + min(max(step, -0.7 * slope), 2 * slope), low), high)
        if abs(moved - slope) <= 1e-10 * slope:
            break
        slope = moved
    return -2 * _log_likelihood(_logit(chance) + slope * away, y, share)


def _prepared(sizes: ArrayLike, hits: ArrayLike, log_size: bool) -> tuple[Floats, Floats]:
    x = np.asarray(sizes, dtype=np.float64)
    return (np.log(x) if log_size else x), np.asarray(hits, dtype=np.float64)


def _shares(weights: ArrayLike | None, count: int) -> Floats:
    if weights is None:
        return np.ones(count)
    w = np.asarray(weights, dtype=np.float64)
    return np.asarray(w * w.sum() / np.sum(w * w), dtype=np.float64)


def _log_likelihood(eta: Floats, y: Floats, share: Floats) -> float:
    return float(np.sum(share * (y * eta - np.logaddexp(0.0, eta))))


def _expit(eta: Floats) -> Floats:
    return np.asarray(1 / (1 + np.exp(-np.clip(eta, -500, 500))), dtype=np.float64)


def _logit(p: float) -> float:
    return float(np.log(p / (1 - p)))
