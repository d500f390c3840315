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

from voidmap.depth.peg_band import SeenBand, read_band
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
        seen = read_band(fine, colour, axis - corner, box.width_px * factor, ortho.mm_per_px)
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


def _placed(seen: SeenBand, ortho: Ortho, corner: Floats, height_mm: float, camera_mm: Floats) -> PegShadow:
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


def _spread(logs: NDArray[np.float32]) -> float:
    """Return the spread of the wood's brightness (log), by the middle half of it."""
    return float(np.subtract(*np.percentile(logs, (75, 25)))) / 1.349 if len(logs) else 0.0
