"""A board that lies on the bench beside the slab: told by the slab, which then lies whole amid what is round the board.

The board's neighbourhood shows what it lies on. Where it lies on the slab, all else in view (the bench) leaves the
picture. A large piece of another colour that lies whole in the picture, amid the board's own ground, is the slab: and
the board is not on it.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats, Ortho

MM_PER_PX = 3.0
"""Grain and pores average out at this scale, a paper's margin does not."""
MARGIN_MM = 45.0
"""Paper round the pattern: (297 - 210) / 2 mm along, (210 - 150) / 2 mm across on A4."""
RING_MM = 75.0
"""How far round the paper its ground is read."""
LEAST_PAPERS = 1.5
"""Area in papers from which a piece is no thing that lies on the top, and no knot."""
LEAST_FILL = 0.8
"""Share of its least rectangle that a slab fills; a cathedral of heartwood, or a lamp's glare, is rounder."""
LEVELS = (4, 6, 8, 11, 15, 20, 27)
"""Colour from which a pixel is of another piece than the ground, CIELAB units."""
BRIDGE_PX = 11
"""What links a piece to the picture's border is no slab if it is narrower than this (33 mm): a joint, a streak."""
LEAST_STEP = 2.3
"""CIELAB units between ground and piece; less is not told by eye (from memory)."""


def amid_ground(ortho: Ortho, patterns_mm: tuple[Floats, ...]) -> bool:
    """Whether a large piece lies whole in the picture amid what is round the boards.

    Parameters
    ----------
    ortho
        The picture laid square-on.
    patterns_mm
        Corners (4, 2) of each board's pattern, slab mm.
    """
    shrink = ortho.mm_per_px / MM_PER_PX
    small = cv2.resize(ortho.pixels, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    lab = cv2.cvtColor(cv2.medianBlur(small, 5).astype(np.float32) / 255, cv2.COLOR_BGR2LAB)
    valid = cv2.resize(ortho.valid.astype(np.uint8), lab.shape[1::-1], interpolation=cv2.INTER_NEAREST)
    # Pixels at the border of what the photo shows are mixed with what it does not.
    valid = cv2.erode(np.pad(valid, 1), np.ones((5, 5), np.uint8))[1:-1, 1:-1]
    covered = _papers(valid.shape, [(ortho.to_px(pattern) + 0.5) * shrink - 0.5 for pattern in patterns_mm])
    ring = (_grown(covered, RING_MM) > 0) & (covered == 0) & (valid > 0)
    if ring.sum() < covered.sum() / 4:
        return False
    squares = (lab - np.median(lab[ring], axis=0)) ** 2
    least_px = LEAST_PAPERS * float(covered.sum()) / len(patterns_mm)
    outside = cv2.dilate(np.pad(1 - valid, 1, constant_values=1), np.ones((3, 3), np.uint8))[1:-1, 1:-1] > 0
    # A lamp's fall over the bench changes lightness more than colour: both are asked, together and colour alone.
    return any(
        _is_slab(piece, outside, away, least_px)
        for away in (np.sqrt(squares.sum(axis=2)), np.sqrt(squares[:, :, 1:].sum(axis=2)))
        for level in LEVELS
        for piece in _pieces(((away > level) & (valid > 0) & (covered == 0)).astype(np.uint8))
    )


def _papers(shape: tuple[int, ...], patterns_px: list[Floats]) -> NDArray[np.uint8]:
    """Return where the boards' paper may lie."""
    inked = np.zeros(shape, np.uint8)
    for corners in patterns_px:
        cv2.fillConvexPoly(inked, np.round(corners).astype(np.int32), 1)
    return _grown(inked, MARGIN_MM)


def _pieces(other: NDArray[np.uint8]) -> list[NDArray[np.uint8]]:
    """Return the pieces, each with its holes filled."""
    other = cv2.morphologyEx(other, cv2.MORPH_OPEN, np.ones((BRIDGE_PX, BRIDGE_PX), np.uint8))
    contours, _ = cv2.findContours(other, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return [cv2.drawContours(np.zeros_like(other), [c], -1, 1, cv2.FILLED) for c in contours if len(c) > 20]


def _is_slab(piece: NDArray[np.uint8], outside: NDArray[np.bool_], away: Floats, least_px: float) -> bool:
    inside = piece > 0
    if inside.sum() < least_px or bool(np.any(outside & inside)):
        return False
    points = cv2.findNonZero(piece)
    (_, sides, _) = cv2.minAreaRect(points)
    if inside.sum() < LEAST_FILL * (sides[0] + 1) * (sides[1] + 1):
        return False
    near = (cv2.dilate(piece, np.ones((9, 9), np.uint8)) > 0) & ~inside
    return float(np.median(away[inside])) - float(np.median(away[near])) > LEAST_STEP


def _grown(mask: NDArray[np.uint8], by_mm: float) -> NDArray[np.uint8]:
    size = 2 * round(by_mm / MM_PER_PX) + 1
    return np.asarray(cv2.dilate(mask, np.ones((size, size), np.uint8)), dtype=np.uint8)
