"""Whether the bench is seen through a void, by its colour.

The bench at a hole's bottom lies in shadow, but shadow takes brightness rather than tint: a deep part whose tint
is the bench's and not the wood's is the bench. Where bench and wood have the same tint the photo can't tell.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats, Ortho, SlabFound
from voidmap.surface.mosaic import Bools
from voidmap.surface.odd import disc
from voidmap.surface.rim import Cover

# Tints (logs of blue/green and red/green) of bench and wood that differ by less than this can't be told apart.
LEAST_TINT_GAP = 0.12
# Bench this near to the slab has the slab's shadow and wane on it.
BENCH_MARGIN_MM = 8.0
# A hole smaller than this shows too little of its bottom.
LEAST_AREA_MM2 = 20.0
# Below this grey value the tint is noise.
LEAST_GREY = 10
# Common practice, no source: of knot holes in a slab about one in ten goes through.
USUAL_SHARE = 0.1
# A bench seen in this share of the bottom is plain; it may still be a painted or stained bottom.
PLAIN_SHARE, MOST = 0.25, 0.95


def bench_tint(ortho: Ortho, slab: SlabFound) -> Floats | None:
    """Return the bench's tint (2,), or None when no bench is in view."""
    step = max(1, round(2.0 / ortho.mm_per_px))
    mask = slab.mask[::step, ::step].astype(np.uint8)
    near = cv2.dilate(mask, disc(2 * BENCH_MARGIN_MM / (step * ortho.mm_per_px))).astype(bool)
    pixels = ortho.pixels[::step, ::step]
    bench = ortho.valid[::step, ::step] & ~near & (_least(pixels) >= LEAST_GREY)
    return _tint(pixels[bench]) if bench.sum() >= 50 else None


def _least(pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return the least of the three values of each pixel (h, w); NumPy's own way takes ten times as long."""
    return np.minimum(np.minimum(pixels[..., 0], pixels[..., 1]), pixels[..., 2])


def _tint(pixels: np.ndarray) -> Floats:
    logs = np.log(pixels.astype(np.float64) + 1.0)
    return np.median(np.column_stack([logs[:, 0] - logs[:, 1], logs[:, 2] - logs[:, 1]]), axis=0)


def through_chance(cover: Cover, ortho: Ortho, slab: SlabFound, bench: Floats | None) -> float:
    """Return the chance that the bench is seen through a void."""
    mm = ortho.mm_per_px
    if cover.area_px * mm * mm < LEAST_AREA_MM2:
        return 0.0
    if bench is None:
        return USUAL_SHARE
    (x, y), (h, w) = cover.corner, cover.mask.shape
    pad = int(np.ceil(4.0 / mm))
    top, left = max(0, y - pad), max(0, x - pad)
    box = (slice(top, y + h + pad), slice(left, x + w + pad))
    mask = np.zeros(slab.mask[box].shape, np.uint8)
    mask[y - top : y - top + h, x - left : x - left + w] = cover.mask
    ring: Bools = (cv2.dilate(mask, disc(2 * pad - 1)) > cv2.dilate(mask, disc(pad))) & slab.mask[box]
    deep = cv2.distanceTransform(np.pad(mask, 1), cv2.DIST_L2, 3)[1:-1, 1:-1]
    core = deep > 0.25 * deep.max()
    pixels = ortho.pixels[box]
    ring &= ~slab.covered[box]
    if ring.sum() < 20:
        return USUAL_SHARE
    wood = _tint(pixels[ring])
    gap = bench - wood
    size = float(np.hypot(*gap))
    if size < LEAST_TINT_GAP:
        return USUAL_SHARE
    soft = cv2.GaussianBlur(pixels, (0, 0), 1.0)
    told = core & (_least(np.asarray(soft, np.uint8)) >= LEAST_GREY)
    logs = np.log(soft[told].astype(np.float64) + 1.0)
    tint = np.column_stack([logs[:, 0] - logs[:, 1], logs[:, 2] - logs[:, 1]])
    along = (tint - wood) @ gap / size**2
    beside = np.hypot(*(tint - wood - along[:, None] * gap).T)
    bench_like = (along > 0.6) & (along < 1.6) & (beside < 0.5 * size)
    share = float(bench_like.sum()) / max(1, int(core.sum()))
    return float(np.clip(share / PLAIN_SHARE, 0.0, 1.0)) * MOST
