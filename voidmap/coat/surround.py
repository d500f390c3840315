"""What is in view beside the coated surface: the paper around the boards, and a strip of bench.

A coat's photo is a close-up: the surface fills the frame, or a bench shows along a side of it. Such a bench is
parted from the surface by an edge that runs from side to side of the frame, sharp all along, with another colour
beyond it; growth rings are not of another colour on their two sides, the step to sapwood is not sharp, and fills,
reflections and boards don't run from side to side. A shadow's edge may: but the wood's figure runs on across it, and
the tint beyond it is that of the same wood in the shade. So may a glue seam: but wood of the same tint lies beyond it,
its grain along the seam as on this side.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.coat.ground import Bytes, Floats32, capped_gradients
from voidmap.model import Floats, Plane
from voidmap.scale.boards import PATTERN_MM
from voidmap.shade import SHADE_TINT, less_sky

Number = TypeVar("Number", bound=np.generic)

STEP_MM = 0.5
"""Step outward from a board's pattern in the search for the paper's edge."""
WIDEST_MARGIN_MM = 87.0
"""Margin of an uncut A4 sheet with the pattern at one end: 297 mm less 210 mm; none can be wider."""
USUAL_MARGIN_MM = 43.5
"""Of a pattern in the middle of A4; taken when no edge of the paper is seen."""
PAPER_STEP = 0.07
"""Paper ends where a colour channel falls by this share or more within 3 mm."""
PAPER_QUANTILE = 0.85
"""A part's brightness is this quantile along it, so that bars and letters printed there don't count as an edge."""
SIDE_PARTS, PART_LINES = 8, 10
"""A side of the pattern (A4: 150 to 210 mm) is read in so many parts of so many lines outward each."""
LASTING_MM = 6.0
"""Beyond the paper's edge it stays darker for this far: a printed bar is narrower."""
SHRINK = 4
EDGE_STEP_PX = 2
"""A bench's edge is sharp: the step is read over this many cells either way (16 photo px in all)."""
LEAST_STEP = 7.0
"""8-bit step that counts as an edge; noise of the shrunken picture is about 1."""
BAND_CELLS = (4, 24)
"""Colours beside the edge are compared between these distances from it, cells."""
LEAST_RUN = 0.8
"""Share of the edge's length on which it must be sharp, and of another colour beyond."""
OUT_OF_ORDINARY = 0.9
"""The step along a bench's edge is over this quantile of all steps around: growth rings and fills have edges too."""
FIGURE_CELLS, FIGURE_SIGMA, FIGURE_LAG = (4, 16), 25.0, 8
"""The figure on both sides of an edge is read so far from it, cells; what is wider along it (1 sigma) is taken out; it
may cross aslant, by so many cells."""
FIGURE_MOST = 4.0
"""Reflections, knots and fills count for no more than this many times the figure's median."""
SAME_FIGURE = 0.3
"""Two sides whose figure correlates by this are one wood: 4 sigma, where some 200 rings and pores cross the edge."""
SURE_FIGURE = 0.5
"""By this they are one wood whatever their tints: a lamp mirrored along the one changes its own (7 sigma)."""
SEAM_CELLS = (4, 28)
"""Both sides of a seam are compared between these distances from it, cells."""
SEAM_TINT = 0.035
"""Boards that are glued into one top are sorted by tint (common practice, no source): two differ by no more than this,
log units. Of 40 benches drawn beside simulated coats 39 differ by .06 and more, the other is of planks."""
SEAM_COHERENT, SEAM_TURN_RAD, SEAM_ALIKE = 0.4, np.radians(10.0), 2.0
"""Its grain is clear on both sides (coherence of the structure tensor; of noise it is under .2), turned by no more than
this, and stands out as much, within this factor. The bench of planks has three times the figure of the wood."""
EDGES_TRIED, EDGE_CLEAR = 3, 24
"""A shadow has two edges, and a bench may lie beyond it or a seam: so many are tried, so many cells apart."""
GLARE = 240.0
"""All channels at or over this: a lamp's reflection, whose edges are no bench's."""
DEEPEST = 0.45
"""Share of the frame that a bench may take from one side: more, and it is not a photo of the coat."""


