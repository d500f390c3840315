"""The joint adjustment: all boards in all photos, one robust least-squares fit with its covariance.

Unknowns: a pose for each photo; a lens for each camera (with a prior); a small change of focal length from
photo to photo (refocusing); the print's stretch along x and y (known from the check bars as well as they can
be read); a place on the slab's plane for each board but the first, which sets the frame; and for each board
how it departs from the plane (height, tilt and bow of the paper, with priors of a sheet that lies flat).

Errors of the sightings have two parts. One is each sighting's own; its size is found for each board in each photo
(a board in a blurred corner is seen worse). The other is smooth over a board (what the lens model leaves over,
cockled paper) and does not average out over its sightings; its size is found for all boards together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from voidmap.model import Floats
from voidmap.scale.expect import equations
from voidmap.scale.layout import SIGMA_FLOOR_PX, Layout, Priors, Start, prior_vectors
from voidmap.scale.looks import Look

ROBUST_SIGMAS = 3.0
"""Sightings this many sigmas off count half (Cauchy weights): a shaded or dirty corner then does no harm."""
SEEN_SMALLER = 0.849
"""Weighted by these weights, the square of normal residuals is that share of their variance (integrated
for 3 sigmas): without it the noise, and with it every interval, would come out too small."""
MOST_STEPS = 40
PLAIN_STEPS = 8
"""Steps before sightings are judged: the start may be off by hundreds of pixels."""
SETTLED = 1e-2
"""Fall of the cost (chi-squared units) in a step at which a fit has settled: a hundredth moves nothing by more than a
tenth of its standard deviation."""
MOST_ROUNDS = 8
SAME_NOISE = 0.05
"""The sizes of the errors are found anew until none changes by more than a twentieth."""
POOL_WEIGHT = 12.0
"""Sightings' worth of belief that a board is seen as well as the others."""
SMOOTH_WEIGHT = 20.0
"""Terms' worth of belief (a board has 20) in the expected size of the smooth errors."""


@dataclass(frozen=True, eq=False)
class Noise:
    """Sizes of the errors: each look's own ``sigmas`` (L,), and ``smooth`` for all, px."""

    sigmas: Floats
    smooth: float


@dataclass(frozen=True, eq=False)
class Fit:
    """The adjusted unknowns ``values`` with ``covariance``, the noise, and the cost.

    ``residuals_px`` holds for each look what is left in each sighting (N,); ``rms_px`` is of a corner's distance,
    and ``sigma_px`` the median look's noise.
    """

    layout: Layout
    values: Floats
    covariance: Floats
    sigma_px: float
    rms_px: float
    cost: float
    residuals_px: tuple[Floats, ...]
    noise: Noise


@dataclass(frozen=True, eq=False)
class _State:
    """Unknowns, the looks' smooth errors, residuals and slopes by look."""

    values: Floats
    smooth: tuple[Floats, ...]
    residuals: tuple[Floats, ...]
    slopes: tuple[Floats, ...]

    def own(self, looks: Sequence[Look]) -> list[Floats]:
        """Return what is left in each sighting once the smooth errors are taken off."""
        return [
            r - look.smooth @ s if len(s) else r for look, r, s in zip(looks, self.residuals, self.smooth, strict=True)
        ]


