"""Close-ups of coats of known truth, for training: small windows of photos by phones held at the usual distance.

    python benchmarks/closeups.py OUT [--scenes 20] [--seed 1] [--few] [--voids] [--usual] [--dense]

Each scene is some windows of one slab, each photographed once glossy and once sanded: SEED-N-K-gloss.jpg and .json
with the pinholes' places, diameters and index of detectability. With --few a slab has more windows, most by fills,
with few pinholes in them, and one surface (every third slab is sanded): much that is none. Wood, tint, lamps, camera,
blur, noise, JPEG and scale (5 to 20 px/mm) vary; a strip of bench shows along a side of some. With --voids a slab has
twice as many voids and each window lies about one, the small as often as the large: filled worm holes and hairlines.
With --usual the scale is that of a phone which takes in the whole of a coat's board and its surroundings. With --dense
there are more pinholes.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from voidmap import files
from voidmap.simulate import coat
from voidmap.simulate.benches import BENCHES, bench_tile
from voidmap.simulate.jpeg import jpeg_bytes
from voidmap.simulate.patch import grow_sites, patch_of
from voidmap.simulate.slab import BENCH_CELL_MM, random_slab

WINDOW_PX = (880, 660)
PX_PER_MM = (5.0, 20.0)
USUAL_PX_PER_MM, USUAL_WINDOWS = (3.8, 10.0), 12
DENSITY_PER_MM2 = (0.003, 0.03)
FEWEST, MOST = 25, 130
DENSE_PER_MM2, DENSE_MOST = (0.01, 0.06), 220
WINDOWS = 4
BENCH_SHARE = 0.25
AT_FILL_SHARE = 0.7
FEW_DENSITY_PER_MM2 = (0.0005, 0.02)
FEW_LEAST = 2
FEW_WINDOWS = 8
FEW_AT_FILL_SHARE = 0.85
VOIDS_BUSY = 1.8
TINTS = {"white": (225, 222, 215), "green": (40, 90, 60), "red": (120, 30, 28), "grey": (120, 122, 125)}
"""Tints beside the simulator's own, so that a fill's colour is no cue."""


def scenes(rng, few=None, voids=False, usual=False, dense=False):
    """Yield (surface, JPEG bytes, truth) of some windows of one slab: glossy and sanded, or few pinholes on ``few``."""
    slab = random_slab(rng, length_mm=430.0, width_mm=330.0, cell_mm=0.25, busy=VOIDS_BUSY if voids else 0.8)
    for _ in range(USUAL_WINDOWS if usual else FEW_WINDOWS if few else WINDOWS):
        yield from window(rng, slab, few, voids, USUAL_PX_PER_MM if usual else PX_PER_MM, dense)


def window(rng, slab, few, voids=False, scales=PX_PER_MM, dense=False):
    """Yield the same of one window."""
    px_per_mm = float(np.exp(rng.uniform(*np.log(scales))))
    view_mm = float(rng.uniform(300, 470))
    window_mm = np.array(WINDOW_PX) / px_per_mm
    middle = rng.uniform(-1, 1, 2) * (np.array([1.0, 0.75]) * view_mm / 2 - window_mm / 2).clip(0)
    margin = 1.12 * window_mm + 12
    within = (np.array([430.0, 330.0]) / 2 - 8 - margin / 2).clip(0)
    cut = rng.uniform(-1, 1, 2) * within
    rows, columns = a_void(rng, slab) if voids else np.nonzero((slab.depth > 0) & slab.top)
    if len(rows) and rng.random() < (FEW_AT_FILL_SHARE if few else AT_FILL_SHARE):
        pick = rng.integers(len(rows))
        near = slab.grid.to_mm([[columns[pick], rows[pick]]])[0] + rng.uniform(-0.4, 0.4, 2) * window_mm
        cut = np.clip(near, -within, within)
    cell = float(np.clip(0.9 / px_per_mm, 0.06, 0.15))
    coat.TINTS.update(TINTS)
    tint = str(rng.choice(sorted(coat.TINTS)))
    patch = patch_of(rng, slab, (float(cut[0]), float(cut[1])), (float(margin[0]), float(margin[1])), cell, tint)
    x0, y0 = np.array([patch.grid.x0_mm, patch.grid.y0_mm]) - cut + middle
    patch = replace(patch, grid=replace(patch.grid, x0_mm=float(x0), y0_mm=float(y0)))
    if few:
        density, counts = FEW_DENSITY_PER_MM2, (FEW_LEAST, MOST)
    elif dense:
        density, counts = DENSE_PER_MM2, (FEWEST, DENSE_MOST)
    else:
        density, counts = DENSITY_PER_MM2, (FEWEST, MOST)
    for surface in (few,) if few else ("gloss", "sanded"):
        yield surface, *photo(rng, patch, surface, view_mm, px_per_mm, middle, window_mm, density, counts)


def a_void(rng, slab):
    """Return the cells of one of the slab's voids, rows (N,) and columns (N,)."""
    all_voids = [f for f in slab.features if f.is_void and f.mask.any()]
    if not all_voids:
        return np.zeros(0, int), np.zeros(0, int)
    one = all_voids[int(rng.integers(len(all_voids)))]
    inside = np.zeros(slab.depth.shape, bool)
    inside[one.box.at] = one.mask
    return np.nonzero(inside)


