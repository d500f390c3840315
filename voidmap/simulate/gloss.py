"""A coated surface as light sees it: wood and fill below, a mirror of lamps above, pits that bend the mirror.

The mirror follows Fresnel's law (Schlick's approximation) with epoxy's refractive index; a pit is a change of
slope, so its glints, rings and dark floors come from the lamps and the camera, not from a drawn spot.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from voidmap.coat.pit import DULL_SHARE, DULL_VEIL, DUST, Pit, look_of
from voidmap.simulate.camera import Camera
from voidmap.simulate.grid import Floats, Grid
from voidmap.simulate.noise import F32

REFRACTIVE_INDEX = 1.55
"""Cured epoxy (handbooks give 1.5 to 1.6)."""
R0 = ((REFRACTIVE_INDEX - 1) / (REFRACTIVE_INDEX + 1)) ** 2


@dataclass(frozen=True)
class Tube:
    """A lamp in the ceiling: a rectangle (mm) at a height, its middle, half sides, turn, edge softness, strength.

    ``strength`` is its radiance relative to a white sheet on the slab.
    """

    x_mm: float
    y_mm: float
    height_mm: float
    half_x_mm: float
    half_y_mm: float
    turn_rad: float
    soft_mm: float
    strength: float


@dataclass(frozen=True, eq=False)
class Finish:
    """A coat on a patch.

    ``base`` (rows, columns, 3) is the radiance of what lies below on ``grid``; ``slope_x``, ``slope_y`` the
    surface's gentle waves (rise per mm) on the same grid; ``haze`` (0 to 1) how much of it sanding has dulled.
    ``room`` is the radiance of the rest of the room in the mirror.
    """

    grid: Grid
    base: F32
    slope_x: F32
    slope_y: F32
    haze: F32
    tubes: tuple[Tube, ...]
    room: float


def mirror(finish: Finish, at: F32, eye: Floats, slope_x: F32, slope_y: F32) -> tuple[F32, F32]:
    """Return (share mirrored, radiance mirrored) for places (N, 2) mm, seen from ``eye``, with given slopes."""
    view = np.array(eye, np.float32) - np.c_[at, np.zeros(len(at), np.float32)]
    view /= np.linalg.norm(view, axis=1, keepdims=True)
    up = view * np.array([1, 1, -1], np.float32)  # z upward from here on
    normal = np.c_[-slope_x, -slope_y, np.ones_like(slope_x)]
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    cos = np.clip((up * normal).sum(1), 0.02, 1)
    out = 2 * cos[:, None] * normal - up
    share = R0 + (1 - R0) * (1 - cos) ** 5
    seen = np.full(len(at), finish.room, np.float32)
    rise = np.maximum(out[:, 2], 0.02)
    for tube in finish.tubes:
        x = at[:, 0] + out[:, 0] / rise * np.float32(tube.height_mm) - np.float32(tube.x_mm)
        y = at[:, 1] + out[:, 1] / rise * np.float32(tube.height_mm) - np.float32(tube.y_mm)
        c, s = np.float32(np.cos(tube.turn_rad)), np.float32(np.sin(tube.turn_rad))
        u, v = np.abs(c * x + s * y), np.abs(c * y - s * x)
        soft = np.float32(tube.soft_mm)
        lit = np.clip((tube.half_x_mm - u) / soft + 0.5, 0, 1) * np.clip((tube.half_y_mm - v) / soft + 0.5, 0, 1)
        seen += np.float32(tube.strength) * lit * (out[:, 2] > 0.05)
    return np.asarray(share, dtype=np.float32), seen


def look_up(field: F32, grid: Grid, at: F32) -> F32:
    """Look up a field at places (N, 2) mm, bilinear, its border repeated."""
    cells = (at - np.array([grid.x0_mm, grid.y0_mm], np.float32)) / np.float32(grid.cell_mm)
    n, wide = len(cells), 2048
    pad = -n % wide
    mx = np.pad(cells[:, 0], (0, pad)).reshape(-1, wide).astype(np.float32)
    my = np.pad(cells[:, 1], (0, pad)).reshape(-1, wide).astype(np.float32)
    out = cv2.remap(field, mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(out.reshape(-1, *field.shape[2:])[:n], dtype=np.float32)


def shade(finish: Finish, at: F32, eye: Floats, pit: Pit | None = None) -> F32:
    """Return what is seen (N, 3) at places (N, 2) mm, with one pit or none."""
    base = look_up(finish.base, finish.grid, at)
    sx, sy = look_up(finish.slope_x, finish.grid, at), look_up(finish.slope_y, finish.grid, at)
    haze = look_up(finish.haze, finish.grid, at)
    if pit is not None:
        here = look_of(pit, at[:, 0], at[:, 1])
        sx, sy = sx + here.slope_x, sy + here.slope_y
        base = base * (1 - here.dark[:, None])
        base = base + here.white[:, None] * (np.float32(DUST) - base)
        haze = np.clip(haze * (1 - np.maximum(here.bare, here.white)), 0, 1)
    share, seen = mirror(finish, at, eye, sx, sy)
    gloss = base * (1 - share[:, None]) + (share * seen)[:, None]
    dull = base * np.float32(DULL_SHARE) + np.float32(DULL_VEIL)
    return np.asarray(gloss + (dull - gloss) * haze[:, None], dtype=np.float32)


def eye_of(camera: Camera) -> Floats:
    """Return where the camera stands, slab mm."""
    return np.asarray(-camera.rotation.T @ camera.translation)
