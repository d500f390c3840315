"""The top with its light evened: how far each place is from the sound wood around it.

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
from voidmap.surface.mosaic import Bools, Floats32, GrainFrame, block_mean

# The running quantile's window along the grain: several times the longest void that must be bridged.
QUANTILE_WINDOW_MM = 900.0
# Sound wood is on the bright side, because voids, knots and stains are mostly darker.
BRIGHT_QUANTILE = 0.6
# It is worked out at every so many cells along the grain: it changes slowly.
QUANTILE_SKIP = 4
# Reach of the mean of undisturbed wood (1 sigma), along and across the grain.
MEAN_ALONG_MM = 40.0
MEAN_ACROSS_MM = 5.0
# A cell farther than this many robust sigmas from the background is no sound wood.
ODD_SIGMAS = 2.5
# The sapwood's edge and other ring borders wander across the grain by this much within the mean's reach:
# any colour that the sound wood has this near is sound wood.
WANDER_ACROSS_MM = 12.0
# Rows of the picture handled at once.
STRIP_ROWS = 128
# A grey value this near the top of the 8-bit scale in all channels is glare.
GLARE_LEVEL = 250
# The patch grid: a cell of this size, or the picture's own pixel where that is coarser.
PATCH_CELL_MM = 0.5
# From B, G, R to grey.
TO_GREY = np.array([[0.114, 0.587, 0.299]], np.float32)
# The log of each 8-bit value, one step up so that black has one.
LOG_OF = np.log(np.arange(256, dtype=np.float32) + 1.0)


@dataclass(frozen=True, eq=False)
class Evened:
    """The evened picture.

    ``dark`` (H, W) float32 is the natural log of brightness over that of the sound wood around: 0 for sound
    wood, negative for darker. ``seen`` (H, W) bool is the bare top that is neither covered nor in glare.
    The patch grid has cells of ``step`` pixels: ``patch`` (h, w, 3) float32 holds the logs of brightness,
    blue over green and red over green against the nearest of the sound wood's colours around, and
    ``patch_seen`` (h, w) bool its bare cells. ``grain_deg`` is the grain in the picture's frame.
    """

    dark: Floats32
    seen: Bools
    glare: Bools
    patch: Floats32
    patch_seen: Bools
    step: int
    grain_deg: float
    mm_per_px: float

    @property
    def cell_mm(self) -> float:
        """Size of a cell of the patch grid."""
        return self.mm_per_px * self.step


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
    bare = (slab.mask & ~slab.covered & ortho.valid).astype(np.uint8)
    # Pixels on the border mix wood with what lies beyond.
    size = 2 * max(1, int(slab.edge_blur_mm / ortho.mm_per_px)) + 1
    bare = cv2.erode(bare, np.ones((size, size), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=1)
    seen = np.asarray(bare).view(np.bool_) & ~glare
    frame = GrainFrame.of(seen.shape, ortho.mm_per_px, grain_deg)
    step = max(1, round(PATCH_CELL_MM / ortho.mm_per_px))
    small = block_mean(ortho.pixels, step)
    small_seen = block_mean(seen.view(np.uint8) * np.uint8(255), step) > 0.75 * 255
    plain = _tints(small)
    grids, share = _cells(frame, plain, small_seen, step)
    level, odd = _background(grids[..., 0], share > 0.5)
    dark = _dark(ortho.pixels, frame, level)
    patch = _patch_grid(plain, frame, step, grids, level, share, odd)
    return Evened(dark, seen, glare, patch, small_seen, step, grain_deg, ortho.mm_per_px)


def _tints(pixels: NDArray[np.uint8]) -> Floats32:
    """Return the logs of brightness, blue over green and red over green, (H, W, 3), worked out strip by strip."""
    tints = np.empty(pixels.shape, np.float32)
    for top in range(0, len(pixels), STRIP_ROWS):
        strip = pixels[top : top + STRIP_ROWS]
        grey = np.log(np.asarray(cv2.transform(strip.astype(np.float32), TO_GREY), np.float32) + np.float32(1.0))
        blue, green, red = cv2.split(cv2.LUT(strip, LOG_OF))
        cv2.merge([grey, cv2.subtract(blue, green), cv2.subtract(red, green)], dst=tints[top : top + STRIP_ROWS])
    return tints


def _dark(pixels: NDArray[np.uint8], frame: GrainFrame, level: Floats32) -> Floats32:
    """Log of brightness over the level, (H, W), strip by strip so that only the result is held at full size."""
    height, width = pixels.shape[:2]
    dark = np.empty((height, width), np.float32)
    for top in range(0, height, STRIP_ROWS):
        strip = dark[top : top + STRIP_ROWS]
        bright = cv2.LUT(cv2.cvtColor(pixels[top : top + STRIP_ROWS], cv2.COLOR_BGR2GRAY), LOG_OF)
        cv2.subtract(bright, frame.back(level, strip.shape, 1, top), dst=strip)
    return dark


def _patch_grid(
    plain: Floats32, frame: GrainFrame, step: int, grids: Floats32, level: Floats32, share: Floats32, odd: Bools
) -> Floats32:
    """Brightness and tint on the patch grid, against the nearest of the sound wood's colours around."""
    ground = np.empty_like(grids)
    ground[..., 0] = level
    for k in (1, 2):
        tint = np.where(odd, np.nan, grids[..., k])
        ground[..., k], _ = _background(tint, (share > 0.5) & ~odd, two_sided=True)
    low, high = _reach_across(ground)
    nearest = frame.back(high, plain.shape, step)
    cv2.min(plain, nearest, dst=nearest)
    cv2.max(frame.back(low, plain.shape, step), nearest, dst=nearest)
    return np.asarray(cv2.subtract(plain, nearest, dst=nearest), dtype=np.float32)


