"""Small photographed slabs with one lamp, pegs and a box-shaped pit of known depth."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from voidmap.model import Floats
from voidmap.simulate.camera import look
from voidmap.simulate.grid import Grid, Slab
from voidmap.simulate.jpeg import jpeg_bytes
from voidmap.simulate.light import Light, illuminate
from voidmap.simulate.noise import F32, fractal
from voidmap.simulate.photograph import photograph
from voidmap.simulate.shapes import ragged
from voidmap.simulate.sheets import Sheet

CELL_MM = 0.6
HALF_MM = (240.0, 160.0)
THICKNESS_MM = 40.0
PEG_SIDE_MM = 12.0
PIT = (40.0, 130.0, -110.0, -50.0)
"""Bounds of the pit: x from, to, y from, to."""
HOLLOW = (-60.0, 110.0, 40.0, 22.0)
"""A ragged hollow of bark: middle x, y, half length, half width."""
HOLLOW_MM = 12.0
SHEET = Sheet(0, -215.0, -130.0, 2.0, (12.0, 12.0, 12.0, 12.0))


@dataclass(frozen=True)
class Shot:
    """What stands on the slab, how deep its pit is, and how it is lit.

    ``pegs`` are (x, y, height) mm; with ``solid`` the pegs themselves are seen, else only their feet and shadows.
    """

    pegs: tuple[tuple[float, float, float], ...] = ((120.0, 110.0, 40.0),)
    solid: bool = False
    pit_mm: float = 8.0
    light: Light = field(
        default_factory=lambda: Light(120.0, 27.0, 50_000.0, 200.0, (0.85, 0.85, 0.85), (0.15, 0.15, 0.15))
    )
    eye: tuple[float, float, float] = (10.0, -20.0, -700.0)
    size: tuple[int, int] = (1280, 960)


def _hollow(grid: Grid) -> F32:
    x, y, a, b = HOLLOW
    return ragged(np.random.default_rng(5), grid, (x, y), (a, b), HOLLOW_MM, wall_mm=2.0, rough=0.2)


def hollow_mean_mm() -> float:
    """Return the hollow's mean depth."""
    depth = slab_with_pit(0.0).depth
    return float(depth[(depth > 0) & (depth < THICKNESS_MM - 1)].mean())


def slab_with_pit(pit_mm: float) -> Slab:
    """Return a slab of even wood with a pit whose walls stand upright."""
    grid = Grid(-280.0, -200.0, CELL_MM, round(400 / CELL_MM), round(560 / CELL_MM))
    x, y = np.meshgrid(grid.x(), grid.y())
    top = (np.abs(x) < HALF_MM[0]) & (np.abs(y) < HALF_MM[1])
    depth = np.where(top, 0, THICKNESS_MM).astype(np.float32)
    pit = (x > PIT[0]) & (x < PIT[1]) & (y > PIT[2]) & (y < PIT[3])
    depth[pit] = pit_mm
    bark = _hollow(grid)
    depth = np.maximum(depth, bark)
    grain = fractal(np.random.default_rng(3), grid.shape, (60 / CELL_MM, 3 / CELL_MM), 3, 0.6)
    albedo = (np.exp(0.06 * grain)[..., None] * np.array([0.55, 0.42, 0.28])).astype(np.float32)
    albedo[~top] = 0.06
    rough = fractal(np.random.default_rng(6), grid.shape, (12 / CELL_MM, 3 / CELL_MM), 4, 0.7)
    albedo[bark > 0] = (np.array([0.3, 0.2, 0.13]) * np.exp(0.25 * rough)[..., None])[bark > 0]
    a, b = HALF_MM
    edge = np.array([[-a, -b], [a, -b], [a, b], [-a, b]])
    return Slab(grid, depth, albedo, top, edge, THICKNESS_MM, (), np.full((64, 64, 3), 0.08, np.float32), 1.0)


def write_shot(path: Path, shot: Shot) -> Path:
    """Take the photo and write it."""
    slab = slab_with_pit(shot.pit_mm)
    casts, albedo = slab.depth.copy(), slab.albedo.copy()
    for x, y, height in shot.pegs:
        half = PEG_SIDE_MM / 2
        box = slab.grid.box((x - half + CELL_MM, y - half + CELL_MM), (x + half - CELL_MM, y + half - CELL_MM))
        casts[box.at] = -height
        albedo[box.at] = 0.75
    slab = replace(slab, albedo=albedo, depth=casts if shot.solid else slab.depth)
    lit = illuminate(slab, shot.light, casts=casts)
    camera = look(shot.eye, (0.0, 0.0), size=shot.size, focal_px=1.2 * shot.size[0], blur_px=0.8, vignette=0.2)
    path.write_bytes(jpeg_bytes(photograph(lit, camera, np.random.default_rng(7), [SHEET]), camera, minute=5))
    return path


def to_board(points_mm: Floats) -> Floats:
    """Carry places in the scene to the slab frame, whose origin is the board's corner."""
    return SHEET.from_slab(np.asarray(points_mm, dtype=np.float64).reshape(-1, 2))


def seen(path: Path, points_mm: Floats, shot: Shot) -> Floats:
    """Return where places on the top lie in the photo, px."""
    camera = look(shot.eye, (0.0, 0.0), size=shot.size, focal_px=1.2 * shot.size[0])
    return np.asarray(camera.project(np.asarray(points_mm, dtype=np.float64)))


def pit_outline() -> Floats:
    """Return the pit's corners, scene mm."""
    x0, x1, y0, y1 = PIT
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


def shadow_tip(peg: tuple[float, float, float], light: Light) -> Floats:
    """Return how far the middle of a peg's top is thrown from its foot, mm: by similar triangles."""
    x, y, height = peg
    lx, ly, lz = light.position()
    return np.array([x - lx, y - ly]) * height / (-lz - height)
