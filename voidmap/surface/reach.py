"""Follow a crack past where it stands out, to its faint tip.

Ahead of an end the picture is laid out straight. The darkest way through it is sought step by step (dynamic
programming); what such a way gains where there is no crack is told by the same search in lanes beside it. The crack
goes on while its own way gains clearly more than those: rings and pores beside it raise the bar by themselves.

A line that is called a crack is followed on over places where it is too shallow to show: to where what its own way
gained above a bar, less what it fell short of it in between, is greatest (a change point found by the cumulative
sum, E. S. Page, Biometrika 41, 1954). Halfway between the gain of a crack and that of the lanes the sum is that of the
log likelihood ratios: what is asked of it all along the way lets the bar at each place be low.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats
from voidmap.surface.light import Evened
from voidmap.surface.mosaic import Floats32

# The tip is sought so far ahead of an end; the end's direction is taken over the tangent's length.
AHEAD_MM, TANGENT_MM = 40.0, 8.0
# The way may wander so far to each side; so many lanes beside it, half on each side, say what no crack gains.
SIDE_MM, LANES = 2.0, 8
# The gain is taken over this length; a crack shows while it is this many deviations above that of the lanes.
OVER_MM, SIGMAS = 4.0, 2.0
# A faint tip is fine: its darkness is taken against what lies from so many to so many px beside it.
BESIDE_PX = (2, 4)
# What a place that is not in view gains.
UNSEEN = np.float32(-1e3)
# Ends followed at once: enough to share the steps' cost, few enough to stay in the cache.
AT_ONCE = 64
# It is first sought this many times as far as the gain is taken over.
NEAR_SHARE = 3


@dataclass(frozen=True)
class OverGaps:
    """How a line is followed over places where it does not show.

    The bar lies ``sigmas`` deviations above the lanes' gain, halfway to that of a crack; the sum is at least ``nats``.
    """

    sigmas: float
    nats: float


# A line that is judged by how far it goes on is sure to show there.
DOUBTFUL = OverGaps(SIGMAS, 0.0)
# A called crack goes on with the odds of 20 to 1 that it does, however faint.
CALLED = OverGaps(1.0, 3.0)


@dataclass(frozen=True)
class _Laid:
    """How the picture ahead of an end is laid out: steps of 1 px, lanes of ``width`` px, px over which gains count."""

    steps: int
    width: int
    over: int

    @classmethod
    def of(cls, mm_per_px: float) -> _Laid:
        """Return the layout at this scale."""
        width = 2 * max(3, round(SIDE_MM / mm_per_px)) + 1
        return cls(max(8, round(AHEAD_MM / mm_per_px)), width, max(2, round(OVER_MM / mm_per_px)))


def to_the_tips(paths: Sequence[Floats], evened: Evened) -> list[Floats]:
    """Return paths (N, 2) px (column, row), each drawn on past both of its ends as far as the crack shows."""
    onward = past_ends(paths, evened)
    return [np.vstack([before[::-1], path, after]) for path, (before, after) in zip(paths, onward, strict=True)]


def past_ends(paths: Sequence[Floats], evened: Evened, over: OverGaps | None = None) -> list[tuple[Floats, Floats]]:
    """Return the points (N, 2) px by which each path (N, 2) goes on past its first and past its last point.

    They go away from the path. With ``over`` it is followed over places where it does not show.
    """
    ways = [way for path in paths for way in (path[::-1], path)]
    lots = (ways[first : first + AT_ONCE] for first in range(0, len(ways), AT_ONCE))
    onward = [points for lot in lots for points in _onward(lot, evened, over)]
    return list(zip(onward[::2], onward[1::2], strict=True))


def _onward(paths: Sequence[Floats], evened: Evened, over: OverGaps | None) -> list[Floats]:
    """Return for each path the points (N, 2) by which it goes on past its last one."""
    laid = _Laid.of(evened.mm_per_px)
    near = replace(laid, steps=min(laid.steps, NEAR_SHARE * laid.over))
    found = _ahead(paths, evened, near, over)
    # Most ends go on for a little way or none: only those that may go on further are looked at all the way.
    far = [k for k, points in enumerate(found) if len(points) >= near.steps - near.over]
    for k, points in zip(far, _ahead([paths[k] for k in far], evened, laid, over), strict=True):
        found[k] = points
    return found


def _ahead(paths: Sequence[Floats], evened: Evened, laid: _Laid, over: OverGaps | None) -> list[Floats]:
    """Return for each path the points (N, 2) by which it goes on past its last one, within what is laid out."""
    if not paths:
        return []
    ends, along = np.array([path[-1] for path in paths]), _directions(paths, evened.mm_per_px)
    side = np.column_stack([-along[:, 1], along[:, 0]])
    lanes = _gain(evened, ends, along, side, laid)
    best, came = _ways(lanes)
    total = np.concatenate([np.zeros((1, *best.shape[1:3]), np.float32), best.max(axis=3)])
    rate = (total[laid.over :] - total[: -laid.over]) / laid.over
    found = []
    for k in range(len(paths)):
        reach = _reach(rate[:, k], laid, over) if along[k].any() else 0
        offsets = _traced(best[:reach, k, LANES // 2], came[:reach, k, LANES // 2]) - laid.width // 2
        ahead = np.arange(1, reach + 1)
        found.append(ends[k] + ahead[:, None] * along[k] + offsets[:, None] * side[k])
    return found


def _directions(paths: Sequence[Floats], mm_per_px: float) -> Floats:
    """Return the unit vectors (n, 2) out of the paths' last points; zero for a path too short to have one."""
    back = max(1, round(TANGENT_MM / mm_per_px))
    along = np.array([path[-1] - path[max(0, len(path) - 1 - back)] for path in paths])
    size = np.hypot(*along.T)[:, None]
    return np.asarray(np.where(size < 2.0, 0.0, along / np.maximum(size, 1e-9)))


