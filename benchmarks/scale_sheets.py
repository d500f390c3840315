"""Ask how often a blank sheet or a card is found on a slab, how true are its lengths, and whether its intervals hold.

Run ``python benchmarks/scale_sheets.py [photos of each] [seed]``. Slabs, benches, lamps and cameras are the
simulator's; a sheet is cut within the maker's tolerance and lies on the top at any turn, a card has any colours.
Seeds below 200000 are for development.
"""

from __future__ import annotations

import sys
import time

import cv2
import numpy as np

from voidmap.errors import CantTell, ScaleError
from voidmap.model import Photo
from voidmap.scale import solve_planes, to_mm_draws
from voidmap.scale.references import RECTANGLES
from voidmap.simulate.blanks import Blank
from voidmap.simulate.jpeg import jpeg_bytes
from voidmap.simulate.light import illuminate
from voidmap.simulate.photograph import photograph
from voidmap.simulate.scene import random_cameras, random_light
from voidmap.simulate.slab import random_slab

TOLERANCE_MM = {"a4": (2.0, 2.0), "letter": (1.6, 1.6), "id1": (0.13, 0.06)}
"""Half widths within which a side is cut: ISO 216; 1/16 in for Letter (no source); ISO/IEC 7810."""
RADIUS_MM = {"a4": 0.0, "letter": 0.0, "id1": 3.18}
MEGAPIXELS = 1.5
PHOTOS_A_SLAB = 3
MISS_PX = 6.0
"""A corner further than this from the true one belongs to something else."""


def blank(rng, kind, slab):
    """Return a sheet or card that lies wholly on the top, or None."""
    thing = RECTANGLES[kind]
    sides = tuple(s + rng.uniform(-t, t) for s, t in zip(thing.sides_mm, TOLERANCE_MM[kind], strict=True))
    colour, bands = tuple(np.full(3, rng.uniform(0.72, 0.88))), ()
    if kind == "id1":
        colour = tuple(rng.uniform(0.03, 0.8, 3) ** rng.uniform(1, 2))
        stripe = tuple(rng.uniform(0.02, 0.8, 3))
        first = rng.uniform(0.1, 0.6)
        bands = ((first, first + rng.uniform(0.1, 0.3), stripe),) if rng.random() < 0.6 else ()
    low, high = slab.outline_mm.min(axis=0), slab.outline_mm.max(axis=0)
    for _ in range(300):
        lies = Blank(
            *rng.uniform(low, high), float(rng.uniform(0, 360)), sides, thing.height_mm, RADIUS_MM[kind], colour, bands
        )
        around = slab.outline_mm.astype(np.float32).reshape(-1, 1, 2)
        if all(cv2.pointPolygonTest(around, tuple(map(float, c)), True) > 8 for c in lies.corners()):
            return lies
    return None


def one_photo(rng, lit, kind):
    """Return (found, right, length errors, their half-widths, area error, its half-width), or None for no room."""
    lies = blank(rng, kind, lit.slab)
    if lies is None:
        return None
    closeness = 0.75 if kind == "id1" else 1.0
    (camera,) = random_cameras(rng, lit.slab, 1, megapixels=MEGAPIXELS, closeness=closeness)
    true = camera.project(np.column_stack([lies.corners(), np.full(4, -lies.thickness_mm)]))
    if not np.all((true > 10) & (true < np.array(camera.size) - 10)):
        return None
    pixels = photograph(lit, camera, rng, (lies,))
    pixels = cv2.imdecode(np.frombuffer(jpeg_bytes(pixels, camera, minute=0), np.uint8), cv2.IMREAD_COLOR)
    nominal = camera.matrix[0, 0] / camera.size[0] * 36
    started = time.process_time()
    try:
        (plane,) = solve_planes([Photo("case", "", pixels, focal_35mm_mm=float(round(nominal)))], reference=kind)
    except (CantTell, ScaleError):
        return False, False, None, None, None, None, time.process_time() - started
    took = time.process_time() - started
    off = np.abs(plane.to_px(plane.patterns_mm[0], depth_mm=-lies.thickness_mm)[:, None] - true[None]).max(axis=2)
    right = bool(off.min(axis=1).max() < MISS_PX)
    size = np.array(camera.size)
    points = np.concatenate(
        [rng.uniform(0.06, 0.94, (8, 2)) * size, np.array([[0.1, 0.1], [0.9, 0.1], [0.9, 0.9], [0.1, 0.9]]) * size]
    )
    ground, got, drawn = camera.rays(points)[0], plane.to_mm(points), to_mm_draws(plane, points)
    error = lengths(got) / lengths(ground) - 1
    width = 1.96 * np.std(lengths(drawn), axis=0) / lengths(got)
    area_error = area(got) / area(ground) - 1
    area_width = 1.96 * np.std(area(drawn)) / area(got)
    return True, right, error, width, area_error, area_width, took


def lengths(points):
    """Return four lengths between the first eight points (..., 12, 2)."""
    return np.linalg.norm(points[..., 0:8:2, :] - points[..., 1:8:2, :], axis=-1)


def area(points):
    """Return the area of the last four points (..., 12, 2)."""
    x, y = points[..., 8:, 0], points[..., 8:, 1]
    return 0.5 * np.abs(np.sum(x * np.roll(y, -1, -1) - y * np.roll(x, -1, -1), axis=-1))


def main():
    """Print a row for each reference."""
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 30
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 7
    rows = {kind: [] for kind in RECTANGLES}
    slab_number = 0
    while any(len(r) < wanted for r in rows.values()):
        rng = np.random.default_rng([seed, slab_number])
        slab_number += 1
        slab = random_slab(rng, cell_mm=1.2)
        lit = illuminate(slab, random_light(rng))
        for kind, got in rows.items():
            for _ in range(PHOTOS_A_SLAB):
                row = one_photo(rng, lit, kind) if len(got) < wanted else None
                if row is not None:
                    got.append(row)
    for kind, got in rows.items():
        found = [r for r in got if r[0]]
        right = [r for r in got if r[1]]
        error = np.concatenate([r[2] for r in found])
        width = np.concatenate([r[3] for r in found])
        areas = np.array([abs(r[4]) <= r[5] for r in found])
        print(
            f"{kind:7s} photos {len(got)}  found {len(found)}, the right thing {len(right)}  length error median "
            f"{np.median(np.abs(error)):.2%}  interval ± {np.median(width):.2%}  holds: lengths "
            f"{np.mean(np.abs(error) <= width):.0%} areas {areas.mean():.0%}  {np.median([r[6] for r in got]):.2f} s",
            flush=True,
        )


if __name__ == "__main__":
    main()
