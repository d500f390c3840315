"""The ground that pinholes are seen on: the grain's direction, and the picture evened along it.

Wood varies fast across its growth rings and slowly along them; a pinhole is small both ways. Taking off the
middle of four places along the grain leaves pinholes and takes away rings, light and vignetting.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Floats32 = NDArray[np.float32]
Shorts = NDArray[np.int16]
Bytes = NDArray[np.uint8]

STEPS_PX = (11, 19)
"""Where the ground is read along the grain, either way: beyond a spot of 8 px and its rim, within a ring's run."""
TILE_PX = 384
"""One direction of the grain serves a tile; the tile's arrays stay in the processor's cache."""
FIXED_POINT = 64
"""8-bit grey times this fills a signed 16-bit number: a step of 1/64 grey, below any noise."""
TENSOR_SHRINK = 16
"""The structure tensor's grid, px: the grain's direction changes slowly but around a knot."""
TENSOR_SIGMA = 6.0
"""Reach (1 sigma) of the structure tensor in its own grid: 96 px, some ten growth rings."""
GRADIENT_CAP = 3.0
"""A gradient counts up to this multiple of the median one, so that a fill's edge does not decide."""
LEAST_AGREEMENT = 0.1
"""Coherent and agreeing less than this over the surface, gradients are noise, swirls or a fill, and show no grain."""


@dataclass(frozen=True, eq=False)
class Grain:
    """The grain in a picture: ``angle_rad`` and ``coherence`` (0 to 1) on a coarse grid over the whole picture."""

    angle_rad: Floats32
    coherence: Floats32

    def at(self, x_share: float, y_share: float) -> float:
        """Return the angle (x toward y, rad) at shares of the picture's width and height."""
        rows, columns = self.angle_rad.shape
        row = min(rows - 1, max(0, int(y_share * rows)))
        column = min(columns - 1, max(0, int(x_share * columns)))
        return float(self.angle_rad[row, column])


def grain_of(grey: Bytes) -> Grain:
    """Find the grain's direction everywhere by the structure tensor (J. Bigun, G. Granlund, 1987).

    Parameters
    ----------
    grey
        (H, W) uint8.
    """
    half = cv2.resize(grey, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA).astype(np.float32)
    across, down = capped_gradients(half)
    xx, yy, xy = (_spread(a * b) for a, b in ((across, across), (down, down), (across, down)))
    angle = 0.5 * np.arctan2(2 * xy, xx - yy) + np.pi / 2
    coherence = np.hypot(xx - yy, 2 * xy) / np.maximum(xx + yy, 1e-9)
    return Grain(angle.astype(np.float32), coherence.astype(np.float32))


def capped_gradients(picture: Floats32) -> tuple[Floats32, Floats32]:
    """Return the gradients (x, y) of a picture (h, w), a little smoothed, the large cut to ``GRADIENT_CAP`` medians."""
    smooth = cv2.GaussianBlur(picture, (0, 0), 1.0)
    across = cv2.Sobel(smooth, cv2.CV_32F, 1, 0)
    down = cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    size = cv2.magnitude(across, down)
    cap = GRADIENT_CAP * max(float(np.median(size)), 1e-6)
    weight = np.minimum(1.0, cap / np.maximum(size, 1e-6)).astype(np.float32)
    return across * weight, down * weight


def along_grain(grain: Grain, look: Bytes) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Return two places in a photo (x, y) px, one grid cell apart along its grain; None when nothing shows a grain.

    Parameters
    ----------
    grain
        Of the photo.
    look
        (H, W) uint8, non-zero where its surface is.
    """
    rows, columns = grain.coherence.shape
    on = cv2.resize(look, (columns, rows), interpolation=cv2.INTER_NEAREST) > 0
    weight = np.where(on, grain.coherence, 0.0).astype(np.float64)
    turn = complex(np.sum(weight * np.exp(2j * grain.angle_rad.astype(np.float64))))
    if not on.any() or abs(turn) < LEAST_AGREEMENT * float(on.sum()):
        return None
    row, column = np.nonzero(on)
    x, y = (float(np.median(column)) + 0.5) * TENSOR_SHRINK, (float(np.median(row)) + 0.5) * TENSOR_SHRINK
    angle = float(np.angle(turn)) / 2
    return (x, y), (x + TENSOR_SHRINK * float(np.cos(angle)), y + TENSOR_SHRINK * float(np.sin(angle)))


def _spread(product: Floats32) -> Floats32:
    small = cv2.resize(product, None, fx=4 / TENSOR_SHRINK, fy=4 / TENSOR_SHRINK, interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.GaussianBlur(small, (0, 0), TENSOR_SIGMA), dtype=np.float32)


def even_along_grain(picture: Shorts, grain: Grain) -> Shorts:
    """Return the picture (H, W) int16 less its ground along the grain."""
    margin = max(STEPS_PX)
    height, width = picture.shape
    wide = cv2.copyMakeBorder(picture, margin, margin, margin, margin, cv2.BORDER_REFLECT_101)
    evened = np.empty_like(picture)
    for top in range(0, height, TILE_PX):
        for left in range(0, width, TILE_PX):
            rows, columns = min(TILE_PX, height - top), min(TILE_PX, width - left)
            angle = grain.at((left + columns / 2) / width, (top + rows / 2) / height)
            places = [_shifted(wide, top, left, rows, columns, step, angle) for step in STEPS_PX]
            places += [_shifted(wide, top, left, rows, columns, -step, angle) for step in STEPS_PX]
            here = picture[top : top + rows, left : left + columns]
            evened[top : top + rows, left : left + columns] = cv2.subtract(here, _middle_of_four(places))
    return evened


def _shifted(wide: Shorts, top: int, left: int, rows: int, columns: int, step: int, angle: float) -> Any:
    margin = max(STEPS_PX)
    down, right = margin + round(step * float(np.sin(angle))), margin + round(step * float(np.cos(angle)))
    return wide[top + down : top + down + rows, left + right : left + right + columns]


def _middle_of_four(values: list[Any]) -> Any:
    """Mean of the two middle ones of four arrays, element by element."""
    a, b, c, d = values
    low = cv2.max(cv2.min(a, b), cv2.min(c, d))
    high = cv2.min(cv2.max(a, b), cv2.max(c, d))
    return cv2.addWeighted(low, 0.5, high, 0.5, 0.0)