def _reach(rate: Floats32, laid: _Laid, over: OverGaps | None) -> int:
    """Return how many steps a crack goes on whose own lane and those beside gain so much a step, (steps, lanes)."""
    beside = np.delete(rate, LANES // 2, axis=1)
    beside = beside[beside > 0.01 * UNSEEN]
    if len(beside) < laid.over:
        return 0
    above = (rate[:, LANES // 2] - beside.mean()) / max(float(beside.std()), 1e-9)
    if over is not None:
        nats = np.cumsum(above - over.sigmas) * 2.0 * over.sigmas / laid.over
        return int(nats.argmax()) + 1 + laid.over // 2 if nats.max() > over.nats else 0
    fades = np.nonzero(~(above > SIGMAS))[0]
    if len(fades) and fades[0] == 0:
        return 0
    return (int(fades[0]) if len(fades) else len(rate)) + laid.over // 2


def _gain(evened: Evened, ends: Floats, along: Floats, side: Floats, laid: _Laid) -> Floats32:
    """How much darker each place ahead is than what lies beside it; ``UNSEEN`` out of view.

    Ends, directions and sides are (n, 2); the gains (steps, n, lanes, width).
    """
    ahead = np.arange(1.0, laid.steps + 1.0)[:, None, None]
    across = np.arange((LANES + 1) * laid.width, dtype=np.float64) - (LANES // 2) * laid.width - laid.width // 2
    spots = [ends[:, k, None] + ahead * along[:, k, None] + across * side[:, k, None] for k in (0, 1)]
    shape = spots[0].shape
    x, y = (each.reshape(-1, shape[2]).astype(np.float32) for each in spots)
    seen = cv2.remap(evened.seen.view(np.uint8), x, y, cv2.INTER_NEAREST, borderValue=0)
    dark = cv2.copyTo(cv2.remap(evened.dark, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), seen)
    near, far = BESIDE_PX
    weights = np.zeros(2 * far + 1)
    weights[: far - near + 1] = weights[-(far - near + 1) :] = 0.5 / (far - near + 1)
    weights[far - 1 : far + 2] = (-0.25, -0.5, -0.25)
    gain = cv2.filter2D(dark, -1, weights[None, :], borderType=cv2.BORDER_REPLICATE)
    return np.where(np.asarray(seen) > 0, gain, UNSEEN).reshape(*shape[:2], LANES + 1, laid.width)


def _ways(lanes: Floats32) -> tuple[Floats32, NDArray[np.int8]]:
    """Return the best sum of gains of a way from each lane's middle to each place, and the step that it came by.

    Places are (steps, n, lanes, width); a step goes on ahead, or one place to either side of that.
    """
    best = np.empty_like(lanes)
    came = np.zeros(lanes.shape, np.int8)
    last = np.full((*lanes.shape[1:3], lanes.shape[3] + 2), UNSEEN)
    last[..., 1 + lanes.shape[3] // 2] = 0.0
    for k, own in enumerate(lanes):
        left, same, right = last[..., :-2], last[..., 1:-1], last[..., 2:]
        from_left, from_right = left >= np.maximum(same, right), right > np.maximum(left, same)
        came[k] = from_right.view(np.int8) - from_left.view(np.int8)
        best[k] = np.maximum(np.maximum(left, same), right) + own
        last[..., 1:-1] = best[k]
    return best, came


def _traced(best: Floats32, came: NDArray[np.int8]) -> NDArray[np.intp]:
    """Return the places (steps,) in the lane of the best way to the last step of (steps, width)."""
    places = np.zeros(len(best), np.intp)
    at = int(np.argmax(best[-1])) if len(best) else 0
    for k in range(len(best) - 1, -1, -1):
        places[k] = at
        at = min(max(at + int(came[k, at]), 0), best.shape[1] - 1)
    return places
