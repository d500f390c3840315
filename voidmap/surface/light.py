"""The top with its light evened: how much darker each place is than the sound wood around it.

Lamps, vignetting, soft shadows and the step from heartwood to sapwood change slowly along the grain. The
background is a bright-side quantile along the grain, then the mean of the undisturbed wood around each
place; both are worked out on a coarse grid and taken off the logarithm of each channel.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats, Ortho, SlabFound

Bools = NDArray[np.bool_]
Floats32 = NDArray[np.float32]

# The coarse grid: a cell along and across the grain. Across it must resolve the edge of the sapwood.
CELL_ALONG_MM = 6.0
CELL_ACROSS_MM = 2.0
# The running quantile's window along the grain: several times the longest void that must be bridged.
QUANTILE_WINDOW_MM = 900.0
# Sound wood is on the bright side, because voids, knots and stains are mostly darker.
BRIGHT_QUANTILE = 0.6
# Reach of the mean of undisturbed wood (1 sigma), along and across the grain.
MEAN_ALONG_MM = 40.0
MEAN_ACROSS_MM = 5.0
# A cell farther than this many robust sigmas from the background is no sound wood.
ODD_SIGMAS = 2.5
# A grey value this near the top of the 8-bit scale in all channels is glare.
GLARE_LEVEL = 250


@dataclass(frozen=True, eq=False)
class Evened:
    """The evened picture.

    ``dark`` (H, W) float32 is the natural log of brightness over that of the sound wood around: 0 for sound
    wood, negative for darker. ``tint`` (H, W, 2) float32 holds the logs of blue over green and red over
    green, evened the same way, on a grid ``tint_step`` times coarser. ``seen`` (H, W) bool is the bare top
    that is neither covered nor in glare; ``grain_deg`` the grain in the picture's frame.
    """

    dark: Floats32
    tint: Floats32
    tint_step: int
    seen: Bools
    glare: Bools
    grain_deg: float
    mm_per_px: float


def even_light(ortho: Ortho, slab: SlabFound, grain_deg: float) -> Evened:
    """Even the light of the slab's top.

    Parameters
    ----------
    ortho
        The slab's top seen square-on.
    slab
        Where the top is, and what of it is covered.
    grain_deg
        Direction of the grain, degrees from x toward y.
    """
    glare = _glare(ortho)
    seen = slab.mask & ~slab.covered & ortho.valid & ~glare
    grey = cv2.cvtColor(ortho.pixels, cv2.COLOR_BGR2GRAY)
    logs = np.log(np.arange(256, dtype=np.float32) + 1.0)
    dark = cv2.LUT(grey, logs).reshape(grey.shape)
    frame = GrainFrame.of(ortho, grain_deg)
    dark = dark - frame.back(_background(frame, dark, seen, bright_counts=True), dark.shape)
    step = max(1, round(0.5 / ortho.mm_per_px))
    tint = _tint(ortho, frame, seen, step)
    return Evened(dark, tint, step, seen, glare, grain_deg, ortho.mm_per_px)


@dataclass(frozen=True, eq=False)
class GrainFrame:
    """A coarse grid whose rows run along the grain."""

    to_grid: Floats
    size: tuple[int, int]

    @classmethod
    def of(cls, ortho: Ortho, grain_deg: float) -> GrainFrame:
        """Lay the grid over the whole picture."""
        height, width = ortho.valid.shape
        turn = np.deg2rad(grain_deg)
        along = np.array([np.cos(turn), np.sin(turn)]) * ortho.mm_per_px / CELL_ALONG_MM
        across = np.array([-np.sin(turn), np.cos(turn)]) * ortho.mm_per_px / CELL_ACROSS_MM
        corners = np.array([[0, 0], [width, 0], [0, height], [width, height]], dtype=np.float64)
        places = corners @ np.stack([along, across]).T
        low, high = places.min(axis=0), places.max(axis=0)
        matrix = np.column_stack([np.stack([along, across]), -low])
        cells = np.ceil(high - low).astype(int) + 1
        return cls(matrix, (int(cells[0]), int(cells[1])))

    def gather(self, picture: Floats32) -> Floats32:
        """Average a full-size picture into the grid's cells (pre-blurred, then sampled)."""
        shrink = 4
        small = cv2.resize(picture, None, fx=1 / shrink, fy=1 / shrink, interpolation=cv2.INTER_AREA)
        matrix = self.to_grid.copy()
        matrix[:, :2] *= shrink
        fine = cv2.warpAffine(small, self._fine(matrix), (self.size[0] * 4, self.size[1] * 2))
        return np.asarray(cv2.resize(fine, self.size, interpolation=cv2.INTER_AREA), dtype=np.float32)

    @staticmethod
    def _fine(matrix: Floats) -> Floats:
        return np.asarray(np.diag([4.0, 2.0]) @ matrix)

    def back(self, grid: Floats32, shape: tuple[int, ...], step: int = 1) -> Floats32:
        """Interpolate a grid back to a picture of ``shape`` whose pixels are ``step`` full-size ones."""
        matrix = self.to_grid.copy()
        matrix[:, :2] *= step
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        size = (shape[1], shape[0])
        return np.asarray(
            cv2.warpAffine(grid, matrix, size, flags=flags, borderMode=cv2.BORDER_REPLICATE), dtype=np.float32
        )


