"""Take a photo of a lit slab: every ray meets the top, or goes down a void until it meets a wall or the bench."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.simulate.camera import GRID_PX, Camera, develop
from voidmap.simulate.grid import Bools, Floats, Grid
from voidmap.simulate.light import Lit
from voidmap.simulate.noise import F32
from voidmap.simulate.sheets import Laid

TILE_PX = 192
OVERSAMPLE = 2
"""Rays a pixel in x and in y."""
SHEET_OVERSAMPLE = 4
SHEET_ROWS = 64
"""Rows of the photo drawn at once."""
STEPS = 40
"""Depths tried on the way down, before halving."""
HALVINGS = 6


class _Field:
    """The slab as rays meet it: where to march, and what is seen at the end."""

    def __init__(self, lit: Lit, steepest: float) -> None:
        slab = lit.slab
        self.lit, self.grid, self.depth = lit, slab.grid, slab.depth
        self.floor = float(slab.thickness_mm)
        self.high = max(0.0, -float(slab.depth.min()))
        step = max(1, round(2.0 / slab.grid.cell_mm))
        self.step = step
        uneven = (np.abs(slab.depth) > 0) & (slab.depth < self.floor - 0.01)
        off = slab.depth >= self.floor - 0.01
        solid = _shrink(~off, step)
        raised = _shrink(slab.depth < 0, step)
        self.hollow = _shrink(uneven | (off & cv2.dilate((~off).astype(np.uint8), np.ones((3, 3))).astype(bool)), step)
        self.hollow |= _shrink(off & slab.top, step)
        self.solid = self._within(solid, self.floor * steepest)
        self.raised = self._within(raised, self.high * steepest)
        self.bare = _shrink(off, step)
        self.wood = _shrink(~off, step)

    def plain(self, corners_mm: F32) -> str:
        """Return what all rays through a patch of the top meet: "top", "bench", or "" where they differ.

        Parameters
        ----------
        corners_mm
            (N, 2) points whose bounding box holds the patch.
        """
        cells = _cells(corners_mm, self.grid)
        lo, hi = np.floor(cells.min(0) / self.step).astype(int) - 1, np.floor(cells.max(0) / self.step).astype(int) + 2
        rows, columns = self.solid.shape
        inside = bool((cells.min(0) >= 0).all()) and cells[:, 0].max() < self.grid.columns - 1
        inside = inside and cells[:, 1].max() < self.grid.rows - 1
        box = (
            slice(min(max(lo[1], 0), rows - 1), min(max(hi[1], 1), rows)),
            slice(min(max(lo[0], 0), columns - 1), min(max(hi[0], 1), columns)),
        )
        if self.hollow[box].any() or (self.high and self.raised[box].any()):
            return ""
        if inside and not self.bare[box].any():
            return "top"
        return "" if self.wood[box].any() or self.solid[box].any() else "bench"

    def _within(self, mask: Bools, reach_mm: float) -> Bools:
        """Return the mask grown by the way that rays move sideways while they go down."""
        n = int(np.ceil(min(reach_mm / (self.step * self.grid.cell_mm), max(mask.shape)))) + 1
        wide = cv2.copyMakeBorder(mask.astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0)
        return cv2.dilate(wide, np.ones((2 * n + 1, 2 * n + 1), np.uint8))[1:-1, 1:-1].astype(bool)


def _shrink(mask: Bools, step: int) -> Bools:
    """Return a mask on a coarser grid: True where any of its cells is."""
    rows, columns = mask.shape
    pad = np.zeros((-(-rows // step) * step, -(-columns // step) * step), bool)
    pad[:rows, :columns] = mask
    return np.asarray(pad.reshape(pad.shape[0] // step, step, pad.shape[1] // step, step).any((1, 3)))


def _sample(field: NDArray[np.float32], column: F32, row: F32, border: int = cv2.BORDER_REPLICATE) -> F32:
    """Look up a field at many fractional cells (1-D arrays), bilinear."""
    n = len(column)
    if n == 0:
        return np.zeros((0, *field.shape[2:]), np.float32)
    wide = 4096
    both = np.zeros((2, -(-n // wide) * wide), np.float32)
    both[0, :n], both[1, :n] = column, row
    mx, my = both.reshape(2, -1, wide)
    parts = [
        cv2.remap(field, mx[i : i + 8192], my[i : i + 8192], cv2.INTER_LINEAR, borderMode=border)
        for i in range(0, len(mx), 8192)
    ]
    out = np.concatenate(parts)
    return np.asarray(out.reshape(-1, *field.shape[2:])[:n], dtype=np.float32)


def _cells(at: F32, grid: Grid) -> F32:
    """Carry (x, y) mm to (column, row)."""
    return np.asarray((at - np.array([grid.x0_mm, grid.y0_mm], np.float32)) * np.float32(1 / grid.cell_mm))


def _march(field: _Field, at: F32, slope: F32, start: float) -> tuple[F32, F32, F32]:
    """Follow rays down; ``at`` (N, 2) mm at depth 0, ``slope`` (N, 2) mm a mm. Return x, y, depth of the hits."""
    grid = field.grid
    c0 = _cells(at, grid)
    dc = slope / np.float32(grid.cell_mm)
    n = len(c0)
    open_, hit = np.full(n, start, np.float32), np.full(n, field.floor, np.float32)
    alive = np.arange(n)
    levels = start + (field.floor - start) * np.linspace(0, 1, STEPS + 1) ** 1.5
    for z in levels:
        d = _sample(
            field.depth, c0[alive, 0] + dc[alive, 0] * np.float32(z), c0[alive, 1] + dc[alive, 1] * np.float32(z)
        )
        stopped = d <= z + 1e-4
        hit[alive[stopped]] = z
        alive = alive[~stopped]
        open_[alive] = z
        if not len(alive):
            break
    todo = np.flatnonzero(hit > start)
    lo, hi = open_[todo], hit[todo]
    for _ in range(HALVINGS):
        mid = (lo + hi) / 2
        d = _sample(field.depth, c0[todo, 0] + dc[todo, 0] * mid, c0[todo, 1] + dc[todo, 1] * mid)
        stopped = d <= mid
        hi = np.where(stopped, mid, hi)
        lo = np.where(stopped, lo, mid)
    hit[todo] = hi
    return c0[:, 0] + dc[:, 0] * hit, c0[:, 1] + dc[:, 1] * hit, hit


def _bench_seen(lit: Lit, at: F32) -> F32:
    """Return the radiance (N, 3) of the bench at places (N, 2) mm."""
    slab, grid = lit.slab, lit.coarse
    n = slab.bench.shape[0]
    cell = np.mod(at * np.float32(1 / slab.bench_cell_mm), np.float32(n))
    seen = _sample(slab.bench, cell[:, 0], cell[:, 1], cv2.BORDER_WRAP)
    where = _cells(at, grid)
    return seen * _sample(lit.bench_light, where[:, 0], where[:, 1])


def _see(field: _Field, at: F32, slope: F32, around_mm: F32) -> F32:
    """Return what rays see (N, 3); ``around_mm`` are points of the top around all of theirs."""
    lit, grid = field.lit, field.grid
    cells = _cells(at, grid)
    plain = field.plain(around_mm)
    if plain == "top":
        return _sample(lit.radiance, cells[:, 0], cells[:, 1])
    if plain == "bench":
        return _bench_seen(lit, at + slope * np.float32(field.floor))
    out = np.empty((len(at), 3), np.float32)
    column, row = np.ascontiguousarray(cells.T)
    i = np.clip((column / field.step).astype(np.int32), 0, field.solid.shape[1] - 1)
    j = np.clip((row / field.step).astype(np.int32), 0, field.solid.shape[0] - 1)
    on_grid = (column >= 0) & (row >= 0) & (column < grid.columns) & (row < grid.rows)
    march = on_grid & field.hollow[j, i]
    outside = _sample(field.depth, column, row) >= field.floor - 0.01
    march |= outside & field.solid[j, i]
    tall = np.zeros(len(at), bool)
    if field.high:
        tall = field.raised[j, i] & on_grid
        march &= ~tall
    bench = outside & ~march & ~tall
    flat = ~(march | bench | tall)
    out[flat] = _sample(lit.radiance, column[flat], row[flat])
    if bench.any():
        out[bench] = _bench_seen(lit, at[bench] + slope[bench] * np.float32(field.floor))
    for rays, start in ((march, 0.0), (tall, -field.high)):
        if not rays.any():
            continue
        x, y, z = _march(field, at[rays], slope[rays], start)
        seen = _sample(lit.radiance, x, y)
        beyond = (z >= field.floor - 0.02) & ((x < 1) | (y < 1) | (x > grid.columns - 2) | (y > grid.rows - 2))
        if beyond.any():
            far = at[rays][beyond] + slope[rays][beyond] * np.float32(field.floor)
            seen[beyond] = _bench_seen(lit, far)
        out[rays] = seen
    return out


class Rays:
    """Rays of a camera, worked out on a coarse grid of pixels and interpolated."""

    def __init__(self, camera: Camera) -> None:
        w, h = camera.size
        self.x = np.arange(-GRID_PX, w + 2 * GRID_PX, GRID_PX, dtype=np.float64)
        self.y = np.arange(-GRID_PX, h + 2 * GRID_PX, GRID_PX, dtype=np.float64)
        gx, gy = np.meshgrid(self.x, self.y)
        at, slope = camera.rays(np.c_[gx.ravel(), gy.ravel()])
        node = np.concatenate([at, slope], 1).reshape(len(self.y), len(self.x), 4)
        self.node = node.astype(np.float32)  # 1 m in steps of 0.0001 mm

    def at(self, x: Floats, y: Floats) -> tuple[F32, F32]:
        """Return (top points, slopes) for all pairs of columns ``x`` and rows ``y``, row by row."""
        i = np.clip(((x - self.x[0]) / GRID_PX).astype(int), 0, len(self.x) - 2)
        j = np.clip(((y - self.y[0]) / GRID_PX).astype(int), 0, len(self.y) - 2)
        f = ((x - self.x[i]) / GRID_PX).astype(np.float32)
        g = ((y - self.y[j]) / GRID_PX).astype(np.float32)
        near = self.node[:, i[0] : i[-1] + 2]
        top, bottom = near[j], near[j + 1]
        rows = top + (bottom - top) * g[:, None, None]
        left, right = rows[:, i - i[0]], rows[:, i - i[0] + 1]
        both = (left + (right - left) * f[None, :, None]).reshape(-1, 4)
        return both[:, :2], both[:, 2:]

    def around(self, first: tuple[int, int], last: tuple[int, int]) -> F32:
        """Return top points (N, 2) around those of the pixels (x, y) from ``first`` to ``last``."""
        lo = [max(0, int((p - o[0]) // GRID_PX) - 1) for p, o in zip(first, (self.x, self.y), strict=True)]
        hi = [int((p - o[0]) // GRID_PX) + 3 for p, o in zip(last, (self.x, self.y), strict=True)]
        return np.asarray(self.node[lo[1] : hi[1], lo[0] : hi[0], :2].reshape(-1, 2))


def _offsets(n: int) -> Floats:
    return np.asarray((np.arange(n) + 0.5) / n - 0.5)


def spread(first: int, last: int, n: int) -> Floats:
    """Return where ``n`` rays a pixel fall, for the pixels from ``first`` to ``last`` (excluded)."""
    return np.asarray((np.arange(first, last)[:, None] + _offsets(n)[None, :]).ravel(), dtype=np.float64)


def mean_of(values: F32, rows: int, columns: int, n: int) -> F32:
    """Return the mean (rows, columns, channels) over the ``n`` times ``n`` rays of each pixel."""
    v = values.reshape(rows, n, columns, n, -1)
    total = np.zeros((rows, columns, v.shape[-1]), np.float32)
    for j in range(n):
        for i in range(n):
            total += v[:, j, :, i]
    return total / np.float32(n * n)


def light_at_sensor(lit: Lit, camera: Camera, sheets: Sequence[Laid] = ()) -> F32:
    """Return the linear R, G, B light (rows, columns, 3) that falls on the sensor, before the lens softens it."""
    rays = Rays(camera)
    field = _Field(lit, float(np.abs(rays.node[..., 2:]).max()))
    w, h = camera.size
    out = np.empty((h, w, 3), np.float32)
    for top in range(0, h, TILE_PX):
        for left in range(0, w, TILE_PX):
            bottom, right = min(h, top + TILE_PX), min(w, left + TILE_PX)
            at, slope = rays.at(spread(left, right, OVERSAMPLE), spread(top, bottom, OVERSAMPLE))
            seen = _see(field, at, slope, rays.around((left, top), (right, bottom)))
            out[top:bottom, left:right] = mean_of(seen, bottom - top, right - left, OVERSAMPLE)
    for sheet in sheets:
        _lay(out, lit, camera, rays, sheet)
    return out


def _lay(out: F32, lit: Lit, camera: Camera, rays: Rays, sheet: Laid) -> None:
    """Draw a sheet over the picture, in place."""
    h, w = out.shape[:2]
    seen = camera.project(sheet.border())
    lo = np.clip(np.floor(seen.min(0)).astype(int) - 2, 0, [w, h])
    hi = np.clip(np.ceil(seen.max(0)).astype(int) + 3, 0, [w, h])
    n = SHEET_OVERSAMPLE
    share = np.linspace(0, 1, 8)[:, None, None]
    edges = (seen + (np.roll(seen, -1, axis=0) - seen) * share).reshape(-1, 2)
    for top in range(int(lo[1]), int(hi[1]), SHEET_ROWS):
        rows = (top, min(int(hi[1]), top + SHEET_ROWS))
        across = edges[(edges[:, 1] > top - SHEET_ROWS) & (edges[:, 1] < rows[1] + SHEET_ROWS), 0]
        if not len(across):
            continue
        columns = (max(int(lo[0]), int(across.min()) - 2), min(int(hi[0]), int(across.max()) + 3))
        if columns[1] <= columns[0]:
            continue
        at, slope = rays.at(spread(*columns, n), spread(*rows, n))
        albedo, on = sheet.seen_at(at, slope)
        shape = (rows[1] - rows[0], columns[1] - columns[0], n)
        cover = mean_of(on, *shape)
        where = _cells(at, lit.coarse)
        light = _sample(lit.top_light, where[:, 0], where[:, 1])
        paper = mean_of(albedo * on[:, None] * light, *shape)
        area = out[rows[0] : rows[1], columns[0] : columns[1]]
        area *= 1 - cover
        area += paper


def photograph(lit: Lit, camera: Camera, rng: np.random.Generator, sheets: Sequence[Laid] = ()) -> NDArray[np.uint8]:
    """Take a photo; returns B, G, R pixels (rows, columns, 3) before JPEG."""
    return develop(light_at_sensor(lit, camera, sheets), camera, rng)
