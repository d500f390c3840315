"""Printed scale boards on white sheets, lying on the top: as they should, or bent, lifted, low, mirrored."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Protocol

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


FLAT = (0.0, 0.0, 0.0, 0.0, 0.0)


class Laid(Protocol):
    """A thing on the top as rays see it."""

    def border(self) -> Floats:
        """Return points (N, 3) mm along its border: x, y, depth."""

    def seen_at(self, at: F32, slope: F32) -> tuple[F32, F32]:
        """Return albedo (N, 1 or 3) and coverage (N,) of rays that meet the top at (N, 2) mm with these slopes."""


@dataclass(frozen=True)
class Sheet:
    """A board: number, place of its pattern's outer corner, turn; and its paper's margins.

    ``margins_mm`` is (left, top, right, bottom) beyond the pattern. ``stretch`` (x, y) is the printer's: the
    pattern is that much larger than it should be. ``shape_mm`` is how the paper lies, as depths below the top (mm):
    of its middle, its fall from the middle to the pattern's end along x and along y, and its bow along x and y.
    ``mirrored`` boards are printed the wrong way round.
    """

    number: int
    x_mm: float
    y_mm: float
    angle_deg: float
    margins_mm: tuple[float, float, float, float] = (30.0, 30.0, 30.0, 30.0)
    stretch: tuple[float, float] = (1.0, 1.0)
    shape_mm: tuple[float, float, float, float, float] = FLAT
    mirrored: bool = False

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

    def border(self) -> Floats:
        """Return points (200, 3) mm along the paper's border: x, y, depth."""
        corners = self.corners()
        share = np.linspace(0, 1, 50, endpoint=False)[:, None, None]
        around = (corners + (np.roll(corners, -1, axis=0) - corners) * share).reshape(-1, 2)
        return np.column_stack([around, self.depth_at(around)])

    def depth_at(self, points_mm: NDArray[Any]) -> NDArray[Any]:
        """Return the paper's depth below the top (N,) at places on the slab, mm."""
        u, v = np.clip(2 * self.from_slab(points_mm) / np.array(PATTERN_MM, points_mm.dtype) - 1, -1.6, 1.6).T
        low, by_x, by_y, bow_x, bow_y = self.shape_mm
        return np.asarray(low + by_x * u + by_y * v + bow_x * (u * u - 1 / 3) + bow_y * (v * v - 1 / 3))

    def seen_at(self, at: F32, slope: F32) -> tuple[F32, F32]:
        """Return albedo (N, 1) and coverage (N,) of rays that meet the top at (N, 2) mm with these slopes."""
        if self.shape_mm != FLAT:
            # A ray that leans by a fifth moves a fifth of a millimetre for each of depth: four rounds are plenty.
            place = at
            for _ in range(4):
                place = at + self.depth_at(place)[:, None].astype(np.float32) * slope
            at = place
        albedo, on = albedo_at(self, at)
        return albedo[:, None], on

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
    if sheet.mirrored:
        cell[:, 0] = w * PER_MM - 1 - cell[:, 0]
    out[inner] = pattern(sheet.number)[cell[:, 1], cell[:, 0]]
    return out, on.astype(np.float32)
