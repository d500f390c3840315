"""Places that might be pinholes: small round dark or bright spots, on all scales.

The statistic is the weaker of the two principal curvatures of the smoothed picture (the Hessian's eigenvalue
nearer to zero), over the local noise of the mean curvature. It is large for a spot, near zero along a line: pores,
growth rings, edges and threads answer weakly by themselves.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.coat.ground import FIXED_POINT, Bytes, Floats32, Grain, even_along_grain, grain_of
from voidmap.model import Floats

SIGMAS_PX = (0.9, 1.3)
"""Smoothing at each level of the pyramid, px: half an octave apart, so that no disc lies far between two."""
DISC_RADIUS_SIGMAS = 1.41
"""A disc of radius r gives its strongest curvature at sigma = r / sqrt(2) (T. Lindeberg, 1998)."""
THRESHOLD = 2.5
"""Curvature over noise of a candidate; low, because the classifier decides."""
EVENED_THRESHOLD = 3.0
"""The same on the coarse levels, which are evened along the grain."""
CELL_PX = 64
"""The local noise is that of a cell of this side."""
NOISE_QUANTILE = 0.95
"""The noise is read from the tail, so that textured wood counts as noisy; a normal's 0.95 two-sided is 1.96."""
NOISE_FLOOR = 0.7
"""Least noise of a cell, as a share of the picture's median cell: saturated glare has none of its own."""

_LAPLACE = np.array([[0, 1, 0], [1, -4, 1], [0, 1, 0]], np.float32)
_STRETCH = np.array([[0, -1, 0], [1, 0, 1], [0, -1, 0]], np.float32)
_SHEAR = np.array([[1, 0, -1], [0, 0, 0], [-1, 0, 1]], np.float32) / 2
_NEIGHBOURS = np.ones((3, 3), np.uint8)


@dataclass(frozen=True, eq=False)
class Level:
    """One level of the pyramid: its picture (8-bit grey as float), pixels per its pixel, and its grain."""

    picture: Floats32
    step_px: int
    grain: Grain


@dataclass(frozen=True, eq=False)
class Candidates:
    """Places (N,): centre in photo px, level, smoothing in photo px, polarity (-1 dark, +1 bright), strength."""

    x_px: Floats
    y_px: Floats
    level: NDArray[np.int64]
    sigma_px: Floats
    polarity: NDArray[np.int64]
    strength: Floats

    def __len__(self) -> int:
        """Return the number of candidates."""
        return len(self.x_px)

    def __getitem__(self, chosen: NDArray[np.bool_] | NDArray[np.int64]) -> Candidates:
        """Return some of the candidates."""
        return Candidates(
            self.x_px[chosen],
            self.y_px[chosen],
            self.level[chosen],
            self.sigma_px[chosen],
            self.polarity[chosen],
            self.strength[chosen],
        )


def pyramid(grey: Bytes, largest_px: float) -> tuple[Level, ...]:
    """Return the levels needed for spots up to ``largest_px`` across."""
    levels = []
    picture = grey
    step = 1
    while True:
        levels.append(Level(picture.astype(np.float32), step, grain_of(picture)))
        if 2 * DISC_RADIUS_SIGMAS * SIGMAS_PX[-1] * step >= largest_px or min(picture.shape) < 2 * CELL_PX:
            return tuple(levels)
        picture = cv2.resize(picture, (picture.shape[1] // 2, picture.shape[0] // 2), interpolation=cv2.INTER_AREA)
        step *= 2


def find_candidates(levels: tuple[Level, ...], look: Bytes) -> Candidates:
    """Find all places that might be pinholes.

    Parameters
    ----------
    levels
        The picture's pyramid.
    look
        (H, W) uint8 at full size, non-zero where to look.
    """
    rows: list[Floats] = []
    for number, level in enumerate(levels):
        mask = look if number == 0 else cv2.resize(look, level.picture.shape[::-1], interpolation=cv2.INTER_NEAREST)
        picture, threshold = level.picture, THRESHOLD
        if number > 0:
            fixed = np.round(picture * FIXED_POINT).astype(np.int16)
            picture = even_along_grain(fixed, level.grain).astype(np.float32) / FIXED_POINT
            threshold = EVENED_THRESHOLD
        for sigma in SIGMAS_PX:
            rows += _peaks(picture, mask, sigma, threshold, number, level.step_px)
    found = np.concatenate(rows) if rows else np.zeros((0, 6))
    x, y, at, sigma_px, polarity, strength = found.T
    return Candidates(x, y, at.astype(np.int64), sigma_px, polarity.astype(np.int64), strength)


def _peaks(picture: Floats32, mask: Bytes, sigma: float, threshold: float, number: int, step: int) -> list[Floats]:
    smooth = cv2.GaussianBlur(picture, (0, 0), sigma)
    mean = cv2.filter2D(smooth, -1, _LAPLACE)
    spread = cv2.magnitude(cv2.filter2D(smooth, -1, _STRETCH), cv2.filter2D(smooth, -1, _SHEAR))
    noise = _noise(mean)
    rows = []
    for polarity, curved in ((-1, cv2.subtract(mean, spread)), (1, -cv2.add(mean, spread))):
        strength = cv2.divide(curved, noise)
        top = cv2.dilate(strength, _NEIGHBOURS)
        peak = cv2.bitwise_and(cv2.compare(strength, top, cv2.CMP_GE), mask)
        peak = cv2.bitwise_and(peak, cv2.compare(strength, threshold, cv2.CMP_GT))
        at = cv2.findNonZero(peak)
        if at is None or len(at) == 0:
            continue
        x, y = np.asarray(at).reshape(-1, 2).T
        shift = (step - 1) / 2
        count = len(x)
        rows.append(
            np.column_stack(
                [
                    x * step + shift,
                    y * step + shift,
                    np.full(count, number),
                    np.full(count, sigma * step),
                    np.full(count, polarity),
                    strength[y, x],
                ]
            )
        )
    return rows


def _noise(mean: Floats32) -> Floats32:
    """Local noise of the mean curvature, a map of the picture's size."""
    height, width = mean.shape
    sample = np.abs(mean[::2, ::2])
    side = CELL_PX // 2
    rows, columns = max(1, sample.shape[0] // side), max(1, sample.shape[1] // side)
    cells = sample[: rows * side, : columns * side]
    cells = cells.reshape(rows, cells.shape[0] // rows, columns, -1).swapaxes(1, 2).reshape(rows, columns, -1)
    level = np.quantile(cells[:, :, ::3], NOISE_QUANTILE, axis=2).astype(np.float32) / 1.96
    level = np.maximum(level, NOISE_FLOOR * np.median(level))
    calm = cv2.medianBlur(level.astype(np.float32), 3)
    return np.asarray(cv2.resize(calm, (width, height), interpolation=cv2.INTER_LINEAR), dtype=np.float32)