def adjust(looks: Sequence[Look], camera_of: Sequence[int], priors: Priors, start: Start) -> Fit:
    """Fit all unknowns to all sightings.

    Parameters
    ----------
    looks
        Boards as seen; board 0 sets the frame.
    camera_of
        The camera (lens) of each photo.
    priors, start
        What is known before, and where to begin.
    """
    layout = Layout(len(camera_of), len(priors.lens_mean), len(start.places), tuple(camera_of))
    mean, precision = prior_vectors(layout, priors)
    values = mean.copy()
    for photo in range(layout.photos):
        values[layout.pose(photo)] = start.poses[photo]
    for board in range(1, layout.boards):
        values[layout.place(board)] = start.places[board]
    terms = 20 if priors.smooth_px else 0
    state = _state(looks, layout, priors, values, tuple(np.zeros(terms) for _ in looks))
    state = _roughly(looks, layout, priors, mean, precision, state)
    spread = max(_spread(np.concatenate(state.own(looks))), priors.least_sigma_px)
    noise = Noise(np.full(len(looks), spread), priors.smooth_px)
    for _ in range(MOST_ROUNDS):
        state = _settle(looks, layout, priors, mean, precision, state, noise)
        normal, _ = _normal(looks, state, noise, mean, precision)
        before, noise = noise, _noise(looks, state, noise, _inverse(normal), priors)
        if np.all(np.abs(np.log(noise.sigmas / before.sigmas)) < SAME_NOISE):
            break
    covariance = _inverse(_normal(looks, state, noise, mean, precision)[0])
    left = state.own(looks)
    return Fit(
        layout=layout,
        values=state.values,
        covariance=np.asarray((covariance + covariance.T) / 2, dtype=np.float64),
        sigma_px=float(np.median(noise.sigmas)),
        rms_px=float(np.sqrt(2 * np.mean(np.concatenate(left) ** 2))),
        cost=_cost(looks, state, noise, state.values - mean, precision),
        residuals_px=tuple(left),
        noise=noise,
    )


def _roughly(
    looks: Sequence[Look], layout: Layout, priors: Priors, mean: Floats, precision: Floats, state: _State
) -> _State:
    """Take the first steps by plain least squares: all sightings must pull, none is an outlier yet."""
    before = np.inf
    for _ in range(PLAIN_STEPS):
        worst = max(float(np.abs(np.concatenate(state.own(looks))).max()), priors.least_sigma_px)
        if worst > 0.9 * before:
            break
        before = worst
        noise = Noise(np.full(len(looks), worst), priors.smooth_px)
        state, _ = _step(looks, layout, priors, mean, precision, state, noise)
    return state


def _settle(
    looks: Sequence[Look],
    layout: Layout,
    priors: Priors,
    mean: Floats,
    precision: Floats,
    state: _State,
    noise: Noise,
) -> _State:
    for _ in range(MOST_STEPS):
        state, gain = _step(looks, layout, priors, mean, precision, state, noise)
        if gain < SETTLED:
            break
    return state


def _step(
    looks: Sequence[Look],
    layout: Layout,
    priors: Priors,
    mean: Floats,
    precision: Floats,
    state: _State,
    noise: Noise,
) -> tuple[_State, float]:
    """Take one damped Gauss-Newton step; return the new state and by how much the cost fell."""
    normal, pull = _normal(looks, state, noise, mean, precision)
    cost = _cost(looks, state, noise, state.values - mean, precision)
    damping = 1e-9
    for _ in range(12):
        step = _solve(normal + damping * np.diag(np.diag(normal)), pull)
        smooth = _smooth_after(looks, state, noise, step)
        tried = _state(looks, layout, priors, state.values + step, smooth)
        gain = cost - _cost(looks, tried, noise, tried.values - mean, precision)
        if gain >= 0:
            return tried, gain
        damping = max(damping * 30, 1e-6)
    return state, 0.0


def _weights(own: Floats, sigma: float) -> Floats:
    return np.asarray(1 / (1 + (own / sigma) ** 2 / ROBUST_SIGMAS**2) / sigma**2)


def _inner(look: Look, weight: Floats, smooth_px: float) -> Floats:
    """Return the precision (M, M) of a look's smooth errors, the unknowns given."""
    weighted = look.smooth * weight[:, None]
    return np.asarray(weighted.T @ look.smooth + np.eye(look.smooth.shape[1]) / smooth_px**2)


def _normal(
    looks: Sequence[Look], state: _State, noise: Noise, mean: Floats, precision: Floats
) -> tuple[Floats, Floats]:
    """Return the normal matrix and right-hand side of the unknowns, the smooth errors eliminated."""
    normal = precision.copy()
    pull = precision @ (mean - state.values)
    for look, r, slope, own, sigma in zip(
        looks, state.residuals, state.slopes, state.own(looks), noise.sigmas, strict=True
    ):
        weight = _weights(own, sigma)
        weighted = slope * weight[:, None]
        normal += weighted.T @ slope
        pull += weighted.T @ r
        if noise.smooth:
            cross = weighted.T @ look.smooth
            inner = _inner(look, weight, noise.smooth)
            solved = _solve(inner, np.column_stack([cross.T, look.smooth.T @ (weight * r)]))
            normal -= cross @ solved[:, :-1]
            pull -= cross @ solved[:, -1]
    return (normal + normal.T) / 2, pull


