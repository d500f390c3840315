"""Small dark dots: worm holes and pin holes, down to three pixels across."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.surface.light import Evened
from voidmap.surface.mosaic import Floats32
from voidmap.surface.quantiles import median
from voidmap.surface.rim import Cover, cover_of

# A dot starts where it is this many times stronger than the figure nearby.
START_SCORE = 6.0
# Least size that is evidence, px across.
LEAST_ACROSS_PX = 3.0
# Greatest size of a dot; larger things are patches.
GREATEST_ACROSS_MM = 6.0
# The wood around is taken from a ring between these distances from the dot's middle.
RING_MM = (3.2, 5.0)
# No more dots than this are looked at, the strongest first (a slab with more is a pore pattern).
MOST_DOTS = 400


@dataclass(frozen=True, eq=False)
class Dot:
    """A dark dot: its cover and how many times stronger than the figure nearby it is."""

    cover: Cover
    score: float


def find_dots(evened: Evened, score: Floats32) -> list[Dot]:
    """Measure the dots of a score map (see ``ridges.line_and_dot_scores``)."""
    rows, columns = _peaks(score)
    order = np.argsort(-score[rows, columns], kind="stable")[:MOST_DOTS]
    taken = np.zeros(score.shape, bool)
    dots = []
    for k in order:
        x, y = int(columns[k]), int(rows[k])
        if taken[y, x]:
            continue
        cover = _cover(evened, x, y)
        if cover is None:
            continue
        left, top = cover.corner
        taken[top : top + cover.mask.shape[0], left : left + cover.mask.shape[1]] |= cover.mask
        dots.append(Dot(cover, float(score[y, x])))
    return dots


def _peaks(score: Floats32) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return rows and columns of the strong pixels that no pixel within two of them beats."""
    rows, columns = np.nonzero(score > START_SCORE)
    last_row, last_column = score.shape[0] - 1, score.shape[1] - 1
    own, top = score[rows, columns], np.ones(len(rows), bool)
    for down, right in np.ndindex(5, 5):
        near = score[np.clip(rows + down - 2, 0, last_row), np.clip(columns + right - 2, 0, last_column)]
        top &= own >= near
    return rows[top], columns[top]


def _cover(evened: Evened, x: int, y: int) -> Cover | None:
    mm = evened.mm_per_px
    reach = max(8, round(RING_MM[1] / mm))
    height, width = evened.seen.shape
    x0, y0, x1, y1 = max(0, x - reach), max(0, y - reach), min(width, x + reach + 1), min(height, y + reach + 1)
    bare = evened.seen[y0:y1, x0:x1]
    light = np.exp(np.where(bare, evened.dark[y0:y1, x0:x1], np.float32(0)))
    rows, columns = np.ogrid[y0 - y : y1 - y, x0 - x : x1 - x]
    away = np.hypot(rows, columns) * mm
    ring = bare & (away >= min(RING_MM[0], 0.6 * reach * mm))
    if ring.sum() < 12:
        return None
    wood = median(light[ring], 0.0)
    soft = cv2.GaussianBlur(light, (0, 0), 0.6)
    depth = wood - float(soft[(away <= 1.5 * mm) & bare].min(initial=wood))
    if depth <= 0.02:
        return None
    share = np.clip((wood - soft) / depth, 0.0, 1.0)
    share[~bare] = 0.0
    seed = away <= 1.5 * mm
    cover = cover_of(share.astype(np.float32), (x0, y0), seed)
    if cover is None:
        return None
    low, high = cover.outline_px.min(axis=0), cover.outline_px.max(axis=0)
    across = np.maximum(high - low, 0.0)
    leaks = bool((low <= [x0 + 0.5, y0 + 0.5]).any() or (high >= [x1 - 1.5, y1 - 1.5]).any())
    if leaks or across.max() * mm > GREATEST_ACROSS_MM or across.max() < LEAST_ACROSS_PX:
        return None
    return cover
