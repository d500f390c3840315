"""Follow a crack past where it stands out, to its faint tip.

Ahead of an end the picture is laid out straight. The darkest way through it is sought step by step (dynamic
programming); what such a way gains where there is no crack is told by the same search in lanes beside it. The crack
goes on while its own way gains clearly more than those: rings and pores beside it raise the bar by themselves.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats
from voidmap.surface.light import Evened

# The tip is sought so far ahead of an end; the end's direction is taken over the tangent's length.
AHEAD_MM, TANGENT_MM = 40.0, 8.0
# The way may wander so far to each side; so many lanes beside it, half on each side, say what no crack gains.
SIDE_MM, LANES = 2.0, 8
# The gain is taken over this length; a crack goes on while it is this many deviations above that of the lanes.
OVER_MM, SIGMAS = 4.0, 2.0
# A faint tip is fine: its darkness is taken against what lies from so many to so many px beside it.
BESIDE_PX = (2, 4)
# What a place that is not in view gains.
UNSEEN = -1e3


def to_the_tips(path: Floats, evened: Evened) -> Floats:
    """Return a path (N, 2) px (column, row), drawn on past both of its ends as far as the crack shows."""
    ahead = _onward(path, evened)
    behind = _onward(path[::-1], evened)
    return np.vstack([behind[::-1], path, ahead])


def _onward(path: Floats, evened: Evened) -> Floats:
    """Return the points (N, 2) by which a path goes on past its last one."""
    mm = evened.mm_per_px
    back = max(1, round(TANGENT_MM / mm))
    along = path[-1] - path[max(0, len(path) - 1 - back)]
    size = float(np.hypot(*along))
    if size < 2.0:
        return np.empty((0, 2))
    along = along / size
    side = np.array([-along[1], along[0]])
    steps = max(8, round(AHEAD_MM / mm))
    half = max(3, round(SIDE_MM / mm))
    width = 2 * half + 1
    across = np.arange((LANES + 1) * width, dtype=np.float64) - (LANES // 2) * width - half
    ahead = np.arange(1.0, steps + 1.0)
    gain = _gain(evened, path[-1], along, side, ahead, across)
    lanes = gain.reshape(steps, LANES + 1, width)
    best, came = _ways(lanes)
    over = max(2, round(OVER_MM / mm))
    if steps <= over:
        return np.empty((0, 2))
    total = np.vstack([np.zeros(LANES + 1), best.max(axis=2)])
    rate = (total[over:] - total[:-over]) / over
    own = LANES // 2
    beside = np.delete(rate, own, axis=1)
    beside = beside[beside > 0.01 * UNSEEN]
    if len(beside) < over:
        return np.empty((0, 2))
    fades = np.nonzero(~(rate[:, own] > beside.mean() + SIGMAS * beside.std()))[0]
    reach = (int(fades[0]) if len(fades) else len(rate)) + over // 2
    if not len(fades) or fades[0] > 0:
        return _traced(best[:reach, own], came[:reach, own], path[-1], along, side, half)
    return np.empty((0, 2))


def _gain(evened: Evened, end: Floats, along: Floats, side: Floats, ahead: Floats, across: Floats) -> Floats:
    """How much darker each place ahead is than what lies beside it, (steps, across); ``UNSEEN`` out of view."""
    spots = end + ahead[:, None, None] * along + across[None, :, None] * side
    x, y = spots[..., 0].astype(np.float32), spots[..., 1].astype(np.float32)
    seen = cv2.remap(evened.seen.astype(np.uint8), x, y, cv2.INTER_NEAREST, borderValue=0) > 0
    dark = cv2.remap(evened.dark, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    dark = np.where(seen, dark, np.float32(0))
    near, far = BESIDE_PX
    weights = np.zeros(2 * far + 1)
    weights[: far - near + 1] = weights[-(far - near + 1) :] = 0.5 / (far - near + 1)
    weights[far - 1 : far + 2] = (-0.25, -0.5, -0.25)
    return np.where(seen, cv2.filter2D(dark, -1, weights[None, :], borderType=cv2.BORDER_REPLICATE), UNSEEN)


def _ways(lanes: Floats) -> tuple[Floats, NDArray[np.int8]]:
    """Return the best sum of gains of a way from each lane's middle to each place, and the step that it came by."""
    steps, count, width = lanes.shape
    best = np.empty_like(lanes)
    came: NDArray[np.int8] = np.zeros(lanes.shape, np.int8)
    last = np.full((count, width), UNSEEN)
    last[:, width // 2] = 0.0
    shifted = np.full((3, count, width), UNSEEN)
    for k in range(steps):
        shifted[0, :, 1:] = last[:, :-1]
        shifted[1] = last
        shifted[2, :, :-1] = last[:, 1:]
        which = shifted.argmax(axis=0)
        came[k] = which - 1
        last = np.take_along_axis(shifted, which[None], axis=0)[0] + lanes[k]
        best[k] = last
    return best, came


def _traced(best: Floats, came: NDArray[np.int8], end: Floats, along: Floats, side: Floats, half: int) -> Floats:
    """Return the points of the best way to the last step."""
    at = int(np.argmax(best[-1]))
    offsets = []
    for k in range(len(best) - 1, -1, -1):
        offsets.append(at - half)
        at += int(came[k, at])
        at = min(max(at, 0), best.shape[1] - 1)
    ahead = np.arange(1, len(best) + 1)
    return np.asarray(end + ahead[:, None] * along + np.array(offsets[::-1])[:, None] * side, dtype=np.float64)
