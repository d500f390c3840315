"""What makes one board of a wood unlike the next: curl, ray fleck, eyes, zone lines, stain, and marks of the saw.

All of it is flat and none of it is a void; how large and how strong each may be is common practice, no source. Each
function paints an albedo (rows, columns, 3) in place.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from voidmap.simulate.grid import Grid
from voidmap.simulate.noise import F32, fractal, smooth


def _field(rng: np.random.Generator, grid: Grid, x_mm: float, y_mm: float, octaves: int = 1) -> F32:
    """Return a random field of unit spread with correlation lengths along and across the grain."""
    return fractal(rng, grid.shape, (x_mm / grid.cell_mm, y_mm / grid.cell_mm), octaves)


def _patchy(rng: np.random.Generator, grid: Grid, size_mm: float) -> F32:
    """Return where a figure shows, 0 to 1: here strong, there not at all."""
    return np.clip(0.5 + 0.6 * _field(rng, grid, size_mm, 0.5 * size_mm), 0, 1)


def curl(rng: np.random.Generator, grid: Grid, albedo: F32) -> None:
    """Bands of light and dark across the grain, where the fibres wave: 4 to 20 mm from one to the next."""
    pitch = float(np.exp(rng.uniform(np.log(4.0), np.log(20.0))))
    phase = grid.x()[None, :] / np.float32(pitch) + 0.5 * _field(rng, grid, 4 * pitch, 2.5 * pitch, 2)
    wave = np.sin(2 * np.pi * phase) + 0.4 * np.sin(4 * np.pi * phase + float(rng.uniform(0, 6)))
    albedo *= np.exp(float(rng.uniform(0.06, 0.22)) * wave * _patchy(rng, grid, 150))[..., None]


def fleck(rng: np.random.Generator, grid: Grid, albedo: F32) -> None:
    """Rays that the saw has laid open: lenses across the grain (quarter-sawn oak) or short strokes along it (beech)."""
    across = bool(rng.random() < 0.6)
    turn = float(rng.uniform(60, 120)) if across else 0.0
    long_mm, wide_mm = (
        (rng.uniform(4, 25), rng.uniform(0.6, 2.5)) if across else (rng.uniform(1.5, 5), rng.uniform(0.3, 0.7))
    )
    share = np.zeros(grid.shape, np.float32)
    area = grid.rows * grid.columns * grid.cell_mm**2
    where = _patchy(rng, grid, 200)
    for _ in range(int(min(20000, area * float(rng.uniform(0.03, 0.15)) / (long_mm * wide_mm)))):
        x, y = int(rng.integers(grid.columns)), int(rng.integers(grid.rows))
        if where[y, x] < rng.random():
            continue
        half = (long_mm * float(rng.lognormal(0, 0.4)) / 2, wide_mm * float(rng.lognormal(0, 0.3)) / 2)
        _lens(share, (x, y), (half[0] / grid.cell_mm, half[1] / grid.cell_mm), turn + float(rng.normal(0, 5)))
    tone = float(rng.uniform(0.1, 0.35) if across and rng.random() < 0.6 else -rng.uniform(0.15, 0.5))
    share = cv2.GaussianBlur(share, (0, 0), 0.15 / grid.cell_mm)
    albedo *= (1 + tone * share)[..., None]


def _lens(share: F32, at: tuple[int, int], half: tuple[float, float], turn_deg: float) -> None:
    """Draw a lens (cells), in place."""
    axes = (max(16, round(half[0] * 16)), max(8, round(half[1] * 16)))
    cv2.ellipse(share, (at[0] * 16, at[1] * 16), axes, turn_deg, 0, 360, 1.0, -1, cv2.LINE_8, 4)


def eyes(rng: np.random.Generator, grid: Grid, albedo: F32) -> None:
    """Small dark swirls of the grain, 1.5 to 5 mm wide, in flocks."""
    size = float(rng.uniform(1.5, 4.0))
    where = _patchy(rng, grid, 250)
    area = grid.rows * grid.columns * grid.cell_mm**2
    x, y = grid.x(), grid.y()
    for _ in range(int(area * float(rng.uniform(2, 16)) * 1e-4)):
        c, r = int(rng.integers(grid.columns)), int(rng.integers(grid.rows))
        if where[r, c] < rng.random():
            continue
        radius = 0.5 * size * float(rng.lognormal(0, 0.25))
        n = int(np.ceil(2 * radius / grid.cell_mm))
        box = np.s_[max(0, r - n) : r + n + 1, max(0, c - n) : c + n + 1]
        rho = np.hypot((x[None, box[1]] - x[c]) / (1.3 * radius), (y[box[0], None] - y[r]) / radius)
        ring = 0.6 + 0.4 * np.cos(np.float32(rng.uniform(4, 9)) * rho)
        albedo[box] *= (1 - float(rng.uniform(0.25, 0.65)) * ring * np.exp(-(rho**3)))[..., None]


def zone_lines(rng: np.random.Generator, grid: Grid, albedo: F32) -> None:
    """Spalted wood: thin black lines that wander between bleached and sound wood, closed or not."""
    field = _field(rng, grid, float(rng.uniform(60, 250)), float(rng.uniform(20, 60)), 5)
    level = float(rng.uniform(-0.3, 1.0))
    slope = np.hypot(cv2.Sobel(field, -1, 1, 0), cv2.Sobel(field, -1, 0, 1)) / np.float32(8 * grid.cell_mm)
    away = np.abs(field - level) / np.maximum(slope, 1e-3)
    wide = float(rng.uniform(0.4, 1.4)) * np.exp(0.4 * _field(rng, grid, 15, 15))
    line = np.clip((wide / 2 - away) / np.float32(max(0.25, grid.cell_mm)) + 0.5, 0, 1)
    line *= np.clip(1.2 + _field(rng, grid, 40, 40), 0, 1)
    bleached = np.clip((field - level) / 0.05, 0, 1) * float(rng.uniform(0, 0.35))
    ink = np.array([0.025, 0.02, 0.016], np.float32) * float(rng.uniform(0.8, 3.0))
    strength = float(rng.uniform(0.6, 0.97)) * line[..., None]
    albedo += (0.75 - albedo) * bleached[..., None]
    albedo += (ink - albedo) * strength


def streaks(rng: np.random.Generator, grid: Grid, albedo: F32) -> None:
    """Grey or brown stain along the grain with feathered ends: blue stain, mineral, what beetles' fungi leave."""
    field = _field(rng, grid, float(rng.uniform(100, 300)), float(rng.uniform(6, 25)), 4)
    soft = float(np.exp(rng.uniform(np.log(0.05), np.log(0.6))))
    share = np.clip((field - float(rng.uniform(0.8, 1.6))) / soft, 0, 1)
    tint = np.array([(0.55, 0.62, 0.72), (0.5, 0.42, 0.36), (0.5, 0.52, 0.46)][int(rng.integers(3))], np.float32)
    albedo *= 1 - float(rng.uniform(0.4, 1.0)) * share[..., None] * (1 - tint)


