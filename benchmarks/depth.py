"""How well depths and volumes hold on simulated slabs: one photo, one photo with two readings, three photos.

    python benchmarks/depth.py --first 100000 --count 60
    python benchmarks/depth.py --scenes FOLDER        (made before by make_slabs.py)
    python benchmarks/depth.py --command              (voids found by the program, not taken from the truth)

With the true outlines the figures are of the depth alone; scale and lens are solved from the boards in both. One row
a slab and way, then: the total's median error, the median error of each void over 1 ml, how often the 95 % intervals
of the total and of each void hold, and the depth's error in units of its own standard error.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections import defaultdict
from dataclasses import replace
from pathlib import Path
from time import perf_counter
from typing import Any

import cv2
import numpy as np
from train_kinds import overlap, raster
from truth import pair_up

from voidmap import depth, scale
from voidmap.depth.fuse import log_mu, log_sd
from voidmap.errors import VoidmapError
from voidmap.files import load_photo
from voidmap.job.intake import IntakeOptions, take_in
from voidmap.model import Ortho, Photo, Plane, Region
from voidmap.records import Defect, DepthEstimate, Interval, Kind, Totals

WAYS = ("1 photo", "1 photo, 2 readings", "3 photos")
VOID_THAT_COUNTS_ML = 1.0
AREA_REL = 0.02
"""Half-width of the 95 % interval that a true outline's area is given: that of its drawing on the picture."""
PROBE_ERROR_MM = 0.3
HIDDEN = 0.02
THIN = (Kind.CRACK, Kind.SEAM_GAP)

Row = tuple[dict[str, Any], Defect | None]


def true_regions(truth: dict[str, Any], ortho: Ortho, plane: Plane) -> list[tuple[dict[str, Any], Region]]:
    """Return the voids that lie bare in the first photo, with their true outlines and kinds."""
    boards = np.zeros(ortho.valid.shape, np.uint8)
    for corners in plane.patterns_mm:
        cv2.fillConvexPoly(boards, np.round(ortho.to_px(corners)).astype(np.int32), 1)
    out = []
    for feature in truth["features"]:
        if not feature["is_void"] or len(feature["outline_px"]) < 3:
            continue
        outline = plane.to_mm(np.array(feature["outline_px"]))
        mask, corner = raster(ortho, outline)
        if not mask.any() or overlap(mask, corner, boards > 0, (0, 0)) > HIDDEN * mask.sum():
            continue
        kind, area = Kind(feature["kind"]), float(feature["area_mm2"])
        length = float(cv2.minAreaRect(outline.astype(np.float32))[1][0]), float(np.hypot(*np.ptp(outline, axis=0)))
        width = area / max(length) if kind in THIN else (4 * area / np.pi) ** 0.5
        out.append((feature, Region(
            mask, corner, outline, kind, 1.0, {kind: 1.0}, area, Interval(area * (1 - AREA_REL), area * (1 + AREA_REL)),
            max(length) if kind in THIN else (4 * area / np.pi) ** 0.5, width, 1.5 * width, 0.3,
            feature["opens_on_edge"], 0.0, 1.0 if feature["through"] else 0.0, {},
        )))  # fmt: skip
    return out


def defect_of(number: int, region: Region, known: tuple[DepthEstimate, ...], thickness_mm: float) -> Defect:
    outline = tuple((float(x), float(y)) for x, y in region.outline_mm)
    fused = depth.fuse(known, thickness_mm=thickness_mm)
    return Defect(
        id=f"D{number:02d}", kind=region.kind, is_void=True, void_probability=1.0, area_mm2=region.area_mm2,
        area_interval_mm2=region.area_interval_mm2, length_mm=region.length_mm, width_mean_mm=region.width_mean_mm,
        width_max_mm=region.width_max_mm, outline_mm=outline, outline_px=outline, opens_on_edge=False,
        edge_opening_mm=0.0, through=fused.source == "through", depth=fused, volume_ml=0.0,
        volume_interval_ml=Interval(0.0, 0.0),
    )  # fmt: skip


def by_truth(truth: dict[str, Any], photos: list[Photo], planes: tuple[Plane, ...]) -> tuple[list[Row], Totals, float]:
    thickness = truth["slab"]["thickness_mm"]
    ortho = scale.rectify(photos[0], planes[0])
    given = true_regions(truth, ortho, planes[0])
    start = perf_counter()
    known = depth.estimate_depths([r for _, r in given], ortho, photos, planes, thickness_mm=thickness)
    took = perf_counter() - start
    found = [defect_of(n, r, e, thickness) for n, ((_, r), e) in enumerate(zip(given, known, strict=True), start=1)]
    middles = np.array([r.outline_mm.mean(axis=0) for _, r in given])
    defects, totals = depth.volumes(found, scale_rel=scale.length_interval_rel(planes[0], middles))
    return [(f, d) for (f, _), d in zip(given, defects, strict=True)], totals, took


def by_command(truth: dict[str, Any], photos: list[Path]) -> tuple[list[Row], Totals]:
    options = IntakeOptions(thickness_mm=truth["slab"]["thickness_mm"], reference=truth["reference"])
    with tempfile.TemporaryDirectory() as job:
        record = take_in(Path(job), photos, options, lambda step: None)
    pairs = pair_up(truth["features"], record)
    rows = [(f, record.defects[pairs[i]] if i in pairs else None) for i, f in enumerate(truth["features"])]
    return [(f, d) for f, d in rows if f["is_void"]], record.totals


