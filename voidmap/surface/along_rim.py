"""What a rim tells place by place: whether its sharpness leans to one side, whether the wood's figure goes on.

A void's rim is not alike all around. Where the wall falls away from the eye the wood's edge is seen against what lies
below, as sharp as the picture is; opposite, the wall itself is seen and grows dark little by little; and a lamp darkens
one side of it. And the rings end at a void, while they run on through what was only spilt or painted on the wood.
"""

from __future__ import annotations

import math

import cv2
import numpy as np

from voidmap.model import Floats
from voidmap.surface.light import Evened
from voidmap.surface.mosaic import Bools, Floats32
from voidmap.surface.quantiles import quantiles
from voidmap.surface.rim import Cover

NAMES = ("sharp_lean", "step_lean", "sharp_low", "sharp_high", "goes_on", "wood_goes_on")
# The rim is looked at in so many places at most, and not at all in fewer than these.
MOST_PLACES, LEAST_PLACES = 360, 24
# Its direction is that between the places so far behind and ahead, as a share of the places.
TANGENT_SHARE = 0.01
# Inside and outside are looked at so far from the rim: this, or so many times the picture's blur, where that is more.
AWAY_MM, AWAY_BLURS = 1.2, 2.5
# The sharpness is read over so many blurs to either side.
SLOPE_BLURS = 0.7
# Before it is sampled the picture is smoothed by this much.
SOFT_PX = 0.7
# A step smaller than this (log of light) says nothing of its sharpness.
LEAST_STEP = 0.03
# The wood's figure is what differs from the mean over so much of the rim.
FIGURE_MM = 6.0
# Rings are followed across the rim where it runs across the grain: its normal within this of the grain.
ACROSS_DEG = 45.0


def along_rim(cover: Cover, evened: Evened, blur_px: float) -> dict[str, float]:
    """Return the figures of a patch's rim.

    Parameters
    ----------
    cover
        The patch, px of the evened picture.
    evened
        The evened picture; its blur is ``blur_px`` (standard deviation).

    Returns
    -------
    dict of str to float
        ``sharp_lean`` and ``step_lean``: how far sharpness and step lean to one side (0 alike all around, 1 all on one
        side); ``sharp_low`` and ``sharp_high``: the lower and upper fifth of the slope over the whole step, per blur;
        ``goes_on``: how the wood's figure just inside goes with that just outside along the grain (correlation),
        ``wood_goes_on`` the same of two places outside as far apart. All 0 for what is too small.
    """
    outline, mm = cover.outline_px, evened.mm_per_px
    away = max(AWAY_MM / mm, AWAY_BLURS * blur_px)
    if len(outline) < LEAST_PLACES or cover.area_px < math.pi * (2.0 * away) ** 2:
        return dict.fromkeys(NAMES, 0.0)
    places, normal = _places(outline)
    near = SLOPE_BLURS * blur_px
    (inside, low, high, outside), seen = _looked_at(evened, places, normal, np.array([-away, -near, near, away]))
    if seen.sum() < LEAST_PLACES:
        return dict.fromkeys(NAMES, 0.0)
    step, sharp = outside - inside, (high - low) / (2.0 * SLOPE_BLURS)
    whole = max(float(np.median(step[seen])), LEAST_STEP)
    fifth, most = quantiles(sharp[seen] / whole, 0.2, 0.8)
    own, wood = _going_on(evened, places, normal, away)
    return {
        "sharp_lean": _lean(sharp[seen], normal[seen]),
        "step_lean": _lean(step[seen], normal[seen]),
        "sharp_low": fifth,
        "sharp_high": most,
        "goes_on": own,
        "wood_goes_on": wood,
    }


