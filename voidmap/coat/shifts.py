"""How far each block of one picture lies from the same block of another, and the bending that all of them speak for."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.coat.bend import TERMS, Bend
from voidmap.coat.ground import Floats32
from voidmap.model import Floats

WIDE_PX = 128
"""Side of a block in the first rounds: its peak rises over the noise when a twentieth of its contrast is shared."""
LEAST_RESPONSE = 0.04
"""Share of a wide block's energy in its peak, under which its shift is chance (chance gives about 1 / 128)."""
MOST_SHIFT_PX = 32.0
"""A wide block's shift may be this long: 13 mm, what half the search's step of turn comes to at a far corner."""
FINE_PX = 32
"""Side of a block in the last rounds, 13 mm: a lens's distortion changes by less than 0.02 mm across it."""
SMOOTH_PX = (2.4, 1.2, 0.6)
"""Pictures are smoothed by this (1 sigma) before their slopes are taken, round by round: the first takes in blocks that
lie a millimetre off, below the last is the photos' own noise."""
LEAST_SHARE = 0.6
"""Share of a block that both pictures must show."""
LEAST_ALIKE = 0.15
"""Correlation of a fine block under which it shows glare, or nothing."""
WIDE_DOUBT_PX = 1.0
"""1 sigma of a wide block's shift while the blocks still overlap in part."""
SHIFT_DOUBT_MM, TURN_DOUBT_MM = 20.0, 8.0
"""1 sigma of the guess's shift, and of its turn and scales (2 %) at the reach."""
BENT_MM = (0.1, 0.08, 0.05)
"""1 sigma of the terms of second (tilt), third and fourth degree (lens) at the reach: two photos with one board each
differ by some hundredths to a tenth of a millimetre there."""
STIFF_MM = 1e-5
"""The same where none are taken."""
OUTLIER = 2.5
"""A block is doubted from this many sigmas on (Cauchy weights)."""
TOGETHER_MM = 25.0
"""Blocks within squares of this side may err alike: they overlap, and one glare or one lens fault takes them all."""
FIT_ROUNDS = 8


@dataclass(frozen=True, eq=False)
class Blocks:
    """What blocks say of the shift that is left between two pictures.

    ``middles_mm`` (N, 2); ``slope`` (N, 2) and ``curve`` (N, 2, 2): their match's first and second derivative, over
    their noise, so that a block alone would be shifted by ``curve`` inverse times ``slope``; ``spread`` (N, 2, 2) is
    how the slope scatters by noise.
    """

    middles_mm: Floats
    slope: Floats
    curve: Floats
    spread: Floats

    def __len__(self) -> int:
        """Return the number of blocks."""
        return len(self.middles_mm)


@dataclass(frozen=True, eq=False)
class Fitted:
    """A bending through blocks and the covariance (30, 30) of its terms (x first)."""

    bend: Bend
    covariance: Floats

    def rms_mm(self, places_mm: Floats) -> float:
        """Return the 1-sigma distance by which places (N, 2) mm may be off, over all of them."""
        powers = self.bend.powers(places_mm)
        n = len(TERMS)
        variance = sum(np.einsum("ni,ij,nj->n", powers, self.covariance[k : k + n, k : k + n], powers) for k in (0, n))
        return float(np.sqrt(np.mean(variance)))