def probed(rows: list[Row], thickness_mm: float, rng: np.random.Generator) -> tuple[list[Row], Totals]:
    """Take the two readings that are advised, as the greatest depth with a gauge's error."""
    features = {d.id: f for f, d in rows if d is not None}
    defects = [d for _, d in rows if d is not None]
    advice = depth.advise(defects, scale_rel=0.003, thickness_mm=thickness_mm, count=2)
    for reading in advice.readings:
        if reading.defect not in features:
            continue
        seen = max(features[reading.defect]["max_depth_mm"] + rng.normal(0, PROBE_ERROR_MM), 0.3)
        old = next(d for d in defects if d.id == reading.defect)
        assert old.depth is not None, "voids have depths"
        known = depth.fuse((*old.depth.estimates, depth.probe_estimate(old, seen)), thickness_mm=thickness_mm)
        defects = [replace(d, depth=known) if d.id == old.id else d for d in defects]
    done, totals = depth.volumes(defects, scale_rel=0.003)
    after = {d.id: d for d in done}
    return [(f, after[d.id] if d is not None else None) for f, d in rows], totals


class Score:
    """What adds up over the slabs, for one way of measuring."""

    def __init__(self) -> None:
        self.total: list[float] = []
        self.total_held: list[bool] = []
        self.void: list[float] = []
        self.void_held: list[bool] = []
        self.off: dict[str, list[tuple[float, float, float]]] = defaultdict(list)

    def add(self, rows: list[Row], totals: Totals, true_ml: float) -> str:
        """Add one slab and return its row."""
        lo, hi = totals.volume_interval_ml
        self.total.append(totals.volume_ml / true_ml - 1)
        self.total_held.append(lo <= true_ml <= hi)
        for feature, defect in rows:
            if defect is None:
                continue
            if feature["volume_ml"] >= VOID_THAT_COUNTS_ML:
                self.void.append(defect.volume_ml / feature["volume_ml"] - 1)
                self.void_held.append(
                    defect.volume_interval_ml.lo <= feature["volume_ml"] <= defect.volume_interval_ml.hi
                )
            for e in defect.depth.estimates if defect.depth else ():
                off = float(np.log(feature["mean_depth_mm"])) - log_mu(e)
                self.off[f"{e.source} {defect.kind}"].append((off, log_sd(e), feature["mean_depth_mm"]))
        held = "" if self.total_held[-1] else " OUTSIDE"
        return f"{totals.volume_ml:7.1f} of {true_ml:7.1f} ml in [{lo:.1f}, {hi:.1f}] {self.total[-1]:+.1%}{held}"

    def summary(self, way: str) -> str:
        """Return the figures over all slabs."""
        lines = [
            f"{way}: total's error median {np.median(np.abs(self.total)):.1%} (signed {np.median(self.total):+.1%}), "
            f"interval holds {sum(self.total_held)}/{len(self.total_held)}"
        ]
        if self.void:
            lines.append(
                f"  voids over {VOID_THAT_COUNTS_ML:g} ml: median {np.median(np.abs(self.void)):.1%} (signed "
                f"{np.median(self.void):+.1%}), interval holds {sum(self.void_held)}/{len(self.void_held)}"
            )
        for name, values in sorted(self.off.items()):
            off, sd, _ = np.array(values).T
            lines.append(
                f"  {name:22s} n {len(off):3d}  log error mean {off.mean():+.3f} sd {off.std():.3f}, said "
                f"{np.median(sd):.3f}; within 1.96: {np.mean(np.abs(off / sd) < 1.96):.3f}"
            )
        return "\n".join(lines)


def judge(name: str, folder: Path, scores: dict[str, Score], *, command: bool) -> None:
    truth = json.loads((folder / f"{name}-a.json").read_text())
    files = [p for letter in "abc" if (p := folder / f"{name}-{letter}.jpg").is_file()]
    thickness = truth["slab"]["thickness_mm"]
    photos = [load_photo(p) for p in files]
    rng = np.random.default_rng([truth.get("seed", 0), 5])
    took = 0.0
    for count in sorted({1, len(files)}):
        if command:
            rows, totals = by_command(truth, files[:count])
            true_ml = truth["totals"]["volume_ml"]
        else:
            rows, totals, took = by_truth(truth, photos[:count], scale.solve_planes(photos[:count]))
            true_ml = sum(f["volume_ml"] for f, _ in rows)
        way = WAYS[0] if count == 1 else WAYS[2]
        print(f"{name:8s} {way:20s} {scores[way].add(rows, totals, true_ml)}  depth {took:.1f} s", flush=True)
        if count == 1:
            rows, totals = probed(rows, thickness, rng)
            print(f"{name:8s} {WAYS[1]:20s} {scores[WAYS[1]].add(rows, totals, true_ml)}", flush=True)


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--first", type=int, default=100_000)
    ask.add_argument("--count", type=int, default=60)
    ask.add_argument("--scenes", type=Path)
    ask.add_argument("--command", action="store_true")
    given = ask.parse_args()
    cv2.setNumThreads(1)
    scores: dict[str, Score] = defaultdict(Score)
    with tempfile.TemporaryDirectory() as scratch:
        folder = given.scenes or Path(scratch)
        if given.scenes is None:
            from voidmap.simulate import write_scene

            for seed in range(given.first, given.first + given.count):
                write_scene(folder, f"s{seed}", seed)
        for path in sorted(folder.glob("*-a.json")):
            try:
                judge(path.stem[:-2], folder, scores, command=given.command)
            except VoidmapError as error:
                print(f"{path.stem[:-2]:8s} {error}", flush=True)
    for way in WAYS:
        if way in scores:
            print(scores[way].summary(way))


if __name__ == "__main__":
    main()
