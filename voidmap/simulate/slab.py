"""A random slab of known truth: outline, wood, voids, flat things, on a bench."""

from __future__ import annotations

import cv2
import numpy as np

from voidmap.simulate import flats, voids
from voidmap.simulate.benches import BENCHES, bench_tile
from voidmap.simulate.figure import paint_figures
from voidmap.simulate.grid import Bools, Floats, Grid, Slab
from voidmap.simulate.noise import F32, walk
from voidmap.simulate.voids import Variety, Workpiece
from voidmap.simulate.wood import CONIFERS, SPECIES, Knot, Species, wood_albedo

MARGIN_MM = 90.0
"""Bench around the slab that is kept on the fine grid (edges, clutter, near shadows)."""
BENCH_CELL_MM = 0.8


def outline(
    rng: np.random.Generator, length_mm: float, width_mm: float, live: tuple[bool, bool]
) -> tuple[Floats, tuple[Floats, Floats]]:
    """Return a closed outline (N, 2) mm about the origin, and its upper and lower edge as (n, 2).

    The ends are sawn (nearly square); each long side is sawn straight or live (wandering).
    """
    n = max(40, round(length_mm / 1.5))
    skew = rng.normal(0, 0.012, 2)
    t = np.linspace(-0.5, 0.5, n)
    sides = []
    for sign, is_live in zip((-1.0, 1.0), live, strict=True):
        y = np.full(n, sign * width_mm / 2)
        if is_live:
            size = width_mm * rng.uniform(0.02, 0.05)
            y = y + size * walk(rng, n, 150) + 0.25 * size * walk(rng, n, 30) + 0.5 * walk(rng, n, 6)
        else:
            y = y + width_mm * rng.normal(0, 0.01) * t
        x = t * length_mm + skew[0] * y * (t < 0) + skew[1] * y * (t >= 0)
        sides.append(np.c_[x, y])
    upper, lower = sides
    left = np.linspace(lower[0], upper[0], 60)[1:-1]
    right = np.linspace(upper[-1], lower[-1], 60)[1:-1]
    return np.r_[upper, right, lower[::-1], left], (upper, lower)


def inside(grid: Grid, outline_mm: Floats) -> Bools:
    """Return which cells have their middle inside a polygon (N, 2) mm, by the crossings along each row."""
    points = grid.to_cell(outline_mm)
    flips = np.zeros((grid.rows, grid.columns + 1), np.uint8)
    for (x1, y1), (x2, y2) in zip(points, np.roll(points, -1, 0), strict=True):
        lo, hi = sorted((y1, y2))
        rows = np.arange(max(0, int(np.ceil(lo))), min(grid.rows, int(np.ceil(hi))))
        if len(rows):
            cross = np.ceil(x1 + (rows - y1) / (y2 - y1) * (x2 - x1)).astype(int)
            flips[rows, np.clip(cross, 0, grid.columns)] ^= 1
    mask: Bools = np.bitwise_xor.accumulate(flips[:, :-1], axis=1).astype(bool)
    return mask


def random_slab(
    rng: np.random.Generator,
    *,
    name: str = "",
    length_mm: float | None = None,
    width_mm: float | None = None,
    thickness_mm: float | None = None,
    cell_mm: float = 0.4,
    species: str | None = None,
    bench: str | None = None,
    busy: float = 1.0,
    variety: Variety | None = None,
    figures: tuple[str, ...] = (),
) -> Slab:
    """Return a random slab.

    Parameters
    ----------
    rng
        The only source of chance.
    length_mm, width_mm
        Size; random (650 to 1100 x 300 to 560 mm) when None. Grain runs along the length (x).
    thickness_mm
        Random (28 to 60 mm) when None.
    cell_mm
        Grid cell; voids narrower than two cells are drawn poorly.
    species, bench
        A name in :data:`SPECIES`, :data:`CONIFERS` or :data:`BENCHES`; random when None, but no conifer.
    busy
        Scales the number of features.
    variety
        How often they are unlike the plain ones; the usual when None.
    figures
        Names in :data:`voidmap.simulate.figure.FIGURES`: what the board's face has besides rings and pores.
    """
    length = length_mm or float(rng.uniform(650, 1100))
    width = width_mm or float(rng.uniform(300, 560))
    thickness = thickness_mm or float(rng.choice([28.0, 34.0, 40.0, 45.0, 52.0, 60.0]))
    kind = _species(rng, species)
    live = (bool(rng.random() < 0.7), bool(rng.random() < 0.7))
    edge, sides = outline(rng, length, width, live)
    lo = edge.min(0) - MARGIN_MM
    count = np.ceil((edge.max(0) + MARGIN_MM - lo) / cell_mm).astype(int)
    grid = Grid(float(lo[0]), float(lo[1]), cell_mm, int(count[1]), int(count[0]))
    top = inside(grid, edge)
    knots = _knots(rng, length, width, busy)
    seam = float(rng.uniform(-0.25, 0.25) * width) if rng.random() < 0.3 else None
    albedo = _face(rng, grid, kind, knots, sides, live, seam)
    # A stream of its own: the same slab with and without its figure.
    paint_figures(rng.spawn(1)[0], grid, albedo, figures)
    tile = bench_tile(rng, bench or BENCHES[int(rng.integers(len(BENCHES)))])
    depth = np.where(top, 0, thickness).astype(np.float32)
    if any(live):
        _flare(rng, grid, depth, albedo, top, thickness, sides, live)
    near_edge = cv2.erode(top.astype(np.uint8), np.ones((3, 3), np.uint8)) == 0
    half = (length / 2, width / 2)
    piece = Workpiece(grid, depth, albedo, top, near_edge & ~top, thickness, kind, half, variety or Variety())
    _fill(rng, piece, knots, seam, busy)
    _lay_bench(grid, albedo, depth, thickness, tile)
    return Slab(grid, depth, albedo, top, edge, thickness, tuple(piece.features), tile, BENCH_CELL_MM, name)


