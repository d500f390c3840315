"""How unlike this slab's own sound wood each place is, and the patches that stand out.

The sound wood's colours (three logs, light evened) scatter by rings, rays and noise. A robust mean and
covariance of that scatter turn a place's colour into a distance in sigmas (P. C. Mahalanobis, 1936), so
that a calm maple and a lively pine are judged by the same few numbers.
"""

from __future__ import annotations

import cv2
import numpy as np

from voidmap.model import Floats
from voidmap.surface.light import Evened
from voidmap.surface.mosaic import Bools, Floats32

# The colours are averaged over this reach (1 sigma) before they are judged.
COLOUR_BLUR_MM = 0.6
# Share of the cells, the most ordinary ones, that say what sound wood is.
ORDINARY_SHARE = 0.75
# Sound wood is never calmer than this (logs of brightness, blue/green, red/green): 8-bit steps and JPEG.
LEAST_SCATTER = (0.012, 0.005, 0.005)
# Distances (sigmas) at which patches are cut out: from a faint stain up to a black hole.
LEVELS = tuple(5.0 * 1.4**k for k in range(8))
# A patch is at least this wide; thinner things are lines or dots and found elsewhere.
LEAST_WIDTH_MM = 2.5
# Gaps narrower than this within a patch belong to it.
CLOSE_MM = 2.0
# An inner rim is taken for the patch's own when it is so many times steeper than the outer one and still
# holds this share of the area (a hole in a knot, against dark spots in bark).
STEEPER, HELD_SHARE = 1.8, 0.3
# A patch within a patch is looked at when it holds between these shares of it and its rim is steeper.
INNER_SHARE, LESSER_SHARE = 0.12, 0.8
# A patch falls into two when a higher level breaks it in parts that each hold this share of it.
PART_SHARE = 0.2


