"""Find the shadow that a peg of known height throws on the slab, in a photo lit by one lamp.

The shadow of an upright peg on level wood is a straight band: two straight sides, evenly dark between them (the
lamp's light is gone, the room's is left), from the peg's foot to a tip that the lamp's size softens. The middle of
the soft edge, in linear light, is where the lamp's middle sets.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats, Ortho

Picture = NDArray[np.float32]
Bools = NDArray[np.bool_]

SEARCH_MM = 0.6
"""Pixel of the picture in which bands are looked for: the thinnest peg is five of them wide."""
GROUND_MM = 40.0
"""Reach of the average that gives the wood's lit brightness: wider than any peg's shadow, narrower than a slab."""
LIT_SHARE = 0.75
"""Darker than this share of the wood around is left out of the lit wood's average."""
DARK_SHARES = (0.72, 0.58, 0.46, 0.36, 0.27, 0.2)
"""A shadow is darker than one of these shares of the lit wood: the first is half the lamp's light gone when the lamp
gives half of all light; the others tell a shadow from a stain that it lies in."""
LEAST_WIDTH_MM, MOST_WIDTH_MM = 3.0, 70.0
LOWEST_DEG, HIGHEST_DEG = 8.0, 70.0
"""A lower lamp throws shadows over the slab's end, a higher one a shadow that is all penumbra and foot."""
LEAST_SOLID = 0.8
"""Share of its convex hull that a band fills: straight sides, no bays."""
LEAST_FILLED = 0.66
"""Share of the rectangle around it that a band fills: a knot (an ellipse) fills pi / 4 = 0.785, pointed ends less."""
MOST_UNEVEN = 0.3
"""Spread (log) of the brightness within a band, beside that of the wood around: wood's own texture goes on in a shadow,
but no hollow's walls and floor."""
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
HIDDEN_PART = 0.6
"""How far a shadow's start may be off (1 s.d.) beside how far the peg's top is seen from its foot: anywhere between
none of it and all of it."""
TO_LINEAR = np.where(
    np.arange(256) / 255 <= 0.04045, np.arange(256) / 255 / 12.92, ((np.arange(256) / 255 + 0.055) / 1.055) ** 2.4
).astype(np.float32)
"""Light of a pixel value (IEC 61966-2-1)."""


@dataclass(frozen=True, eq=False)
class PegShadow:
    """A peg's shadow on the slab's top, slab mm.

    ``foot_mm`` (2,) is where the shadow leaves the peg, ``tip_mm`` (2,) the middle of its end: both on its middle
    line, so that the way between them is the throw of the peg's height. ``along_mm`` and ``across_mm`` are standard
    errors of the tip against the foot. ``lamp_share`` is the part of all light that the lamp gives (None: not known).
    ``outline_mm`` (4, 2) holds peg and shadow; empty when given by hand.
    """

    height_mm: float
    foot_mm: Floats
    tip_mm: Floats
    along_mm: float
    across_mm: float
    lamp_share: float | None = None
    width_mm: float = 0.0
    outline_mm: Floats | None = None

    @property
    def length_mm(self) -> float:
        """Length of the shadow."""
        return float(np.hypot(*(self.tip_mm - self.foot_mm)))


def linear_light(pixels: NDArray[np.uint8]) -> Picture:
    """Return the green light (rows, columns) of B, G, R pixels, 0 to 1."""
    return np.asarray(TO_LINEAR[pixels[..., 1]], dtype=np.float32)