def wide_shifts(
    reference: Floats32, new: Floats32, both: NDArray[np.bool_], step_mm: float, corner_mm: Floats
) -> Blocks:
    """Measure shifts of wide blocks by phase correlation (C. Kuglin, D. Hines, 1975).

    Parameters
    ----------
    reference, new
        (H, W) evened pictures on one grid.
    both
        (H, W), where both show the wood.
    step_mm, corner_mm
        The grid's step and its first pixel's place.
    """
    window = cv2.createHanningWindow((WIDE_PX, WIDE_PX), cv2.CV_32F)
    middles, shifts = [], []
    for rows, columns in _blocks(both, WIDE_PX, WIDE_PX * 3 // 4):
        mask = window * both[rows, columns]
        (dx, dy), response = cv2.phaseCorrelate(reference[rows, columns] * mask, new[rows, columns] * mask)
        if response >= LEAST_RESPONSE and np.hypot(dx, dy) <= MOST_SHIFT_PX:
            middles.append((columns.start + WIDE_PX / 2 - 0.5, rows.start + WIDE_PX / 2 - 0.5))
            shifts.append((dx, dy))
    places = np.asarray(middles, dtype=np.float64).reshape(-1, 2)
    moved = np.asarray(shifts, dtype=np.float64).reshape(-1, 2)
    good = _agreeing(places, places + moved)
    known = np.tile(np.eye(2) / (WIDE_DOUBT_PX * step_mm) ** 2, (int(good.sum()), 1, 1))
    slope = np.einsum("bij,bj->bi", known, moved[good] * step_mm)
    return Blocks(places[good] * step_mm + corner_mm, slope, known, known)


def fine_shifts(
    reference: Floats32,
    new: Floats32,
    both: NDArray[np.bool_],
    step_mm: float,
    corner_mm: Floats,
    *,
    smooth_px: float = SMOOTH_PX[-1],
) -> Blocks:
    """Measure the small shifts that are left: one Newton step up each block's cross-correlation.

    Half the shift is given to either picture, so that only what they have in common counts and noise in one does not
    pull; ``smooth_px`` is one of ``SMOOTH_PX``, the other parameters are as for ``wide_shifts``.
    """
    on = both.astype(np.float32)
    a, b = (cv2.GaussianBlur(p * on, (0, 0), smooth_px) for p in (reference, new))
    pictures = (a, b, *_slopes(a, step_mm), *_slopes(b, step_mm))
    window = np.hanning(FINE_PX + 2)[1:-1].astype(np.float32)
    blocks = _blocks(both, FINE_PX, FINE_PX * 2 // 3)
    top, left = np.array([(r.start, c.start) for r, c in blocks], dtype=np.int64).reshape(-1, 2).T
    sums = np.empty((len(blocks), 11))
    for first in np.unique(top):
        mine = top == first
        sums[mine] = _strip_sums([p[first : first + FINE_PX] for p in pictures], left[mine], window).T
    middles = np.column_stack([left, top]) + (FINE_PX / 2 - 0.5)
    alike = sums[:, 0] >= LEAST_ALIKE * np.sqrt(sums[:, 1] * sums[:, 2])
    sums, middles = sums[alike], middles[alike]
    noise = np.maximum(sums[:, 1] + sums[:, 2] - 2 * sums[:, 0], 1e-9)[:, None] / float(window.sum()) ** 2
    curve = _pairs(sums[:, 5], sums[:, 7] / 2, sums[:, 6]) / noise[..., None]
    spread = _pairs(sums[:, 8], sums[:, 10], sums[:, 9]) / noise[..., None]
    return Blocks(middles * step_mm + corner_mm, sums[:, 3:5] / 2 / noise, curve, spread)


def _strip_sums(strip: list[Floats32], left: NDArray[np.int64], window: Floats32) -> Floats32:
    """Sum products of the pictures (a, b, slopes of a, slopes of b) over blocks of a strip: (11, blocks)."""
    a, b, ax, ay, bx, by = strip
    products = [a * b, a * a, b * b, a * bx - b * ax, a * by - b * ay, ax * bx, ay * by, ax * by + ay * bx]
    products += [ax * ax + bx * bx, ay * ay + by * by, ax * ay + bx * by]
    rows = np.stack([window @ p for p in products])
    return np.asarray(rows[:, left[:, None] + np.arange(len(window))] @ window, dtype=np.float32)


def _slopes(picture: Floats32, step_mm: float) -> tuple[Floats32, Floats32]:
    """Return the slope along x and along y, per mm."""
    scale = 1 / 32 / step_mm
    along_x, along_y = (cv2.Scharr(picture, cv2.CV_32F, i, 1 - i, scale=scale) for i in (1, 0))
    return np.asarray(along_x, dtype=np.float32), np.asarray(along_y, dtype=np.float32)


def _pairs(xx: Floats, xy: Floats, yy: Floats) -> Floats:
    return np.moveaxis(np.array([[xx, xy], [xy, yy]]), 2, 0)


def fit_bend(bend: Bend, blocks: Blocks, *, bent: bool) -> Fitted:
    """Return a better bending: one Newton step up the match of all blocks together, robustly.

    The terms are held by what is plausible. A single block's curvature is mostly noise where the wood is plain;
    summed over all blocks it is not. The covariance is the sandwich of that curvature and the scatter of what the
    blocks are left with (P. Huber, 1967), so that what the bending can't follow counts too.

    Parameters
    ----------
    bend
        The one at which the blocks were measured.
    blocks
        The blocks.
    bent
        Whether terms over the first degree are taken.
    """
    n = len(TERMS)
    powers = bend.powers(blocks.middles_mm)
    design = np.zeros((len(blocks), 2, 2 * n))
    design[:, 0, :n] = design[:, 1, n:] = powers
    degree = np.tile([i + j for i, j in TERMS], 2)
    sigma = np.asarray((SHIFT_DOUBT_MM, TURN_DOUBT_MM, *(BENT_MM if bent else (STIFF_MM,) * 3)))[degree]
    prior = np.diag(1 / sigma**2)
    now = bend.terms_mm.T.ravel()
    bowed = blocks.curve @ design
    flat, flat_bowed, slope = design.reshape(-1, 2 * n), bowed.reshape(-1, 2 * n), blocks.slope.ravel()
    known = _inverse(blocks.spread)
    weight, scale = np.ones(len(blocks)), 1.0
    for _ in range(FIT_ROUNDS):
        told = flat.T * np.repeat(weight / scale, 2)
        normal = told @ flat_bowed + prior
        change = np.linalg.solve(normal, told @ slope - prior @ now)
        left = blocks.slope - bowed @ change
        far = np.einsum("bi,bij,bj->b", left, known, left)
        # The median of chi-square with 2 degrees of freedom is 2 ln 2.
        scale = max(float(np.median(far)) / (2 * np.log(2)), 1e-6)
        weight = 1 / (1 + far / (2 * OUTLIER**2 * scale))
    scores = np.einsum("bki,bk->bi", design, left) * (weight / scale)[:, None]
    together = _grouped(scores, blocks.middles_mm)
    inverse = np.linalg.inv(normal)
    told_of = float(np.trace(inverse @ (normal - prior)))
    few = len(together) / max(len(together) - told_of / 2, 1.0)
    covariance = inverse @ (few * together.T @ together + prior) @ inverse.T
    terms = (now + change).reshape(2, n).T
    return Fitted(replace(bend, terms_mm=np.ascontiguousarray(terms)), np.asarray(covariance, dtype=np.float64))


def _inverse(pairs: Floats) -> Floats:
    """Return the inverses of symmetric matrices (N, 2, 2)."""
    xx, xy, yy = pairs[:, 0, 0], pairs[:, 0, 1], pairs[:, 1, 1]
    return _pairs(yy, -xy, xx) / np.maximum(xx * yy - xy * xy, np.finfo(float).tiny)[:, None, None]


def _grouped(scores: Floats, middles_mm: Floats) -> Floats:
    """Sum the blocks' scores (N, 30) over squares: what neighbours have in common must not count as independent."""
    square = np.floor(middles_mm / TOGETHER_MM).astype(np.int64)
    _, group = np.unique(square, axis=0, return_inverse=True)
    group = np.asarray(group).ravel()
    total = np.zeros((int(group.max(initial=-1)) + 1, scores.shape[1]))
    np.add.at(total, group, scores)
    return total


def _blocks(both: NDArray[np.bool_], side: int, step: int) -> list[tuple[slice, slice]]:
    """Return the blocks on a grid of ``step`` px that both pictures show enough of."""
    inside = cv2.integral(both.astype(np.uint8))
    corners = inside[:-side:step, :-side:step]
    rows, columns = corners.shape
    far = inside[side::step, side::step][:rows, :columns]
    below, beside = inside[side::step, :-side:step][:rows], inside[:-side:step, side::step][:, :columns]
    enough = np.argwhere(far + corners - below - beside >= LEAST_SHARE * side * side) * step
    return [(slice(top, top + side), slice(left, left + side)) for top, left in enough.tolist()]


def _agreeing(there: Floats, here: Floats) -> NDArray[np.bool_]:
    """Tell which blocks' shifts go with one affine map of the picture (RANSAC)."""
    if len(there) < 4:
        return np.zeros(len(there), bool)
    matrix, inside = cv2.estimateAffine2D(there, here, method=cv2.RANSAC, ransacReprojThreshold=2 * WIDE_DOUBT_PX)
    return np.zeros(len(there), bool) if matrix is None else np.asarray(inside).ravel() > 0