def _reach_across(ground: Floats32) -> tuple[Floats32, Floats32]:
    """Least and greatest level of the sound wood within reach across the grain."""
    reach = 2 * round(WANDER_ACROSS_MM / GrainFrame.ACROSS_MM) + 1
    element = np.ones((reach, 3), np.uint8)
    return (
        np.asarray(cv2.erode(ground, element), dtype=np.float32),
        np.asarray(cv2.dilate(ground, element), dtype=np.float32),
    )


def _glare(ortho: Ortho) -> Bools:
    glare = cv2.inRange(ortho.pixels, np.full(3, GLARE_LEVEL), np.full(3, 255))
    return np.asarray(cv2.dilate(glare, np.ones((3, 3), np.uint8))) > 0


def _cells(frame: GrainFrame, picture: Floats32, seen: Bools, step: int) -> tuple[Floats32, Floats32]:
    """Mean (h, w, 3) of what is seen in each cell, NaN where less than half of the cell is; and the share seen."""
    value = frame.gather(np.asarray(cv2.copyTo(picture, seen.astype(np.uint8))), step)
    share = frame.gather(seen.astype(np.float32), step)
    mean = np.where(share[..., None] > 0.5, value / np.maximum(share, 1e-6)[..., None], np.nan)
    return mean.astype(np.float32), share


def _background(cells: Floats32, full: Bools, *, two_sided: bool = False) -> tuple[Floats32, Bools]:
    """Level of the sound wood at each cell, and the cells that are no sound wood.

    Unless ``two_sided``, only cells on the dark side are taken for something else than sound wood.
    """
    full = full & np.isfinite(cells)
    odd = np.zeros_like(full)
    if not full.any():
        return np.zeros(cells.shape, np.float32), odd
    slope = _slope(cells, full)
    ground = slope + _quantile_along(cells - slope)
    for _ in range(2):
        off = np.where(full, cells - ground, 0.0)
        off = off - float(np.median(off[full]))
        sigma = 1.4826 * float(np.median(np.abs(off[full]))) + 1e-4
        odd = full & ((np.abs(off) if two_sided else -off) > ODD_SIGMAS * sigma)
        odd = np.asarray(cv2.dilate(odd.astype(np.uint8), np.ones((3, 3), np.uint8))).astype(bool)
        ground = _mean_around(cells, full & ~odd, ground)
    return ground, odd


def _slope(cells: Floats32, full: Bools) -> Floats32:
    """Fit a second-order surface to the cells, outliers weighed down: lamp fall-off and vignetting."""
    rows, columns = np.indices(cells.shape, dtype=np.float64)
    x, y = (2.0 * columns / max(1, cells.shape[1]) - 1.0, 2.0 * rows / max(1, cells.shape[0]) - 1.0)
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)
    known, value = terms[full], cells[full].astype(np.float64)
    weight = np.ones(len(value))
    factors: Floats = np.zeros(6)
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
    reach = max(1, round(QUANTILE_WINDOW_MM / GrainFrame.ALONG_MM / 2))
    rows, columns = cells.shape
    padded = np.full((rows, columns + 2 * reach), np.nan, np.float32)
    padded[:, reach:-reach] = cells
    views = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1, axis=1)
    windows = np.sort(views[:, ::QUANTILE_SKIP, ::2], axis=2)
    count = np.isfinite(windows).sum(axis=2)
    place = np.clip((BRIGHT_QUANTILE * (count - 1)).astype(int), 0, None)
    level = np.take_along_axis(windows, place[..., None], axis=2)[..., 0]
    return _filled(level, count > 0).repeat(QUANTILE_SKIP, axis=1)[:, :columns]


def _filled(level: Floats32, known: Bools) -> Floats32:
    """Fill unknown cells from the nearest known one."""
    if known.all() or not known.any():
        return np.nan_to_num(level)
    _, labels = cv2.distanceTransformWithLabels(
        (~known).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    values = np.zeros(int(labels.max()) + 1, np.float32)
    values[labels[known]] = level[known]
    return np.asarray(values[labels])


def _mean_around(cells: Floats32, sound: Bools, fallback: Floats32) -> Floats32:
    """Weighted mean of the sound cells around each cell; where none is near, the fallback."""
    along, across = MEAN_ALONG_MM / GrainFrame.ALONG_MM, MEAN_ACROSS_MM / GrainFrame.ACROSS_MM

    def blur(values: Floats32) -> Floats32:
        soft = cv2.GaussianBlur(values, (0, 0), along, sigmaY=across, borderType=cv2.BORDER_CONSTANT)
        return np.asarray(soft, dtype=np.float32)

    total = blur(sound.astype(np.float32))
    mean = blur(np.where(sound, cells, 0.0).astype(np.float32)) / np.maximum(total, 1e-6)
    trust = np.clip(total / 0.05, 0.0, 1.0)
    return np.asarray(trust * mean + (1.0 - trust) * fallback, dtype=np.float32)
