"""How wide a dark pinhole is, by the light: where its darkness has fallen to half.

Blur moves the half level of a wide spot's edge hardly at all, and that of a spot of few pixels outward by little, so
that this width asks for no blur to be known. The classifier's guess leans on a blur that is read from the board's
print, whose ink has soft edges of its own. The two err for different reasons; their mean errs least.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from voidmap.coat.ground import Bytes, Floats32
from voidmap.coat.spots import Spots
from voidmap.model import Floats

HALF_LEVEL_GLOSS, HALF_LEVEL_SANDED = 0.73, 0.88
"""Radius of the half level over that of the opening. On gloss the walls slope, and only the steep and deep part is
dark; through haze the whole opening is. Medians on simulated coats of development seeds (45 photos)."""
REACH = 3.8
"""Brightness is read out to this many times the guessed radius."""
GROUND_SHARE = 0.2
"""The outermost share of it is ground."""
STEPS, SPOKES = 64, 24
MIDDLE_STEPS = 8
"""The darkest place is looked for within this many steps, half a radius, of the found middle."""
LEAST_GUESS_PX = 1.5
LEAST_CONTRAST = 5.0
"""In 8-bit grey: less shows no half level."""


def with_half_level(grey: Bytes, spots: Spots, *, sanded: bool) -> Spots:
    """Return spots with the diameters of the dark ones averaged (in the logarithm) with that of their half level.

    Parameters
    ----------
    grey
        (H, W) uint8, the photo.
    spots
        What was found in it.
    sanded
        Whether the surface is sanded haze (else gloss).
    """
    dark = np.flatnonzero(spots.polarity < 0)
    if len(dark) == 0:
        return spots
    radius_px = _half_level_px(grey, spots[dark]) / (HALF_LEVEL_SANDED if sanded else HALF_LEVEL_GLOSS)
    told = np.isfinite(radius_px)
    diameter_px, diameter_rel = spots.diameter_px.copy(), spots.diameter_rel.copy()
    apart = np.log(2 * radius_px[told] / diameter_px[dark[told]])
    diameter_px[dark[told]] *= np.exp(apart / 2)
    # What the two differ by is in doubt as well.
    diameter_rel[dark[told]] = np.hypot(diameter_rel[dark[told]], apart / 2)
    return replace(spots, diameter_px=diameter_px, diameter_rel=diameter_rel)


def _half_level_px(grey: Bytes, spots: Spots) -> Floats:
    """Return the radius (N,) at which the mean over all directions has half the darkness; NaN where there is none."""
    reach = REACH * np.maximum(spots.diameter_px / 2, LEAST_GUESS_PX)
    radius = reach[:, None] * np.arange(STEPS)[None, :] / STEPS
    level = _rings(grey, spots, radius)
    ground = np.median(level[:, -round(GROUND_SHARE * STEPS) :], axis=1)
    depth = ground[:, None] - level
    top = depth[:, :MIDDLE_STEPS].argmax(axis=1)
    rows = np.arange(len(depth))
    most = depth[rows, top]
    beyond = (np.arange(STEPS)[None, :] > top[:, None]) & (depth < most[:, None] / 2)
    first = np.maximum(beyond.argmax(axis=1), 1)
    before, after = depth[rows, first - 1], depth[rows, first]
    back = np.clip((most / 2 - after) / np.maximum(before - after, 1e-6), 0, 1)
    out = radius[rows, first] - back * reach / STEPS
    return np.where(beyond.any(axis=1) & (most > LEAST_CONTRAST), out, np.nan)


def _rings(grey: Bytes, spots: Spots, radius: Floats) -> Floats32:
    """Return mean brightness (N, steps) on rings of given radii (N, steps) px around spots."""
    turn = np.arange(SPOKES) * (2 * np.pi / SPOKES)
    x = spots.x_px[:, None, None] + radius[:, :, None] * np.cos(turn)
    y = spots.y_px[:, None, None] + radius[:, :, None] * np.sin(turn)
    flat = (len(radius), -1)
    seen = cv2.remap(
        grey, x.reshape(flat).astype(np.float32), y.reshape(flat).astype(np.float32), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REFLECT_101,
    )  # fmt: skip
    return np.asarray(seen, dtype=np.float32).reshape(x.shape).mean(axis=2)
