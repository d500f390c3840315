"""Places that might be pinholes: small round dark or bright spots, on all scales.

The statistic is the weaker of the two principal curvatures of the smoothed picture (the Hessian's eigenvalue
nearer to zero), over the local noise of the mean curvature. It is large for a spot, near zero along a line: pores,
growth rings, edges and threads answer weakly by themselves.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.coat.ground import FIXED_POINT, Bytes, Floats32, Grain, Shorts, even_along_grain, grain_of
from voidmap.model import Floats

FINEST_SIGMA_PX = 0.95
"""Smoothing at the picture's full size, px: meets discs of 2.7 px best, and a photo can't show smaller ones."""
SIGMAS_PX = (0.95, 1.35)
"""Smoothing at each coarser level of the pyramid, px: half an octave apart, so that no disc lies far between two."""
DISC_RADIUS_SIGMAS = 1.41
"""A disc of radius r gives its strongest curvature at sigma = r / sqrt(2) (T. Lindeberg, 1998)."""
THRESHOLD = 2.7
"""Curvature over noise of a candidate; low, because the classifier decides."""
EVENED_THRESHOLD = 2.7
"""The same on the coarse levels, which are evened along the grain."""
CELL_PX = 64
"""The local noise is that of a cell of this side."""
NOISE_QUANTILE = 0.75
NOISE_SIGMAS = 1.15
"""The noise is read from the upper quartile (a normal's is at 1.15 sigma): a fill's edge or a crowd of pinholes in a
cell doesn't drown the others, as it would in the standard deviation or farther out in the tail."""
NOISE_STEP = 3
"""Every third row and column gives the noise: some 440 readings a cell, 5 % apart."""
STRIP_ROWS = 128
"""Rows worked on at a time, two cells: the arrays stay small and near the processor."""
HALO_PX = 8
"""Rows read beyond a strip: over six times the widest smoothing."""
PRE_THRESHOLD = 0.6
"""First cut, as a share of the threshold over the cell's noise, before the noise is smoothed."""
NOISE_FLOOR = 0.7
"""Least noise of a cell, as a share of the picture's median cell: saturated glare has none of its own."""

_LAPLACE = np.array([[0, 1, 0], [1, -4, 1], [0, 1, 0]], np.float32)
_STRETCH = np.array([[0, -1, 0], [1, 0, 1], [0, -1, 0]], np.float32)
_SHEAR = np.array([[1, 0, -1], [0, 0, 0], [-1, 0, 1]], np.float32) / 2
_NEIGHBOURS = np.ones((3, 3), np.uint8)


@dataclass(frozen=True, eq=False)
class Level:
    """One level of the pyramid: its picture (8-bit grey), photo pixels per its pixel, and the grain."""

    picture: Bytes
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


def diameter_px(found: Candidates, log_size: Floats) -> Floats:
    """Return the diameters (N,) px of candidates whose widths are off by a factor, given as its logarithm."""
    return np.asarray(2 * DISC_RADIUS_SIGMAS * found.sigma_px * np.exp(log_size), dtype=np.float64)


def pyramid(grey: Bytes, largest_px: float, grain: Grain | None = None) -> tuple[Level, ...]:
    """Return the levels needed for spots up to ``largest_px`` across; the grain is looked for where it isn't known."""
    grain = grain_of(grey) if grain is None else grain
    levels = []
    picture = grey
    step = 1
    while True:
        levels.append(Level(picture, step, grain))
        if 2 * DISC_RADIUS_SIGMAS * SIGMAS_PX[-1] * step >= largest_px or min(picture.shape) < 4 * CELL_PX:
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
        (H, W) uint8 at full size, 255 where to look.
    """
    # The finest level is half the work: a second processor does it meanwhile.
    with ThreadPoolExecutor(1) as beside:
        finest = beside.submit(_at_level, levels[0], 0, look)
        coarser = [part for number, level in enumerate(levels[1:], start=1) for part in _at_level(level, number, look)]
        parts = [*finest.result(), *coarser]
    return Candidates(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Candidates)))


def _at_level(level: Level, number: int, look: Bytes) -> list[Candidates]:
    """Find the candidates of one level of the pyramid, each smoothing apart."""
    mask = look if number == 0 else cv2.resize(look, level.picture.shape[::-1], interpolation=cv2.INTER_NEAREST)
    picture: Bytes | Shorts = level.picture
    threshold = THRESHOLD
    if number > 0:
        picture = even_along_grain(cv2.multiply(picture, FIXED_POINT, dtype=cv2.CV_16S), level.grain)
        threshold = EVENED_THRESHOLD
    parts = []
    for sigma in SIGMAS_PX if number > 0 else (FINEST_SIGMA_PX,):
        x, y, polarity, strength = _peaks(picture, mask, sigma, threshold, weaker=number > 0)
        shift = (level.step_px - 1) / 2
        parts.append(
            Candidates(
                x * level.step_px + shift,
                y * level.step_px + shift,
                np.full(len(x), number),
                np.full(len(x), sigma * level.step_px),
                polarity,
                strength,
            )
        )
    return parts


def _peaks(
    picture: Bytes | Shorts, mask: Bytes, sigma: float, threshold: float, *, weaker: bool
) -> tuple[Floats, Floats, NDArray[np.int64], Floats]:
    """Find the peaks of curvature at one scale, strip by strip: places, polarity, curvature over noise.

    They are peaks of the weaker curvature with ``weaker``, else of the mean one (a third of the work; the weaker
    one is then worked out at the peaks alone).
    """
    height, width = picture.shape
    cells = (max(1, height // CELL_PX), max(1, width // CELL_PX))
    level = np.zeros(cells, np.float32)
    taps = cv2.getGaussianKernel(2 * int(np.ceil(2.5 * sigma)) + 1, sigma, cv2.CV_32F)
    room = [np.empty((STRIP_ROWS + 2 * HALO_PX, width), np.float32) for _ in range(4)]
    cell_of = np.minimum(np.arange(width) // CELL_PX, cells[1] - 1)
    rows = []
    for top in range(0, height, STRIP_ROWS):
        bottom = min(height, top + STRIP_ROWS)
        first, last = max(0, top - HALO_PX), min(height, bottom + HALO_PX)
        smooth, size, work, more = (r[: last - first] for r in room)
        cv2.sepFilter2D(picture[first:last], cv2.CV_32F, taps, taps, dst=smooth)
        cv2.filter2D(smooth, -1, _LAPLACE, dst=size)
        np.abs(size, out=size)
        own = _cell_noise(size[top - first : bottom - first], cells[1])
        at = top // CELL_PX
        level[at : at + len(own)] = own[: max(0, cells[0] - at)]
        least = np.maximum(own, NOISE_FLOOR * np.median(own)) * np.float32(PRE_THRESHOLD * threshold)
        height_of = size
        if weaker:
            cv2.filter2D(smooth, -1, _STRETCH, dst=work)
            cv2.filter2D(smooth, -1, _SHEAR, dst=more)
            height_of = cv2.subtract(size, cv2.magnitude(work, more), dst=work)
        top_of = cv2.compare(height_of, cv2.dilate(height_of, _NEIGHBOURS, dst=more), cv2.CMP_GE)
        peak = cv2.bitwise_and(top_of[top - first : bottom - first], mask[top:bottom])
        for row, cut in enumerate(least[:, cell_of]):
            part = slice(row * CELL_PX, None if row == len(least) - 1 else (row + 1) * CELL_PX)
            peak[part] &= height_of[top - first : bottom - first][part] > cut
        found = cv2.findNonZero(peak)
        if found is None or len(found) == 0:
            continue
        x, y = np.asarray(found).reshape(-1, 2).T
        cut = least[np.minimum(y // CELL_PX, len(least) - 1), cell_of[x]]
        rows.append(_measured(smooth, size, height_of, x, y + (top - first), first, cut))
    if not rows:
        return np.zeros(0), np.zeros(0), np.zeros(0, np.int64), np.zeros(0)
    x, y, polarity, weak = np.concatenate(rows, axis=1)
    strength = weak / _noise_at(level, x / width, y / height)
    keep = strength > threshold
    return x[keep], y[keep], polarity[keep].astype(np.int64), strength[keep]


def _measured(
    smooth: Floats32,
    size: Floats32,
    height_of: Floats32,
    x: NDArray[np.int32],
    y: NDArray[np.int32],
    first: int,
    least: Floats32,
) -> Floats:
    """Places with their weaker curvature: rows x, y, polarity, curvature (twice the smaller eigenvalue)."""
    height, width = smooth.shape
    flat = smooth.reshape(-1)
    inside = (x > 0) & (y > 0) & (x < width - 1) & (y < height - 1)
    x, y, least = x[inside], y[inside], least[inside]
    at = y * width + x
    across, down = flat[at + 1] + flat[at - 1], flat[at + width] + flat[at - width]
    mean, apart = size.reshape(-1)[at], across - down
    # The shear only lessens the weaker curvature: most need not be asked for it.
    keep = np.flatnonzero(mean - np.abs(apart) > least)
    at, bend = at[keep], across[keep] + down[keep]
    shear = (flat[at + width + 1] + flat[at - width - 1] - flat[at - width + 1] - flat[at + width - 1]) / 2
    weak = mean[keep] - np.hypot(apart[keep], shear)
    last = weak > least[keep]
    keep, weak = keep[last], weak[last]
    polarity = np.where(bend[last] > 4 * flat[at[last]], -1, 1)
    x, y = x[keep], y[keep]
    fine = [c.astype(np.float64) for c in (x, y)]
    here = height_of[y, x].astype(np.float64)
    for k, (dx, dy) in enumerate(((1, 0), (0, 1))):
        before = height_of[y - dy, x - dx].astype(np.float64)
        after = height_of[y + dy, x + dx].astype(np.float64)
        curve = np.minimum(before + after - 2 * here, -1e-9)
        fine[k] += np.clip((before - after) / (2 * curve), -0.5, 0.5)
    return np.stack([fine[0], fine[1] + first, polarity, weak])


def _cell_noise(size: Floats32, columns: int) -> Floats32:
    """Noise of the curvature in the cells of a strip, (rows of cells, columns)."""
    side = CELL_PX // NOISE_STEP
    sample = size[::NOISE_STEP, ::NOISE_STEP]
    rows = max(1, sample.shape[0] // side)
    cells = sample[: rows * side, : columns * side]
    cells = cells.reshape(rows, cells.shape[0] // rows, columns, side).swapaxes(1, 2).reshape(rows, columns, -1)
    place = int(NOISE_QUANTILE * (cells.shape[2] - 1))
    return np.asarray(np.partition(cells, place, axis=2)[:, :, place] / NOISE_SIGMAS, dtype=np.float32)


def _noise_at(level: Floats32, x_share: Floats, y_share: Floats) -> Floats:
    """Noise at shares of the picture's width and height, interpolated between the cells."""
    calm = cv2.medianBlur(np.maximum(level, NOISE_FLOOR * np.median(level)), 3)
    rows, columns = level.shape
    map_x = (x_share * columns - 0.5).astype(np.float32).reshape(-1, 1)
    map_y = (y_share * rows - 0.5).astype(np.float32).reshape(-1, 1)
    out = [
        cv2.remap(calm, map_x[k : k + 30000], map_y[k : k + 30000], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        for k in range(0, len(map_x), 30000)
    ]
    return np.concatenate(out).ravel().astype(np.float64) if out else np.zeros(0)
