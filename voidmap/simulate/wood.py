"""The colour of wood: growth rings bent around knots, pores, sapwood, saw marks."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from voidmap.simulate.grid import Floats, Grid
from voidmap.simulate.noise import F32, fractal, linear, smooth

Rgb = tuple[float, float, float]


@dataclass(frozen=True)
class Species:
    """A wood-like range of looks; colours are 0-255 display values of planed dry wood (our own choice, by eye)."""

    name: str
    early: Rgb
    late: Rgb
    sap: Rgb
    knot: Rgb
    pores: float
    """Share of the face in open pores, 0 (maple) to 0.1 (ash, oak)."""
    ring_mm: tuple[float, float]
    late_share: tuple[float, float] | None = None
    """Share of a ring that its late wood takes, where that is set off as a line (conifers); else it darkens slowly."""


SPECIES = (
    Species("ash", (222, 200, 168), (186, 152, 112), (232, 216, 190), (122, 88, 60), 0.05, (2.5, 7.0)),
    Species("maple", (226, 206, 174), (204, 176, 138), (236, 222, 198), (120, 90, 66), 0.004, (2.0, 5.0)),
    Species("oak", (196, 164, 120), (152, 116, 76), (214, 194, 160), (98, 70, 46), 0.07, (1.8, 5.0)),
    Species("cherry", (192, 132, 92), (160, 100, 66), (222, 190, 150), (92, 54, 36), 0.01, (2.0, 5.0)),
    Species("walnut", (112, 80, 58), (72, 50, 38), (196, 166, 128), (48, 34, 28), 0.03, (2.5, 7.0)),
    Species("elm", (168, 130, 92), (128, 92, 62), (208, 180, 140), (84, 58, 42), 0.05, (2.5, 8.0)),
    Species("beech", (214, 176, 140), (190, 146, 110), (224, 194, 160), (116, 76, 54), 0.006, (2.0, 5.0)),
    Species("larch", (206, 152, 100), (150, 92, 54), (226, 194, 150), (96, 52, 30), 0.0, (1.5, 5.0)),
)

CONIFERS = (
    Species("spruce", (228, 204, 164), (184, 138, 92), (232, 212, 176), (112, 72, 44), 0.0, (2.0, 9.0), (0.1, 0.3)),
    Species("pine", (222, 188, 138), (170, 112, 66), (230, 204, 160), (104, 62, 36), 0.0, (2.0, 9.0), (0.12, 0.4)),
    Species("fir", (214, 172, 128), (148, 88, 54), (226, 200, 162), (98, 58, 36), 0.0, (2.0, 7.0), (0.15, 0.4)),
)
"""Woods whose late wood stands out as lines, sharp on the side of the bark: drawn only where they are asked for."""


@dataclass(frozen=True)
class Knot:
    """Where a branch crosses the face: the rings bend around it."""

    x_mm: float
    y_mm: float
    radius_mm: float
    stretch: float = 1.4
    """Length along the grain over width."""


def _bent(x: F32, y: F32, knots: tuple[Knot, ...]) -> F32:
    """Carry y to the stream line that it lies on: flow around a cylinder for each knot."""
    out = np.broadcast_to(y, (y.shape[0], x.shape[1])).astype(np.float32).copy()
    for knot in knots:
        dx, dy = (x - knot.x_mm) / np.float32(knot.stretch), y - knot.y_mm
        rr = np.float32((1.15 * knot.radius_mm) ** 2)
        out -= dy * np.minimum(rr / (dx * dx + dy * dy + np.float32(0.05) * rr), 1)
    return out


def rings(rng: np.random.Generator, grid: Grid, species: Species, knots: tuple[Knot, ...]) -> F32:
    """Return the share of late wood (0 to 1) on the face of a flat-sawn board.

    The rings are cylinders around a pith below (or beside) the board, its taper and wander noise; what the saw
    lays open is their cut with the top.
    """
    x, y = grid.x()[None, :], grid.y()[:, None]
    spacing = rng.uniform(*species.ring_mm)
    pith_y, pith_z = rng.normal(0, 120), rng.uniform(30, 220)
    taper = rng.normal(0, 0.03)
    wander = smooth(rng, grid.shape, (180 / grid.cell_mm, 60 / grid.cell_mm)) * np.float32(rng.uniform(2, 7))
    fine = smooth(rng, grid.shape, (40 / grid.cell_mm, 4 / grid.cell_mm)) * np.float32(0.25)
    v = _bent(x, y, knots) - np.float32(pith_y) + wander
    radius = np.sqrt(v * v + (np.float32(pith_z) + np.float32(taper) * x) ** 2) + fine
    years = radius / np.float32(spacing)
    years += np.float32(0.5) * np.sin(years * np.float32(0.37)) + np.float32(0.3) * np.sin(years * np.float32(0.9))
    phase = years - np.floor(years)
    if species.late_share is not None:
        return _late_lines(phase, rng.uniform(*species.late_share))
    rise = np.clip((phase - 0.15) / 0.75, 0, 1) ** 2
    fall = np.clip((1 - phase) / 0.08, 0, 1)
    return np.asarray(rise * fall, dtype=np.float32)


def _late_lines(phase: F32, share: float) -> F32:
    """Return the share of late wood where it is the last part of each ring: it comes within half of that, and ends."""
    late = np.clip((phase - (1 - share)) / (0.5 * share), 0, 1)
    fall = np.clip((1 - phase) / (0.15 * share), 0, 1)
    return np.asarray((0.12 * phase + 0.88 * late) * fall, dtype=np.float32)


def dashes(rng: np.random.Generator, grid: Grid, share: float, length_mm: float) -> F32:
    """Return open pores: short dark strokes along the grain, 0 to 1."""
    if share <= 0:
        return np.zeros(grid.shape, np.float32)
    seeds = (rng.random(grid.shape, dtype=np.float32) < share * grid.cell_mm / length_mm).astype(np.float32)
    seeds *= rng.random(grid.shape, dtype=np.float32)
    n = max(1, round(length_mm / grid.cell_mm))
    strokes = cv2.blur(seeds, (n, 1)) * np.float32(n)
    return np.minimum(cv2.GaussianBlur(strokes, (0, 0), max(0.3, 0.1 / grid.cell_mm)) * 1.6, 1)


def wood_albedo(rng: np.random.Generator, grid: Grid, species: Species, knots: tuple[Knot, ...], live_mm: F32) -> F32:
    """Return the albedo (rows, columns, 3) of a sawn or sanded face.

    ``live_mm`` (rows, columns) is the distance from the nearest live edge: sapwood lies within some of it.
    """
    shade = rng.uniform(0.85, 1.12)
    tint = rng.normal(1, 0.03, 3)
    early, late, sap = (linear(c) * shade * tint for c in (species.early, species.late, species.sap))
    ring = rings(rng, grid, species, knots)
    contrast = rng.uniform(0.4, 1.0)
    ring *= np.float32(contrast)
    pores = dashes(rng, grid, species.pores * 6, rng.uniform(2, 6)) * (0.35 + 0.65 * (1 - ring))
    fibre = cv2.blur(rng.standard_normal(grid.shape, dtype=np.float32), (max(1, round(6 / grid.cell_mm)), 1))
    fibre *= np.float32(np.sqrt(max(1, round(6 / grid.cell_mm))))
    cloud = fractal(rng, grid.shape, (150 / grid.cell_mm, 50 / grid.cell_mm), 3)
    band = rng.uniform(15, 45) + 6 * smooth(rng, grid.shape, (120 / grid.cell_mm, 40 / grid.cell_mm))
    sapness = np.clip((band - live_mm) / 4 + 0.5, 0, 1).astype(np.float32)
    gain = 1 + 0.035 * fibre + 0.05 * cloud - 0.45 * pores + _saw_marks(rng, grid)
    out = np.empty((*grid.shape, 3), np.float32)
    for c in range(3):
        heart = early[c] + (late[c] - early[c]) * ring
        pale = sap[c] * (1 - 0.25 * ring)
        out[..., c] = (heart + (pale - heart) * sapness) * gain
    return np.clip(out, 0.004, 0.95)


def _saw_marks(rng: np.random.Generator, grid: Grid) -> F32:
    """Return faint marks of a band saw (straight) or a circular saw (arcs) across the grain."""
    strength = rng.choice([0.0, 0.0, 0.008, 0.025])
    if strength == 0:
        return np.zeros(grid.shape, np.float32)
    x, y = grid.x()[None, :], grid.y()[:, None]
    radius = rng.choice([400.0, 1e5])
    pitch = rng.uniform(2, 6)
    at = (np.sqrt((x + radius) ** 2 + (y - rng.normal(0, 50)) ** 2) - radius) / np.float32(pitch)
    at = at + 0.35 * smooth(rng, grid.shape, (4 * pitch / grid.cell_mm, 60 / grid.cell_mm))
    patchy = np.clip(smooth(rng, grid.shape, (90 / grid.cell_mm, 90 / grid.cell_mm)), 0, 1.5)
    return np.asarray(strength * patchy * np.sin(2 * np.pi * at), dtype=np.float32)


def paint_knot(rng: np.random.Generator, grid: Grid, albedo: F32, knot: Knot, species: Species, dark: float) -> None:
    """Paint the end of a branch into the albedo, in place: dark rings about its middle, a darker rim."""
    reach = knot.radius_mm * knot.stretch * 1.6
    box = grid.box((knot.x_mm - reach, knot.y_mm - reach), (knot.x_mm + reach, knot.y_mm + reach))
    if box.empty:
        return
    part = grid.sub(box)
    rho = ellipse_radius(part, knot.x_mm, knot.y_mm, knot.radius_mm * knot.stretch, knot.radius_mm, 0.0)
    rho *= 1 + 0.06 * smooth(rng, part.shape, (8 / grid.cell_mm, 8 / grid.cell_mm))
    ring = 0.5 + 0.5 * np.sin(rho * rng.uniform(14, 40))
    colour = linear(species.knot) * dark
    inside = np.clip((1 - rho) * knot.radius_mm / 0.8 + 0.5, 0, 1)[..., None]
    halo = 0.5 * np.exp(-np.clip(rho - 1, 0, None) * 6)[..., None] * (1 - inside)
    rim = np.exp(-(((rho - 1) * knot.radius_mm / 0.9) ** 2))[..., None]
    body = colour * (0.75 + 0.5 * ring[..., None]) * (1 - 0.5 * rim)
    old = albedo[box.at]
    albedo[box.at] = old * (1 - inside) * (1 - halo * 0.6) + body * inside + colour * halo * 0.6


def ellipse_radius(grid: Grid, x_mm: float, y_mm: float, a_mm: float, b_mm: float, turn_rad: float) -> Floats:
    """Return the elliptic radius of each cell (1 on the rim)."""
    dx, dy = grid.x()[None, :] - x_mm, grid.y()[:, None] - y_mm
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    return np.asarray(np.hypot((c * dx + s * dy) / a_mm, (-s * dx + c * dy) / b_mm), dtype=np.float64)
