"""Find the paper sheets around the scale boards: places of the top that can't be inspected."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats, Ortho
from voidmap.surface.sample import colours_at

# A board is printed on A4 or Letter, whole or cut down. The pattern (210 mm x 150 mm) leaves at most
# 297 - 210 = 87 mm of A4's length in all, so no margin can be wider than that.
GREATEST_MARGIN_MM = 87.0
# A cut sheet keeps at least this much white: board detectors need a quiet zone of about a marker's bit.
LEAST_MARGIN_MM = 3.0
# Printing in the margin (check bars, the board's letter) is not higher than this.
PRINT_HEIGHT_MM = 8.0
# Step of the search outward from the pattern, and along its sides.
STEP_MM = 0.5
# A rim this near to a sheet over this length ends there because the sheet hides the rest: both sides of a crack and
# its end come to more.
NEAR_SHEET_MM, LEAST_UNDER_MM = 1.5, 3.0
# Share of a side that must look like paper for the sheet to reach that far.
PAPER_SHARE = 0.3
# Paper is told by its brightness against the pattern's own white squares: at least this share of it.
PAPER_BRIGHTNESS = 0.80
# ... and by its colour: difference of the logs of two channels, against the white squares.
PAPER_COLOUR = 0.10


def find_sheets(ortho: Ortho, patterns_mm: Sequence[Floats]) -> tuple[Floats, ...]:
    """Find the sheet of paper around each board's pattern.

    Parameters
    ----------
    ortho
        The square-on picture.
    patterns_mm
        For each board the four corners of its pattern, (4, 2) mm in the slab frame, in order around.

    Returns
    -------
    tuple of (4, 2) arrays
        The corners of each sheet, mm in the slab frame, in the order of the pattern's corners.
    """
    return tuple(_sheet(ortho, np.asarray(pattern, dtype=np.float64)) for pattern in patterns_mm)


def fill_polygons(ortho: Ortho, polygons_mm: Sequence[Floats]) -> NDArray[np.bool_]:
    """Return the mask (H, W) of polygons given in mm in the slab frame."""
    mask = np.zeros(ortho.valid.shape, dtype=np.uint8)
    for polygon in polygons_mm:
        cv2.fillPoly(mask, [np.round(ortho.to_px(polygon)).astype(np.int32)], 1)
    return mask.view(np.bool_)


def rim_at_cover(ortho: Ortho, covered: NDArray[np.bool_], outline_mm: Floats) -> Floats:
    """Return the points (K, 2) mm, a step apart, of a rim (N, 2) mm that run along what covers the slab, (H, W).

    None (K is 0) unless the rim comes within ``NEAR_SHEET_MM`` of a sheet over at least ``LEAST_UNDER_MM``: then it is
    cut off by it, and what is under there is not seen.
    """
    line = np.vstack([outline_mm, outline_mm[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    at = np.arange(0.0, along[-1], STEP_MM)
    points = np.column_stack([np.interp(at, along, line[:, k]) for k in (0, 1)])
    turn = np.linspace(0.0, 2.0 * np.pi, 8, endpoint=False)
    around = NEAR_SHEET_MM * np.column_stack([np.cos(turn), np.sin(turn)])
    spots = np.round(ortho.to_px((points[:, None] + around).reshape(-1, 2))).astype(int)
    column, row = np.clip(spots, 0, np.array(covered.shape[::-1]) - 1).T
    near = points[covered[row, column].reshape(-1, len(turn)).any(axis=1)]
    return near if len(near) * STEP_MM >= LEAST_UNDER_MM else near[:0]


def _sheet(ortho: Ortho, pattern: Floats) -> Floats:
    white = _white_of_pattern(ortho, pattern)
    centre = pattern.mean(axis=0)
    lines = []
    for k in range(4):
        a, b = pattern[k], pattern[(k + 1) % 4]
        along = (b - a) / np.linalg.norm(b - a)
        normal = np.array([along[1], -along[0]])
        if normal @ (a - centre) < 0:
            normal = -normal
        lines.append((a, along, normal, *_margin(ortho, a, b, normal, white)))
    return np.array([_meet(lines[k - 1], lines[k]) for k in range(4)])


def _white_of_pattern(ortho: Ortho, pattern: Floats) -> Floats:
    """Colour of the pattern's white: the bright part of its pixels, log B, G, R."""
    patch = _sample(ortho, _grid(pattern)).reshape(-1, 3)
    level = patch.sum(axis=1)
    bright = patch[level >= np.percentile(level, 85)]
    return np.asarray(np.log(np.median(bright, axis=0) + 1.0), dtype=np.float64)