def _smooth_after(looks: Sequence[Look], state: _State, noise: Noise, step: Floats) -> tuple[Floats, ...]:
    if not noise.smooth:
        return state.smooth
    found: list[Floats] = []
    for look, r, slope, own, sigma in zip(
        looks, state.residuals, state.slopes, state.own(looks), noise.sigmas, strict=True
    ):
        weight = _weights(own, sigma)
        left = np.asarray(look.smooth.T @ (weight * (r - slope @ step)), dtype=np.float64)
        found.append(_solve(_inner(look, weight, noise.smooth), left))
    return tuple(found)


def _noise(looks: Sequence[Look], state: _State, noise: Noise, covariance: Floats, priors: Priors) -> Noise:
    """Find the sizes of the errors from what is left, counting what the unknowns took."""
    squares, freedoms, smooths, terms = [], [], 0.0, 0
    for look, slope, own, sigma, smooth in zip(
        looks, state.slopes, state.own(looks), noise.sigmas, state.smooth, strict=True
    ):
        weight = _weights(own, sigma)
        weighted = slope * weight[:, None]
        if noise.smooth:
            inner = _inverse(_inner(look, weight, noise.smooth))
            cross = weighted.T @ look.smooth
            spread = inner + inner @ cross.T @ covariance @ cross @ inner
            joint = np.hstack([slope, look.smooth])
            across = -covariance @ cross @ inner
            block = np.block([[covariance, across], [across.T, spread]])
            smooths += float(smooth @ smooth + np.trace(spread))
            terms += len(smooth)
        else:
            joint, block = slope, covariance
        taken = float(np.einsum("ni,ij,nj,n->", joint, block, joint, weight, optimize=True))
        share = weight * sigma**2
        squares.append(float(np.sum(share * own**2)) / SEEN_SMALLER)
        freedoms.append(max(float(np.sum(share)) - taken, 0.0))
    pooled = (sum(squares) + POOL_WEIGHT * priors.least_sigma_px**2) / (sum(freedoms) + POOL_WEIGHT)
    if sum(freedoms) > POOL_WEIGHT:
        pooled = sum(squares) / sum(freedoms)
    sigmas = np.sqrt((np.array(squares) + POOL_WEIGHT * pooled) / (np.array(freedoms) + POOL_WEIGHT))
    smooth_px = noise.smooth
    if smooth_px:
        smooth_px = float(np.sqrt((smooths + SMOOTH_WEIGHT * priors.smooth_px**2) / (terms + SMOOTH_WEIGHT)))
    return Noise(np.maximum(sigmas, max(SIGMA_FLOOR_PX, priors.least_sigma_px)), smooth_px)


def _solve(matrix: Floats, right: Floats) -> Floats:
    return np.asarray(np.linalg.solve(matrix, right), dtype=np.float64)


def _inverse(matrix: Floats) -> Floats:
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)


def _spread(residual: Floats) -> float:
    # The median size of a normal error is 0.6745 sigma.
    return float(np.median(np.abs(residual)) / 0.6745)


def _cost(looks: Sequence[Look], state: _State, noise: Noise, away: Floats, precision: Floats) -> float:
    total = float(away @ precision @ away)
    for own, sigma, smooth in zip(state.own(looks), noise.sigmas, state.smooth, strict=True):
        total += float(ROBUST_SIGMAS**2 * np.sum(np.log1p((own / sigma) ** 2 / ROBUST_SIGMAS**2)))
        # The logarithms make fits of different noise comparable: twice the negative log-likelihood.
        total += 2 * len(own) * float(np.log(sigma / SIGMA_FLOOR_PX))
        if noise.smooth:
            total += float(smooth @ smooth) / noise.smooth**2 + 2 * len(smooth) * float(np.log(noise.smooth))
    return total


def _state(looks: Sequence[Look], layout: Layout, priors: Priors, values: Floats, smooth: tuple[Floats, ...]) -> _State:
    pairs = [equations(look, layout, priors, values) for look in looks]
    return _State(values, smooth, tuple(r for r, _ in pairs), tuple(s for _, s in pairs))