def _species(rng: np.random.Generator, name: str | None) -> Species:
    if name is None:
        return SPECIES[int(rng.integers(len(SPECIES)))]
    return next(s for s in (*SPECIES, *CONIFERS) if s.name == name)


def _knots(rng: np.random.Generator, length: float, width: float, busy: float) -> tuple[Knot, ...]:
    count = int(rng.poisson(4 * busy))
    return tuple(
        Knot(
            float(rng.uniform(-0.44, 0.44) * length),
            float(rng.uniform(-0.38, 0.38) * width),
            float(np.clip(rng.lognormal(np.log(9), 0.5), 3, 26)),
            float(rng.uniform(1.05, 1.8)),
        )
        for _ in range(count)
    )


def _face(
    rng: np.random.Generator,
    grid: Grid,
    species: Species,
    knots: tuple[Knot, ...],
    sides: tuple[Floats, Floats],
    live: tuple[bool, bool],
    seam: float | None,
) -> F32:
    """Return the wood's albedo; across a seam it is another board."""
    x, y = grid.x(), grid.y()
    live_mm = np.full(grid.shape, 1e3, np.float32)
    for sign, side, is_live in zip((-1, 1), sides, live, strict=True):
        if is_live:
            edge_y = np.interp(x, side[:, 0], side[:, 1]).astype(np.float32)
            live_mm = np.minimum(live_mm, sign * (edge_y[None, :] - y[:, None]))
    albedo = wood_albedo(rng, grid, species, knots, live_mm)
    if seam is not None:
        rows = y > seam
        other = wood_albedo(rng, grid.sub(grid.box((x[0], seam), (x[-1], y[-1]))), species, knots, live_mm[-1:] + 1e3)
        n = min(int(rows.sum()), other.shape[0])
        albedo[-n:] = other[-n:]
    return albedo


def _flare(
    rng: np.random.Generator,
    grid: Grid,
    depth: F32,
    albedo: F32,
    top: Bools,
    thickness: float,
    sides: tuple[Floats, Floats],
    live: tuple[bool, bool],
) -> None:
    """Let live edges lean outward below the top and give them bark, in place."""
    away = cv2.distanceTransform((~top).astype(np.uint8), cv2.DIST_L2, 5) * np.float32(grid.cell_mm)
    x, y = grid.x(), grid.y()
    bark = voids.bark_colour(rng, grid)
    for sign, side, is_live in zip((-1, 1), sides, live, strict=True):
        if not is_live:
            continue
        lean = float(rng.uniform(0.05, 0.6))
        beyond = np.interp(x, side[:, 0], side[:, 1])[None, :]
        out = (sign * (y[:, None] - beyond) > -0.5) & ~top
        out &= (x >= side[0, 0]) & (x <= side[-1, 0])
        rough = 1 + 0.15 * np.clip(bark[..., 0] / max(1e-3, float(bark[..., 0].mean())) - 1, -1, 2)
        lower = away / np.float32(lean) * rough + 0.4
        hit = out & (lower < thickness)
        depth[hit] = lower[hit]
        albedo[hit] = bark[hit]


def _lay_bench(grid: Grid, albedo: F32, depth: F32, thickness: float, tile: F32) -> None:
    """Paint the bench's tile into the fine grid where the bench shows, in place."""
    n = tile.shape[0]
    map_x = np.mod(grid.x() / BENCH_CELL_MM, n).astype(np.float32)
    map_y = np.mod(grid.y() / BENCH_CELL_MM, n).astype(np.float32)
    for top in range(0, grid.rows, 256):
        rows = slice(top, min(grid.rows, top + 256))
        mx = np.broadcast_to(map_x, (rows.stop - top, grid.columns)).copy()
        my = np.broadcast_to(map_y[rows, None], mx.shape).copy()
        picture = cv2.remap(tile, mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
        seen = depth[rows] >= thickness
        albedo[rows][seen] = picture[seen]


def _fill(rng: np.random.Generator, piece: Workpiece, knots: tuple[Knot, ...], seam: float | None, busy: float) -> None:
    """Cut and paint everything, big things first."""
    for _ in range(int(rng.poisson(1.6 * busy))):
        voids.add_bark_void(rng, piece, at_edge=False)
    for _ in range(int(rng.poisson(0.8 * busy))):
        voids.add_bark_void(rng, piece, at_edge=True)
    for knot in knots:
        if rng.random() < 0.35:
            voids.add_knot_hole(rng, piece, knot)
        else:
            flats.add_sound_knot(rng, piece, knot)
    if seam is not None and rng.random() < 0.7:
        voids.add_seam_gap(rng, piece, seam)
    for _ in range(int(rng.poisson(1.7 * busy))):
        voids.add_crack(rng, piece, from_edge=True)
    for _ in range(int(rng.poisson(2.2 * busy))):
        voids.add_crack(rng, piece, from_edge=False)
    for _ in range(int(rng.poisson(4 * busy))):
        voids.add_hole(rng, piece)
    for _ in range(int(rng.poisson(1.8 * busy))):
        flats.add_stain(rng, piece)
    flats.add_marks(rng, piece)
