"""Read one dark band as the shadow of a peg: its sides, its foot where the peg stands, its softer tip."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats

Picture = NDArray[np.float32]

STRAIGHT_REL = 0.02
"""Scatter of a band's side about a straight line, as a share of its width: a saw's cut edge, not a natural one."""
LEAST_LONG = 1.5
"""Length over width of a shadow, at the least."""
FOOT_SOFT_REL, TIP_SOFT_REL = 0.07, 0.25
"""Softness of a band's ends as a share of its length, at the most: the shadow leaves the peg sharply, and a tip that
is softer yet comes from a lamp as large as a window."""
FOOT_CONTRAST = 0.1
"""Log light in a colour channel by which the peg stands off the wood before its shadow's start, at the least."""
TIP_CONTRAST = 0.5
"""Log light by which the wood beyond a tip may stand off the wood beside: more is a shadow that goes on over paler
wood."""
SURE_CONTRAST = 0.6
"""More contrast says no more."""
FOOT_FIT_REL = 0.2
"""A foot is as long and as wide as its shadow is wide, within this share of it."""


@dataclass(frozen=True, eq=False)
class SeenBand:
    """A band as read in the fine picture: foot and tip in its px, errors and width in mm."""

    foot: Floats
    tip: Floats
    along_mm: float
    across_mm: float
    width_mm: float
    length_mm: float
    lamp_share: float
    score: float
    bare_foot: bool