def _glare(ortho: Ortho) -> Bools:
    lowest = ortho.pixels.min(axis=2)
    glare = (lowest >= GLARE_LEVEL).astype(np.uint8)
    return cv2.dilate(glare, np.ones((3, 3), np.uint8)).astype(bool)


def _tint(ortho: Ortho, frame: GrainFrame, seen: Bools, step: int) -> Floats32:
    height, width = seen.shape
    size = (max(1, width // step), max(1, height // step))
    small = cv2.resize(ortho.pixels, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    logs = np.log(small + 1.0)
    tint = np.empty((*logs.shape[:2], 2), np.float32)
    for k, channel in enumerate((0, 2)):
        plain = logs[..., channel] - logs[..., 1]
        full = cv2.resize(plain, (width, height), interpolation=cv2.INTER_NEAREST)
        tint[..., k] = plain - frame.back(_background(frame, full, seen, bright_counts=False), plain.shape, step)
    return tint


def _background(frame: GrainFrame, picture: Floats32, seen: Bools, *, bright_counts: bool) -> Floats32:
    """Level of the sound wood at each cell of the grain's grid.

    With ``bright_counts`` only cells on the dark side are taken for something else than sound wood.
    """
    weight = frame.gather(seen.astype(np.float32))
    value = frame.gather(np.where(seen, picture, np.float32(0.0)))
    full = weight > 0.5
    if not full.any():
        return np.zeros_like(weight)
    cells = np.where(full, value / np.maximum(weight, 1e-6), np.nan).astype(np.float32)
    slope = _slope(cells, full)
    ground = slope + _quantile_along(cells - slope)
    for _ in range(2):
        off = np.where(full, cells - ground, 0.0)
        sigma = 1.4826 * float(np.median(np.abs(off[full] - np.median(off[full])))) + 1e-4
        off = off - float(np.median(off[full]))
        odd = full & ((-off if bright_counts else np.abs(off)) > ODD_SIGMAS * sigma)
        odd = cv2.dilate(odd.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
        ground = _mean_around(cells, full & ~odd, ground)
    return ground


def _slope(cells: Floats32, full: Bools) -> Floats32:
    """Fit a second-order surface to the cells, outliers weighed down: lamp fall-off and vignetting."""
    rows, columns = np.indices(cells.shape, dtype=np.float64)
    x, y = (2.0 * columns / max(1, cells.shape[1]) - 1.0, 2.0 * rows / max(1, cells.shape[0]) - 1.0)
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)
    known, value = terms[full], cells[full].astype(np.float64)
    weight = np.ones(len(value))
    factors = np.zeros(6)
    ridge = 1e-6 * len(value) * np.eye(6)
    for _ in range(5):
        factors = np.linalg.solve((known * weight[:, None]).T @ known + ridge, known.T @ (weight * value))
        off = value - known @ factors
        sigma = 1.4826 * np.median(np.abs(off)) + 1e-4
        weight = np.clip(1.0 - (off / (4.0 * sigma)) ** 2, 0.0, None) ** 2
    factors[0] = 0.0
    return np.asarray(terms @ factors, dtype=np.float32)


def _quantile_along(cells: Floats32) -> Floats32:
    """Bright-side running quantile along each row; empty rows take the nearest row's level."""
    reach = max(1, round(QUANTILE_WINDOW_MM / CELL_ALONG_MM / 2))
    rows, columns = cells.shape
    padded = np.full((rows, columns + 2 * reach), np.nan, np.float32)
    padded[:, reach:-reach] = cells
    windows = np.sort(np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1, axis=1), axis=2)
    count = np.isfinite(windows).sum(axis=2)
    place = np.clip((BRIGHT_QUANTILE * (count - 1)).astype(int), 0, None)
    level = np.take_along_axis(windows, place[..., None], axis=2)[..., 0]
    return _filled(level, count > 0)


def _filled(level: Floats32, known: Bools) -> Floats32:
    """Fill unknown cells from the nearest known one."""
    from scipy.ndimage import distance_transform_edt

    if known.all() or not known.any():
        return np.nan_to_num(level)
    near = distance_transform_edt(~known, return_distances=False, return_indices=True)
    return np.asarray(level[tuple(near)], dtype=np.float32)


def _mean_around(cells: Floats32, sound: Bools, fallback: Floats32) -> Floats32:
    """Weighted mean of the sound cells around each cell; where none is near, the fallback."""
    sigma_x, sigma_y = MEAN_ALONG_MM / CELL_ALONG_MM, MEAN_ACROSS_MM / CELL_ACROSS_MM
    weight = sound.astype(np.float32)
    blur = {"ksize": (0, 0), "sigmaX": sigma_x, "sigmaY": sigma_y, "borderType": cv2.BORDER_CONSTANT}
    total = cv2.GaussianBlur(weight, **blur)
    mean = cv2.GaussianBlur(np.where(sound, cells, 0.0).astype(np.float32), **blur)
    trust = np.clip(total / 0.05, 0.0, 1.0)
    return np.asarray(trust * mean / np.maximum(total, 1e-6) + (1.0 - trust) * fallback, dtype=np.float32)
