"""Tell the slab from the bench at a coarse scale: patches of even look, cut apart where the edges are.

The picture is broken into patches by a watershed. Patches near the boards are slab for certain; the rest
is decided by a minimum cut, in which a patch is drawn toward the side it looks like (as far as it looks
like either) and the border between the sides is cheap only along visible edges. The photo's border leans
to bench, but gives way where no edge stands against it: a slab may leave the photo.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import maximum_flow
from scipy.spatial import cKDTree

from voidmap.model import Floats, Ortho

Bools = NDArray[np.bool_]
Ints = NDArray[np.int32]

# Longest side of the coarse picture, px: a slab's outline is then some 1,500 px long.
COARSE_PX = 560
# Patches are about this many coarse px across.
PATCH_PX = 7
# Softens the log of dark pixels, whose noise would be blown up otherwise (8-bit steps).
LOG_SOFT = 12.0
# Weight of colour (log ratio of channels) and of texture (log of the local spread) against brightness.
COLOUR_WEIGHT = 3.0
TEXTURE_WEIGHT = 0.35
# Smallest width of the kernel that spreads a known patch's look, in feature units: light varies over a
# bench by some 10 % even when it is of one colour.
LEAST_KERNEL = 0.10
# A look that is this unlikely under both sides says nothing.
UNKNOWN_DENSITY = 0.05
# Weight of a coarse px's look against the cost of cutting 1 px where there is no edge.
LOOK_WEIGHT = 0.35
# Cost of giving a px of the photo's border to the slab, against cutting 1 px where there is no edge.
BORDER_WEIGHT = 0.6
ROUNDS = 4
CAPACITY = 1000.0


@dataclass(frozen=True, eq=False)
class Coarse:
    """A picture broken into patches.

    ``labels`` (h, w) int32 from 0; ``looks`` (n, 4): brightness, two colours, texture of each patch, in log
    units; ``sizes`` (n,) px; ``pairs`` (m, 2) neighbours with ``lengths`` (m,) px of common border and
    ``edges`` (m,) mean step across it (log units).
    """

    labels: Ints
    looks: Floats
    sizes: Floats
    pairs: NDArray[np.int64]
    lengths: Floats
    edges: Floats
    scale: float
    valid: Bools


def break_up(ortho: Ortho) -> Coarse:
    """Break the picture into patches of even look.

    Parameters
    ----------
    ortho
        The square-on picture.

    Returns
    -------
    Coarse
        ``scale`` is coarse px per px of ``ortho``.
    """
    height, width = ortho.valid.shape
    scale = min(1.0, COARSE_PX / max(height, width))
    size = (max(8, round(width * scale)), max(8, round(height * scale)))
    small = np.asarray(cv2.resize(ortho.pixels, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    valid = cv2.resize(ortho.valid.astype(np.uint8), size, interpolation=cv2.INTER_AREA) > 0
    valid &= cv2.erode(valid.astype(np.uint8), np.ones((3, 3), np.uint8), borderValue=1) > 0
    logs = np.log(small.astype(np.float64) + LOG_SOFT)
    texture = _texture(ortho, size)
    planes = np.dstack(
        [
            logs.mean(axis=2),
            COLOUR_WEIGHT * (logs[..., 2] - logs[..., 1]) / 2,
            COLOUR_WEIGHT * (logs[..., 0] - logs[..., 1]) / 2,
            TEXTURE_WEIGHT * texture,
        ]
    )
    labels = _patches(small)
    count = int(labels.max()) + 1
    sizes = np.bincount(labels.ravel(), minlength=count).astype(np.float64)
    looks = np.column_stack(
        [np.bincount(labels.ravel(), planes[..., k].ravel(), count) / np.maximum(sizes, 1) for k in range(4)]
    )
    pairs, lengths, edges = _borders(labels, planes)
    return Coarse(labels, looks, sizes, pairs, lengths, edges, size[0] / width, valid)


def _texture(ortho: Ortho, size: tuple[int, int]) -> Floats:
    """Log of the local spread of fine detail, at the coarse size."""
    grey = cv2.cvtColor(ortho.pixels, cv2.COLOR_BGR2GRAY)
    half = cv2.resize(grey, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    fine = cv2.absdiff(half, cv2.GaussianBlur(half, (0, 0), 3.0))
    spread = cv2.resize(fine, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    level = cv2.resize(half, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    relative = cv2.GaussianBlur(spread, (0, 0), 2.0) / (cv2.GaussianBlur(level, (0, 0), 2.0) + LOG_SOFT)
    return np.asarray(np.log(relative + 0.002), dtype=np.float64)


def _patches(small: NDArray[np.uint8]) -> Ints:
    """Watershed patches grown from a grid of seeds, each moved to the smoothest place near it."""
    height, width = small.shape[:2]
    soft = cv2.GaussianBlur(small, (0, 0), 0.8)
    grey = soft.astype(np.float32)
    dx, dy = cv2.Scharr(grey, -1, 1, 0), cv2.Scharr(grey, -1, 0, 1)
    slope = np.sqrt((dx**2 + dy**2).sum(axis=2))
    markers = np.zeros((height, width), np.int32)
    number = 0
    for y in range(0, height - 2, PATCH_PX):
        for x in range(0, width - 2, PATCH_PX):
            number += 1
            cell = slope[y + 1 : y + PATCH_PX - 1, x + 1 : x + PATCH_PX - 1]
            if cell.size == 0:
                cell = slope[y : y + PATCH_PX, x : x + PATCH_PX]
                j, i = np.unravel_index(int(np.argmin(cell)), cell.shape)
                markers[y + j, x + i] = number
                continue
            j, i = np.unravel_index(int(np.argmin(cell)), cell.shape)
            markers[y + 1 + j, x + 1 + i] = number
    cv2.watershed(soft, markers)
    labels = markers - 1
    lines = labels < 0
    filled = cv2.dilate(np.where(lines, 0, labels + 1).astype(np.float32), np.ones((3, 3), np.uint8))
    labels = np.where(lines, filled.astype(np.int32) - 1, labels)
    labels = np.where(labels < 0, 0, labels)
    _, packed = np.unique(labels, return_inverse=True)
    return np.asarray(packed.reshape(labels.shape), dtype=np.int32)


def _borders(labels: Ints, planes: Floats) -> tuple[NDArray[np.int64], Floats, Floats]:
    """Neighbouring patches, px of common border, and the mean step across it (fine detail left out)."""
    count = int(labels.max()) + 1
    keys, steps = [], []
    reach = 2
    tone = planes[..., :3]
    for dy, dx in ((0, 1), (1, 0)):
        a = labels[: labels.shape[0] - dy, : labels.shape[1] - dx]
        b = labels[dy:, dx:]
        rows, cols = np.nonzero(a != b)
        lo, hi = np.minimum(a[rows, cols], b[rows, cols]), np.maximum(a[rows, cols], b[rows, cols])
        keys.append(lo.astype(np.int64) * count + hi)
        r0, c0 = np.maximum(rows - (reach - 1) * dy, 0), np.maximum(cols - (reach - 1) * dx, 0)
        r1 = np.minimum(rows + reach * dy, labels.shape[0] - 1)
        c1 = np.minimum(cols + reach * dx, labels.shape[1] - 1)
        steps.append(np.linalg.norm(tone[r1, c1] - tone[r0, c0], axis=1))
    key, inverse, number = np.unique(np.concatenate(keys), return_inverse=True, return_counts=True)
    step = np.bincount(inverse, np.concatenate(steps)) / number
    return np.column_stack([key // count, key % count]), number.astype(np.float64), step


def cut_apart(coarse: Coarse, slab_seeds: Bools, ignore: Bools) -> tuple[Bools, float]:
    """Label every coarse px slab or bench.

    Parameters
    ----------
    coarse
        The picture in patches.
    slab_seeds
        (h, w) px that are slab for certain.
    ignore
        (h, w) px whose look says nothing of the slab (sheets lying on it).

    Returns
    -------
    mask
        (h, w) bool, True on the slab.
    separation
        How far the two sides differ in look (mean log-likelihood ratio of the sides' own patches).
    """
    labels = coarse.labels.ravel()
    count = len(coarse.sizes)

    def share(mask: Bools) -> Floats:
        inside = np.bincount(labels, mask.ravel().astype(np.float64), count)
        return np.asarray(inside / np.maximum(coarse.sizes, 1), dtype=np.float64)

    seed = share(slab_seeds) > 0.5
    hidden = share(ignore) > 0.3
    frame = share(_frame(coarse.valid))
    outside = share(~coarse.valid) > 0.5
    slab_known = seed & ~hidden
    bench_known = (frame > 0) & ~seed & ~outside
    scale = max(float(np.median(coarse.edges)), 0.02)
    links = coarse.lengths * np.exp(-((coarse.edges / (2.0 * scale)) ** 1.0))
    side = seed.copy()
    ratio = np.zeros(count)
    for _ in range(ROUNDS):
        ratio = _look_ratio(coarse, slab_known, bench_known)
        ratio[hidden | outside] = 0.0
        side = _min_cut(coarse, ratio, links, seed | (hidden & seed), frame, outside)
        slab_known = side & ~hidden & ~outside
        bench_known = ~side & ~hidden & ~outside
        if not bench_known.any():
            break
    own = np.where(side, ratio, -ratio)[~hidden & ~outside]
    return np.asarray(side[coarse.labels]), float(own.mean()) if len(own) else 0.0


def _frame(valid: Bools) -> Bools:
    inside = cv2.erode(valid.astype(np.uint8), np.ones((3, 3), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0)
    return np.asarray(valid & (inside == 0))


def _look_ratio(coarse: Coarse, slab: Bools, bench: Bools) -> Floats:
    """Log-likelihood ratio slab : bench of each patch's look; near 0 for a look that neither side has."""
    if not slab.any() or not bench.any():
        return np.zeros(len(coarse.sizes))
    width = max(LEAST_KERNEL, 0.0)
    dense = [_density(coarse.looks, coarse.looks[known], coarse.sizes[known], width) for known in (slab, bench)]
    return np.asarray(np.log((dense[0] + UNKNOWN_DENSITY) / (dense[1] + UNKNOWN_DENSITY)), dtype=np.float64)


def _density(looks: Floats, known: Floats, weights: Floats, width: float) -> Floats:
    """Kernel density of known looks at each look, scaled so that the densest known look has 1."""
    tree = cKDTree(known / width)
    near = min(12, len(known))
    distance, _ = tree.query(looks / width, k=near)
    distance = np.asarray(distance).reshape(len(looks), -1)
    return np.asarray(np.exp(-0.5 * distance**2).mean(axis=1), dtype=np.float64)


def _min_cut(coarse: Coarse, ratio: Floats, links: Floats, seed: Bools, frame: Floats, outside: Bools) -> Bools:
    count = len(ratio)
    source, sink = count, count + 1
    gain = LOOK_WEIGHT * ratio * coarse.sizes
    gain -= BORDER_WEIGHT * frame * coarse.sizes
    to_source, to_sink = np.maximum(gain, 0.0), np.maximum(-gain, 0.0)
    to_source[seed] = 1e5
    to_sink[outside & ~seed] = 0.0
    i = np.concatenate([coarse.pairs[:, 0], coarse.pairs[:, 1], np.full(count, source), np.arange(count)])
    j = np.concatenate([coarse.pairs[:, 1], coarse.pairs[:, 0], np.arange(count), np.full(count, sink)])
    capacity = np.concatenate([links, links, to_source, to_sink])
    capacity = np.round(np.minimum(capacity, 1e5) * CAPACITY).astype(np.int32)
    keep = capacity > 0
    graph = sparse.csr_array((capacity[keep], (i[keep], j[keep])), shape=(count + 2, count + 2))
    flow = maximum_flow(graph, source, sink)
    rest = graph - flow.flow
    rest.data = np.maximum(rest.data, 0)
    rest.eliminate_zeros()
    reached = sparse.csgraph.breadth_first_order(rest, source, return_predecessors=False)
    side = np.zeros(count + 2, dtype=bool)
    side[reached] = True
    return np.asarray(side[:count])
