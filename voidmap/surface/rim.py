"""The rim of a patch at full resolution, to a fraction of a pixel.

Inside and outside of a rim each have a local colour. A pixel's place between the two says how much of it
the patch covers; the rim runs where half is covered (the place of a blurred straight edge, whatever the
blur).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats
from voidmap.surface.contour import border_of, outline_between
from voidmap.surface.mosaic import Bools, Floats32, mean_nearby

# How far the coarse rim may be off.
BAND_MM = 1.6
# The colours on both sides are averaged along the rim over this reach (1 sigma).
SIDE_MM = 3.0
# ... in blocks of about this size: a third of the reach is fine enough for a mean that smooth.
SIDE_CELL_MM = 1.0
# The rim is drawn so many times, each time with the colours on both sides of the last one.
ROUNDS = 2
# The covered share is smoothed by this before the rim is drawn (1 sigma), at least half a pixel.
SMOOTH_MM = 0.12


@dataclass(frozen=True, eq=False)
class Cover:
    """Share of each pixel that a patch covers, on a box of the ortho picture.

    ``share`` (h, w) float32, 0 to 1; ``corner`` is the (column, row) of its first pixel; ``mask`` is where
    more than half is covered, in one piece without holes; ``outline_px`` (N, 2) runs in ortho px.
    """

    share: Floats32
    mask: Bools
    corner: tuple[int, int]
    outline_px: Floats

    @cached_property
    def area_px(self) -> float:
        """Area within the outline, px²."""
        return abs(polygon_area(self.outline_px))

    def moved(self, shift: tuple[int, int]) -> Cover:
        """Return the same cover in a picture whose pixels are counted from elsewhere: (columns, rows) more."""
        (x, y), (right, down) = self.corner, shift
        return Cover(self.share, self.mask, (x + right, y + down), self.outline_px + np.array(shift, np.float64))


def polygon_area(points: Floats) -> float:
    """Signed area of a closed polygon (shoelace), exact for its corners."""
    x, y = points[:, 0], points[:, 1]
    around = x[-1] * y[0] - y[-1] * x[0]
    return float(0.5 * (np.dot(x[:-1], y[1:]) - np.dot(y[:-1], x[1:]) + around))


def cover_of(share: Floats32, corner: tuple[int, int], seed: Bools | None = None) -> Cover | None:
    """Cut the patch with the greatest share of ``seed`` (or the greatest one) out of a covered share.

    Returns None when nothing is more than half covered.
    """
    padded = _framed(share)
    border = _border(padded, seed)
    if border is None:
        return None
    outline = outline_between(padded, border) - 1.0 + np.array(corner, dtype=np.float64)
    return Cover(share, _filled(padded.shape, border), corner, outline)


def _framed(share: Floats32) -> Floats32:
    """Put a frame of one uncovered pixel around a covered share."""
    return np.asarray(cv2.copyMakeBorder(share, 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0.0), dtype=np.float32)


def _border(padded: Floats32, seed: Bools | None) -> NDArray[np.int32] | None:
    """Return the border of the piece more than half covered that has most of ``seed``; None when there is none."""
    count, labels = cv2.connectedComponents((padded > 0.5).view(np.uint8), ltype=cv2.CV_32S)
    if count < 2:
        return None
    chosen = labels if seed is None else labels[1:-1, 1:-1][seed]
    sizes = np.bincount(chosen.ravel(), minlength=count)
    sizes[0] = 0
    return border_of((labels == int(np.argmax(sizes))).view(np.uint8)) if sizes.max() else None


def _filled(shape: tuple[int, ...], border: NDArray[np.int32]) -> Bools:
    """Return what a border encloses, without the picture's own outermost pixels."""
    whole = cv2.drawContours(np.zeros(shape, np.uint8), [border.reshape(-1, 1, 2)], -1, 1, cv2.FILLED)
    return np.asarray(whole)[1:-1, 1:-1].view(np.bool_)


