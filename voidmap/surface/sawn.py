"""Bays of a sawn edge: a saw cuts straight, so that whatever of the top is missing inside of its line is a void.

The floor of such a void may have gone down to the bench, or out of the slab's side: no strip of bark or shade is then
seen beside the top by which its mouth could be told. The line says it alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats
from voidmap.surface.band import ALONG_MM, Band
from voidmap.surface.closed_line import runs
from voidmap.surface.edges import STRAIGHT_MM

Bools = NDArray[np.bool_]
Ints = NDArray[np.intp]

# Bays up to this deep are looked at, and on either side so much of the edge.
DEEPEST_MM, BESIDE_MM = 200.0, 200.0
# The edge is sawn as far as this share of it lies on one line, and at least so much of it must, part of it on either
# side. Of 125 dips so found on 120 photos of 40 simulated slabs 124 lie within the true top (39,800 of 40,100 mm2);
# with 130 mm 30 more do, and 11 bends of live edges are found too.
ON_LINE_SHARE, LEAST_MM, LEAST_EITHER_MM = 0.85, 180.0, 10.0
# A bay is at least this deep.
LEAST_DEPTH_MM = 2.0
# What is this deep, and so many times as wide as deep, is a void's mouth: of 35 such bays on those photos 34 were (12
# bark voids, 3.5 to 11 times as wide). Of 45 less wide ones 43 were cracks (2.7 times as wide at most) and one a stain;
# what is shallower was mostly wood, misread.
WIDE_FROM_MM, TIMES_AS_WIDE = 3.5, 3.0
# Chords over a place end this far before and after it.
CHORDS_MM = (4.0, 10.0, 20.0, 40.0, 70.0, 100.0)
# Longer ones span bends of live edges too. They speak only for mouths wider than the first, and no more than so many
# times as wide as deep (voids 3 to 10 times, three others that were found 19 to 63 times), that the saw's line is seen
# beside over so much of their width: up to 440 mm, so far as the edge is looked at. It may be read less sharply then,
# as it is where parallax has a say. The 7 such bays on 160 photos of 80 simulated slabs and on 60 of the slabs by three
# photos are all voids' (54,000 mm2, 2 of them beyond the true top); three whose line is seen over 0.4 to 0.85 of their
# width are none.
LONG_CHORDS_MM = (*CHORDS_MM, 150.0, 200.0, 270.0)
LONG_FROM_MM, LONG_TIMES_AS_WIDE, LONG_SEEN, LONG_STRAIGHT_MM = 150.0, 12.0, 0.9, 1.6
# Lines are tried through a place on either side, at these distances from the mouth.
TRIED_MM = (2.0, 8.0, 16.0, 28.0, 44.0, 64.0, 90.0, 120.0, 160.0)


@dataclass(frozen=True, eq=False)
class SawnBay:
    """A bay of a sawn edge: its rows (n,), offsets (n,) mm of the end of the wood, and of the saw's line over it.

    ``seen_mm`` is how much of the saw's line is seen on either side of it.
    """

    rows: Ints
    top_mm: Floats
    sawn_mm: Floats
    seen_mm: float

    @property
    def depth_mm(self) -> float:
        """Greatest depth below the saw's line."""
        return float((self.sawn_mm - self.top_mm).max())

    @property
    def mouth_mm(self) -> float:
        """Width along the edge."""
        return len(self.rows) * ALONG_MM

    @property
    def is_long(self) -> bool:
        """Whether it is a mouth that takes long chords to be seen, and no bend."""
        widest = min(LONG_TIMES_AS_WIDE * self.depth_mm, self.seen_mm / LONG_SEEN)
        return LONG_FROM_MM < self.mouth_mm <= widest

    @property
    def is_wide(self) -> bool:
        """Whether it is no crack, being wide, and deeper than an edge is misread."""
        return self.depth_mm >= WIDE_FROM_MM and self.mouth_mm >= TIMES_AS_WIDE * self.depth_mm


def sawn_bays(band: Band, top_mm: Floats) -> list[SawnBay]:
    """Find the bays of sawn edges.

    Parameters
    ----------
    band
        The band along the edge.
    top_mm
        (rows,) offsets of the end of the wood.

    Returns
    -------
    list of SawnBay
    """
    wide = [bay for bay in _below(band, top_mm, LONG_CHORDS_MM, LONG_STRAIGHT_MM) if bay.is_long]
    taken = np.zeros(len(top_mm), dtype=np.bool_)
    for bay in wide:
        taken[bay.rows] = True
    return wide + [bay for bay in _below(band, top_mm, CHORDS_MM, STRAIGHT_MM) if not taken[bay.rows].any()]