def lit_ground(light: Picture, usable: Bools, reach_px: float) -> Picture:
    """Return the brightness that the wood has where the lamp reaches it, by averages that leave dark places out."""
    keep = usable.astype(np.float32)
    ground = light
    # Averages of a wide reach need no fine pixels.
    step = max(1, int(reach_px / 12))
    size = (-(-light.shape[1] // step), -(-light.shape[0] // step))
    for _ in range(4):
        weight = cv2.GaussianBlur(cv2.resize(keep, size, interpolation=cv2.INTER_AREA), (0, 0), reach_px / step)
        value = cv2.GaussianBlur(cv2.resize(light * keep, size, interpolation=cv2.INTER_AREA), (0, 0), reach_px / step)
        coarse = value / np.maximum(weight, 1e-4)
        ground = cv2.resize(coarse, (light.shape[1], light.shape[0]), interpolation=cv2.INTER_LINEAR)
        keep = (usable & (light > LIT_SHARE * ground)).astype(np.float32)
    return np.maximum(ground, 1e-4)


def find_pegs(ortho: Ortho, wood: Bools, height_mm: float, camera_mm: Floats) -> tuple[PegShadow, ...]:
    """Find the shadows of pegs that stand on bare wood.

    Parameters
    ----------
    ortho
        The photo by lamp light, laid square-on.
    wood
        (H, W) where the top lies bare: boards, sheets and all else left out.
    height_mm
        The pegs' height.
    camera_mm
        (3,) where the camera stood: it sees a peg's top beside its foot, and then the foot is hidden.

    Returns
    -------
    tuple
        The surest first; empty when there is none.
    """
    factor = max(1, int(SEARCH_MM / ortho.mm_per_px))
    light = linear_light(ortho.pixels)
    size = (ortho.pixels.shape[1] // factor, ortho.pixels.shape[0] // factor)
    small = cv2.resize(light[: size[1] * factor, : size[0] * factor], size, interpolation=cv2.INTER_AREA)
    bare = wood[: size[1] * factor : factor, : size[0] * factor : factor]
    step = ortho.mm_per_px * factor
    lit = lit_ground(small, bare, GROUND_MM / step)
    share = small / lit
    found = []
    for box in _bands(share, bare, step, height_mm):
        rows, columns = (slice(s.start * factor, s.stop * factor) for s in box.at)
        ground = cv2.resize(lit[box.at], (0, 0), fx=factor, fy=factor, interpolation=cv2.INTER_LINEAR)
        fine = light[rows, columns][: ground.shape[0], : ground.shape[1]] / np.maximum(ground, 1e-4)
        corner = np.array([columns.start, rows.start], dtype=np.float64)
        axis = (box.axis_px + 0.5) * factor - 0.5
        colour = TO_LINEAR[ortho.pixels[rows, columns]]
        seen = _read(fine, colour, axis - corner, box.width_px * factor, ortho.mm_per_px)
        if seen is not None and LOWEST_DEG <= np.degrees(np.arctan2(height_mm, seen.length_mm)) <= HIGHEST_DEG:
            found.append((seen.score, _placed(seen, ortho, corner, height_mm, camera_mm)))
    found.sort(key=lambda pair: -pair[0])
    pegs: list[PegShadow] = []
    for _, peg in found:
        middle = (peg.foot_mm + peg.tip_mm) / 2
        if all(np.hypot(*(middle - (p.foot_mm + p.tip_mm) / 2)) > (peg.length_mm + p.length_mm) / 3 for p in pegs):
            pegs.append(peg)
    return tuple(pegs)


@dataclass(frozen=True, eq=False)
class _Band:
    """A dark band in the searched picture: its box with a margin, and its axis from end to end (2, 2) px."""

    at: tuple[slice, slice]
    axis_px: Floats
    width_px: float


def _bands(share: Picture, bare: Bools, step: float, height_mm: float) -> list[_Band]:
    """Return dark straight bands of a peg's possible sizes."""
    return [band for limit in DARK_SHARES for band in _bands_below(share, bare, limit, step, height_mm)]


def _bands_below(share: Picture, bare: Bools, limit: float, step: float, height_mm: float) -> list[_Band]:
    dark = ((share < limit) & bare).astype(np.uint8)
    dark = cv2.morphologyEx(dark, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    _, labels, stats, _ = cv2.connectedComponentsWithStats(dark)
    longest = height_mm / np.tan(np.radians(LOWEST_DEG)) + MOST_WIDTH_MM
    out = []
    for n, (left, top, width, height, area) in enumerate(stats):
        if n == 0 or area * step**2 < LEAST_WIDTH_MM * 5 or np.hypot(width, height) * step > 1.5 * longest:
            continue
        mask = (labels[top : top + height, left : left + width] == n).astype(np.uint8)
        contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        points = contours[0].reshape(-1, 2)
        (cx, cy), (a, b), turn = cv2.minAreaRect(points.astype(np.float32))
        a, b = a + 1, b + 1  # corners are pixels' middles
        hull = cv2.contourArea(cv2.convexHull(points)) + len(cv2.convexHull(points)) / 2
        if area < LEAST_SOLID * hull or area < LEAST_FILLED * a * b:
            continue
        long, wide = max(a, b), min(a, b)
        if not LEAST_WIDTH_MM <= wide * step <= MOST_WIDTH_MM or long < 1.2 * wide:
            continue
        angle = np.radians(turn if a >= b else turn + 90)
        along = np.array([np.cos(angle), np.sin(angle)])
        middle = np.array([cx + left, cy + top])
        inner = cv2.erode(mask, np.ones((3, 3), np.uint8)) > 0
        values = np.log(np.maximum(share[top : top + height, left : left + width][inner], 1e-3))
        pad = int(2 * wide + 12 / step)
        rows = slice(max(0, top - pad), min(share.shape[0], top + height + pad))
        columns = slice(max(0, left - pad), min(share.shape[1], left + width + pad))
        wood = np.log(np.maximum(share[rows, columns][bare[rows, columns] & (labels[rows, columns] == 0)], 1e-3))
        if len(values) < 12 or float(values.std()) > float(np.hypot(MOST_UNEVEN, _spread(wood))):
            continue
        ends = np.array([middle - along * long / 2, middle + along * long / 2])
        out.append(_Band((rows, columns), ends, float(wide)))
    return out


@dataclass(frozen=True, eq=False)
class _Seen:
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


def _spread(logs: NDArray[np.float32]) -> float:
    """Return the spread of the wood's brightness (log), by the middle half of it."""
    return float(np.subtract(*np.percentile(logs, (75, 25)))) / 1.349 if len(logs) else 0.0


def _read(picture: Picture, colour: Picture, axis: Floats, width: float, mm: float) -> _Seen | None:
    """Read sides and ends of a band at full sharpness; None when its sides are not straight or no peg stands by."""
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
    return _Seen(foot.at, tip.at, along, across, width * mm, length, 1 - dark, score, bare)


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


def _placed(seen: _Seen, ortho: Ortho, corner: Floats, height_mm: float, camera_mm: Floats) -> PegShadow:
    """Carry a band to the slab frame."""
    foot, tip = (ortho.to_mm(p + corner)[0] for p in (seen.foot, seen.tip))
    along = (tip - foot) / max(float(np.hypot(*(tip - foot))), 1e-9)
    along_mm = seen.along_mm
    if not seen.bare_foot:
        # The peg's side hides the shadow's start, or its shaded side goes on from it.
        lean = height_mm / max(-float(camera_mm[2]) - height_mm, height_mm) * float(np.hypot(*(foot - camera_mm[:2])))
        along_mm = float(np.hypot(along_mm, HIDDEN_PART * lean))
    across = np.array([-along[1], along[0]]) * (seen.width_mm / 2 + 3)
    first, last = foot - along * (1.6 * seen.width_mm + 3), tip + along * 6
    outline = np.array([first - across, first + across, last + across, last - across])
    return PegShadow(
        height_mm, foot, tip, along_mm, seen.across_mm, float(np.clip(seen.lamp_share, 0.05, 1.0)),
        seen.width_mm, outline,
    )  # fmt: skip