def along_line(cover: Cover, evened: Evened, blur_px: float) -> dict[str, float]:
    """Return the figures of a line's rim: ``sharp_lean`` and ``step_lean`` of ``along_rim``, the others 0.

    Parameters as for ``along_rim``. A line is narrower than the depths that it looks at: the step is that from just
    within the rim.
    """
    if len(cover.outline_px) < LEAST_PLACES:
        return dict.fromkeys(NAMES, 0.0)
    places, normal = _places(cover.outline_px)
    near, away = SLOPE_BLURS * blur_px, max(AWAY_MM / evened.mm_per_px, AWAY_BLURS * blur_px)
    (low, high, outside), seen = _looked_at(evened, places, normal, np.array([-near, near, away]))
    if seen.sum() < LEAST_PLACES:
        return dict.fromkeys(NAMES, 0.0)
    leans = {
        "sharp_lean": _lean((high - low)[seen], normal[seen]),
        "step_lean": _lean((outside - low)[seen], normal[seen]),
    }
    return dict.fromkeys(NAMES, 0.0) | leans


def _going_on(evened: Evened, places: Floats, normal: Floats, away: float) -> tuple[float, float]:
    """Return how the figure inside goes with that outside along the grain, and how the wood's own does out there."""
    turn, least = math.radians(evened.grain_deg), math.cos(math.radians(ACROSS_DEG))
    grain = np.array([math.cos(turn), math.sin(turn)])
    offsets = np.array([-1.0, 1.0, 3.0]) * away / least
    spacing = float(np.hypot(*np.diff(places, axis=0).T).mean())
    reach = max(3, round(FIGURE_MM / 2.0 / evened.mm_per_px / max(spacing, 1e-6)))
    sides = []
    for sign in (-1.0, 1.0):
        own = normal @ grain * sign > least
        if own.sum() > reach:
            rows, seen = _looked_at(evened, places[own], np.tile(sign * grain, (int(own.sum()), 1)), offsets)
            sides.append((rows - cv2.blur(rows, (2 * reach + 1, 1)))[:, seen])
    if not sides:
        return 0.0, 0.0
    inside, outside, beyond = np.hstack(sides)
    return _likeness(inside, outside), _likeness(outside, beyond)


def _places(outline: Floats) -> tuple[Floats, Floats]:
    """Return places (N, 2) along the outline and its outward normals there."""
    stride = max(1, math.ceil(len(outline) / MOST_PLACES))
    reach = max(2, round(TANGENT_SHARE * len(outline)))
    tangent = (np.roll(outline, -reach, axis=0) - np.roll(outline, reach, axis=0))[::stride]
    places = outline[::stride]
    normal = np.column_stack([tangent[:, 1], -tangent[:, 0]]) / np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    x, y = outline.T
    turned = float(x @ np.roll(y, -1) - y @ np.roll(x, -1))  # twice the area, by the sense of the outline
    return places, normal if turned > 0 else -normal


def _looked_at(evened: Evened, places: Floats, normal: Floats, offsets: Floats) -> tuple[Floats32, Bools]:
    """Return the darkness (offsets, places) beside the places, outward along the normals, and where all is seen."""
    points = places + offsets[:, None, None] * normal
    height, width = evened.seen.shape
    left, top = np.maximum(np.floor(points.min(axis=(0, 1))).astype(int) - 3, 0).tolist()
    right, bottom = (np.ceil(points.max(axis=(0, 1))).astype(int) + 4).tolist()
    bare = evened.seen[top:bottom, left:right]
    soft = cv2.GaussianBlur(np.where(bare, evened.dark[top:bottom, left:right], np.float32(0)), (0, 0), SOFT_PX)
    x, y = (np.ascontiguousarray(points[..., k] - corner, dtype=np.float32) for k, corner in enumerate((left, top)))
    values = cv2.remap(soft, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    columns, rows = np.rint(points).astype(int).transpose(2, 0, 1)
    within = (columns >= 0) & (rows >= 0) & (columns < width) & (rows < height)
    seen = within & evened.seen[np.where(within, rows, 0), np.where(within, columns, 0)]
    return np.asarray(values, dtype=np.float32), np.asarray(seen.all(axis=0))


def _lean(values: Floats32, normal: Floats) -> float:
    """Return the first harmonic of values (N,) over the direction, against their mean size."""
    return float(np.hypot(*(values - values.mean()) @ normal) / max(np.abs(values).sum(), 1e-6))


def _likeness(one: Floats32, other: Floats32) -> float:
    if len(one) < LEAST_PLACES // 2 or one.std() < 1e-4 or other.std() < 1e-4:
        return 0.0
    return float(np.corrcoef(one, other)[0, 1])