def _grid(corners: Floats, count: int = 60) -> Floats:
    u, v = np.meshgrid(np.linspace(0.02, 0.98, count), np.linspace(0.02, 0.98, count))
    a, b, _, d = corners
    points = a + u[..., None] * (b - a) + v[..., None] * (d - a)
    return np.asarray(points, dtype=np.float64)


def _margin(ortho: Ortho, a: Floats, b: Floats, normal: Floats, white: Floats) -> tuple[float, float]:
    """Distance of the sheet's edge from one side of the pattern: at the side's start, and its slope."""
    side_mm = float(np.linalg.norm(b - a))
    along = np.arange(0.0, side_mm, 2.0)
    out = np.arange(1.0, GREATEST_MARGIN_MM, STEP_MM)
    direction = (b - a) / side_mm
    points = a + along[:, None, None] * direction + out[None, :, None] * normal
    paper = _is_paper(_sample(ortho, points), white)
    share = paper.mean(axis=0)
    reach = _reach(share >= PAPER_SHARE)
    lo, hi = max(0, reach - int(12 / STEP_MM)), min(len(out), reach + int(12 / STEP_MM))
    near = paper[:, lo:hi]
    ends = np.where(near.any(axis=1), hi - 1 - np.argmax(near[:, ::-1], axis=1), lo)
    good = ends > lo
    if good.sum() < 0.25 * len(along):
        return max(float(out[reach]), LEAST_MARGIN_MM), 0.0
    slope, start = _robust_line(along[good], out[ends[good]] + STEP_MM / 2)
    return max(start, LEAST_MARGIN_MM), slope


def _is_paper(colours: Floats, white: Floats) -> NDArray[np.bool_]:
    rel = np.log(colours + 1.0) - white
    level = rel.mean(axis=-1)
    colour = np.maximum(np.abs(rel[..., 0] - rel[..., 1]), np.abs(rel[..., 2] - rel[..., 1]))
    return np.asarray((level > np.log(PAPER_BRIGHTNESS)) & (colour < PAPER_COLOUR))


def _reach(is_paper: NDArray[np.bool_]) -> int:
    """Index of the last step outward that is still paper; printing in the margin is stepped over."""
    last, gap = 0, 0
    for k, paper in enumerate(is_paper):
        if paper:
            last, gap = k, 0
        else:
            gap += 1
            if gap * STEP_MM > PRINT_HEIGHT_MM:
                break
    return last


def _robust_line(x: Floats, y: Floats) -> tuple[float, float]:
    """Slope and intercept by iterated least squares on the points near the line."""
    keep = np.abs(y - np.median(y)) < 6.0
    slope, start = 0.0, float(np.median(y))
    for _ in range(4):
        if keep.sum() < 5:
            break
        slope, start = (float(v) for v in np.polyfit(x[keep], y[keep], 1))
        residual = np.abs(y - slope * x - start)
        keep = residual < max(1.0, 2.5 * float(np.median(residual)))
    return slope, start


def _meet(
    first: tuple[Floats, Floats, Floats, float, float], second: tuple[Floats, Floats, Floats, float, float]
) -> Floats:
    """Corner where two of the sheet's edges meet."""
    rows, right = [], []
    for corner, along, normal, start, slope in (first, second):
        across = normal - slope * along
        rows.append(across)
        right.append(across @ corner + start)
    return np.asarray(np.linalg.solve(np.array(rows), np.array(right)), dtype=np.float64)


def _sample(ortho: Ortho, points_mm: Floats) -> Floats:
    """Colours (N, K, 3) at slab points (N, K, 2) mm."""
    return colours_at(ortho, ortho.to_px(points_mm).reshape(points_mm.shape))