def oddness(evened: Evened) -> tuple[Floats32, Floats32]:
    """Return the distance from sound wood (h, w), in sigmas, and the blurred colours (h, w, 3)."""
    weight = evened.patch_seen.astype(np.float32)
    sigma = COLOUR_BLUR_MM / evened.cell_mm
    total = cv2.max(cv2.GaussianBlur(weight, (0, 0), sigma), 0.1)
    bare = np.asarray(cv2.copyTo(evened.patch, evened.patch_seen.astype(np.uint8)))
    soft = cv2.divide(cv2.GaussianBlur(bare, (0, 0), sigma), cv2.merge([total] * 3))
    colours = np.asarray(soft, dtype=np.float32)
    places = np.flatnonzero(evened.patch_seen)
    sample = colours.reshape(-1, 3)[places[:: max(1, len(places) // 60_000)]]
    mean, inverse = _sound_scatter(sample.astype(np.float64))
    root = np.linalg.cholesky(inverse).T.astype(np.float32)
    shift = -root @ mean.astype(np.float32)
    spread = cv2.transform(colours, np.column_stack([root, shift]))
    square = cv2.transform(cv2.multiply(spread, spread), np.ones((1, 3), np.float32))
    return np.asarray(cv2.copyTo(cv2.sqrt(square), evened.patch_seen.astype(np.uint8))), colours


def _sound_scatter(sample: Floats) -> tuple[Floats, Floats]:
    """Mean and inverse covariance of the ordinary part of a sample (N, 3)."""
    # The median of the squared distance of 3 normal variables (chi-squared with 3 degrees of freedom).
    median_chi2 = 2.366
    floor = np.diag(np.square(LEAST_SCATTER))
    if len(sample) < 10:
        return np.zeros(3), np.linalg.inv(floor)
    mean, covariance = np.median(sample, axis=0), np.cov(sample.T) + floor
    for _ in range(6):
        off = sample - mean
        square = np.einsum("ij,jk,ik->i", off, np.linalg.inv(covariance), off)
        ordinary = sample[square <= np.quantile(square, ORDINARY_SHARE)]
        mean, covariance = ordinary.mean(axis=0), np.cov(ordinary.T) + floor
    off = sample - mean
    square = np.einsum("ij,jk,ik->i", off, np.linalg.inv(covariance), off)
    covariance = covariance * max(1.0, float(np.median(square)) / median_chi2)
    return mean, np.linalg.inv(covariance)


Patch = tuple[Bools, tuple[int, int]]


def odd_patches(distance: Floats32, colours: Floats32, cell_mm: float) -> list[Patch]:
    """Return patches on the grid as (mask, (column, row) of its first cell)."""
    steep = _steepness(colours)
    found: list[Patch] = []
    for mask, corner in _parts(_solid(distance > LEVELS[0], cell_mm), cell_mm):
        x, y = corner
        box = (slice(y, y + mask.shape[0]), slice(x, x + mask.shape[1]))
        for inner, (dx, dy) in _own_rims(mask, distance[box], steep[box], 1, cell_mm):
            found.append((inner, (x + dx, y + dy)))
    return found


def _steepness(colours: Floats32) -> Floats32:
    across = cv2.Sobel(colours, cv2.CV_32F, 1, 0, scale=0.125)
    down = cv2.Sobel(colours, cv2.CV_32F, 0, 1, scale=0.125)
    square = cv2.add(cv2.multiply(across, across), cv2.multiply(down, down))
    return np.asarray(cv2.sqrt(cv2.transform(square, np.ones((1, 3), np.float32))), dtype=np.float32)


def _own_rims(mask: Bools, distance: Floats32, steep: Floats32, level: int, cell_mm: float) -> list[Patch]:
    """Climb the levels: split a patch that falls apart, tighten one whose inner rim is the real one.

    The steepest inner rim that is no clear winner comes along as a patch of its own: a hole in a dark knot, to be
    judged beside the knot.
    """
    best, best_rim = mask, _rim_steepness(mask, steep)
    second: Bools | None = None
    second_rim = best_rim
    for k in range(level, len(LEVELS)):
        parts = _parts(_solid(mask & (distance > LEVELS[k]), cell_mm), cell_mm)
        large = [p for p in parts if p[0].sum() > PART_SHARE * mask.sum()]
        if len(large) > 1 and sum(p[0].sum() for p in large) > 0.5 * mask.sum():
            return _split(large, distance, steep, k, cell_mm)
        held = [p for p in parts if p[0].sum() > INNER_SHARE * best.sum()]
        if not held:
            break
        inner = np.zeros_like(mask)
        (part, (x, y)) = max(held, key=lambda p: int(p[0].sum()))
        inner[y : y + part.shape[0], x : x + part.shape[1]] = part
        rim = _rim_steepness(inner, steep)
        if rim > STEEPER * best_rim and part.sum() > HELD_SHARE * best.sum():
            best, best_rim, second, second_rim = inner, rim, None, rim
        elif rim > second_rim and part.sum() < LESSER_SHARE * best.sum():
            second, second_rim = inner, rim
    return [_cropped(best)] if second is None else [_cropped(best), _cropped(second)]


def _split(parts: list[Patch], distance: Floats32, steep: Floats32, level: int, cell_mm: float) -> list[Patch]:
    found: list[Patch] = []
    for part, (x, y) in parts:
        box = (slice(y, y + part.shape[0]), slice(x, x + part.shape[1]))
        for inner, (dx, dy) in _own_rims(part, distance[box], steep[box], level + 1, cell_mm):
            found.append((inner, (x + dx, y + dy)))
    return found


def _rim_steepness(mask: Bools, steep: Floats32) -> float:
    padded = np.pad(mask, 1).astype(np.uint8)
    inner = cv2.erode(padded, np.ones((3, 3), np.uint8))[1:-1, 1:-1].astype(bool)
    rim = mask & ~inner
    return float(np.mean(steep[rim])) if rim.any() else 0.0


def _solid(mask: Bools, cell_mm: float) -> Bools:
    """Close gaps, fill holes, and drop what is thinner than a patch."""
    pad = 4
    whole = np.pad(mask, pad).astype(np.uint8)
    whole = cv2.morphologyEx(whole, cv2.MORPH_CLOSE, disc(CLOSE_MM / cell_mm))
    contours, _ = cv2.findContours(whole, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    whole = cv2.drawContours(np.zeros_like(whole), contours, -1, 1, cv2.FILLED)
    whole = cv2.morphologyEx(whole, cv2.MORPH_OPEN, disc(LEAST_WIDTH_MM / cell_mm))
    return np.asarray(whole[pad:-pad, pad:-pad]).astype(bool)


def _parts(mask: Bools, cell_mm: float) -> list[Patch]:
    least = max(4.0, (LEAST_WIDTH_MM / cell_mm) ** 2 * 0.7)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), ltype=cv2.CV_32S)
    parts = []
    for k in range(1, count):
        x, y, w, h, area = (int(v) for v in stats[k])
        if area >= least:
            parts.append((labels[y : y + h, x : x + w] == k, (x, y)))
    return parts


def _cropped(mask: Bools) -> Patch:
    rows, columns = np.nonzero(mask.any(axis=1))[0], np.nonzero(mask.any(axis=0))[0]
    top, left = int(rows[0]), int(columns[0])
    return mask[top : int(rows[-1]) + 1, left : int(columns[-1]) + 1], (left, top)


def disc(diameter_px: float) -> np.ndarray:
    """Return a round structuring element of odd size nearest to a diameter."""
    size = 2 * max(0, round((diameter_px - 1.0) / 2.0)) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)))
