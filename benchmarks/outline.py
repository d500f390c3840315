"""How well the slab's outline is found on photos whose truth is known.

    python benchmarks/outline.py FOLDER [FOLDER ...]             photos NAME-a.jpg with a truth file beside each
    python benchmarks/outline.py --first 7000 --count 30         slabs that the simulator makes anew, 3 megapixels
    ... --views 3                                                photos NAME-b and NAME-c taken in as well: parallax

A row a slab, then the table: intersection over union of the top, area error (against what the photo shows of the
slab), whether the area's interval holds, how much of the edge is rightly called sawn or live, the edge's length, how
much of the voids that open on the side lies within the outline, how many bays were left undecided with what chance and
how many of them lie within the true top by more than half, and the time in decodes (reading the same JPEG).
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from scenes import overlap, raster
from scipy.spatial import cKDTree

from voidmap.depth.heights import heights_of
from voidmap.errors import VoidmapError
from voidmap.files import load_photos
from voidmap.model import Ortho, Plane, Region, SlabFound
from voidmap.scale import is_long_top, rectify, solve_planes
from voidmap.surface import bay_regions, find_slab, slab_record
from voidmap.surface.covered import fill_polygons
from voidmap.surface.edges import edge_length_mm, resample

OPENING_LEAST_MM2 = 100.0
"""Voids smaller than this say little of the outline."""
STRAIGHT_OVER_MM, STRAIGHT_MM = 40.0, 0.08
"""A true edge is sawn where it is straight to this over this length to both sides (drawn ones are, exactly)."""


@dataclass
class Row:
    """What one photo gave: shares, relative errors, (share within, ml) of each void that opens on the side.

    ``bays`` are (chance, share within the true top) of each bay that was left undecided.
    """

    iou: float
    area: float
    inside: bool
    kinds: float
    length: float
    openings: list[tuple[float, float]]
    bays: list[tuple[float, float]]
    decodes: float


def decode_s(photo: Path) -> float:
    spent = []
    for _ in range(3):
        start = time.process_time()
        cv2.imread(str(photo))
        spent.append(time.process_time() - start)
    return min(spent)


def true_kinds(outline: np.ndarray) -> np.ndarray:
    """Whether each point of the true outline (1 mm apart) lies on a sawn run."""
    reach = round(STRAIGHT_OVER_MM)
    near = np.arange(-reach, 1)
    sawn = np.zeros(len(outline), dtype=bool)
    for k in range(len(outline)):
        for window in (near, -near):
            points = outline[(k + window) % len(outline)]
            spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
            sawn[k] |= spread[1] / np.sqrt(len(points)) < STRAIGHT_MM
    return sawn


def kinds_right(slab: SlabFound, true_mm: np.ndarray) -> float:
    drawn = resample(true_mm, 1.0)
    _, nearest = cKDTree(drawn).query(slab.outline_mm)
    kinds = np.array(slab.edge_kinds)
    own = kinds != "cut"
    return float((true_kinds(drawn)[nearest] == (kinds == "sawn"))[own].mean()) if own.any() else 1.0


def judge(photo: Path, truth: dict[str, Any], views: int) -> Row:
    beside = [photo.with_name(photo.name.replace("-a.", f"-{k}.")) for k in "abc"[:views]]
    photos = load_photos([path for path in beside if path.exists()])
    planes = solve_planes(photos, lens=None, reference=truth["reference"])
    plane = planes[0]
    ortho = rectify(photos[0], plane)
    start = time.process_time()
    slab = find_slab(ortho, plane.patterns_mm, None if is_long_top(planes) else heights_of(photos, planes))
    spent = time.process_time() - start
    return measured(ortho, plane, slab, truth, spent / decode_s(photo))


def measured(ortho: Ortho, plane: Plane, slab: SlabFound, truth: dict[str, Any], decodes: float) -> Row:
    record = slab_record(slab, plane, thickness_mm=truth["slab"]["thickness_mm"])
    true_mm = plane.to_mm(np.array(truth["slab"]["outline_px"]))
    true = fill_polygons(ortho, [true_mm]) & ortho.valid
    whole, corner = raster(ortho, true_mm)
    area = truth["slab"]["area_mm2"] * overlap(whole, corner, ortho.valid, (0, 0)) / whole.sum()
    openings = []
    for feature in truth["features"]:
        if feature["is_void"] and feature["opens_on_edge"] and feature["area_mm2"] >= OPENING_LEAST_MM2:
            void = fill_polygons(ortho, [plane.to_mm(np.array(feature["outline_px"]))])
            openings.append((float((void & slab.mask).sum() / max(1, void.sum())), feature["volume_ml"]))
    bays = [
        (region.void_probability, float((region.mask & true[_box(region)]).sum() / region.mask.sum()))
        for region in bay_regions(ortho, slab, plane)
    ]
    true_length = edge_length_mm(resample(true_mm, 1.0), np.zeros(len(resample(true_mm, 1.0)), dtype=bool))
    lo, hi = record.area_interval_mm2
    return Row(
        iou=float((true & slab.mask).sum() / (true | slab.mask).sum()),
        area=record.area_mm2 / area - 1,
        inside=lo <= area <= hi,
        kinds=kinds_right(slab, true_mm),
        length=record.edge_mm / true_length - 1,
        openings=openings,
        bays=bays,
        decodes=decodes,
    )


def _box(region: Region) -> tuple[slice, slice]:
    (left, top), (height, width) = region.corner, region.mask.shape
    return slice(top, top + height), slice(left, left + width)


def table(rows: list[Row], asked: int) -> str:
    iou, area, kinds, length = (
        np.array([getattr(r, name) for r in rows]) for name in ("iou", "area", "kinds", "length")
    )
    openings = np.array([o for r in rows for o in r.openings]).reshape(-1, 2)
    share = (openings[:, 0] * openings[:, 1]).sum() / max(openings[:, 1].sum(), 1e-9)
    bays = np.array([b for r in rows for b in r.bays]).reshape(-1, 2)
    return "\n".join(
        [
            f"slabs found                {len(rows)} of {asked}",
            f"IoU                        median {np.median(iou):.4f}, least {iou.min():.4f}, "
            f"0.99 or more: {(iou >= 0.99).sum()}/{len(rows)}",
            f"area error                 median {np.median(np.abs(area)):.2%}, greatest {np.abs(area).max():.2%}",
            f"area inside its interval   {sum(r.inside for r in rows)}/{len(rows)}",
            f"sawn or live rightly said  {kinds.mean():.1%} of the edge, least {kinds.min():.1%}",
            f"edge length error          median {np.median(np.abs(length)):.1%}, greatest {np.abs(length).max():.1%}",
            f"voids opening on the side  {share:.1%} of their volume within the outline, "
            f"more than half of {(openings[:, 0] > 0.5).sum()}/{len(openings)}",
            f"bays left undecided        {len(bays)}, voids by their chances {bays[:, 0].sum():.1f}, "
            f"within the true top {(bays[:, 1] > 0.5).sum()}",
            f"time                       median {np.median([r.decodes for r in rows]):.1f} decodes",
        ]
    )


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("folders", type=Path, nargs="*")
    ask.add_argument("--first", type=int, default=7000)
    ask.add_argument("--count", type=int, default=0)
    ask.add_argument("--views", type=int, default=1, choices=(1, 2, 3))
    given = ask.parse_args()
    cv2.setNumThreads(1)
    with tempfile.TemporaryDirectory() as scratch:
        if given.count:
            from voidmap.simulate.scene import random_scene, write_scene

            for seed in range(given.first, given.first + given.count):
                write_scene(Path(scratch), f"s{seed}", random_scene(seed, name=f"s{seed}", views=given.views))
            given.folders.append(Path(scratch))
        paths = [path for folder in given.folders for path in sorted(folder.glob("*-a.json"))]
        rows = []
        for path in paths:
            try:
                row = judge(path.with_suffix(".jpg"), json.loads(path.read_text()), given.views)
            except VoidmapError as error:
                print(f"{path.stem:12s} {error}", flush=True)
                continue
            rows.append(row)
            opened = " ".join(f"{share:.2f} of {ml:.1f} ml" for share, ml in row.openings)
            print(
                f"{path.stem:12s} IoU {row.iou:.4f}  area {row.area:+.2%}{'' if row.inside else ' OUTSIDE'}"
                f"  kinds {row.kinds:.1%}  length {row.length:+.1%}  {row.decodes:.1f} decodes  {opened}",
                flush=True,
            )
    print(table(rows, len(paths)))


if __name__ == "__main__":
    main()
