"""Small dark dots: worm holes and pin holes, down to three pixels across."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.surface.light import Evened
from voidmap.surface.mosaic import Bools, Floats32
from voidmap.surface.quantiles import medians
from voidmap.surface.rim import Cover, cover_of

# A dot starts where it is this many times stronger than the figure nearby.
START_SCORE = 6.0
# Least size that is evidence, px across.
LEAST_ACROSS_PX = 3.0
# Greatest size of a dot; larger things are patches.
GREATEST_ACROSS_MM = 6.0
# The wood around is taken from a ring between these distances from the dot's middle.
RING_MM = (3.2, 5.0)
# ... of which at least so many px must be seen.
LEAST_RING_PX = 12
# A dot takes at least this share of the wood's light: less is noise.
LEAST_DEPTH = 0.02
# A beetle's hole often lies in a stain (of the fungus that comes with it), and what is half covered is the stain. Its
# core, covered by this share, is a dot all the same: its wood is that in a ring between these distances from the core
# (mm, at least px), where that is darker than the wood farther out by this share of the dot's depth. On 92 photos of
# simulated slabs dots are found at 258 of 349 holes (250 without), and 2 % more dots are looked at.
CORE_LEVEL, STAIN_RING_MM, STAIN_RING_PX, STAINED = 0.75, (0.5, 1.3), (2.0, 4.0), 0.25
# No more dots than this are looked at, the strongest first (a slab with more is a pore pattern).
MOST_DOTS = 400
# Windows of so many px in all are worked out together: a close view's are large.
MOST_WINDOWS_PX = 2_000_000


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
    reach = max(8, round(RING_MM[1] / evened.mm_per_px))
    lot = max(1, MOST_WINDOWS_PX // (2 * reach + 1) ** 2)
    lots = (order[first : first + lot] for first in range(0, len(order), lot))
    windows = (window for own in lots for window in _windows(evened, columns[own], rows[own], reach))
    for k, window in zip(order, windows, strict=True):
        cover = None if window is None or taken[rows[k], columns[k]] else _dot(window, evened.mm_per_px)
        if cover is None:
            continue
        left, top = cover.corner
        taken[top : top + cover.mask.shape[0], left : left + cover.mask.shape[1]] |= cover.mask
        dots.append(Dot(cover, float(score[rows[k], columns[k]])))
    return dots


def _peaks(score: Floats32) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return rows and columns of the strong pixels that no pixel within two of them beats."""
    rows, columns = np.divmod(np.flatnonzero(score > START_SCORE), score.shape[1])
    last_row, last_column = score.shape[0] - 1, score.shape[1] - 1
    own, top = score[rows, columns], np.ones(len(rows), bool)
    for down, right in np.ndindex(5, 5):
        near = score[np.clip(rows + down - 2, 0, last_row), np.clip(columns + right - 2, 0, last_column)]
        top &= own >= near
    return rows[top], columns[top]


@dataclass(frozen=True, eq=False)
class _Window:
    """The covered share (h, w) around a peak, its first (column, row), and which of its pixels are the peak's own."""

    share: Floats32
    corner: tuple[int, int]
    peak: Bools


