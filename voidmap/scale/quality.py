"""How good a photo is, judged from its pixels and its boards' own edges before any time is spent on it."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats, Photo, Plane
from voidmap.records import Quality
from voidmap.scale.boards import MARKER_MM, PATTERN_MM, SQUARE_MM, SQUARES, board_name
from voidmap.scale.mtf import edge_mtf50, true_mtf50

CLIPPED = 254
"""8-bit level at which a channel holds no more."""
GLARE_LEVEL, GLARE_SPREAD = 240, 16
"""Glare: all channels near the top and as good as colourless."""
PIXELS_ACROSS = 3.0
"""Pixels across the smallest defect that can be told from noise (machine-vision practice: 3 for detection)."""
BLUR_WIDTH_BY_MTF50 = 0.441271
"""Full width at half height of a Gaussian blur times its MTF50: 2.354820 x 0.187391. A disc as wide as that
keeps half of its contrast."""
EDGE_REACH_MM = 3.6
"""A marker's rim lies 4 mm from a square's edge; nearer than that both sides are flat."""
SOFT, BLURRED = 0.12, 0.06
"""MTF50, cycles per px, of a blur of 1.6 and of 3 px: the first costs small pinholes, the second cracks."""
SMEAR_RATIO = 1.7
"""Sharpness along over across: more than this is a moved camera, not defocus."""
SOME_GLARE, MUCH_GLARE = 0.01, 0.15
SOME_CLIPPED = 0.10
NOISY = 8.0
"""8-bit steps: a faint pinhole under a film differs from its ground by about as much."""
DARK, TOO_DARK = 90.0, 45.0
"""White paper below these 8-bit levels: shadows then have few steps left."""
WASHED_OUT = 0.6
"""A black square this bright, as a share of the white paper's level, lies in glare: toner is below 0.3."""
STEEP_DEG = 35.0
"""A view this far from square-on foreshortens by a fifth and hides the floors of voids."""


