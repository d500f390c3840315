"""Light on a slab: a sky that voids see little of, one lamp with a soft shadow, and what walls give back."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.simulate.grid import Bools, Box, Grid, Slab
from voidmap.simulate.noise import F32

DIRECTIONS = 12
"""Directions in which the horizon is looked for."""
HORIZON_STEPS = 16
"""Distances at which the horizon is looked for."""
SHADOW_STEPS = 48
"""Distances at which something between a cell and the lamp is looked for."""
MOST_THROW_MM = 300.0
"""Shadows thrown farther than this are not followed on the fine grid."""
LAMP_SAMPLES = 5
"""Points of the lamp's disc."""
COARSE_MM = 4.0
"""Cell of the light maps on the top and on the bench."""
AROUND_MM = 700.0
"""How far beyond the fine grid the bench's light is worked out."""


@dataclass(frozen=True)
class Light:
    """One lamp and a sky (window, ceiling, overcast).

    ``azimuth_deg`` points from the slab to the lamp, from x toward y; ``elevation_deg`` is its height above the
    horizon, seen from the slab's middle; ``distance_mm`` how far it is; ``radius_mm`` its size. ``lamp`` and
    ``sky`` are R, G, B irradiance on the top's middle. ``slope`` (x, y) is the sky's relative change a metre. The
    sky's radiance goes with the cosine of the angle from straight up to the power 2 (``overhead`` - 1): 1 is an even
    sky, more are ceiling lamps over the bench, by which hollows are lit better.
    """

    azimuth_deg: float = 120.0
    elevation_deg: float = 50.0
    distance_mm: float = 2000.0
    radius_mm: float = 60.0
    lamp: tuple[float, float, float] = (0.5, 0.5, 0.5)
    sky: tuple[float, float, float] = (0.5, 0.5, 0.5)
    slope: tuple[float, float] = (0.0, 0.0)
    overhead: float = 1.0

    def position(self) -> tuple[float, float, float]:
        """Return the lamp's place, mm (z is negative: above the top)."""
        a, e = np.radians(self.azimuth_deg), np.radians(self.elevation_deg)
        d = self.distance_mm
        return float(d * np.cos(e) * np.cos(a)), float(d * np.cos(e) * np.sin(a)), float(-d * np.sin(e))

    def sky_at(self, x: F32, y: F32) -> F32:
        """Return the sky's relative brightness at places."""
        return np.clip(1 + (self.slope[0] * x + self.slope[1] * y) / 1000, 0.3, 2).astype(np.float32)