def _strip(picture: Picture, start: Floats, along: Floats, columns: int, half: int) -> Picture:
    """Lay a band straight: column u, row v + half is at start + u along + v across, in px."""
    across = np.array([-along[1], along[0]])
    first = start - half * across
    turn = np.array([[along[0], across[0], first[0]], [along[1], across[1], first[1]]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    out: Picture = cv2.warpAffine(picture, turn, (columns, 2 * half + 1), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return out


def read_band(picture: Picture, colour: Picture, axis: Floats, width: float, mm: float) -> SeenBand | None:
    """Read sides and ends of a band at full sharpness.

    Parameters
    ----------
    picture, colour
        Light over that of the lit wood (H, W) float32, and light (H, W, 3) float32 B, G, R, both linear.
    axis, width
        The band's axis from end to end, (2, 2) px of the picture, and its width, px.
    mm
        mm in one px.

    Returns
    -------
    SeenBand or None
        None when its sides are not straight or no peg stands by.
    """
    rest = 0.0
    for _ in range(3):
        sides = _sides(picture, axis, width)
        if sides is None:
            return None
        axis, width, rest = sides
    if rest > STRAIGHT_REL * width:
        return None
    first, second = (_end(picture, colour, end, width) for end in (axis, axis[::-1].copy()))
    if first is None or second is None:
        return None
    # The foot: the peg stands off the wood there; the tip is the softer end.
    lead = (first.contrast - second.contrast) / FOOT_CONTRAST + 2 * np.log(second.soft / first.soft)
    foot, tip = (first, second) if lead >= 0 else (second, first)
    length = float(np.hypot(*(tip.at - foot.at)))
    if (
        foot.contrast < FOOT_CONTRAST
        or tip.contrast > TIP_CONTRAST
        or length < LEAST_LONG * width
        or foot.soft > FOOT_SOFT_REL * length
        or tip.soft > TIP_SOFT_REL * length
    ):
        return None
    dark = (foot.dark + tip.dark) / 2
    along = float(np.hypot(foot.error, tip.error)) * mm
    across = max(rest, 0.3) * mm * 0.5
    score = min(length / width, 4.0) + min(foot.contrast, SURE_CONTRAST) / FOOT_CONTRAST - rest / width / STRAIGHT_REL
    length *= mm
    bare = _is_bare_foot(picture, foot, (tip.at - foot.at) * mm / length, width)
    return SeenBand(foot.at, tip.at, along, across, width * mm, length, 1 - dark, score, bare)


def _crossing(profile: Floats, level: float, near: float) -> float | None:
    """Return where a profile crosses a level, the crossing nearest to a place."""
    above = profile >= level
    k = np.flatnonzero(above[1:] != above[:-1])
    if len(k) == 0:
        return None
    at = k + (level - profile[k]) / (profile[k + 1] - profile[k])
    return float(at[np.argmin(np.abs(at - near))])


def _outward(profile: Floats, level: float, start: int) -> float | None:
    """Return where a profile first rises to a level on the way from a place to its first value."""
    above = np.flatnonzero(profile[: start + 1] >= level)
    if len(above) == 0 or above[-1] == start:
        return None
    k = int(above[-1])
    return k + float((profile[k] - level) / (profile[k] - profile[k + 1]))


def _sides(picture: Picture, axis: Floats, width: float) -> tuple[Floats, float, float] | None:
    """Fit straight lines to a band's two sides: the axis between them, the width, the scatter, all px."""
    span = axis[1] - axis[0]
    length = float(np.hypot(*span))
    along = span / length
    half = int(width / 2 + max(6.0, 0.35 * width))
    loose = max(3.0, 0.25 * width)
    strip = cv2.GaussianBlur(_strip(picture, axis[0], along, int(length) + 1, half), (0, 0), 0.7)
    columns = np.arange(int(0.15 * length), max(int(0.85 * length), int(0.15 * length) + 4))
    reach = max(1, int(0.02 * length))
    places: list[list[float]] = []
    for u in columns:
        profile = strip[:, max(0, u - reach) : u + reach + 1].astype(np.float64).mean(axis=1)
        dark = float(np.median(profile[int(half - 0.25 * width) : int(half + 0.25 * width) + 1]))
        lit = [float(np.median(profile[: max(3, int(half - 0.5 * width - 3))])),
               float(np.median(profile[min(len(profile) - 3, int(half + 0.5 * width + 3)) :]))]  # fmt: skip
        left = _crossing(profile, (dark + lit[0]) / 2, half - width / 2)
        right = _crossing(profile, (dark + lit[1]) / 2, half + width / 2)
        if left is None or right is None or max(abs(left - half + width / 2), abs(right - half - width / 2)) > loose:
            continue
        places.append([float(u), left - half, right - half])
    if len(places) < 0.6 * len(columns) or len(places) < 4:
        return None
    seen = np.array(places)
    lines = [_line(seen[:, 0], seen[:, k]) for k in (1, 2)]
    scatter = float(np.mean([line[2] for line in lines]))
    offset = (lines[0][0] + lines[1][0]) / 2
    slope = (lines[0][1] + lines[1][1]) / 2
    middle = seen[:, 0].mean()
    wide = (lines[1][0] - lines[0][0]) + (lines[1][1] - lines[0][1]) * middle
    across = np.array([-along[1], along[0]])
    turned = np.array([axis[0] + u * along + (offset + slope * u) * across for u in (0.0, length)])
    return turned, float(wide), scatter


def _line(x: Floats, y: Floats) -> tuple[float, float, float]:
    """Fit y = a + b x by the median of slopes (Theil, Sen); returns a, b and the scatter."""
    b = float(
        np.median((y[len(y) // 2 :] - y[: len(y) - len(y) // 2]) / (x[len(x) // 2 :] - x[: len(x) - len(x) // 2]))
    )
    a = float(np.median(y - b * x))
    return a, b, max(1.4826 * float(np.median(np.abs(y - a - b * x))), 0.05)


@dataclass(frozen=True, eq=False)
class _End:
    """One end of a band: place, error, softness (px), dark share of the light beside, contrast of what lies beyond."""

    at: Floats
    error: float
    soft: float
    dark: float
    contrast: float


def _end(picture: Picture, colour: Picture, axis: Floats, width: float) -> _End | None:
    """Read the end of a band at ``axis[0]``; ``colour`` is its light (h, w, 3), for a peg as bright as the wood."""
    span = axis[1] - axis[0]
    length = float(np.hypot(*span))
    along = span / length
    beyond = int(max(1.6 * width, 14.0))
    half = max(1, int(0.3 * width))
    wide = int(1.3 * width) + 4
    strip = _strip(picture, axis[0] - beyond * along, along, beyond + int(length) + 1, wide)
    strip = cv2.GaussianBlur(strip, (0, 0), 0.7)
    profile = strip[wide - half : wide + half + 1].mean(axis=0).astype(np.float64)
    rim = int(0.8 * width) + 2
    around = np.r_[strip[: wide - rim], strip[wide + rim + 1 :]]
    beside = float(np.median(around[:, beyond : beyond + int(0.4 * length)]))
    inside = profile[beyond + int(0.25 * length) : beyond + int(0.6 * length) + 1]
    dark = float(np.median(inside))
    reach = int(max(0.6 * width, 5.0))
    near = profile[max(0, beyond - reach - 3) : beyond - 2]
    lit = float(np.median(near))
    if lit <= dark * 1.15:
        return None
    levels = [dark + part * (lit - dark) for part in (0.25, 0.5, 0.75)]
    low, at, high = (_outward(profile, level, beyond + int(0.25 * length)) for level in levels)
    if low is None or at is None or high is None:
        return None
    soft = max(abs(low - high), 0.5)
    noise = float(np.std(inside)) / max(lit - dark, 1e-6)
    error = float(np.hypot(0.3, 2 * soft * noise / np.sqrt(max(1, 2 * half))))
    at_px = axis[0] + (at - beyond) * along
    tints = _strip(colour, axis[0] - beyond * along, along, beyond, wide)[:, max(0, beyond - reach - 3) : beyond - 2]
    thing = np.median(tints[wide - half : wide + half + 1].mean(axis=0), axis=0)
    wood = np.median(np.concatenate([tints[: wide - rim], tints[wide + rim + 1 :]]), axis=(0, 1))
    contrast = float(np.abs(np.log(np.maximum(thing, 1e-4) / np.maximum(wood, 1e-4))).max())
    return _End(at_px, error, soft, dark / beside, contrast)


def _is_bare_foot(picture: Picture, foot: _End, along: Floats, width: float) -> bool:
    """Whether what stands at a shadow's start lies in its line and is as long as wide: a foot seen from above."""
    back, half = int(1.6 * width) + 4, int(1.3 * width) + 4
    strip = cv2.GaussianBlur(_strip(picture, foot.at - back * along, along, back, half), (0, 0), 0.7)
    wood = float(np.median(np.r_[strip[:3], strip[-3:]]))
    thing = strip[half, int(back - 0.5 * width)]
    middle = (wood + float(thing)) / 2
    mask = ((strip > middle) if thing > wood else (strip < middle)).astype(np.uint8)
    _, labels = cv2.connectedComponents(mask, connectivity=4)
    rows, columns = np.nonzero(labels == labels[half, int(back - 0.5 * width)])
    loose = FOOT_FIT_REL * width + 1
    off = [rows.min() - half + width / 2, rows.max() - half - width / 2, columns.min() - back + width]
    return bool(np.abs(off).max() <= loose)