def _below(band: Band, top_mm: Floats, chords_mm: Sequence[float], straight_mm: float) -> Iterator[SawnBay]:
    """Yield the bays that lie below chords of these half lengths, the saw's line being read this sharply."""
    places = band.points_px(top_mm) * band.mm_per_px
    depth = _below_chords(places, band.outward, chords_mm)
    dips = depth > straight_mm
    for rows, ends in runs(dips):
        deep = float(depth[rows].max()) >= LEAST_DEPTH_MM
        if deep and (sawn := _line_over(places, ~dips, ends, straight_mm)) is not None:
            middle, normal, seen_mm = sawn
            offsets = (middle - band.middle_px[rows] * band.mm_per_px) @ normal / (band.outward[rows] @ normal)
            if LEAST_DEPTH_MM <= (offsets - top_mm[rows]).max() <= DEEPEST_MM:
                yield SawnBay(rows, top_mm[rows], offsets, seen_mm)


def _below_chords(places: Floats, outward: Floats, chords_mm: Sequence[float]) -> Floats:
    """Return how far (rows,) mm each place lies within the outermost of the chords over it."""
    reach = [round(length / ALONG_MM) for length in chords_mm]
    before, after = (np.stack([np.roll(places, sign * k, axis=0) for k in reach]) - places for sign in (1, -1))
    chords = after[None] - before[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        over = _cross(before[:, None], chords) / _cross(outward, chords)
    return np.asarray(np.nan_to_num(over, nan=0.0, posinf=0.0, neginf=0.0).max(axis=(0, 1)), dtype=np.float64)


def _cross(one: Floats, other: Floats) -> Floats:
    return np.asarray(one[..., 0] * other[..., 1] - one[..., 1] * other[..., 0])


def _line_over(
    places: Floats, level: Bools, ends: tuple[int, int], straight_mm: float
) -> tuple[Floats, Floats, float] | None:
    """Return a place (2,) on the line of the sawn edge on both sides of a bay, its normal (2,), and how much is seen.

    ``level`` (rows,) is False where the edge dips: another bay says nothing against the line.
    """
    steps = np.arange(min(round(BESIDE_MM / ALONG_MM), len(places) // 4))
    at = np.stack([ends[0] - steps, ends[1] + steps]) % len(places)
    beside, known = places[at], level[at]
    tried = np.round(np.array(TRIED_MM) / ALONG_MM).astype(int)
    first, last = (side[tried[tried < len(steps)]] for side in beside)
    along = (last[None] - first[:, None]).reshape(-1, 2)
    normals = np.column_stack([-along[:, 1], along[:, 0]]) / np.maximum(np.hypot(*along.T), 1e-9)[:, None]
    levels = (np.repeat(first, len(last), axis=0) * normals).sum(axis=1)
    near = known[..., None] & (np.abs(beside @ normals.T - levels) <= straight_mm)
    count = near.sum(axis=(0, 1))
    best = int(count.argmax())
    on_line = _sawn(near[..., best], known) if count[best] * ALONG_MM >= LEAST_MM else None
    if on_line is None:
        return None
    middle = beside[on_line].mean(axis=0)
    normal = np.linalg.svd(beside[on_line] - middle, full_matrices=False)[2][1]
    on_line = _sawn(known & (np.abs((beside - middle) @ normal) <= straight_mm), known)
    seen_mm = 0.0 if on_line is None else float(on_line.sum()) * ALONG_MM
    return None if seen_mm < LEAST_MM else (middle, normal, seen_mm)


def _sawn(near: Bools, known: Bools) -> Bools | None:
    """Return which rows (2, n), going away from a bay, lie on its line as far as the edge is sawn; None: not enough."""
    share = near.cumsum(axis=1) / np.maximum(known.cumsum(axis=1), 1)
    reach = np.where(share >= ON_LINE_SHARE, np.arange(near.shape[1]), -1).max(axis=1)
    on_line = near & (np.arange(near.shape[1]) <= reach[:, None])
    return on_line if (on_line.sum(axis=1) * ALONG_MM >= LEAST_EITHER_MM).all() else None