def saw(rng: np.random.Generator, grid: Grid, albedo: F32) -> None:
    """Ridges that a chain or band mill leaves, 3 to 14 mm apart and lit from one side, in arcs or straight."""
    pitch, radius = float(rng.uniform(3, 14)), float(rng.choice([350.0, 700.0, 1e5]))
    x, y = grid.x()[None, :], grid.y()[:, None] - np.float32(rng.normal(0, 80))
    slant = np.float32(np.tan(rng.normal(0, 0.12)))
    at = (np.sqrt((x + slant * y + radius) ** 2 + y**2) - radius) / np.float32(pitch)
    at = at + 0.3 * smooth(rng, grid.shape, (6 * pitch / grid.cell_mm, 80 / grid.cell_mm))
    phase = at - np.floor(at)
    ridge = phase ** float(rng.uniform(1, 4)) - float(rng.uniform(0, 0.4)) * (phase < 0.1)
    depth = 1 + 0.5 * _field(rng, grid, 2 * pitch, 100)
    albedo *= np.exp(-float(rng.uniform(0.06, 0.3)) * ridge * np.clip(depth, 0, 2) * _patchy(rng, grid, 300))[..., None]


def burn(rng: np.random.Generator, grid: Grid, albedo: F32) -> None:
    """Brown bands across the board where a saw or planer stood still, and the pale ghosts that stickers leave."""
    x = grid.x()
    for _ in range(int(rng.integers(1, 5))):
        middle, half = float(rng.uniform(x[0], x[-1])), float(rng.uniform(3, 20))
        edge = float(np.exp(rng.uniform(np.log(0.5), np.log(6.0))))
        bow = 4 * _field(rng, grid, 200, 200)
        share = np.clip((half - np.abs(x[None, :] + bow - middle)) / edge + 0.5, 0, 1)
        share *= np.clip(0.6 + 0.5 * _field(rng, grid, 30, 20, 3), 0, 1)
        tone = np.array([(0.62, 0.5, 0.4), (0.75, 0.72, 0.7), (1.15, 1.13, 1.1)][int(rng.integers(3))], np.float32)
        albedo *= 1 - float(rng.uniform(0.3, 1.0)) * share[..., None] * (1 - tone)


FIGURES: dict[str, Callable[[np.random.Generator, Grid, F32], None]] = {
    "curl": curl,
    "fleck": fleck,
    "eyes": eyes,
    "zone_lines": zone_lines,
    "streaks": streaks,
    "saw": saw,
    "burn": burn,
}


def random_figures(rng: np.random.Generator) -> tuple[str, ...]:
    """Return the names of one to three figures that a board has at once."""
    names = sorted(FIGURES)
    return tuple(names[k] for k in rng.permutation(len(names))[: int(rng.integers(1, 4))])


def paint_figures(rng: np.random.Generator, grid: Grid, albedo: F32, names: tuple[str, ...]) -> None:
    """Paint figures (names of :data:`FIGURES`) into the albedo of a face, in place."""
    for name in names:
        FIGURES[name](rng, grid, albedo)
    np.clip(albedo, 0.004, 0.95, out=albedo)
