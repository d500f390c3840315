"""What a run of wider strip beside the top looks like: the figures by which a void's mouth is told from a bend."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from voidmap.model import Floats
from voidmap.surface.band import ALONG_MM, Band

Ints = NDArray[np.intp]

FIGURES = (
    "wander inner/outer", "filled", "unsteady", "depth/mouth", "wood breaks off", "ragged", "shoulders bend",
    "shade/side's", "tint off side's",
)  # fmt: skip
# Shallower strips and shorter ones tell nothing.
LEAST_DEPTH_MM, LEAST_MOUTH_MM = 3.0, 10.0
# On either side of the mouth the strip is read over this far, the wood over this far, the edge's raggedness over this
# far and its straightness over this far.
SHOULDER_MM, WOOD_MM, RAGGED_MM, STRAIGHT_MM = 20.0, 50.0, 80.0, 60.0
# Below this a share counts no less in the logs.
LEAST_SHARE = 0.01
# Lines wander off their own cubic: an edge bends once or twice over a mouth.
DEGREE = 3
# An edge is ragged by what a smoothing of this many rows (1 sigma) takes off; less than the second can't be read (mm).
SMOOTH_ROWS, LEAST_RAGGED_MM = 3.0, 0.15
# Softens the log of the shoulders' scatter about one straight line (mm).
LEAST_BEND_MM = 0.3
# Where both shoulders lie on one line to this, a saw cut it, and it runs on over the mouth.
SAWN_MM = 0.8
# Wood is compared with that beside the mouth up to this deep, and from this far within the line where it ends on.
WOOD_DEEP_MM, WOOD_FROM_MM = 36, (3, 2)
# Each depth must be known from so many px beside the mouth, and so many px be compared within.
LEAST_BESIDE, LEAST_WITHIN = 10, 20
# A strip is held against the side within this of the mouth, as far out as the outer line or at least this wide; its
# border is left out, and its shade is this percentile of its tone.
LOOKS_MM, NARROW_SIDE_MM, RIM_MM, SHADE_PERCENTILE = 50.0, 1.0, 0.5, 20
# Fewer px than these of the strip, or of the side beside it, tell nothing.
LEAST_STRIP_PX, LEAST_SIDE_PX = 20, 5
# Least scatter of tone and tint (log units), and the most nats that a px can say.
LEAST_SCATTER, MOST_NATS = 0.03, 4.0


def looks_of(
    top_mm: Floats, side_mm: Floats, rows: Ints, ends: tuple[int, int], band: Band
) -> tuple[Floats, Floats] | None:
    """Measure a run of wider strip.

    Parameters
    ----------
    top_mm, side_mm
        (all rows,) offsets of the end of the wood and of what is neither wood nor bench.
    rows, ends
        The run's rows (n,), and those just before and after it.
    band
        The band that both were found in.

    Returns
    -------
    figures
        (9,) as named in ``FIGURES``: log of the inner line's wander over the outer one's; the share of its depth that
        the strip fills; log of the shoulders' unsteadiness against the depth; log of depth over mouth; nats by which
        the wood within looks as if the edge ran on, and not as if it bent (sapwood and grain that follow a bend are
        cut off by a void); log of the inner line's raggedness over that beside the mouth; log of how far the edge on
        either side is off one straight line; by how much (log) the strip's shade is lighter than that of the side
        beside the mouth, and how far its tint is off the side's (a void's floor is no bark that a bend lays bare).
    natural
        Offsets (n,) mm of the edge carried across the mouth, a strip as wide as usual within the outer line.
    None
        Where the run is too short or too shallow.
    """
    mouth = len(rows) * ALONG_MM
    if mouth < LEAST_MOUTH_MM:
        return None
    before, after = _beside(ends, SHOULDER_MM, len(top_mm))
    low, usual, high = np.percentile([side_mm[k] - top_mm[k] for k in (before, after)], (20, 50, 80), axis=1)
    outer = side_mm[rows] - np.linspace(usual[0], usual[1], len(rows))
    natural = np.asarray(ndimage.median_filter(outer, min(len(rows), 7) | 1, mode="nearest"), dtype=np.float64)
    gap = natural - top_mm[rows]
    depth = float(gap.max())
    if depth < LEAST_DEPTH_MM:
        return None
    around = np.concatenate([before[::-1], rows, after])
    wander = np.maximum(LEAST_SHARE, _wander(np.stack([top_mm[around], side_mm[around]])) / depth)
    figures = (
        np.log(wander[0] / wander[1]),
        gap.mean() / depth,
        np.log(max(LEAST_SHARE, float((high - low).max()) / depth + 0.05)),
        np.log(max(LEAST_SHARE, depth / mouth)),
        _wood_breaks_off(band, top_mm, rows, ends, natural),
        _raggedness(top_mm, rows, ends),
        np.log(straight_over(top_mm, rows, ends)[1] + LEAST_BEND_MM),
        *_off_the_side(band, top_mm, side_mm, rows, ends, natural),
    )
    return np.array(figures, dtype=np.float64), natural


def straight_over(top_mm: Floats, rows: Ints, ends: tuple[int, int]) -> tuple[Floats, float]:
    """Draw the line through most of the edge on either side of a run on over it.

    Returns
    -------
    offsets
        (n,) mm over the run.
    scatter
        1-sigma distance of the edge beside it from that line, mm.
    """
    before, after = _beside(ends, STRAIGHT_MM, len(top_mm))
    at = np.concatenate([-1.0 - np.arange(len(before)), len(rows) + np.arange(len(after))])
    edge = np.concatenate([top_mm[before], top_mm[after]])
    weight = np.ones(len(at))
    slope, start, off = 0.0, 0.0, np.zeros(len(at))
    for _ in range(4):
        share = weight**2 / (weight**2).sum()
        middle, level = share @ at, share @ edge
        slope = (share * (at - middle)) @ (edge - level) / (share @ (at - middle) ** 2)
        start = level - slope * middle
        off = np.abs(edge - slope * at - start)
        weight = 1.0 / np.sqrt(np.maximum(1.0, off / max(0.5, 1.5 * float(np.median(off)))))
    line = np.asarray(slope * np.arange(len(rows)) + start, dtype=np.float64)
    return line, float(np.sqrt(np.average(off**2, weights=weight**2)))


def _beside(ends: tuple[int, int], length_mm: float, count: int) -> tuple[Ints, Ints]:
    """Return the rows before a run, going back, and those after it."""
    steps = np.arange(max(1, round(length_mm / ALONG_MM)))
    return (ends[0] - steps) % count, (ends[1] + steps) % count


def _wood_breaks_off(band: Band, top_mm: Floats, rows: Ints, ends: tuple[int, int], natural: Floats) -> float:
    """Mean nats by which wood within a mouth looks as it does beside it at the same depth below ``natural`` (n,).

    They count against those at the same depth below the end of the wood itself. Tone and tints add up.
    """
    beside = np.concatenate(_beside(ends, WOOD_MM, len(top_mm)))
    known, mean, scatter = _by_depth(band, top_mm, beside)
    deep = [np.round(line[:, None] - band.offsets_mm[None]).astype(np.intp) for line in (top_mm[rows], natural)]
    there = band.seen[rows]
    for depth, least in zip(deep, WOOD_FROM_MM, strict=True):
        there = there & (depth >= least) & (depth < WOOD_DEEP_MM) & known[np.clip(depth, 0, WOOD_DEEP_MM - 1)]
    if there.sum() <= LEAST_WITHIN:
        return 0.0
    looks = _stack(band, rows)[there]
    bent, straight = (
        -np.minimum(0.5 * ((looks - mean[d]) / scatter[d]) ** 2, MOST_NATS) - np.log(scatter[d])
        for d in (depth[there] for depth in deep)
    )
    return float((straight - bent).mean(axis=0).sum())


def _off_the_side(
    band: Band, top_mm: Floats, side_mm: Floats, rows: Ints, ends: tuple[int, int], natural: Floats
) -> tuple[float, float]:
    """Return by how much a strip's shade is lighter than the side's, and how far its tint is off; or zeros."""
    beside = np.concatenate(_beside(ends, LOOKS_MM, len(top_mm)))

    def looks(at: Ints, low: Floats, high: Floats) -> Floats:
        there = band.seen[at] & (band.offsets_mm > low[:, None]) & (band.offsets_mm < high[:, None])
        return _stack(band, at)[there]

    strip = looks(rows, top_mm[rows] + RIM_MM, natural - RIM_MM)
    side = looks(beside, top_mm[beside], np.maximum(side_mm, top_mm + NARROW_SIDE_MM)[beside])
    if len(strip) < LEAST_STRIP_PX or len(side) < LEAST_SIDE_PX:
        return 0.0, 0.0
    shades = (float(np.percentile(part[:, 0], SHADE_PERCENTILE)) for part in (strip, side))
    tint = np.median(strip[:, 1:], axis=0) - np.median(side[:, 1:], axis=0)
    return next(shades) - next(shades), float(np.hypot(*tint))


def _by_depth(band: Band, top_mm: Floats, rows: Ints) -> tuple[NDArray[np.bool_], Floats, Floats]:
    """Return, for each mm below the end of the wood, whether its look is known, and its mean and scatter (mm, 3)."""
    depth = np.round(top_mm[rows][:, None] - band.offsets_mm[None]).astype(np.intp)
    there = (depth >= WOOD_FROM_MM[1]) & (depth < WOOD_DEEP_MM) & band.seen[rows]
    at, looks = depth[there], _stack(band, rows)[there]
    count = np.bincount(at, minlength=WOOD_DEEP_MM)
    some = np.maximum(count, 1)
    mean, square = (
        np.column_stack([np.bincount(at, column, WOOD_DEEP_MM) / some for column in values.T])
        for values in (looks, looks * looks)
    )
    return count >= LEAST_BESIDE, mean, np.sqrt(np.maximum(square - mean * mean, 0.0) + LEAST_SCATTER**2)


def _stack(band: Band, rows: Ints) -> Floats:
    return np.dstack([band.tone[rows], band.tint[rows]]).astype(np.float64)


def _raggedness(top_mm: Floats, rows: Ints, ends: tuple[int, int]) -> float:
    off = np.abs(top_mm - ndimage.gaussian_filter1d(top_mm, SMOOTH_ROWS, mode="wrap"))
    beside = np.concatenate(_beside(ends, RAGGED_MM, len(top_mm)))
    return float(np.log((off[rows].mean() + LEAST_RAGGED_MM) / (off[beside].mean() + LEAST_RAGGED_MM)))


def _wander(lines: Floats) -> Floats:
    """Return the 1-sigma distances (k,) of lines (k, n) from their own cubics."""
    curves = _curves(lines.shape[1])
    return np.asarray(np.std(lines - lines @ curves @ curves.T, axis=1))


@lru_cache(maxsize=256)
def _curves(count: int) -> Floats:
    """Return an orthonormal basis (count, DEGREE + 1) of the cubics over a line of points."""
    along = np.polynomial.legendre.legvander(np.linspace(-1.0, 1.0, count), DEGREE)
    return np.asarray(np.linalg.qr(along)[0])
