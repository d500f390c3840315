"""Printed scale boards on white sheets, lying on the top."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.simulate.grid import Floats
from voidmap.simulate.noise import F32

SQUARE_MM, MARKER_MM, ACROSS, DOWN = 30, 22, 7, 5
PATTERN_MM = (ACROSS * SQUARE_MM, DOWN * SQUARE_MM)
PER_MM = 8
"""Pixels a mm of the drawn pattern."""
WHITE, BLACK = 0.82, 0.035
"""Albedo of copier paper and of toner."""


@dataclass(frozen=True)
class Sheet:
    """A board: number, place of its pattern's outer corner, turn; and its paper's margins.

    ``margins_mm`` is (left, top, right, bottom) beyond the pattern. ``stretch`` (x, y) is the printer's: the
    pattern is that much larger than it should be.
    """

    number: int
    x_mm: float
    y_mm: float
    angle_deg: float
    margins_mm: tuple[float, float, float, float] = (30.0, 30.0, 30.0, 30.0)
    stretch: tuple[float, float] = (1.0, 1.0)

    def to_slab(self, points_mm: Floats) -> Floats:
        """Carry points of the board (N, 2) mm to the slab."""
        a = np.radians(self.angle_deg)
        turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
        scaled = np.asarray(points_mm, dtype=np.float64) * np.array(self.stretch)
        return np.asarray(scaled @ turn.T + [self.x_mm, self.y_mm])

    def from_slab(self, points_mm: NDArray[Any]) -> NDArray[Any]:
        """Carry points of the slab (N, 2) mm to the board, in their own precision."""
        a = np.radians(self.angle_deg)
        turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
        points = np.asarray(points_mm)
        back = (turn / np.array(self.stretch)).astype(points.dtype)
        return np.asarray((points - np.array([self.x_mm, self.y_mm], points.dtype)) @ back)

    def corners(self) -> Floats:
        """Return the paper's corners on the slab (4, 2) mm."""
        left, top, right, bottom = self.margins_mm
        w, h = PATTERN_MM
        return self.to_slab(np.array([[-left, -top], [w + right, -top], [w + right, h + bottom], [-left, h + bottom]]))

    def chessboard(self) -> Floats:
        """Return the inner corners on the slab (24, 2) mm, in OpenCV's order."""
        at = [((i + 1) * SQUARE_MM, (j + 1) * SQUARE_MM) for j in range(DOWN - 1) for i in range(ACROSS - 1)]
        return self.to_slab(np.array(at, dtype=np.float64))

    def truth(self) -> dict[str, float]:
        """Return the board's words in a truth file."""
        return {"k": self.number, "x_mm": self.x_mm, "y_mm": self.y_mm, "angle_deg": self.angle_deg}


@lru_cache(maxsize=16)
def pattern(number: int) -> F32:
    """Return the board's albedo, :data:`PER_MM` pixels a mm."""
    ids = np.arange(17 * number, 17 * number + 17, dtype=np.int32)
    book = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250)
    out = np.full((DOWN * SQUARE_MM * PER_MM, ACROSS * SQUARE_MM * PER_MM), WHITE, np.float32)
    n, m = SQUARE_MM * PER_MM, MARKER_MM * PER_MM
    gap, k = (n - m) // 2, 0
    module = 8 * PER_MM  # a marker has 7 modules a side; 8 mm a module leaves no remainder when shrunk
    for j in range(DOWN):
        for i in range(ACROSS):
            if (i + j) % 2 == 0:
                out[j * n : (j + 1) * n, i * n : (i + 1) * n] = BLACK
                continue
            picture = cv2.aruco.generateImageMarker(book, int(ids[k]), 7 * module, borderBits=1)
            small = cv2.resize(picture, (m, m), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
            y, x = j * n + gap, i * n + gap
            out[y : y + m, x : x + m] = BLACK + (WHITE - BLACK) * small
            k += 1
    return out


def albedo_at(sheet: Sheet, points_mm: NDArray[Any]) -> tuple[F32, F32]:
    """Return (albedo, coverage) of a sheet at places on the slab (N, 2) mm."""
    p = sheet.from_slab(points_mm)
    left, top, right, bottom = sheet.margins_mm
    w, h = PATTERN_MM
    on = (p[:, 0] >= -left) & (p[:, 0] <= w + right) & (p[:, 1] >= -top) & (p[:, 1] <= h + bottom)
    inner = (p[:, 0] >= 0) & (p[:, 0] < w) & (p[:, 1] >= 0) & (p[:, 1] < h)
    out = np.full(len(p), WHITE, np.float32)
    cell = np.floor(p[inner] * PER_MM).astype(int)
    out[inner] = pattern(sheet.number)[cell[:, 1], cell[:, 0]]
    return out, on.astype(np.float32)
