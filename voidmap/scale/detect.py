"""Find the boards in a photo: markers at reduced size, corners to a twentieth of a pixel at full size."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.errors import ScaleError
from voidmap.model import Floats
from voidmap.scale.boards import (
    MARKERS,
    PATTERN_MM,
    SQUARE_MM,
    board_name,
    corners_mm,
    dictionary,
    marker_corners_mm,
)
from voidmap.scale.edges import Edges, find_edges
from voidmap.scale.mirrored import refuse_mirrored

SEARCH_SIDE_PX = 1340
"""Long side of the picture in which markers are searched: a third of 12 megapixels keeps a marker's cell at
two pixels or more for a board that takes a twelfth of the frame; below, small boards are lost."""
WINDOW_MM = 3.2
"""Half side of the window in which a corner is refined: the nearest marker's corner is 4 mm away."""
WINDOW_PX = (3, 16)
"""Least and greatest half side of that window."""
LEAST_CONTRAST = 16.0
"""8-bit steps between the white and the black squares at a corner, below which it is not one."""
LEAST_MARKERS = 2
LEAST_CORNERS = 6
NEAR_MARKERS = 4
"""Markers whose corners predict a board corner: more would let lens distortion in."""


@dataclass(frozen=True, eq=False)
class BoardSeen:
    """A board found in a photo.

    ``corners_px`` (N, 2) are inner corners in the photo frame, ``board_mm`` (N, 2) the same corners in the
    board frame, ``square_px`` the side of a square, ``contrast`` the mean white-to-black step in 8 bits,
    ``markers`` how many of its 17 markers were read, and ``edges`` its edges where enough can be told.
    """

    number: int
    corners_px: Floats
    board_mm: Floats
    square_px: float
    contrast: float
    markers: int
    edges: Edges | None = None


