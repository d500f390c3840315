"""Sub-pixel edges of a board: all edges of its squares, which tell several times what its corners do.

Each edge is sampled along its length, the step in each sample placed by its integral, and a line fitted. A line of
evenly spread samples is known best, and independently, at its two Gauss points (the middle ± length / sqrt 12), where
a lens's bend (a parabola) does not move it either: both go into the adjustment, each along its edge's
normal. Black grows or shrinks in a picture (toner, blur under a tone curve): that shift is found for each direction
of the board and taken off.
Markers' edges are left alone: programs that draw such boards round them to their own pixels.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats
from voidmap.scale.boards import SQUARE_MM, SQUARES
from voidmap.scale.looks import legendre

ALONG = 32
"""Samples along an edge."""
SPAN = (0.12, 0.88)
"""Part of an edge that is sampled: at its ends other edges meet it."""
REACH_PX = 5.0
"""Half width of a sample across the edge: a phone's blur (1 px) dies out in it."""
LEAST_REACH_PX = 2.5
REACH_MM = 3.4
"""How far both sides of an edge are flat: markers lie 4 mm from a square's edge."""
STEP_PX = 0.5
LEAST_CONTRAST = 16.0
"""8-bit steps, below which an edge is covered or burnt out."""
LEAST_EDGES = 24
"""Edges that must be left for them to speak for the board: fewer, and its corners do."""
WILD = 5.0
"""Standard deviations from the board's smooth picture at which an edge is left out: something lies on it."""
ENOUGH_CORNERS = 16
"""Corners from which the bend of the picture over the board is predicted; fewer give a homography."""


@dataclass(frozen=True, eq=False)
class Edges:
    """Places on edges: on the board (N, 2) mm, in the photo (N, 2) px, and the edges' normals (N, 2) there."""

    board_mm: Floats
    image_px: Floats
    normal: Floats


@cache
def edge_table() -> tuple[Floats, Floats]:
    """Return the edges' ends (58, 2, 2) mm and their unit normals (58, 2) from black to white.

    The pattern's outer edges are left out: black grows outward on all of them, which would pass for a larger board.
    """
    across, down = SQUARES
    ends, lights = [], []

    for i in range(1, across):
        for j in range(down):
            ends.append([(i, j), (i, j + 1)])
            lights.append((1, 0) if (i - 1 + j) % 2 == 0 else (-1, 0))
    for j in range(1, down):
        for i in range(across):
            ends.append([(i, j), (i + 1, j)])
            lights.append((0, 1) if (i + j - 1) % 2 == 0 else (0, -1))
    return np.array(ends, dtype=np.float64) * SQUARE_MM, np.array(lights, dtype=np.float64)


def find_edges(grey: NDArray[np.uint8], board_mm: Floats, corners_px: Floats) -> Edges | None:
    """Find the edges of a board whose corners (N, 2) mm were seen at (N, 2) px; None when too few can be told."""
    ends, lights = edge_table()
    middles = ends.mean(axis=1)
    at = _predict(board_mm, corners_px, np.concatenate([ends[:, 0], ends[:, 1], middles, middles + lights]))
    start, end, middle, lit = np.split(at, 4)
    unit = (end - start) / np.hypot(*(end - start).T)[:, None]
    normal = np.column_stack([-unit[:, 1], unit[:, 0]])
    normal *= np.sign(np.sum(normal * (lit - middle), axis=1))[:, None]
    reach = min(REACH_PX, REACH_MM * float(np.median(np.sum(normal * (lit - middle), axis=1))))
    last = np.array(grey.shape[::-1], dtype=np.float64) - 1
    inside = np.all((np.minimum(start, end) > 2 * reach) & (np.maximum(start, end) < last - 2 * reach), axis=1)
    if reach < LEAST_REACH_PX or inside.sum() < LEAST_EDGES:
        return None
    ends, lights, normal = ends[inside], lights[inside], normal[inside]
    steps = np.linspace(*SPAN, ALONG)[None, :, None]
    board = ends[:, :1] * (1 - steps) + ends[:, 1:] * steps
    image = _predict(board_mm, corners_px, board.reshape(-1, 2)).reshape(board.shape)
    offset, contrast = _steps(grey, image, normal, reach)
    mean, slope, spread = _lines(offset, contrast > LEAST_CONTRAST)
    good = (np.abs(mean) < 0.6 * reach) & (spread < 0.3 * reach)
    if good.sum() < LEAST_EDGES:
        return None
    return _gauss_points(board_mm, corners_px, ends[good], lights[good], normal[good], mean[good], slope[good])