def _windows(evened: Evened, columns: NDArray[np.intp], rows: NDArray[np.intp], reach: int) -> list[_Window | None]:
    """Return the window of ``reach`` px each way around each peak; None where no dot ends within it.

    They are worked out together: by far the most peaks are of lines and rings, which run on out of their windows.
    """
    mm = evened.mm_per_px
    height, width = evened.seen.shape
    around = np.arange(-reach, reach + 1)
    away = np.hypot(around[:, None], around) * mm
    peak = away <= 1.5 * mm
    across, down = columns[:, None] + around, rows[:, None] + around
    at = np.clip(down, 0, height - 1)[:, :, None], np.clip(across, 0, width - 1)[:, None, :]
    within = ((down >= 0) & (down < height))[:, :, None] & ((across >= 0) & (across < width))[:, None, :]
    bare = evened.seen[at] & within
    light = np.exp(np.where(bare, evened.dark[at], np.float32(0)))
    soft = np.stack([np.asarray(cv2.GaussianBlur(own, (0, 0), 0.6), dtype=np.float32) for own in light])
    ring = away >= min(RING_MM[0], 0.6 * reach * mm)
    wood, known = medians(light[:, ring], bare[:, ring])
    depth = wood - np.where(bare & peak, soft, wood[:, None, None]).min(axis=(1, 2))
    share = np.clip((wood[:, None, None] - soft) / np.maximum(depth, LEAST_DEPTH)[:, None, None], 0.0, 1.0)
    share[~bare] = 0.0
    ends = (known >= LEAST_RING_PX) & (depth > LEAST_DEPTH) & _ends_within(share, peak)
    windows: list[_Window | None] = []
    for own, (left, top), is_dot in zip(share, np.column_stack([across[:, 0], down[:, 0]]), ends, strict=True):
        # What lies beyond the picture is left out.
        box = (slice(max(0, -top), height - top), slice(max(0, -left), width - left))
        corner = (max(0, int(left)), max(0, int(top)))
        windows.append(_Window(own[box], corner, peak[box]) if is_dot else None)
    return windows


def _ends_within(share: Floats32, peak: Bools) -> Bools:
    """Tell of each share (n, h, w) whether what is covered at its peak (h, w) keeps off the window's frame."""
    stack = np.zeros((share.shape[0], share.shape[1] + 1, share.shape[2]), np.uint8)
    stack[:, :-1] = share > 0.5
    count, labels = cv2.connectedComponents(stack.reshape(-1, stack.shape[2]), ltype=cv2.CV_32S)
    labels = labels.reshape(stack.shape)[:, :-1]
    on_frame = np.zeros(count, bool)
    for side in (labels[:, 0], labels[:, -1], labels[:, :, 0], labels[:, :, -1]):
        on_frame[side] = True
    on_frame[0] = True  # what is not covered
    return np.asarray(~on_frame[labels[:, peak]].all(axis=1))


def _dot(window: _Window, mm_per_px: float) -> Cover | None:
    """Return what a dot covers of the wood around it, or of the stain that it lies in; None when neither is a dot."""
    cover = _cover(window, mm_per_px)
    if cover is not None:
        return cover
    share = _on_stain(window, mm_per_px)
    return None if share is None else _cover(replace(window, share=share), mm_per_px)


def _on_stain(window: _Window, mm_per_px: float) -> Floats32 | None:
    """Return the share (h, w) that a dot covers of the stain right around it; None where there is no stain."""
    share = window.share
    core = cover_of(np.clip(share + np.float32(0.5 - CORE_LEVEL), 0.0, 1.0), (0, 0), window.peak)
    if core is None:
        return None
    away = cv2.distanceTransform((~core.mask).view(np.uint8), cv2.DIST_L2, 3)
    near, far = (max(own / mm_per_px, px) for own, px in zip(STAIN_RING_MM, STAIN_RING_PX, strict=True))
    ring = (away >= near) & (away <= far)
    stain = np.float32(np.median(share[ring])) if np.count_nonzero(ring) >= LEAST_RING_PX else np.float32(0)
    if not STAINED <= stain < 1.0:
        return None
    return np.asarray(np.clip((share - stain) / (1.0 - stain), 0.0, 1.0), dtype=np.float32)


def _cover(window: _Window, mm_per_px: float) -> Cover | None:
    """Return what a dot covers; None when it has not a dot's size, or leaves its window."""
    cover = cover_of(window.share, window.corner, window.peak)
    if cover is None:
        return None
    low, high = cover.outline_px.min(axis=0), cover.outline_px.max(axis=0)
    first = np.array(window.corner)
    last = first + window.share.shape[::-1] - 1
    leaks = bool((low <= first + 0.5).any() or (high >= last - 0.5).any())
    across = float(np.max(high - low))
    return None if leaks or across * mm_per_px > GREATEST_ACROSS_MM or across < LEAST_ACROSS_PX else cover