def refine_rim(
    coarse: Bools, corner: tuple[int, int], step: int, pixels: NDArray[np.uint8], seen: Bools, mm_per_px: float
) -> Cover | None:
    """Find the rim of a coarse patch at full resolution.

    Parameters
    ----------
    coarse, corner, step
        The patch on its grid, its first cell (column, row), and the pixels that a cell is wide.
    pixels
        (H, W, 3) uint8, the picture. Its own values are used as they are: the lens blurs light, the camera's
        sharpening and the resampling work on coded values; the half level of coded values lies between.
    seen
        (H, W) bool, the bare top.
    """
    reach = int(np.ceil(2.5 * BAND_MM / mm_per_px))
    height, width = seen.shape
    x0, y0 = max(0, corner[0] * step - reach), max(0, corner[1] * step - reach)
    x1 = min(width, (corner[0] + coarse.shape[1]) * step + reach)
    y1 = min(height, (corner[1] + coarse.shape[0]) * step + reach)
    left, top = corner[0] * step - x0, corner[1] * step - y0
    big = cv2.resize(coarse.view(np.uint8), None, fx=step, fy=step, interpolation=cv2.INTER_NEAREST)
    big = np.asarray(big)[: y1 - y0 - top, : x1 - x0 - left]
    start = np.zeros((y1 - y0, x1 - x0), np.bool_)
    start[top : top + big.shape[0], left : left + big.shape[1]] = big
    bare = seen[y0:y1, x0:x1]
    colours = cv2.GaussianBlur(pixels[y0:y1, x0:x1].astype(np.float32) / 255, (0, 0), 0.5)
    inside = start
    for _ in range(ROUNDS - 1):
        share = _framed(covered_share(np.asarray(colours, dtype=np.float32), inside, bare, mm_per_px))
        border = _border(share, inside)
        if border is None:
            return None
        inside = _filled(share.shape, border)
    return cover_of(covered_share(np.asarray(colours, dtype=np.float32), inside, bare, mm_per_px), (x0, y0), inside)


def covered_share(colours: Floats32, start: Bools, bare: Bools, mm_per_px: float) -> Floats32:
    """Return how much of each pixel (h, w) a patch covers, by where its colour lies between those inside and outside.

    Parameters
    ----------
    colours
        (h, w, 3) float32, the picture.
    start, bare
        (h, w) bool: the patch as it is known so far, and the bare top.
    mm_per_px
        Scale of the picture.
    """
    within_px = cv2.copyMakeBorder(start.view(np.uint8), 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0)
    deep = cv2.distanceTransform(within_px, cv2.DIST_L2, 5)[1:-1, 1:-1] * mm_per_px
    away = cv2.distanceTransform((~start).view(np.uint8), cv2.DIST_L2, 5) * mm_per_px
    core = min(BAND_MM * 0.6, 0.5 * float(deep.max()))
    inside = bare & (deep >= core) & (deep <= core + 1.5 * BAND_MM)
    outside = bare & (away >= 0.6 * BAND_MM) & (away <= 2.0 * BAND_MM)
    if not inside.any() or not outside.any():
        return start.astype(np.float32)
    within = _side(colours, inside, mm_per_px)
    beyond = _side(colours, outside, mm_per_px)
    gap = cv2.subtract(within, beyond)
    size = cv2.max(_inner(gap, gap), 1e-4)
    share = cv2.divide(_inner(cv2.subtract(colours, beyond), gap), size)
    share = np.where(bare, np.clip(share, 0.0, 1.0), start)
    share[deep > BAND_MM] = 1.0
    share[away > BAND_MM] = 0.0
    sigma = max(0.5, SMOOTH_MM / mm_per_px)
    return np.asarray(cv2.GaussianBlur(share.astype(np.float32), (0, 0), sigma), dtype=np.float32)


def _inner(one: Floats32, other: Floats32) -> Floats32:
    """Inner product of two pictures (h, w, 3) over their channels, (h, w)."""
    return np.asarray(cv2.transform(cv2.multiply(one, other), np.ones((1, 3), np.float32)), dtype=np.float32)


def _side(colours: Floats32, where: Bools, mm_per_px: float) -> Floats32:
    """Mean colour of the marked pixels around each pixel; the mean of all where none is near."""
    mean = np.array(cv2.mean(colours, where.view(np.uint8))[:3])
    shrink = max(1, round(SIDE_CELL_MM / mm_per_px))
    return mean_nearby(colours, where, SIDE_MM / mm_per_px, shrink, mean, 1e-4)