def _gauss_points(
    board_mm: Floats, corners_px: Floats, ends: Floats, lights: Floats, normal: Floats, mean: Floats, slope: Floats
) -> Edges | None:
    """Turn fitted lines into two sightings each, the growth of black taken off."""
    half = (SPAN[1] - SPAN[0]) / np.sqrt(12)
    place = np.concatenate([ends[:, 0] * (0.5 - s) + ends[:, 1] * (0.5 + s) for s in (-half, half)])
    offset = np.concatenate([mean - half * slope, mean + half * slope])
    normals = np.concatenate([normal, normal])
    upright = np.tile((np.abs(lights[:, 0]) > 0.5).astype(np.float64), 2)
    shift, good = _shift_of_black(place, normals, offset, upright)
    if good.sum() < 2 * LEAST_EDGES:
        return None
    image = _predict(board_mm, corners_px, place) + (offset - shift)[:, None] * normals
    return Edges(place[good], image[good], normals[good])


def _predict(board_mm: Floats, corners_px: Floats, points_mm: Floats) -> Floats:
    """Carry board points to the photo by the corners' homography and, with enough of them, its smooth remainder."""
    homography, _ = cv2.findHomography(board_mm, corners_px, 0)
    image = _carry(homography, points_mm)
    if len(board_mm) >= ENOUGH_CORNERS:
        left = corners_px - _carry(homography, board_mm)
        basis = legendre(board_mm)
        # A little ridge keeps the cubic terms of half-covered boards at bay.
        terms = np.linalg.solve(basis.T @ basis + 0.1 * np.eye(basis.shape[1]), basis.T @ left)
        image = image + legendre(points_mm) @ terms
    return image


def _carry(homography: Floats, points: Floats) -> Floats:
    return np.asarray(cv2.perspectiveTransform(points.reshape(-1, 1, 2), homography), np.float64).reshape(-1, 2)


def _steps(grey: NDArray[np.uint8], image: Floats, normal: Floats, reach: float) -> tuple[Floats, Floats]:
    """Place the step in every sample (E, S): its offset along the normal, px, and its contrast, 8-bit steps."""
    across = np.arange(-np.floor(reach / STEP_PX), np.floor(reach / STEP_PX) + 1) * STEP_PX
    at = (image[:, :, None] + across[:, None] * normal[:, None, None]).astype(np.float32)
    low = np.floor(at.min(axis=(0, 1, 2))).astype(int)
    high = np.ceil(at.max(axis=(0, 1, 2))).astype(int) + 2
    patch = np.ascontiguousarray(grey[low[1] : high[1], low[0] : high[0]])
    flat = (at - low.astype(np.float32)).reshape(at.shape[0], -1, 2)
    profile = cv2.remap(patch, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR).reshape(at.shape[:3]).astype(np.float64)
    tail = max(2, len(across) // 5)
    dark, light = profile[:, :, :tail].mean(axis=2), profile[:, :, -tail:].mean(axis=2)
    contrast = light - dark
    share = (profile - dark[:, :, None]) / np.maximum(contrast, 1.0)[:, :, None]
    area = STEP_PX * (share.sum(axis=2) - (share[:, :, 0] + share[:, :, -1]) / 2)
    return across[-1] - area, contrast


def _lines(offset: Floats, good: NDArray[np.bool_]) -> tuple[Floats, Floats, Floats]:
    """Fit a line to each edge's samples (E, S): its middle, its rise over the whole edge, and the samples' spread, px.

    An edge with a quarter of its samples missing has an infinite spread.
    """
    along = np.linspace(*SPAN, offset.shape[1]) - 0.5
    weight = good.astype(np.float64)
    for _ in range(3):
        count = np.maximum(weight.sum(axis=1), 1e-9)
        centre = (weight @ along) / count
        mean = np.sum(weight * offset, axis=1) / count
        away = along - centre[:, None]
        slope = np.sum(weight * away * offset, axis=1) / np.maximum(np.sum(weight * away**2, axis=1), 1e-9)
        left = offset - mean[:, None] - slope[:, None] * away
        spread = np.sqrt(np.sum(weight * left**2, axis=1) / count) + 1e-3
        weight = good / (1 + (left / (2 * spread[:, None])) ** 2)
    spread = np.where(good.mean(axis=1) > 0.75, spread, np.inf)
    return mean - slope * centre, slope, spread


def _shift_of_black(place: Floats, normal: Floats, offset: Floats, upright: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Find how far black ends short of its edges, px, in each sighting, and which sightings fit the board."""
    basis = legendre(place)
    smooth = np.concatenate([basis * normal[:, :1], basis * normal[:, 1:]], axis=1)
    design = np.column_stack([smooth, upright, 1 - upright])
    weight = np.ones(len(offset))
    for _ in range(6):
        weighted = design * weight[:, None]
        terms = np.linalg.solve(weighted.T @ design + 1e-6 * np.eye(design.shape[1]), weighted.T @ offset)
        left = offset - design @ terms
        sigma = max(float(np.median(np.abs(left))) / 0.6745, 0.01)
        weight = 1 / (1 + (left / (2 * sigma)) ** 2)
    return design[:, -2:] @ terms[-2:], np.abs(left) < WILD * sigma
