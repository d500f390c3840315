"""A band along the slab's rough outline, laid out straight: rows run along the edge, columns across it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from voidmap.model import Floats, Ortho
from voidmap.surface.edges import contour_px, resample, smooth_closed

Bools = NDArray[np.bool_]
F32 = NDArray[np.float32]

# The band's reach: a bay of a void and a rough outline that misses the sapwood are this deep at most; on a
# small board no more than this share of its narrow side.
INWARD_MM, OUTWARD_MM, INWARD_SHARE = 50.0, 55.0, 0.3
# Steps of the band. Across it is read no finer than needed to tell stuffs apart; the fine place comes later.
ALONG_MM, ACROSS_MM = 2.0, 1.0
# Bays up to twice this wide are bridged before the band is laid, so that it runs past them.
PAST_BAYS_MM = 150.0
# The band's middle line is smoothed by this much (1 sigma): normals of a ragged line would cross.
MIDDLE_SMOOTH_MM = 8.0
# Softens the log of dark pixels, whose noise would be blown up otherwise (8-bit steps).
LOG_SOFT = 12.0
# Roughness is the spread of tone over this far to both sides along the edge, and over 2 px across it.
ROUGH_REACH_MM = 6.0
# Softens the log of the spread: an even surface in an 8-bit picture has about this (log units).
ROUGH_SOFT = 0.01
# A step of tone is read between means over this many columns on both sides.
STEP_COLUMNS = 2
# Parallax is read in windows that reach this far: beside an edge they may show what lies on its other side.
WINDOW_MM = 4.0
# Steps count against the strongest ones nearby (97th percentile across, median over this far along).
STEP_NEAR_MM = 160.0
LEAST_STEP, GREATEST_STEP = 0.05, 1.2


@dataclass(frozen=True, eq=False)
class Band:
    """The band's places and looks, (rows, columns) arrays.

    ``middle_px`` (rows, 2) and ``outward`` (rows, 2) are in px of the reduced picture, whose px is ``mm_per_px``;
    ``offsets_mm`` (columns,) counts outward. ``tone`` is the mean log of B, G, R; ``tint`` (rows, columns, 2)
    the logs of red and of blue over green; ``along`` and ``across`` the log spread of tone in both directions.
    ``seen`` is False beyond the photo and under sheets. ``step`` (rows, columns + 1) is the step of colour at
    the border before each column, about 1 on a clear edge. ``nats`` are those by which parallax makes the top likelier
    than the bench, ``clear`` what is left of them where all around agrees; None where there is no parallax.
    """

    middle_px: Floats
    outward: Floats
    offsets_mm: Floats
    mm_per_px: float
    tone: F32
    tint: F32
    along: F32
    across: F32
    seen: Bools
    slab: Bools
    step: F32
    nats: F32 | None = None
    clear: F32 | None = None

    def points_px(self, offsets_mm: Floats) -> Floats:
        """Return the points (rows, 2) of the reduced picture at one offset a row."""
        return np.asarray(self.middle_px + offsets_mm[:, None] / self.mm_per_px * self.outward)

    def at(self, mask: Bools) -> Bools:
        """Return a mask of the reduced picture laid out in the band, (rows, columns); False outside of it."""
        x, y = _places(self.middle_px, self.outward, self.offsets_mm, self.mm_per_px)
        return _masked(mask, x, y)

    def values(self, picture: F32) -> F32:
        """Return what the reduced picture (h, w) float32 holds, laid out in the band, (rows, columns)."""
        x, y = _places(self.middle_px, self.outward, self.offsets_mm, self.mm_per_px)
        return np.asarray(cv2.remap(picture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))

    def rows_of(self, length_mm: float) -> int:
        """Return a length along the edge in whole rows, at least 1."""
        return max(1, round(length_mm / ALONG_MM))


def lay_band(small: Ortho, slab: Bools, hidden: Bools, nats: F32 | None = None) -> Band:
    """Lay the band out.

    Parameters
    ----------
    small
        The square-on picture, reduced to about 1 mm per px.
    slab, hidden
        (h, w) rough mask of the top, and sheets that lie on it or hang over.
    nats
        (h, w) by which parallax makes the top likelier than the bench.

    Returns
    -------
    Band
    """
    mm = small.mm_per_px
    middle, outward = _middle(_past_bays(slab, PAST_BAYS_MM / mm), mm)
    (_, _), sides, _ = cv2.minAreaRect(middle.astype(np.float32))
    inward = max(3.0, min(INWARD_MM, INWARD_SHARE * min(sides) * mm))
    offsets = np.arange(-np.floor(inward / ACROSS_MM), np.floor(OUTWARD_MM / ACROSS_MM) + 1) * ACROSS_MM
    x, y = _places(middle, outward, offsets, mm)
    colours = cv2.remap(small.pixels, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    logs = np.log(np.arange(256, dtype=np.float32) + np.float32(LOG_SOFT))[colours]
    tone = np.asarray(logs.mean(axis=2), dtype=np.float32)
    tint = np.stack([logs[..., 2] - logs[..., 1], logs[..., 0] - logs[..., 1]], axis=-1)
    near = cv2.dilate(hidden.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    seen = _masked(small.valid & ~near, x, y)
    along, across = _roughness(tone)
    heights = [] if nats is None else [cv2.remap(n, x, y, cv2.INTER_LINEAR) for n in (nats, clear_of_edges(nats, mm))]
    slab_there = _masked(slab, x, y)
    return Band(middle, outward, offsets, mm, tone, tint, along, across, seen, slab_there, _steps(logs, seen), *heights)


def clear_of_edges(nats: F32, mm_per_px: float) -> F32:
    """Return the least (h, w) of what windows say around each place; 0 where they do not agree."""
    side = 2 * round(WINDOW_MM / mm_per_px) + 1
    around = np.ones((side, side), np.uint8)
    return np.maximum(cv2.erode(nats, around), 0.0) + np.minimum(cv2.dilate(nats, around), 0.0)


def _places(middle: Floats, outward: Floats, offsets_mm: Floats, mm_per_px: float) -> tuple[F32, F32]:
    """Columns and rows (rows, columns) of the reduced picture that the band shows."""
    x, y = (
        np.ascontiguousarray(middle[:, None, k] + offsets_mm[None] / mm_per_px * outward[:, None, k], dtype=np.float32)
        for k in range(2)
    )
    return x, y


def _masked(mask: Bools, x: F32, y: F32) -> Bools:
    found = cv2.remap(mask.astype(np.uint8), x, y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT)
    return np.asarray(found > 0)


def _past_bays(slab: Bools, radius: float) -> Bools:
    """Close bays of the mask that a disc of this radius (px) can't enter."""
    # Worked at a quarter of the size: the middle line is smoothed far more than that.
    shrink = 4
    size = (max(4, slab.shape[1] // shrink), max(4, slab.shape[0] // shrink))
    low = cv2.resize(slab.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    reach = radius / shrink
    pad = int(np.ceil(reach)) + 2
    away = cv2.distanceTransform(1 - np.pad(low, pad), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    back = cv2.distanceTransform((away <= reach).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    closed = (back > reach)[pad:-pad, pad:-pad].astype(np.uint8)
    return slab | (cv2.resize(closed, slab.shape[::-1], interpolation=cv2.INTER_NEAREST) > 0)


def _middle(mask: Bools, mm_per_px: float) -> tuple[Floats, Floats]:
    """Smoothed contour of a mask and its outward normals, each (rows, 2)."""
    step, sigma = ALONG_MM / mm_per_px, MIDDLE_SMOOTH_MM / ALONG_MM
    line = resample(smooth_closed(resample(contour_px(mask), step), sigma), step)
    tangent = smooth_closed(np.roll(line, -1, axis=0) - np.roll(line, 1, axis=0), sigma)
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-9)
    x, y = line.T
    turn = np.sign(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))
    return line, turn * np.column_stack([tangent[:, 1], -tangent[:, 0]])


def _roughness(tone: F32) -> tuple[F32, F32]:
    """Log spread of tone along and across the edge."""
    rows = 2 * max(1, round(ROUGH_REACH_MM / ALONG_MM)) + 1

    def mean(values: F32, size: tuple[int, int]) -> F32:
        lead = rows
        found = cv2.blur(np.pad(values, ((lead, lead), (0, 0)), mode="wrap"), size)
        return np.asarray(found[lead:-lead], dtype=np.float32)

    square = tone * tone
    over = np.maximum(mean(square, (1, rows)) - mean(tone, (1, rows)) ** 2, 0.0)
    beside = mean(np.maximum(mean(square, (5, 1)) - mean(tone, (5, 1)) ** 2, 0.0), (1, rows))
    along, across = (np.log(np.sqrt(v) + np.float32(ROUGH_SOFT)) for v in (over, beside))
    return along, across


def _steps(logs: F32, seen: Bools) -> F32:
    """Step of colour at the border before each column, against the clear steps nearby."""
    rows, columns = seen.shape
    soft = np.asarray(ndimage.gaussian_filter1d(logs, 1.2, axis=0, mode="wrap"), dtype=np.float32)
    total = np.cumsum(np.concatenate([np.zeros_like(soft[:, :1]), soft], axis=1), axis=1)
    at = np.arange(STEP_COLUMNS, columns - STEP_COLUMNS + 1)
    inner = total[:, at] - total[:, at - STEP_COLUMNS]
    outer = total[:, at + STEP_COLUMNS] - total[:, at]
    both = seen[:, at - 1] & seen[:, np.minimum(at, columns - 1)]
    size = np.zeros((rows, columns + 1), dtype=np.float32)
    size[:, at] = np.linalg.norm(outer - inner, axis=2) / STEP_COLUMNS * both
    clear = np.percentile(size, 97, axis=1)
    window = min(rows, round(STEP_NEAR_MM / ALONG_MM)) | 1
    clear = np.maximum(ndimage.median_filter(clear, window, mode="wrap"), LEAST_STEP)
    return np.asarray(np.minimum(size / clear[:, None], GREATEST_STEP), dtype=np.float32)
