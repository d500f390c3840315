"""Shapes of voids as depth fields (mm, positive downward) on a grid; depth 0 means untouched."""

from __future__ import annotations

import numpy as np

from voidmap.simulate.grid import Floats, Grid
from voidmap.simulate.noise import F32, fractal, smooth, walk
from voidmap.simulate.wood import ellipse_radius


def cap(grid: Grid, x_mm: float, y_mm: float, radius_mm: float, depth_mm: float) -> F32:
    """Return a spherical cap of rim radius ``radius_mm``; volume pi h (3 a^2 + h^2) / 6."""
    big = (radius_mm**2 + depth_mm**2) / (2 * depth_mm)
    r = ellipse_radius(grid, x_mm, y_mm, 1.0, 1.0, 0.0)
    d = np.sqrt(np.clip(big**2 - r**2, 0, None)) - (big - depth_mm)
    return np.asarray(np.where(r < radius_mm, np.clip(d, 0, None), 0), dtype=np.float32)


def frustum(
    grid: Grid,
    at_mm: tuple[float, float],
    rim_mm: tuple[float, float],
    floor_share: float,
    depth_mm: float,
    turn_rad: float = 0.0,
    *,
    waves: F32 | float = 0.0,
) -> F32:
    """Return an elliptic frustum: half-axes ``rim_mm`` at the top, ``floor_share`` of them at the floor.

    A share of 0 is a cone, 1 a cylinder; volume pi a b h (1 + s + s^2) / 3. ``waves`` (rows, columns) is added to the
    elliptic radius, so that the walls are no ellipse.
    """
    rho = ellipse_radius(grid, *at_mm, *rim_mm, turn_rad) + waves
    slope = np.clip((1 - rho) / max(1e-6, 1 - floor_share), 0, 1)
    return np.asarray(np.where(rho < 1, depth_mm * slope, 0), dtype=np.float32)


def groove(
    grid: Grid,
    line: tuple[float, float, float, float],
    centre_mm: Floats,
    width_mm: Floats,
    depth_mm: Floats,
    power: float,
) -> F32:
    """Return a crack: ``line`` is (x, y) of its start, its direction (rad) and its length (mm).

    ``centre_mm``, ``width_mm`` and ``depth_mm`` are sampled evenly along it: sideways wander, full width,
    greatest depth. Across, depth falls as 1 - |2u / width|^power: 1 is a V, large is a slot.
    """
    x0, y0, turn, length = line
    dx, dy = grid.x()[None, :].astype(np.float64) - x0, grid.y()[:, None].astype(np.float64) - y0
    along = (np.cos(turn) * dx + np.sin(turn) * dy) / length * (len(centre_mm) - 1)
    side = -np.sin(turn) * dx + np.cos(turn) * dy
    at = np.arange(len(centre_mm), dtype=np.float64)
    half = np.interp(along, at, width_mm, left=0, right=0) / 2
    u = np.abs(side - np.interp(along, at, centre_mm))
    inside = u < half
    share = np.where(inside, u / np.maximum(half, 1e-9), 1)
    return np.asarray(np.where(inside, np.interp(along, at, depth_mm) * (1 - share**power), 0), dtype=np.float32)


def crack_runs(
    rng: np.random.Generator, length_mm: float, width_mm: float, depth_mm: float, *, from_edge: bool
) -> tuple[Floats, Floats, Floats]:
    """Return (centre, width, depth) along a wandering, tapering crack, one value a millimetre.

    From the edge it is widest there; else it is widest somewhere inside and fine at both tips.
    """
    n = max(8, round(length_mm))
    t = np.linspace(0, 1, n)
    if from_edge:
        taper = (1 - t) ** rng.uniform(0.4, 1.2)
    else:
        p = rng.uniform(0.3, 0.7)
        taper = np.clip(np.where(t < p, t / p, (1 - t) / (1 - p)), 0, 1) ** rng.uniform(0.4, 1.0)
    wobble = np.clip(1 + 0.3 * walk(rng, n, 6) + 0.2 * walk(rng, n, 25), 0.25, 2)
    centre = walk(rng, n, 60) * 0.012 * length_mm + 0.35 * walk(rng, n, 7) + 0.15 * walk(rng, n, 2)
    if from_edge:
        centre = centre - centre[0]
    depth = depth_mm * np.clip(taper**0.6 * (1 + 0.25 * walk(rng, n, 15)), 0.02, 1.6)
    return np.asarray(centre), np.asarray(width_mm * taper * wobble), np.asarray(depth)


def ragged(
    rng: np.random.Generator,
    grid: Grid,
    at_mm: tuple[float, float],
    half_mm: tuple[float, float],
    depth_mm: float,
    *,
    wall_mm: float,
    rough: float,
) -> F32:
    """Return a bark void: a torn outline stretched along the grain, steep rough walls, a ridged floor.

    ``wall_mm`` is how far inside the rim the floor is reached; ``rough`` is the spread of the floor as a share
    of its depth.
    """
    rho = ellipse_radius(grid, *at_mm, *half_mm, rng.normal(0, 0.06))
    c = grid.cell_mm
    rho += 0.22 * fractal(rng, grid.shape, (half_mm[0] * 0.8 / c, half_mm[1] * 0.6 / c), 4, 0.6)
    rho += 0.03 * smooth(rng, grid.shape, (2.5 / c, 0.9 / c))
    inside = (1 - rho) * min(half_mm)
    wall = 1 - np.exp(-np.clip(inside, 0, None) / max(wall_mm, 0.2))
    ridges = fractal(rng, grid.shape, (18 / c, 5 / c), 4, 0.65) * rough
    bowl = 0.75 + 0.25 * np.clip(1 - rho, 0, 1)
    depth = depth_mm * wall * np.clip(bowl * (1 + ridges), 0.12, 1.8)
    return np.asarray(np.where(inside > 0, np.maximum(depth, 0.3), 0), dtype=np.float32)