def grey_of(pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return the grey picture (H, W) uint8 of a (H, W, 3) B, G, R one."""
    return np.asarray(cv2.cvtColor(np.ascontiguousarray(pixels), cv2.COLOR_BGR2GRAY), dtype=np.uint8)


def find_boards(grey: NDArray[np.uint8], file: str = "the photo") -> tuple[BoardSeen, ...]:
    """Find all boards in a grey picture (H, W) uint8.

    Returns
    -------
    tuple of BoardSeen
        Lowest number first; empty when none is in view.

    Raises
    ------
    ScaleError
        When the same board is in view twice, or one is mirrored.
    """
    markers = _read_markers(grey, file)
    _refuse_twins(markers, file)
    boards = []
    for number in sorted({marker // MARKERS for marker, _ in markers}):
        own = {m % MARKERS: c for m, c in markers if m // MARKERS == number}
        if len(own) >= LEAST_MARKERS:
            board = _board_corners(grey, number, own)
            if board is not None:
                boards.append(board)
    return tuple(boards)


def _read_markers(grey: NDArray[np.uint8], file: str) -> list[tuple[int, Floats]]:
    """Read all markers: (id, corners (4, 2) px), at a reduced size first, finer while nothing is seen."""
    side = max(grey.shape)
    for wanted in (SEARCH_SIDE_PX, 2 * SEARCH_SIDE_PX, side):
        shrink = max(1, round(side / wanted))
        found = _markers_at(grey, shrink, file)
        if len(found) >= LEAST_MARKERS or shrink == 1:
            return found
    return []


def _markers_at(grey: NDArray[np.uint8], shrink: int, file: str) -> list[tuple[int, Floats]]:
    small = grey
    if shrink > 1:
        size = (grey.shape[1] // shrink, grey.shape[0] // shrink)
        cut = grey[: size[1] * shrink, : size[0] * shrink]
        small = np.asarray(cv2.resize(cut, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    corners, ids, rejected = _detector().detectMarkers(small)
    refuse_mirrored(small, rejected, file)
    if ids is None or len(ids) == 0:
        return []
    last = (MARKERS * 14) - 1
    scaled = [np.asarray(c, dtype=np.float64).reshape(4, 2) * shrink + (shrink - 1) / 2 for c in corners]
    return [(int(marker), quad) for marker, quad in zip(np.asarray(ids).ravel(), scaled, strict=True) if marker <= last]


def _detector() -> Any:
    return cv2.aruco.ArucoDetector(dictionary(), cv2.aruco.DetectorParameters())


def _refuse_twins(markers: list[tuple[int, Floats]], file: str) -> None:
    counts = Counter(marker for marker, _ in markers)
    twins = Counter(marker // MARKERS for marker, count in counts.items() if count > 1)
    for number, count in twins.items():
        if count >= 2:
            raise ScaleError(
                f"{board_name(number)} is in view twice in {file}",
                "use boards of different letters, and cover or remove one of the two",
            )


def _board_corners(grey: NDArray[np.uint8], number: int, markers: dict[int, Floats]) -> BoardSeen | None:
    objects = marker_corners_mm()
    seen = np.array(sorted(markers))
    middles = objects[seen].mean(axis=1)
    guesses, kept, squares = [], [], []
    for corner in corners_mm():
        distance = np.hypot(*(middles - corner).T)
        near = np.argsort(distance)[:NEAR_MARKERS]
        # A corner touches two markers at half a diagonal; with neither read it is covered or cut off.
        if distance[near[0]] > 0.75 * SQUARE_MM:
            continue
        source = objects[seen[near]].reshape(-1, 2)
        target = np.concatenate([markers[int(m)] for m in seen[near]])
        homography, _ = cv2.findHomography(source, target, 0)
        around = np.array([[0, 0], [1, 0], [0, 1]]) + corner
        image = np.asarray(cv2.perspectiveTransform(around.reshape(-1, 1, 2), homography)).reshape(-1, 2)
        guesses.append(image[0])
        squares.append(image[1:] - image[0])
        kept.append(corner)
    if not _tell_a_plane(np.array(kept)):
        return None
    return _refined(grey, number, np.array(guesses), np.array(kept), np.array(squares), len(markers))


def _refined(
    grey: NDArray[np.uint8], number: int, guesses: Floats, board_mm: Floats, axes: Floats, markers: int
) -> BoardSeen | None:
    """Refine corners at full size; ``axes`` (N, 2, 2) are the pixels of a millimetre along x and along y."""
    px_per_mm = float(np.sqrt(np.median(np.abs(np.linalg.det(axes)))))
    shortest = float(np.median(np.linalg.norm(axes, axis=2).min(axis=1)))
    half = int(np.clip(WINDOW_MM * shortest, *WINDOW_PX))
    inside = np.all((guesses > half + 2) & (guesses < np.array(grey.shape[::-1]) - half - 3), axis=1)
    guesses, board_mm, axes = guesses[inside], board_mm[inside], axes[inside]
    if not _tell_a_plane(board_mm):
        return None
    low = np.maximum(guesses.min(axis=0).astype(int) - 4 * half, 0)
    high = guesses.max(axis=0).astype(int) + 4 * half
    patch = np.ascontiguousarray(grey[low[1] : high[1], low[0] : high[0]])
    start = (guesses - low).astype(np.float32).reshape(-1, 1, 2)
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 40, 1e-3)
    found = np.asarray(cv2.cornerSubPix(patch, start, (half, half), (-1, -1), criteria), np.float64).reshape(-1, 2)
    contrast = _contrast(patch, found, board_mm, axes)
    good = (np.hypot(*(found - start.reshape(-1, 2)).T) < half) & (contrast > LEAST_CONTRAST)
    if not _tell_a_plane(board_mm[good]):
        return None
    return BoardSeen(
        number=number,
        corners_px=found[good] + low,
        board_mm=board_mm[good],
        square_px=SQUARE_MM * px_per_mm,
        contrast=float(contrast[good].mean()),
        markers=markers,
        edges=find_edges(grey, board_mm[good], found[good] + low),
    )


def _tell_a_plane(board_mm: Floats) -> bool:
    """Return whether corners (N, 2) are enough, and do not lie in one row, as those of a board cut by the frame may."""
    if len(board_mm) < LEAST_CORNERS:
        return False
    lines = np.round(board_mm / SQUARE_MM).astype(int)
    return any((np.unique(lines[:, axis], return_counts=True)[1] >= 2).sum() >= 2 for axis in (0, 1))


def _contrast(patch: NDArray[np.uint8], corners: Floats, board_mm: Floats, axes: Floats) -> Floats:
    """White minus black at each corner, from the four squares that meet there, in 8-bit steps."""
    reach_mm = 2.0
    parity = np.round(board_mm / SQUARE_MM).astype(int).sum(axis=1) % 2
    means = {1: np.zeros(len(corners)), -1: np.zeros(len(corners))}
    limit = np.array(patch.shape[::-1]) - 1
    for sx in (-1, 1):
        for sy in (-1, 1):
            at = corners + reach_mm * (sx * axes[:, 0] + sy * axes[:, 1])
            column, row = np.clip(np.round(at).astype(int), 0, limit).T
            means[sx * sy] += patch[row, column] / 2
    # Squares (i-1, j-1) and (i, j) are black where i + j is even.
    step = means[-1] - means[1]
    return np.where(parity == 0, step, -step)


def outline_px(board: BoardSeen) -> Floats:
    """Return the pattern's outer corners (4, 2) px, by the board's own homography."""
    homography, _ = cv2.findHomography(board.board_mm, board.corners_px, 0)
    width, height = PATTERN_MM
    square = np.array([[[0.0, 0.0]], [[width, 0.0]], [[width, height]], [[0.0, height]]])
    return np.asarray(cv2.perspectiveTransform(square, homography), dtype=np.float64).reshape(-1, 2)
