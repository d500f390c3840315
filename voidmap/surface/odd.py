"""How unlike this slab's own sound wood each place is, and the patches that stand out.

The sound wood's colours (three logs, light evened) scatter by rings, rays and noise. A robust mean and
covariance of that scatter turn a place's colour into a distance in sigmas (P. C. Mahalanobis, 1936), so
that a calm maple and a lively pine are judged by the same few numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from voidmap.model import Floats
from voidmap.surface.light import STRIP_ROWS, Evened
from voidmap.surface.mosaic import Bools, Floats32

# The colours are averaged over this reach (1 sigma) before they are judged.
COLOUR_BLUR_MM = 0.6
# Share of the cells, the most ordinary ones, that say what sound wood is.
ORDINARY_SHARE = 0.75
# Sound wood is never calmer than this (logs of brightness, blue/green, red/green): 8-bit steps and JPEG.
LEAST_SCATTER = (0.012, 0.005, 0.005)
# Distances (sigmas) at which patches are cut out: from a faint stain up to a black hole in pale, calm wood.
LEVELS = tuple(5.0 * 1.3**k for k in range(14))
# A patch is at least this wide; thinner things are lines or dots and found elsewhere.
LEAST_WIDTH_MM = 2.5
# Gaps narrower than this within a patch belong to it.
CLOSE_MM = 2.0
# From level to level a patch goes on as the same thing while its greatest part holds this share of it; else its
# parts are things of their own (a hole in a dark knot, two knots in one stain).
SAME_SHARE = 0.6
# Two rims of one thing are both looked at when their areas differ by more than this factor.
OTHER_RIM = 1.25
# What lies within another patch is looked at when its rim is this steep against the outer one: spots in bark fade.
INNER_STEEP = 0.7
# No more patches than this are looked at, those with the most rim times its steepness first: this bounds the time.
MOST_PATCHES = 300


def oddness(evened: Evened) -> tuple[Floats32, Floats32]:
    """Return the distance from sound wood (h, w), in sigmas, and the blurred colours (h, w, 3)."""
    seen, sigma = evened.patch_seen.view(np.uint8), COLOUR_BLUR_MM / evened.cell_mm
    total = cv2.max(cv2.GaussianBlur(seen.astype(np.float32), (0, 0), sigma), 0.1)
    colours = np.asarray(cv2.GaussianBlur(cv2.copyTo(evened.patch, seen), (0, 0), sigma), dtype=np.float32)
    # Strips, here and below: what lies between is as large as the picture.
    strips = [slice(top, top + STRIP_ROWS) for top in range(0, len(colours), STRIP_ROWS)]
    for rows in strips:
        cv2.divide(colours[rows], cv2.merge([total[rows]] * 3), dst=colours[rows])
    places = np.flatnonzero(evened.patch_seen)
    sample = colours.reshape(-1, 3)[places[:: max(1, len(places) // 60_000)]]
    mean, inverse = _sound_scatter(sample.astype(np.float64))
    root = np.linalg.cholesky(inverse).T.astype(np.float32)
    shift = -root @ mean.astype(np.float32)
    away = np.zeros(total.shape, np.float32)
    for rows in strips:
        spread = cv2.transform(colours[rows], np.column_stack([root, shift]))
        square = cv2.transform(cv2.multiply(spread, spread), np.ones((1, 3), np.float32))
        cv2.copyTo(cv2.sqrt(square), seen[rows], dst=away[rows])
    return away, colours


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
        square = np.einsum("ij,ij->i", off @ np.linalg.inv(covariance), off)
        ordinary = sample[square <= np.quantile(square, ORDINARY_SHARE)]
        mean, covariance = ordinary.mean(axis=0), np.cov(ordinary.T) + floor
    off = sample - mean
    square = np.einsum("ij,ij->i", off @ np.linalg.inv(covariance), off)
    covariance = covariance * max(1.0, float(np.median(square)) / median_chi2)
    return mean, np.linalg.inv(covariance)


Patch = tuple[Bools, tuple[int, int]]


@dataclass(frozen=True, eq=False)
class _Node:
    """A patch at one level: its mask with the first cell (column, row), its size, its rim's steepness, its parent."""

    mask: Bools
    corner: tuple[int, int]
    area: int
    rim: float
    parent: int


def odd_patches(distance: Floats32, colours: Floats32, cell_mm: float) -> list[Patch]:
    """Return patches on the grid as (mask, (column, row) of its first cell).

    A patch of one level holds those of the next within it (a component tree, R. Jones, 1999). Each run of the tree
    in which a patch stays the same thing gives the patch with the steepest rim, and the steepest of clearly other
    size: a hole, the knot around it and the stain around both are all looked at.
    """
    nodes = _tree(distance, colours, cell_mm)
    parts: list[list[int]] = [[] for _ in nodes]
    for k, node in enumerate(nodes):
        if node.parent >= 0:
            parts[node.parent].append(k)
    picked: list[int] = []
    open_runs = [(k, 0.0) for k, node in enumerate(nodes) if node.parent < 0]
    while open_runs:
        first, outer = open_runs.pop()
        run = [first]
        while parts[run[-1]]:
            greatest = max(parts[run[-1]], key=lambda k: nodes[k].area)
            if nodes[greatest].area < SAME_SHARE * nodes[run[-1]].area:
                break
            run.append(greatest)
        taken = [k for k in _steepest(nodes, run) if nodes[k].rim >= INNER_STEEP * outer]
        picked += taken
        within = max([outer, *(nodes[k].rim for k in taken)])
        open_runs += [(k, within) for member in run for k in parts[member] if k not in run]
    picked.sort(key=lambda k: -nodes[k].rim * np.sqrt(nodes[k].area))
    return [(nodes[k].mask, nodes[k].corner) for k in picked[:MOST_PATCHES]]


