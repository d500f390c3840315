"""The printed scale board: its geometry and its picture.

A board is OpenCV's ChArUco board of 7 x 5 squares of 30 mm with 22 mm markers of ``DICT_5X5_250``; board k
carries the markers 17k ... 17k + 16. Board frame: mm, origin at the pattern's outer corner, x along the 7
squares, y along the 5, printed face up.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.errors import ValueRefused
from voidmap.model import Floats

SQUARES = (7, 5)
SQUARE_MM = 30.0
MARKER_MM = 22.0
MARKERS = 17
"""Markers on one board."""
BOARDS = 14
"""Boards that the dictionary's 250 markers give."""
PATTERN_MM = (SQUARES[0] * SQUARE_MM, SQUARES[1] * SQUARE_MM)
CORNERS = (SQUARES[0] - 1) * (SQUARES[1] - 1)
"""Inner corners of one board."""
BARS_MM = {"x": 200.0, "y": 150.0}
"""Check bars on the printed sheet, as long as it lets them be: a reading's error is spread over their length. From an
end tick's edge to the other's edge on the same side, so that ink which runs moves both alike."""
SHORT_BAR_MM = 100.0
"""A tick between: both bars to a short rule."""


def board_name(number: int) -> str:
    """Return "board A" for 0, "board B" for 1, and so on."""
    return f"board {chr(ord('A') + number)}"


@cache
def dictionary() -> Any:
    """Return the marker dictionary."""
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250)


@cache
def opencv_board(number: int) -> Any:
    """Return OpenCV's board object of one board.

    Raises
    ------
    ValueRefused
        When there is no such board.
    """
    if not 0 <= number < BOARDS:
        raise ValueRefused(f"there is no board number {number}", f"boards go from 0 (A) to {BOARDS - 1}")
    ids = np.arange(MARKERS * number, MARKERS * (number + 1), dtype=np.int32)
    return cv2.aruco.CharucoBoard(SQUARES, SQUARE_MM, MARKER_MM, dictionary(), ids)


@cache
def corners_mm() -> Floats:
    """Return the inner corners (24, 2) in board mm, row by row."""
    across, down = SQUARES
    columns, rows = np.meshgrid(np.arange(1, across), np.arange(1, down))
    return np.column_stack([columns.ravel(), rows.ravel()]).astype(np.float64) * SQUARE_MM


@cache
def marker_corners_mm() -> Floats:
    """Return the markers' corners (17, 4, 2) in board mm, clockwise from the one nearest the origin."""
    corners = np.asarray(opencv_board(0).getObjPoints(), dtype=np.float64)
    return np.asarray(corners[:, :, :2], dtype=np.float64)


def pattern_outline_mm() -> Floats:
    """Return the pattern's outer corners (4, 2) in board mm, in order around it."""
    width, height = PATTERN_MM
    return np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])


def draw_board(number: int, px_per_mm: float) -> NDArray[np.uint8]:
    """Draw a board's pattern without margin.

    Parameters
    ----------
    number
        0 is board A.
    px_per_mm
        Size; the nearest whole number of pixels to a marker's cell is used when it is whole there.

    Returns
    -------
    ndarray
        (H, W) uint8, black on white; pixel (c, r) is centred at ``((c + 0.5) / px_per_mm, ...)`` board mm.

    Raises
    ------
    ValueRefused
        When there is no such board or the size is not positive.
    """
    if px_per_mm <= 0:
        raise ValueRefused(f"{px_per_mm:g} pixels per mm can't be drawn", "give a positive number")
    width, height = (max(1, round(side * px_per_mm)) for side in PATTERN_MM)
    picture = np.full((height, width), 255, np.uint8)
    for x0, y0, x1, y1 in black_rectangles_mm(number):
        left, right = (max(0, round(v * px_per_mm)) for v in (x0, x1))
        top, bottom = (max(0, round(v * px_per_mm)) for v in (y0, y1))
        picture[top:bottom, left:right] = 0
    return picture


def black_rectangles_mm(number: int) -> list[tuple[float, float, float, float]]:
    """Return the pattern's black areas as rectangles (x0, y0, x1, y1) in board mm."""
    opencv_board(number)
    black = [
        (c * SQUARE_MM, r * SQUARE_MM, (c + 1) * SQUARE_MM, (r + 1) * SQUARE_MM)
        for r in range(SQUARES[1])
        for c in range(SQUARES[0])
        if (r + c) % 2 == 0
    ]
    cells = dictionary().markerSize + 2
    cell_mm = MARKER_MM / cells
    for index, corners in enumerate(marker_corners_mm()):
        bits = np.asarray(
            cv2.aruco.generateImageMarker(dictionary(), MARKERS * number + index, cells, borderBits=1)
        ).reshape(cells, cells)
        x0, y0 = corners[0]
        black += [
            (x0 + run[0] * cell_mm, y0 + r * cell_mm, x0 + run[1] * cell_mm, y0 + (r + 1) * cell_mm)
            for r in range(cells)
            for run in _dark_runs(bits[r])
        ]
    return black


def _dark_runs(row: NDArray[np.generic]) -> list[tuple[int, int]]:
    dark = np.concatenate([[0], (np.asarray(row) == 0).astype(np.int8), [0]])
    steps = np.diff(dark)
    return [(int(a), int(b)) for a, b in zip(np.flatnonzero(steps == 1), np.flatnonzero(steps == -1), strict=True)]
