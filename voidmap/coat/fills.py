"""Which spots are not pinholes but filled holes of the wood: a round hole filled flush is a dark dot under the gloss.

The intake knows where the holes were. A spot that lies on a small one, is as large as its mouth and has the colour of
the fill is that fill; a spot within a larger fill, or one of another colour, is a pinhole still. The fill's colour is
read from the photo itself, inside the voids that are large enough for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.coat.ground import Bytes, Floats32
from voidmap.coat.width import HALF_LEVEL_GLOSS
from voidmap.model import Floats

EDGE_PX = 4
"""Left out along a void's outline: blur mixes the wood in, and the outline is a pixel or two off."""
LEAST_CELLS = 500
"""Pixels from which a void tells the fill's colour: those as small as a pinhole must not speak for themselves."""
INNER_RADII = 0.5
"""A spot's colour is read out to this share of its radius: blur mixes in what lies around."""
LEAST_SPOT_PX = 5.0
"""Of spots less wide than this the inside is mixed with the ground: they are left as they are."""
SIZE_RATIO = 1.4
"""Spot and mouth are of one size up to this factor: each is known to a tenth or so (1 sigma)."""
MOST_RATIO = SIZE_RATIO / HALF_LEVEL_GLOSS
"""And a spot up to this many times as wide as the mouth: a pinhole's opening is reckoned wider than its dark part, as
its walls slope; a fill is dark to its edge."""
ROUND_RATIO = 2.0
"""Mouths longer than this times their width are no dots."""
OFF_SHARE = 0.3
"""A spot lies on a mouth up to this share of its width away, and what the two photos' alignment leaves (2 sigma)."""
SAME_SPREADS = 3.0
"""Colours are the same up to this many times the fill's own spread (1 sigma)."""
LEAST_SPREAD = 0.12
"""Of the fill's colour (logarithm of a channel, and of one over another): light falls off over a photo by about so
much (common practice, no source)."""
FLOOR = 8.0
"""8-bit grey added before the logarithm, so that noise in the dark shows as no colour."""

_LOG = np.log(np.arange(256, dtype=np.float32) + np.float32(FLOOR))


@dataclass(frozen=True, eq=False)
class Tint:
    """A fill's colour: logarithms of green, of red over green and of blue over green (3,), and their spreads (3,)."""

    middle: Floats
    spread: Floats


def tint_of(pixels: Bytes, outlines_px: Sequence[Floats]) -> Tint | None:
    """Read the fill's colour inside voids; None where none is large enough.

    Parameters
    ----------
    pixels
        (H, W, 3) uint8 B, G, R: the photo of the coat.
    outlines_px
        The voids' outlines (N, 2), photo px.
    """
    inside = [cells for outline in outlines_px if len(cells := _cells_inside(pixels, outline)) >= LEAST_CELLS]
    if not inside:
        return None
    # Each void counts alike: one of them may hold a board or a reflection.
    each = np.array([np.median(_colour(cells), axis=0) for cells in inside])
    own = np.median([_spread(_colour(cells)) for cells in inside], axis=0)
    between = _spread(each) if len(each) > 2 else np.zeros(3)
    return Tint(np.median(each, axis=0), np.maximum(np.hypot(own, between), LEAST_SPREAD))


def are_fills(
    pixels: Bytes,
    places_px: Floats,
    diameter_px: Floats,
    outlines_px: Sequence[Floats],
    tint: Tint,
    *,
    off_px: float,
) -> NDArray[np.bool_]:
    """Tell which spots are filled holes.

    Parameters
    ----------
    pixels
        (H, W, 3) uint8 B, G, R: the photo of the coat.
    places_px, diameter_px
        The spots' centres (N, 2) and diameters (N,), photo px.
    outlines_px
        The voids' outlines (M, 2) each, photo px.
    tint
        The fill's colour in this photo.
    off_px
        How far outlines may lie from where they are (1 sigma), px.

    Returns
    -------
    (N,) array
        True for a spot that is a fill.
    """
    out = np.zeros(len(places_px), bool)
    mouths = [mouth for outline in outlines_px if (mouth := _mouth(outline)) is not None]
    if not mouths:
        return out
    middle, width = np.array([m for m, _ in mouths]), np.array([w for _, w in mouths])
    for i, (place, diameter) in enumerate(zip(places_px, diameter_px, strict=True)):
        if diameter < LEAST_SPOT_PX:
            continue
        away = np.hypot(*(middle - place).T)
        like = (diameter >= width / SIZE_RATIO) & (diameter <= width * MOST_RATIO)
        if np.any(like & (away <= OFF_SHARE * width + 2 * off_px)):
            out[i] = _has_tint(pixels, place, diameter, tint)
    return out


def _mouth(outline_px: Floats) -> tuple[Floats, float] | None:
    """Return the middle (2,) of a round mouth and the diameter of a disc of its area; None for a long one."""
    points = np.asarray(outline_px, dtype=np.float32)
    if len(points) < 3:
        return None
    _, (long, short), _ = cv2.minAreaRect(points)
    area = float(cv2.contourArea(points))
    if area <= 0 or max(long, short) > ROUND_RATIO * min(long, short):
        return None
    moments = cv2.moments(points)
    middle = np.array([moments["m10"], moments["m01"]]) / moments["m00"]
    return middle, float(np.sqrt(4 * area / np.pi))


def _has_tint(pixels: Bytes, place: Floats, diameter: float, tint: Tint) -> bool:
    reach = max(1, round(INNER_RADII * diameter / 2))
    x, y = (round(float(v)) for v in place)
    x0, y0 = max(0, x - reach), max(0, y - reach)
    patch = pixels[y0 : y + reach + 1, x0 : x + reach + 1]
    rows, columns = np.mgrid[0 : patch.shape[0], 0 : patch.shape[1]]
    inner = patch[np.hypot(rows + y0 - place[1], columns + x0 - place[0]) <= INNER_RADII * diameter / 2]
    if len(inner) == 0:
        return False
    away = np.median(_colour(inner), axis=0) - tint.middle
    return bool(np.all(np.abs(away) <= SAME_SPREADS * tint.spread))


def _cells_inside(pixels: Bytes, outline_px: Floats) -> Bytes:
    """Return the pixels (N, 3) inside an outline, clear of its edge."""
    points = np.round(np.asarray(outline_px)).astype(np.int32)
    if len(points) < 3:
        return np.zeros((0, 3), np.uint8)
    low = np.maximum(points.min(axis=0), 0)
    high = np.minimum(points.max(axis=0) + 1, [pixels.shape[1], pixels.shape[0]])
    if np.any(high <= low):
        return np.zeros((0, 3), np.uint8)
    mask = np.zeros((high[1] - low[1], high[0] - low[0]), np.uint8)
    cv2.fillPoly(mask, [points - low.astype(np.int32)], 255)
    side = 2 * EDGE_PX + 1
    around = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    mask = np.asarray(cv2.erode(mask, around, borderType=cv2.BORDER_CONSTANT, borderValue=0), dtype=np.uint8)
    return np.asarray(pixels[low[1] : high[1], low[0] : high[0]][mask > 0], dtype=np.uint8)


def _colour(cells: Bytes) -> Floats32:
    """Return (N, 3) of pixels (N, 3): logarithms of green, of red over green, of blue over green."""
    blue, green, red = _LOG[cells].T
    return np.column_stack([green, red - green, blue - green])


def _spread(values: Floats32 | Floats) -> Floats:
    """Return the robust standard deviation of each column."""
    away = np.abs(values - np.median(values, axis=0))
    return np.asarray(1.4826 * np.median(away, axis=0), dtype=np.float64)