def sheets_px(pixels: Bytes, plane: Plane) -> tuple[Floats, ...]:
    """Find the paper around each board, as outlines (4, 2) in photo px."""
    return tuple(plane.to_px(_sheet_mm(pixels, plane, np.asarray(p, dtype=np.float64))) for p in plane.patterns_mm)


def _sheet_mm(pixels: Bytes, plane: Plane, pattern: Floats) -> Floats:
    across = (pattern[1] - pattern[0]) / PATTERN_MM[0]
    down = (pattern[3] - pattern[0]) / PATTERN_MM[1]
    left = _margin(pixels, plane, pattern[0], pattern[3], -across)
    right = _margin(pixels, plane, pattern[1], pattern[2], across)
    top = _margin(pixels, plane, pattern[0], pattern[1], -down)
    bottom = _margin(pixels, plane, pattern[3], pattern[2], down)
    return np.array(
        [
            pattern[0] - left * across - top * down,
            pattern[1] + right * across - top * down,
            pattern[2] + right * across + bottom * down,
            pattern[3] - left * across + bottom * down,
        ]
    )


def _margin(pixels: Bytes, plane: Plane, start: Floats, end: Floats, outward: Floats) -> float:
    """Distance of the paper's edge from one side of the pattern, mm.

    The side is read in parts: where a lamp's reflection covers the edge, that part shows none, or another edge
    farther out. Print ends too, but paper comes again beyond it.
    """
    along = np.linspace(0.02, 0.98, SIDE_PARTS * PART_LINES)[:, None, None]
    out = np.arange(1.0, WIDEST_MARGIN_MM, STEP_MM)
    places = start + along * (end - start) + out[None, :, None] * outward
    at = plane.to_px(places.reshape(-1, 2)).astype(np.float32).reshape(len(along), len(out), 2)
    inside = (at[..., 0] >= 0) & (at[..., 0] < pixels.shape[1]) & (at[..., 1] >= 0) & (at[..., 1] < pixels.shape[0])
    shown = inside.reshape(SIDE_PARTS, PART_LINES, -1).mean(axis=1) > 0.5
    colour = np.asarray(cv2.remap(pixels, at[..., 0], at[..., 1], cv2.INTER_LINEAR), dtype=np.float64)
    level = np.quantile(colour.reshape(SIDE_PARTS, PART_LINES, len(out), 3), PAPER_QUANTILE, axis=1) + 1.0
    back, lasting = round(3.0 / STEP_MM), round(LASTING_MM / STEP_MM)
    fall = 1 - level[:, back:] / level[:, :-back]
    padded = np.concatenate([level[:, back:], np.zeros((SIDE_PARTS, lasting - 1, 3))], axis=1)
    highest = np.lib.stride_tricks.sliding_window_view(padded, lasting, axis=1).max(axis=-1)
    lasts = np.any(1 - highest / level[:, :-back] > PAPER_STEP, axis=2)
    is_edge = lasts & (fall.max(axis=2) > PAPER_STEP) & shown[:, back:]
    ends = []
    for part in np.flatnonzero(is_edge.any(axis=1)):
        first = int(is_edge[part].argmax())
        ends.append(out[first + int(np.argmax(fall[part, first : first + back].max(axis=1)))] + 3.0)
    if not ends:
        whole = shown.all(axis=0)
        return USUAL_MARGIN_MM if whole.all() else float(out[shown.any(axis=0)][-1]) if shown.any() else 1.0
    # Reflections only hide the edge and lead farther out; the nearer parts have it, and one of them may be print.
    return float(np.sort(ends)[(len(ends) - 1) // 4])


def surface_px(shrunk: Bytes, sheets: Sequence[Floats]) -> Floats | None:
    """Find the coated surface's outline (N, 2) photo px; None when it fills the frame.

    Parameters
    ----------
    shrunk
        The photo, (H, W, 3) uint8, ``SHRINK`` times smaller than it is.
    sheets
        Outlines of what lies on it, photo px.
    """
    small, size = shrunk.astype(np.float32), (shrunk.shape[0], shrunk.shape[1])
    hidden = np.zeros(size, np.uint8)
    for sheet in sheets:
        cv2.fillPoly(hidden, [np.round(np.asarray(sheet) / SHRINK).astype(np.int32)], 255)
    hidden = cv2.bitwise_or(hidden, cv2.inRange(shrunk, (GLARE,) * 3, (255.0,) * 3))
    hidden = cv2.dilate(hidden, np.ones((9, 9), np.uint8))
    bench = np.zeros(size, bool)
    for turns in range(4):
        edge = _edge_from_left(np.rot90(small, turns), np.rot90(hidden, turns) > 0)
        if edge is not None:
            beyond = np.arange(np.rot90(bench, turns).shape[1])[None, :] <= edge[:, None]
            bench |= np.rot90(beyond, -turns)
    if not bench.any():
        return None
    contours, _ = cv2.findContours((~bench).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    widest = max(contours, key=cv2.contourArea).reshape(-1, 2).astype(np.float64)
    outline: Floats = widest * SHRINK + (SHRINK - 1) / 2
    return outline


def _edge_from_left(small: Floats32, hidden: NDArray[np.bool_]) -> NDArray[np.int64] | None:
    """Column of the bench's edge in each row, for a bench along the left side; None when there is none."""
    reach = int(small.shape[1] * DEEPEST)
    part = cv2.blur(np.ascontiguousarray(small[:, : reach + BAND_CELLS[1]]), (1, 9))
    step = np.zeros(part.shape[:2], np.float32)
    blue, green, red = cv2.split(cv2.absdiff(part[:, 2 * EDGE_STEP_PX :], part[:, : -2 * EDGE_STEP_PX]))
    step[:, EDGE_STEP_PX:-EDGE_STEP_PX] = cv2.max(cv2.max(blue, green), red)
    shown = ~hidden[:, : part.shape[1]]
    step[~shown] = 0
    usual = np.quantile(step[shown], OUT_OF_ORDINARY)
    for _ in range(EDGES_TRIED):
        path = _best_path(np.minimum(step[:, :reach], 2 * LEAST_STEP))
        if not _is_edge(part, step, path, ~shown, usual):
            return None
        if not (_in_shade(part, path, ~shown) or _glued(part, path, ~shown)):
            return path
        away = np.abs(np.arange(step.shape[1])[None, :] - path[:, None])
        step[away <= EDGE_CLEAR] = 0
    return None


def _is_edge(part: Floats32, step: Floats32, path: NDArray[np.int64], hidden: NDArray[np.bool_], usual: float) -> bool:
    """Whether the path is sharp all along, out of the ordinary, and of another colour beyond."""
    rows = np.arange(len(path))
    free = ~hidden[rows, path]
    if free.mean() < 0.5:
        return False
    along = step[rows, path][free]
    if (along >= LEAST_STEP).mean() < LEAST_RUN or np.median(along) < usual:
        return False
    return float(_other_colour(part, path)[free].mean()) >= LEAST_RUN


def _in_shade(part: Floats32, path: NDArray[np.int64], hidden: NDArray[np.bool_]) -> bool:
    """Whether one wood lies on both sides of the path, in the light and in the shade, or a lamp's along one."""
    logs = np.log(part + 1.0)
    sides = [_beside(logs, path, sign, FIGURE_CELLS) for sign in (1, -1)]
    free = ~np.any([_beside(hidden, path, sign, FIGURE_CELLS) > 0 for sign in (1, -1)], axis=0)
    if free.mean() < 0.5:
        return False
    lit, dark = sorted(sides, key=lambda side: -float(np.median(side[free])))
    figures = [np.where(free, _figure(side.mean(axis=1), free), np.nan) for side in sides]
    alike = [_correlation(figures[0], np.roll(figures[1], lag)) for lag in range(-FIGURE_LAG, FIGURE_LAG + 1)]
    blue, green, red = np.median((dark - lit)[free], axis=0)
    shaded = np.abs(less_sky(np.array([red - green, blue - green]))).max() <= SHADE_TINT
    return max(alike) >= (SAME_FIGURE if shaded else SURE_FIGURE)


def _glued(part: Floats32, path: NDArray[np.int64], hidden: NDArray[np.bool_]) -> bool:
    """Whether the path is a glue seam: wood of one tint on both sides, the grain of both along it."""
    logs = np.log(part + 1.0)
    away = np.arange(*SEAM_CELLS)[None, :]
    ways = [path[:, None] + away, path[:, None] - away[:, ::-1]]
    rows = np.arange(len(path))[:, None]
    free = ~hidden[rows[:, 0], path]
    for way in ways:
        free &= ((way >= 0) & (way < part.shape[1])).all(axis=1)
    if free.mean() < 0.5:
        return False
    sides = [logs[rows[free], way[free]] for way in ways]
    blue, green, red = np.median(sides[0] - sides[1], axis=(0, 1))
    if max(abs(red - green), abs(blue - green)) > SEAM_TINT:
        return False
    turns, coherent, figure = zip(*(_grain(side.mean(axis=2)) for side in sides), strict=True)
    apart = abs((turns[0] - turns[1] + np.pi / 2) % np.pi - np.pi / 2)
    alike = max(figure) <= SEAM_ALIKE * min(figure)
    return bool(min(coherent) >= SEAM_COHERENT and apart <= SEAM_TURN_RAD and alike)


def _grain(strip: Floats) -> tuple[float, float, float]:
    """Return the grain's direction in a strip (rad), how coherent it is (0 to 1), and how strong its gradients are."""
    across, down = capped_gradients(strip.astype(np.float32))
    xx, yy, xy = (float(np.mean(a * b)) for a, b in ((across, across), (down, down), (across, down)))
    coherence = float(np.hypot(xx - yy, 2 * xy)) / max(xx + yy, 1e-12)
    return float(0.5 * np.arctan2(2 * xy, xx - yy)), coherence, float(np.sqrt(xx + yy))


def _figure(values: Floats, free: NDArray[np.bool_]) -> Floats:
    """Return what of values (n,) along an edge is finer than ``FIGURE_SIGMA``, from the free ones alone."""
    weight = free.astype(np.float64)
    wide = [cv2.GaussianBlur(v[:, None], (1, 0), 1.0, sigmaY=FIGURE_SIGMA).ravel() for v in (values * weight, weight)]
    fine = values - wide[0] / np.maximum(wide[1], 1e-6)
    most = FIGURE_MOST * float(np.median(np.abs(fine[free])))
    return np.asarray(np.clip(fine, -most, most))


def _correlation(a: Floats, b: Floats) -> float:
    both = ~np.isnan(a) & ~np.isnan(b)
    a, b = a[both] - a[both].mean(), b[both] - b[both].mean()
    return float(a @ b) / max(float(np.sqrt((a @ a) * (b @ b))), 1e-12)


def _beside(values: NDArray[Number], path: NDArray[np.int64], sign: int, cells: tuple[int, int]) -> Floats:
    """Mean of values (rows, columns, ...) between so many cells inward (sign 1) or outward (-1) of the path, by row."""
    columns = np.clip(path[:, None] + sign * np.arange(*cells)[None, :], 0, values.shape[1] - 1)
    return np.asarray(values[np.arange(len(path))[:, None], columns].mean(axis=1), dtype=np.float64)


def _best_path(gain: Floats32) -> NDArray[np.int64]:
    """Columns of the path from top to bottom, one column aside a row at most, that gathers most."""
    height, width = gain.shape
    total = np.full((height, width + 2), -np.inf, np.float32)
    total[0, 1:-1] = gain[0]
    for row in range(1, height):
        before, here = total[row - 1], total[row, 1:-1]
        np.maximum(before[:-2], before[2:], out=here)
        np.maximum(here, before[1:-1], out=here)
        here += gain[row]
    path = np.zeros(height, np.int64)
    path[-1] = int(np.argmax(total[-1, 1:-1]))
    for row in range(height - 1, 0, -1):
        column = path[row]
        left, straight, right = total[row - 1, column : column + 3]
        path[row - 1] = column + (0 if straight >= max(left, right) else -1 if left >= right else 1)
    return path


def _other_colour(part: Floats32, path: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Whether the bands on both sides of the path differ in each row, in the way that they mostly do."""
    inner, outer = (_beside(part, path, sign, BAND_CELLS) for sign in (1, -1))
    difference = cv2.blur(inner - outer, (1, 41))
    channel = int(np.argmax(np.abs(np.median(difference, axis=0))))
    sign = np.sign(np.median(difference[:, channel]))
    return np.asarray(sign * difference[:, channel] >= LEAST_STEP)