def _shift(field: F32, dx: float, dy: float, inner: Box) -> F32:
    """Return field(x + dx, y + dy) inside a box, the border repeated."""
    turn = np.array([[1, 0, dx + inner.left], [0, 1, dy + inner.top]], np.float32)
    out: F32 = cv2.warpAffine(
        field,
        turn,
        (inner.right - inner.left, inner.bottom - inner.top),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return out


def _whole(depth: F32) -> Box:
    return Box(0, depth.shape[0], 0, depth.shape[1])


def openness(depth: F32, cell_mm: float, reach_mm: float, inner: Box | None = None, *, overhead: float = 1.0) -> F32:
    """Return the share (0 to 1) of the sky's light that reaches each cell of a depth field.

    ``inner`` limits what is worked out, not what is looked at. Of an even sky a level cell gets the share 1 - c^2 when
    it sees all that is nearer to straight up than an angle of cosine c; of one that is brighter ``overhead`` (see
    :class:`Light`) it gets 1 - c^(2 overhead).
    """
    inner = inner or _whole(depth)
    here = depth[inner.at]
    steps = np.unique(np.round(np.geomspace(1, max(2, reach_mm / cell_mm), HORIZON_STEPS), 1))
    total = np.zeros_like(here)
    for k in range(DIRECTIONS):
        a = 2 * np.pi * (k + 0.5) / DIRECTIONS
        slope = np.zeros_like(here)
        for n in steps:
            there = _shift(depth, float(n * np.cos(a)), float(n * np.sin(a)), inner)
            np.maximum(slope, (here - there) / np.float32(n * cell_mm), out=slope)
        total += 1 - (1 - 1 / (1 + slope * slope)) ** np.float32(overhead)
    return total / np.float32(DIRECTIONS)


def _shadow_steps(reach_cells: float) -> NDArray[np.float64]:
    """Return how far to look toward the lamp, in cells: evenly, so that a shadow's tip is 2 % true; finer near by."""
    even = max(1.0, reach_cells / SHADOW_STEPS)
    return np.r_[np.arange(1.0, 2 * even, 0.5), np.arange(2 * even, reach_cells + even, even)]


def lamp_share(depth: F32, grid: Grid, light: Light, *, inner: Box | None = None) -> F32:
    """Return how much of the lamp's disc each cell sees, 0 to 1; ``inner`` as for :func:`openness`."""
    inner = inner or _whole(depth)
    here, part = depth[inner.at], grid.sub(inner)
    lx, ly, lz = light.position()
    x, y = np.meshgrid(part.x(), part.y())
    columns = np.broadcast_to(np.arange(inner.left, inner.right, dtype=np.float32)[None, :], here.shape)
    rows = np.broadcast_to(np.arange(inner.top, inner.bottom, dtype=np.float32)[:, None], here.shape)
    drop = max(0.1, float(here.max() - depth.min()))
    total = np.zeros_like(here)
    az = np.radians(light.azimuth_deg)
    for k in range(LAMP_SAMPLES):
        # the disc faces the slab: spread it across the line of sight and upward
        a = 2 * np.pi * k / max(1, LAMP_SAMPLES - 1)
        r = 0.0 if k == 0 else light.radius_mm * 0.75
        ox, oy, oz = -r * np.sin(az) * np.cos(a), r * np.cos(az) * np.cos(a), r * np.sin(a)
        vx, vy = np.float32(lx + ox) - x, np.float32(ly + oy) - y
        flat = np.sqrt(vx * vx + vy * vy)
        climb = (here - np.float32(lz + oz)) / flat
        vx, vy = vx / flat, vy / flat
        lit = np.ones_like(here)
        steps = _shadow_steps(drop / max(0.05, float(np.median(climb))) / grid.cell_mm)
        # A step stands for the gap before it: the rim lies anywhere in that, in the middle on average.
        for s, gap in zip(steps, np.diff(steps, prepend=0.5), strict=True):
            there = cv2.remap(
                depth,
                columns + vx * np.float32(s),
                rows + vy * np.float32(s),
                cv2.INTER_LINEAR,
                None,
                cv2.BORDER_REPLICATE,
            )
            rise = climb * np.float32((s - gap / 2) * grid.cell_mm)
            clear = (there - here + rise) / np.float32(0.5 * grid.cell_mm) + 0.5
            np.minimum(lit, np.clip(clear, 0, 1), out=lit)
        total += lit
    return total / np.float32(LAMP_SAMPLES)


def _lamp_strength(x: F32, y: F32, z: F32 | float, light: Light) -> tuple[F32, F32, F32, F32]:
    """Return (fall-off relative to the origin, direction x, y, z) toward the lamp."""
    lx, ly, lz = light.position()
    vx, vy, vz = np.float32(lx) - x, np.float32(ly) - y, np.float32(lz) - np.asarray(z, np.float32)
    r = np.sqrt(vx * vx + vy * vy + vz * vz)
    fall = (np.float32(light.distance_mm) / r) ** 2 / np.float32(np.sin(np.radians(light.elevation_deg)))
    return fall, vx / r, vy / r, vz / r


def flat_light(grid: Grid, light: Light, z_mm: float, seen: F32, shared: F32) -> F32:
    """Return the irradiance (rows, columns, 3) on a level plane; ``seen`` of the sky, ``shared`` of the lamp."""
    x, y = np.meshgrid(grid.x(), grid.y())
    fall, _, _, down = _lamp_strength(x, y, z_mm, light)
    lamp = (fall * np.clip(-down, 0, None) * shared)[..., None] * np.array(light.lamp, np.float32)
    sky = (light.sky_at(x, y) * seen)[..., None] * np.array(light.sky, np.float32)
    return np.asarray(lamp + sky, dtype=np.float32)


def void_light(grid: Grid, depth: F32, albedo: F32, light: Light, inner: Box) -> F32:
    """Return the irradiance (rows, columns, 3) inside ``inner`` of a depth field on ``grid``."""
    part, here = grid.sub(inner), depth[inner.at]
    x, y = np.meshgrid(part.x(), part.y())
    gy, gx = np.gradient(cv2.GaussianBlur(depth, (0, 0), 0.7), np.float32(grid.cell_mm))
    gx, gy = gx[inner.at], gy[inner.at]
    norm = 1 / np.sqrt(gx * gx + gy * gy + 1)
    fall, vx, vy, vz = _lamp_strength(x, y, here, light)
    facing = np.clip((gx * vx + gy * vy - vz) * norm, 0, None)
    shared = lamp_share(depth, grid, light, inner=inner)
    lamp = (fall * facing * shared)[..., None] * np.array(light.lamp, np.float32)
    deep = float(here.max() - min(0.0, float(depth.min())))
    open_ = openness(depth, grid.cell_mm, max(4 * grid.cell_mm, 4 * deep), inner, overhead=light.overhead)
    seen = (open_ * (0.35 + 0.65 * norm))[..., None]
    # light that bounces between the walls of a hollow: a geometric series in the albedo
    back = np.clip(albedo, 0, 0.9)
    sky = light.sky_at(x, y)[..., None] * np.array(light.sky, np.float32) * seen / (1 - back * (1 - seen))
    bounce = cv2.GaussianBlur(lamp * back, (0, 0), max(1.0, min(30.0, 2 / grid.cell_mm))) * (1 - seen)
    return np.asarray(lamp + sky + bounce, dtype=np.float32)


@dataclass(frozen=True, eq=False)
class Lit:
    """A slab with its light worked out: seen from anywhere, it looks the same (no shine)."""

    slab: Slab
    light: Light
    radiance: F32
    """(rows, columns, 3) on the fine grid."""
    coarse: Grid
    top_light: F32
    """(rows, columns, 3) irradiance on the top's plane, on the coarse grid."""
    bench_light: F32
    """The same on the bench."""


def _coarse(slab: Slab) -> tuple[Grid, F32]:
    grid = slab.grid
    step = max(1, round(COARSE_MM / grid.cell_mm))
    small = cv2.resize(slab.depth, (grid.columns // step, grid.rows // step), interpolation=cv2.INTER_AREA)
    pad = int(AROUND_MM / (step * grid.cell_mm))
    cell = step * grid.cell_mm
    offset = (step - 1) / 2 * grid.cell_mm - pad * cell
    wide = cv2.copyMakeBorder(small, pad, pad, pad, pad, cv2.BORDER_CONSTANT, value=slab.thickness_mm)
    rows, columns = wide.shape
    return Grid(grid.x0_mm + offset, grid.y0_mm + offset, cell, rows, columns), wide


def illuminate(slab: Slab, light: Light, *, casts: F32 | None = None) -> Lit:
    """Work out the light once for all photos.

    ``casts`` is a depth field like the slab's that throws the shadows instead of it (a peg of which only the
    foot is drawn).
    """
    caster = slab.depth if casts is None else casts
    coarse, wide = _coarse(slab)
    bench_seen = openness(wide, coarse.cell_mm, 6 * slab.thickness_mm, overhead=light.overhead)
    bench_shared = lamp_share(wide, coarse, light)
    ones = np.ones(coarse.shape, np.float32)
    top_light = flat_light(coarse, light, 0.0, ones, ones)
    bench_light = flat_light(coarse, light, slab.thickness_mm, bench_seen, bench_shared)
    radiance = np.empty_like(slab.albedo)
    level = slab.depth >= slab.thickness_mm - 0.01
    for first in range(0, slab.grid.rows, 256):
        rows = slice(first, min(slab.grid.rows, first + 256))
        part = np.where(level[rows, :, None], _lookup(slab.grid, rows, coarse, bench_light), 0)
        top = np.where(level[rows, :, None], part, _lookup(slab.grid, rows, coarse, top_light))
        radiance[rows] = slab.albedo[rows] * top
    uneven = _uneven(slab, caster, light)
    tall = slab.thickness_mm - min(0.0, float(caster.min()))
    throw = 1.15 * tall / np.tan(np.radians(light.elevation_deg)) + 4
    reach = round(min(throw, MOST_THROW_MM) / slab.grid.cell_mm)
    for box in _tiles(uneven):
        wide_box = box.grown(reach, slab.grid)
        dy, dx = box.top - wide_box.top, box.left - wide_box.left
        inner = Box(dy, dy + box.bottom - box.top, dx, dx + box.right - box.left)
        wide_depth = np.ascontiguousarray(caster[wide_box.at])
        irradiance = void_light(slab.grid.sub(wide_box), wide_depth, slab.albedo[box.at], light, inner)
        take = uneven[box.at]
        radiance[box.at][take] = (slab.albedo[box.at] * irradiance)[take]
    return Lit(slab, light, radiance, coarse, top_light, bench_light)


def _lookup(grid: Grid, rows: slice, coarse: Grid, field: F32) -> F32:
    cx = ((grid.x() - coarse.x0_mm) / coarse.cell_mm).astype(np.float32)
    cy = ((grid.y()[rows] - coarse.y0_mm) / coarse.cell_mm).astype(np.float32)
    mx, my = np.meshgrid(cx, cy)
    out: F32 = cv2.remap(field, mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return out


def _uneven(slab: Slab, caster: F32, light: Light) -> Bools:
    """Return the cells whose light needs the fine grid: hollows, walls, things that stand up and their shadows."""
    hollow = (slab.depth > 0) & (slab.depth < slab.thickness_mm - 0.01)
    hollow |= slab.top & (slab.depth > 0)
    high = (caster < 0).astype(np.uint8)
    if high.any():
        reach = -float(caster.min()) / np.tan(np.radians(light.elevation_deg)) * 1.3 + 20
        n = round(reach / slab.grid.cell_mm)
        small = cv2.resize(high, None, fx=0.125, fy=0.125, interpolation=cv2.INTER_AREA)
        small = cv2.dilate((small > 0).astype(np.uint8), np.ones((n // 4 + 3, n // 4 + 3), np.uint8))
        grown = cv2.resize(small, (slab.grid.columns, slab.grid.rows), interpolation=cv2.INTER_NEAREST)
        # A thing of which only the foot is drawn is lit like the top it stands on.
        foot = (caster < 0) & (slab.depth >= 0)
        hollow |= (grown > 0) & (slab.depth <= 0) & ~foot
    return hollow


def _tiles(uneven: Bools) -> list[Box]:
    """Return boxes of at most 256 cells a side that hold all uneven cells, shrunk to them."""
    boxes = []
    for top in range(0, uneven.shape[0], 256):
        for left in range(0, uneven.shape[1], 256):
            part = uneven[top : top + 256, left : left + 256]
            if part.any():
                rows, columns = np.flatnonzero(part.any(1)), np.flatnonzero(part.any(0))
                boxes.append(
                    Box(
                        top + int(rows[0]), top + int(rows[-1]) + 1, left + int(columns[0]), left + int(columns[-1]) + 1
                    )
                )
    return boxes
