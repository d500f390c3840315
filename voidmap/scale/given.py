"""A picture that is already square-on and to scale."""

from __future__ import annotations

import numpy as np

from voidmap.errors import ValueRefused
from voidmap.model import Photo, Plane
from voidmap.records import Lens

HEIGHT_MM = 1e6
"""The camera of a picture to scale stands a kilometre away: its rays are parallel to a part in a thousand
over any slab's depth."""
SCALE_SD = 0.001
"""Doubt of a stated scale: given to two or three figures, and scanners are true to 0.1 % (common practice)."""
DRAWS, SEED = 200, 20_012


def plane_from_mm_per_px(photo: Photo, mm_per_px: float) -> Plane:
    """Return the plane of a picture that is square-on and to scale.

    The slab frame's origin is the centre of the first pixel, x right, y down.

    Raises
    ------
    ValueRefused
        When the scale is not positive.
    """
    if not mm_per_px > 0:
        raise ValueRefused(f"{mm_per_px:g} mm per pixel can't be right", "give mm in one pixel, as in 0.07")
    focal = HEIGHT_MM / mm_per_px
    lens = Lens(focal, focal, (photo.width_px - 1) / 2, (photo.height_px - 1) / 2, source="scale")
    shift = np.array([-lens.cx * mm_per_px, -lens.cy * mm_per_px, HEIGHT_MM])
    scale = np.exp(SCALE_SD * np.random.default_rng(SEED).standard_normal(DRAWS // 2))
    scale = np.concatenate([scale, 1 / scale])
    draws = np.zeros((DRAWS, 15))
    draws[:, 3:6] = shift * scale[:, None]
    draws[:, 6:10] = focal, focal, lens.cx, lens.cy
    return Plane(
        size_px=(photo.width_px, photo.height_px),
        lens=lens,
        rotation=np.eye(3),
        translation_mm=shift,
        draws=draws,
        reference="mm_per_px",
    )