def _steepest(nodes: list[_Node], run: list[int]) -> list[int]:
    """Return the patch with the steepest rim of a run, and the steepest of clearly other size."""
    best = max(run, key=lambda k: nodes[k].rim)
    ratio = {k: nodes[best].area / nodes[k].area for k in run}
    others = [k for k in run if not 1 / OTHER_RIM < ratio[k] < OTHER_RIM]
    return [best, max(others, key=lambda k: nodes[k].rim)] if others else [best]


def _tree(distance: Floats32, colours: Floats32, cell_mm: float) -> list[_Node]:
    """Cut patches out at each level; a level's patches lie within those of the one below it."""
    nodes: list[_Node] = []
    for mask, corner in _cut(distance > LEVELS[0], cell_mm):
        (x, y), (height, width) = corner, mask.shape
        box = (slice(y, y + height), slice(x, x + width))
        steep = _steepness(colours[max(0, y - 1) : y + height + 1, max(0, x - 1) : x + width + 1])
        top, left = min(y, 1), min(x, 1)
        _grow(nodes, distance[box], steep[top : top + height, left : left + width], mask, corner, cell_mm)
    return nodes


def _grow(
    nodes: list[_Node], distance: Floats32, steep: Floats32, mask: Bools, corner: tuple[int, int], cell_mm: float
) -> None:
    """Add a patch of the lowest level, whose box is given, and the patches of the levels above within it."""
    parents = [(mask, (0, 0), -1)]
    for level in LEVELS:
        found = []
        for within, (x, y), parent in parents:
            box = (slice(y, y + within.shape[0]), slice(x, x + within.shape[1]))
            parts = [(within, (0, 0))] if parent < 0 else _cut(within & (distance[box] > level), cell_mm, within)
            for part, (left, top) in parts:
                place = (x + left, y + top)
                own = (slice(place[1], place[1] + part.shape[0]), slice(place[0], place[0] + part.shape[1]))
                rim = part & (cv2.erode(part.astype(np.uint8), np.ones((3, 3), np.uint8), borderValue=0) == 0)
                at = (corner[0] + place[0], corner[1] + place[1])
                nodes.append(_Node(part, at, int(part.sum()), float(steep[own][rim].mean()), parent))
                found.append((part, place, len(nodes) - 1))
        parents = found


def _cut(chosen: Bools, cell_mm: float, within: Bools | None = None) -> list[Patch]:
    """Return the solid pieces of a mask that are large enough, each with its first cell (column, row)."""
    solid = _solid(chosen, cell_mm)
    solid = solid if within is None else solid & within
    least = max(4.0, (LEAST_WIDTH_MM / cell_mm) ** 2 * 0.7)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(solid.astype(np.uint8), ltype=cv2.CV_32S)
    boxes = [(k, *(int(v) for v in row)) for k, row in enumerate(stats) if k and row[cv2.CC_STAT_AREA] >= least]
    return [(labels[y : y + h, x : x + w] == k, (x, y)) for k, x, y, w, h, _ in boxes]


def _steepness(colours: Floats32) -> Floats32:
    across = cv2.Sobel(colours, cv2.CV_32F, 1, 0, scale=0.125)
    down = cv2.Sobel(colours, cv2.CV_32F, 0, 1, scale=0.125)
    square = cv2.add(cv2.multiply(across, across), cv2.multiply(down, down))
    return np.asarray(cv2.sqrt(cv2.transform(square, np.ones((1, 3), np.float32))), dtype=np.float32)


def _solid(mask: Bools, cell_mm: float) -> Bools:
    """Close gaps, fill holes, and drop what is thinner than a patch."""
    pad = 4
    whole = np.pad(mask, pad).astype(np.uint8)
    whole = cv2.morphologyEx(whole, cv2.MORPH_CLOSE, disc(CLOSE_MM / cell_mm))
    contours, _ = cv2.findContours(whole, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    whole = cv2.drawContours(np.zeros_like(whole), contours, -1, 1, cv2.FILLED)
    whole = cv2.morphologyEx(whole, cv2.MORPH_OPEN, disc(LEAST_WIDTH_MM / cell_mm))
    return np.asarray(whole[pad:-pad, pad:-pad]).astype(bool)


def disc(diameter_px: float) -> np.ndarray:
    """Return a round structuring element of odd size nearest to a diameter."""
    size = 2 * max(0, round((diameter_px - 1.0) / 2.0)) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)))