def assess_quality(photo: Photo, plane: Plane) -> Quality:
    """Judge a photo: sharp enough, free of glare, quiet enough, square-on enough.

    Parameters
    ----------
    photo, plane
        The photo and its plane; without boards the sharpness is not measured.
    """
    blue, green, red = cv2.split(np.ascontiguousarray(photo.pixels[::4, ::4]))
    low, high = (np.asarray(least(least(blue, green), red)) for least in (cv2.min, cv2.max))
    bench = ~_paper_mask(plane, low.shape, 4)
    clipped = float(np.mean((low >= CLIPPED) & bench))
    glare = float(np.mean((low >= GLARE_LEVEL) & (high - low <= GLARE_SPREAD) & bench))
    grey = np.asarray(cv2.cvtColor(photo.pixels, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    across_x, across_y = board_sharpness(grey, plane) if plane.boards else ([], [])
    # A camera that moved is unsharp along its way only: the worse direction counts.
    sharpness = min((float(np.median(values)) for values in (across_x, across_y) if values), default=None)
    noise, white = _paper_noise(grey, plane)
    smallest = _smallest_mm(photo, plane, sharpness)
    reshoot, usable = _reasons(plane, across_x, across_y, sharpness, glare, clipped, noise, white)
    usable.extend(_board_glare(grey, plane))
    verdict = "reshoot" if reshoot else "usable" if usable else "good"
    return Quality(sharpness, clipped, glare, verdict, (*reshoot, *usable), noise, smallest)


def _reasons(
    plane: Plane,
    across_x: list[float],
    across_y: list[float],
    sharpness: float | None,
    glare: float,
    clipped: float,
    noise: float,
    white: float | None,
) -> tuple[list[str], list[str]]:
    """Sentences that ask for another photo, and sentences that only limit this one."""
    reshoot: list[str] = []
    usable: list[str] = []
    if sharpness is not None and sharpness < SOFT:
        ratio = np.median(across_x) / np.median(across_y) if across_x and across_y else 1.0
        moved = ratio > SMEAR_RATIO or ratio < 1 / SMEAR_RATIO
        what = (
            "The camera moved while the photo was taken: rest it on a stand or use more light."
            if moved
            else "The photo is out of focus: tap on the slab to focus, and clean the lens."
        )
        (reshoot if sharpness < BLURRED else usable).append(what)
    if glare > SOME_GLARE:
        what = f"Glare hides {glare:.0%} of the photo: move the lamp to the side, or shade the window."
        (reshoot if glare > MUCH_GLARE else usable).append(what)
    elif clipped > SOME_CLIPPED:
        usable.append(f"{clipped:.0%} of the photo is burnt out: lower the exposure a step.")
    if white is not None and white < DARK:
        what = "The photo is dark: the boards' white paper is grey in it; raise the exposure or add light."
        (reshoot if white < TOO_DARK else usable).append(what)
    if noise > NOISY:
        usable.append("The photo is noisy: add light, so that the camera can use a lower ISO.")
    lean = float(np.degrees(np.arccos(np.clip(abs(plane.rotation[2, 2]), 0, 1))))
    if lean > STEEP_DEG:
        usable.append(f"The camera leans {lean:.0f}° from square-on: photograph from straight above.")
    return reshoot, usable


def _board_glare(grey: NDArray[np.uint8], plane: Plane) -> list[str]:
    """Name the boards some of whose black squares are washed out."""
    reasons = []
    for board, pattern in zip(plane.boards, plane.patterns_mm, strict=False):
        at = np.round(plane.to_px(_to_slab(_black_middles_mm(), pattern))).astype(int)
        at = at[np.all((at >= 2) & (at < np.array(grey.shape[::-1]) - 2), axis=1)]
        black = np.array([np.median(grey[y - 2 : y + 3, x - 2 : x + 3]) for x, y in at])
        lit = np.round(plane.to_px(_white_mm(pattern))).astype(int)
        lit = lit[np.all((lit >= 0) & (lit < np.array(grey.shape[::-1])), axis=1)]
        washed = int(np.sum(black > WASHED_OUT * np.median(grey[lit[:, 1], lit[:, 0]]))) if len(lit) else 0
        if washed:
            reasons.append(
                f"Glare lies on {board_name(board.number)} ({washed} of its black squares are washed out): move the "
                "lamp or the board."
            )
    return reasons


def board_sharpness(grey: NDArray[np.uint8], plane: Plane) -> tuple[list[float], list[float]]:
    """Return the MTF50 of the boards' edges, cycles per px: across the picture's x, and across its y.

    Of n boards every n-th edge is taken: as many in all as one board has.
    """
    across_x: list[float] = []
    across_y: list[float] = []
    for pattern in plane.patterns_mm:
        some = _inner_edges_mm()[:: len(plane.patterns_mm)]
        ends = plane.to_px(_to_slab(some.reshape(-1, 2), pattern)).reshape(-1, 2, 2)
        low = np.floor(ends.min(axis=(0, 1))).astype(int) - 40
        low = np.maximum(low, 0)
        high = np.ceil(ends.max(axis=(0, 1))).astype(int) + 40
        light = _linear()[grey[low[1] : high[1], low[0] : high[0]]]
        px_per_mm = float(np.median(np.hypot(*(ends[:, 1] - ends[:, 0]).T))) / SQUARE_MM
        seen: tuple[list[float], list[float]] = ([], [])
        for start, end in ends - low:
            length = float(np.hypot(*(end - start)))
            value = edge_mtf50(light, start, end, EDGE_REACH_MM / SQUARE_MM * length)
            if value is not None:
                seen[int(abs(end[1] - start[1]) <= abs(end[0] - start[0]))].append(value)
        for values, true in zip(seen, (across_x, across_y), strict=True):
            if values:
                near = (SQUARE_MM - MARKER_MM) / 2 * px_per_mm
                true.extend(
                    true_mtf50(np.array(values), EDGE_REACH_MM * px_per_mm, near, MARKER_MM / SQUARE_MM / 0.84).tolist()
                )
    return across_x, across_y


@cache
def _linear() -> NDArray[np.float64]:
    """Light of each 8-bit level, 0 to 1 (sRGB, IEC 61966-2-1)."""
    level = np.arange(256) / 255
    return np.asarray(np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4))


@cache
def _inner_edges_mm() -> Floats:
    """Edges between a black and a white square, (58, 2, 2) board mm."""
    across, down = SQUARES
    upright = [[(i, j), (i, j + 1)] for i in range(1, across) for j in range(down)]
    level = [[(i, j), (i + 1, j)] for j in range(1, down) for i in range(across)]
    return np.array(upright + level, dtype=np.float64) * SQUARE_MM


@cache
def _black_middles_mm() -> Floats:
    """Middles of the black squares, (18, 2) board mm."""
    across, down = SQUARES
    return np.array([(c + 0.5, r + 0.5) for r in range(down) for c in range(across) if (r + c) % 2 == 0]) * SQUARE_MM


def _white_mm(pattern_mm: Floats) -> Floats:
    """White places on the slab (18, 2) mm: 2 mm into the square beside each black one."""
    return _to_slab(_black_middles_mm() + np.array([SQUARE_MM / 2 + 2.0, 0.0]), pattern_mm)


def _to_slab(board_mm: Floats, pattern_mm: Floats) -> Floats:
    """Carry board points to the slab frame by the pattern's outer corners."""
    along = (pattern_mm[1] - pattern_mm[0]) / PATTERN_MM[0]
    down = (pattern_mm[3] - pattern_mm[0]) / PATTERN_MM[1]
    return np.asarray(pattern_mm[0] + board_mm[:, :1] * along + board_mm[:, 1:] * down)


def _paper_mask(plane: Plane, shape: tuple[int, int], shrink: int) -> NDArray[np.bool_]:
    """Where the boards' white paper lies, in a picture shrunk by ``shrink``."""
    mask = np.zeros(shape, np.uint8)
    for pattern in plane.patterns_mm:
        middle = pattern.mean(axis=0)
        sheet = plane.to_px(middle + 1.5 * (pattern - middle)) / shrink
        cv2.fillConvexPoly(mask, np.round(sheet).astype(np.int32), 1)
    return mask.astype(bool)


def _paper_noise(grey: NDArray[np.uint8], plane: Plane) -> tuple[float, float | None]:
    """Noise in the boards' black squares, and the level of their white paper; without boards, of the picture."""
    noises, whites = [], []
    for pattern in plane.patterns_mm if plane.boards else ():
        at = plane.to_px(_to_slab(_black_middles_mm(), pattern))
        edge = plane.to_px(_white_mm(pattern))
        half = int(np.median(np.hypot(*(edge - at).T)) / 3)
        for x, y in np.round(at).astype(int):
            patch = grey[max(y - half, 0) : y + half, max(x - half, 0) : x + half]
            if patch.size >= 64:
                noises.append(_immerkaer(patch))
        inside = np.all((edge >= 0) & (edge < np.array(grey.shape[::-1])), axis=1)
        column, row = np.floor(edge[inside]).astype(int).T
        whites.extend(grey[row, column].tolist())
    if noises:
        return float(np.median(noises)), float(np.percentile(whites, 75)) if whites else None
    step = 64
    tiles = [
        _immerkaer(grey[r : r + step, c : c + step])
        for r in range(0, grey.shape[0] - step, 4 * step)
        for c in range(0, grey.shape[1] - step, 4 * step)
    ]
    # The quietest tenth: elsewhere wood's figure adds to it.
    return (float(np.percentile(tiles, 10)) if tiles else 0.0), None


def _immerkaer(patch: NDArray[np.uint8]) -> float:
    """Noise of a flat patch: mean of a mask blind to slopes (J. Immerkær, CVIU 64, 1996)."""
    mask = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], dtype=np.float32)
    answer = cv2.filter2D(patch.astype(np.float32), cv2.CV_32F, mask)[1:-1, 1:-1]
    return float(np.sqrt(np.pi / 2) / 6 * np.mean(np.abs(answer))) if answer.size else 0.0


def _smallest_mm(photo: Photo, plane: Plane, sharpness: float | None) -> float:
    if plane.patterns_mm:
        middle = np.mean([p.mean(axis=0) for p in plane.patterns_mm], axis=0)[None]
    else:
        middle = plane.to_mm([[photo.width_px / 2, photo.height_px / 2]])
    pixels = PIXELS_ACROSS
    if sharpness:
        pixels = max(pixels, BLUR_WIDTH_BY_MTF50 / sharpness)
    return pixels * float(plane.mm_per_px_at(middle)[0])