def photo(rng, patch, surface, view_mm, px_per_mm, middle, window_mm, density, counts):
    megapixels = (view_mm * px_per_mm) ** 2 * 0.75 / 1e6
    camera = coat.coat_camera(rng, np.zeros(2), view_mm, megapixels)
    camera = replace(
        camera,
        vignette=0.0,
        full_well=float(np.exp(rng.uniform(np.log(1500), np.log(15000)))),
        sharpen=float(rng.uniform(0, 1.1)),
        quality=int(rng.integers(78, 97)),
    )
    at = camera.project([middle])[0]
    matrix = camera.matrix.copy()
    matrix[:2, 2] += np.array(WINDOW_PX) / 2 - at
    camera = replace(camera, matrix=matrix, size=WINDOW_PX)
    finish = coat.coat_over(rng, patch, sanded=surface == "sanded", distance_mm=view_mm)
    coat._lint(rng, finish, tuple(window_mm / 2), middle)
    bench = lay_bench(rng, finish, middle, window_mm) if rng.random() < BENCH_SHARE else None
    count = int(np.clip(window_mm.prod() * np.exp(rng.uniform(*np.log(density))), *counts))
    sites = grow_sites(rng, patch, count, 1, tuple(window_mm * 0.5))[0]
    if bench is not None:
        sites = [s for s in sites if bench(np.array([s.pit.x_mm, s.pit.y_mm])) > 1.0]
    pits = [coat.as_sanded(rng, s.pit) if surface == "sanded" else s.pit for s in sites]
    pixels, told = coat.photograph_coat(finish, camera, pits, (), rng)
    centres = camera.project([[s.pit.x_mm, s.pit.y_mm] for s in sites])
    holes = [
        {"x_px": float(x), "y_px": float(y), "diameter_mm": s.pit.diameter_mm, "style": p.style, "index": round(d, 2)}
        for (x, y), s, p, d in zip(centres, sites, pits, told, strict=True)
    ]
    truth = {"px_per_mm": 1 / camera.mm_per_px(), "blur_px": camera.blur_px, "surface": surface, "pinholes": holes}
    return jpeg_bytes(pixels, camera), truth


def lay_bench(rng, finish, middle, window_mm):
    """Lay bench beyond a straight edge, in place; returns the distance (mm) of places from it, positive on the coat."""
    turn = float(rng.choice([0, np.pi / 2, np.pi, -np.pi / 2]) + rng.normal(0, 0.08))
    normal = np.array([np.cos(turn), np.sin(turn)])
    reach = float(np.abs(normal) @ window_mm / 2 * rng.uniform(0.55, 0.95))
    grid = finish.grid
    x, y = np.meshgrid(grid.x() - middle[0], grid.y() - middle[1])
    away = reach - (normal[0] * x + normal[1] * y) + 0.15 * coat._broad(rng, grid.shape, 2.0 / grid.cell_mm)
    few = [int(np.ceil(n * grid.cell_mm / BENCH_CELL_MM)) + 1 for n in grid.shape]
    tile = bench_tile(rng, str(rng.choice(BENCHES)))[: few[0], : few[1]] * np.float32(rng.uniform(0.6, 1.2))
    tile = cv2.resize(tile, grid.shape[::-1], interpolation=cv2.INTER_CUBIC)
    finish.base[:] = np.where((away > 0)[..., None], finish.base, np.clip(tile, 0, 1))
    shadow = np.clip(1 - 0.5 * np.exp(-np.abs(away) / 0.6) * (away < 0), 0, 1)
    finish.base[:] *= shadow[..., None]
    for field in (finish.slope_x, finish.slope_y, finish.haze):
        field[away <= 0] = 0.9 if field is finish.haze else 0
    return lambda at: reach - float(normal @ (at - middle))


def write(out, seed, number, *, few=False, voids=False, usual=False, dense=False):
    rng = np.random.default_rng([seed, number, 4711])
    only = ("gloss", "gloss", "sanded")[number % 3] if few else None
    for k, (surface, jpeg, truth) in enumerate(scenes(rng, only, voids, usual, dense)):
        stem = f"{seed}-{number:04d}-{k}-{surface}"
        files.write_bytes(out / f"{stem}.jpg", jpeg)
        files.write_json(out / f"{stem}.json", truth)


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("out", type=Path)
    parser.add_argument("--scenes", type=int, default=20)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--few", action="store_true")
    parser.add_argument("--voids", action="store_true")
    parser.add_argument("--usual", action="store_true")
    parser.add_argument("--dense", action="store_true")
    chosen = parser.parse_args()
    cv2.setNumThreads(1)
    for number in range(chosen.first, chosen.first + chosen.scenes):
        start = time.perf_counter()
        how = {name: getattr(chosen, name) for name in ("few", "voids", "usual", "dense")}
        write(chosen.out, chosen.seed, number, **how)
        print(f"{number}: {time.perf_counter() - start:.1f} s", flush=True)


if __name__ == "__main__":
    main()
