"""Four-sided patches in a picture: what may be a sheet or a card."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats

SEARCH_SIDE_PX = 1000
LEVELS, BORDER_LEVELS = np.arange(10, 100, 6), np.array([85, 90, 93, 95, 97, 98, 99])
"""Percentiles at which patches, and borders, are cut out of a picture."""
COLOUR_STEP = (10, 5, 5)
"""Colours that count as one, 8-bit CIELAB: lightness changes more over a flat thing than its hue does."""
LEAST_SHARE = 0.001
"""A reference smaller than a thousandth of the frame can't carry a scale across it."""


def find_quadrilaterals(pixels: NDArray[np.uint8]) -> list[Floats]:
    """Four-sided patches at many brightness and colour levels, corners (4, 2) px of the full picture, clockwise."""
    shrink = max(1.0, max(pixels.shape[:2]) / SEARCH_SIDE_PX)
    small = cv2.resize(pixels, None, fx=1 / shrink, fy=1 / shrink, interpolation=cv2.INTER_AREA)
    grey = cv2.cvtColor(small, cv2.COLOR_BGR2GRAY)
    colourless = (255 - (small.max(axis=2) - small.min(axis=2))).astype(np.uint8)
    found = []
    blue, red = small[:, :, 0], small[:, :, 2]
    layers = [
        (cv2.medianBlur(np.ascontiguousarray(layer), 5), LEVELS)
        for layer in (
            grey,
            255 - grey,
            colourless,
            blue,
            255 - blue,
            255 - red,
            _unlike_wood(small),
            _local_colour(small),
        )
    ]
    for smooth, shares in [*layers, (_borders(small), BORDER_LEVELS)]:
        for level in np.unique(np.percentile(smooth, shares).astype(int)):
            mask = (smooth > level).astype(np.uint8)
            contours = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)[-2]
            for contour in contours:
                quad = _four_corners(contour, grey.size)
                if quad is not None:
                    found.append((quad + 0.5) * shrink - 0.5)
    return _distinct(found, shrink)


def _unlike_wood(small: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return how far each pixel's colour is from that of the picture's middle half (CIELAB, two units a step).

    A striped card, of which each stripe alone is no rectangle of its shape, is one patch in it.
    """
    lab = cv2.cvtColor(small, cv2.COLOR_BGR2LAB).astype(np.float32)
    height, width = lab.shape[:2]
    middle = lab[height // 4 : -(height // 4), width // 4 : -(width // 4)].reshape(-1, 3)
    away = np.sqrt(np.sum((lab - np.median(middle, axis=0)) ** 2, axis=2))
    return np.asarray(np.clip(2 * away, 0, 255), dtype=np.uint8)


def _local_colour(small: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return how near together in the picture the pixels of each pixel's colour lie: 255 at one place, 0 all over.

    Wood and bench are spread over the picture, what lies on them is not: a striped card across sapwood and heartwood
    is one patch in it.
    """
    lab = cv2.cvtColor(small, cv2.COLOR_BGR2LAB) // np.array(COLOUR_STEP, dtype=np.uint8)
    sides = tuple(256 // step + 1 for step in COLOUR_STEP)
    colour = np.ravel_multi_index(tuple(lab[:, :, i].ravel() for i in range(3)), sides)
    y, x = (axis.ravel().astype(np.float64) for axis in np.indices(lab.shape[:2]))
    sums = []
    for weight in (None, x, y, x * x + y * y):
        table = np.bincount(colour, weight, minlength=int(np.prod(sides))).astype(np.float64).reshape(sides)
        for axis in range(3):
            # Colours a step away count too: a patch's noise must not decide.
            table = table + np.roll(table, 1, axis) + np.roll(table, -1, axis)
        sums.append(table.ravel()[colour])
    count, at_x, at_y, squares = sums
    spread = np.sqrt(np.maximum(squares / count - (at_x / count) ** 2 - (at_y / count) ** 2, 0.0))
    near = 255 * (1 - np.minimum(spread / (0.5 * np.hypot(*lab.shape[:2]) / 12**0.5), 1))
    return np.asarray(near.reshape(lab.shape[:2]), dtype=np.uint8)


def _borders(small: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return how steeply the colour changes: what lies across sapwood and heartwood still has one border."""
    lab = cv2.GaussianBlur(cv2.cvtColor(small, cv2.COLOR_BGR2LAB).astype(np.float32), (0, 0), 1.0)
    slopes = [cv2.Sobel(lab, cv2.CV_32F, dx, 1 - dx) for dx in (0, 1)]
    return np.asarray(np.clip(np.sqrt(sum(np.sum(s**2, axis=2) for s in slopes)), 0, 255), dtype=np.uint8)


def _four_corners(contour: NDArray[np.int32], area: int) -> Floats | None:
    size = cv2.contourArea(contour)
    if not LEAST_SHARE * area < size < 0.6 * area:
        return None
    hull = cv2.convexHull(contour)
    if size < 0.93 * cv2.contourArea(hull):
        return None
    rough = cv2.approxPolyDP(hull, 0.03 * cv2.arcLength(hull, True), True).reshape(-1, 2)
    if len(rough) != 4 or cv2.contourArea(rough) < 0.9 * size:
        return None
    quad = rough.astype(np.float64)
    ahead = np.roll(quad, -1, axis=0)
    clockwise = np.sum(quad[:, 0] * ahead[:, 1] - ahead[:, 0] * quad[:, 1]) > 0
    return quad if clockwise else quad[::-1].copy()


def _distinct(quads: list[Floats], shrink: float) -> list[Floats]:
    kept: list[Floats] = []
    for quad in quads:
        middle = quad.mean(axis=0)
        if all(
            np.hypot(*(middle - k.mean(axis=0))) > 3 * shrink
            or abs(cv2.contourArea(quad.astype(np.float32)) / cv2.contourArea(k.astype(np.float32)) - 1) > 0.05
            for k in kept
        ):
            kept.append(quad)
    return kept
