"""Score the program on photos whose truth is known.

    python benchmarks/truth.py FOLDER [FOLDER ...]      photos with a truth file beside each
    python benchmarks/truth.py --simulate 6             slabs and coats that the simulator makes anew

A truth file NAME.json beside NAME.jpg holds, in the photo's own slab frame (its origin need not be a board) and in
photo pixels: ``camera {K, dist, R, t, size}``, ``slab {area_mm2, thickness_mm, ...}``, ``features [{kind, is_void,
area_mm2, volume_ml, outline_px, ...}]`` and ``totals`` for a slab (NAME ends in -a, -b, -c for the same slab from
other places); ``pinholes [{x_px, y_px, diameter_mm, in_frame, ...}]``, ``surface`` and ``coat`` for a coat (NAME ends
in the coat's number). One row a photo set, then the figures over all.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from scipy.optimize import linear_sum_assignment
from shapely import Polygon, union_all
from shapely.geometry.base import BaseGeometry

from voidmap.errors import VoidmapError
from voidmap.job.coat import CoatOptions, inspect
from voidmap.job.intake import IntakeOptions, take_in
from voidmap.job.verdict import decide
from voidmap.records import Intake

NARROW = ("crack", "seam_gap", "hole")
NARROW_REACH_PX = 8.0
"""Narrow things are compared after widening both by this: their outlines say where they are, not how wide."""
LEAST_OVERLAP = {True: 0.3, False: 0.5}
"""Intersection over union that counts as found: of narrow things (widened), and of others."""
LEAST_AREA_MM2 = 2.0
SAME_PLACE_PX = 5.0
SIZE_THAT_COUNTS_MM = 0.5


@dataclass
class Tally:
    """What adds up over the photo sets."""

    length_errors: list[float] = field(default_factory=list)
    slab_inside: list[bool] = field(default_factory=list)
    found: int = 0
    voids: int = 0
    called: int = 0
    called_right: int = 0
    volume_found: list[float] = field(default_factory=list)
    kinds_right: int = 0
    flat: int = 0
    flat_called: int = 0
    total_errors: list[float] = field(default_factory=list)
    total_inside: list[bool] = field(default_factory=list)
    hits: int = 0
    missed: int = 0
    false: int = 0
    counts_inside: list[bool] = field(default_factory=list)


def shape(outline: list[Any], *, reach: float = 0.0) -> BaseGeometry:
    if len(outline) < 3:
        return Polygon()
    polygon = Polygon(outline).buffer(0)
    return polygon.buffer(reach) if reach else polygon


def length_error(truth: dict[str, Any], record: Intake) -> float:
    """Median relative error of distances between opposite outline points, carried through the photo."""
    import cv2

    camera = {key: np.array(truth["camera"][key]) for key in ("K", "dist", "R", "t")}
    seen = np.array(record.slab.outline_px)
    rays = cv2.undistortPoints(seen.reshape(-1, 1, 2), camera["K"], camera["dist"]).reshape(-1, 2)
    homography = np.column_stack([camera["R"][:, :2], camera["t"]])
    there = np.linalg.solve(homography, np.column_stack([rays, np.ones(len(rays))]).T).T
    there = there[:, :2] / there[:, 2:]
    here = np.array(record.slab.outline_mm)
    across = np.roll(np.arange(len(here)), -(len(here) // 2))
    ratio = np.hypot(*(here - here[across]).T) / np.hypot(*(there - there[across]).T)
    return float(np.median(np.abs(ratio - 1)))


def pair_up(features: list[dict[str, Any]], record: Intake) -> dict[int, int]:
    """Match true features to reported defects of the same nature, best total overlap first."""
    overlap = np.zeros((len(features), len(record.defects)))
    for i, feature in enumerate(features):
        narrow = feature["kind"] in NARROW
        reach = NARROW_REACH_PX if narrow else 0.0
        own = shape(feature["outline_px"], reach=reach)
        for j, defect in enumerate(record.defects):
            if defect.is_void != feature["is_void"]:
                continue
            other = shape(list(defect.outline_px), reach=reach)
            if not own.intersects(other):
                continue
            share = own.intersection(other).area / own.union(other).area
            overlap[i, j] = share if share >= LEAST_OVERLAP[narrow] else 0.0
    rows, columns = linear_sum_assignment(-overlap)
    return {int(i): int(j) for i, j in zip(rows, columns, strict=True) if overlap[i, j] > 0}


def score_slab(truth: dict[str, Any], record: Intake, tally: Tally) -> str:
    features = truth["features"]
    pairs = pair_up(features, record)
    voids = [i for i, f in enumerate(features) if f["is_void"] and f["area_mm2"] >= LEAST_AREA_MM2]
    hit = [i for i in voids if i in pairs]
    called = [j for j, d in enumerate(record.defects) if d.is_void]
    where = union_all([shape(f["outline_px"], reach=NARROW_REACH_PX) for f in features if f["is_void"]])
    matched = set(pairs.values())
    right = [
        j
        for j in called
        if j in matched
        or where.intersection(shape(list(record.defects[j].outline_px))).area
        > 0.5 * max(shape(list(record.defects[j].outline_px)).area, 1e-9)
    ]
    flat = [i for i, f in enumerate(features) if not f["is_void"]]
    voids_called = union_all([shape(list(record.defects[j].outline_px)) for j in called])
    flat_called = [
        i
        for i in flat
        if voids_called.intersection(shape(features[i]["outline_px"])).area
        > 0.4 * shape(features[i]["outline_px"]).area
    ]
    volume = sum(features[i]["volume_ml"] for i in voids)
    lo, hi = record.totals.volume_interval_ml
    low_area, high_area = record.slab.area_interval_mm2
    tally.length_errors.append(length_error(truth, record))
    tally.slab_inside.append(low_area <= truth["slab"]["area_mm2"] <= high_area)
    tally.found += len(hit)
    tally.voids += len(voids)
    tally.called += len(called)
    tally.called_right += len(right)
    tally.volume_found.append(sum(features[i]["volume_ml"] for i in hit) / max(volume, 1e-9))
    tally.kinds_right += sum(record.defects[pairs[i]].kind == features[i]["kind"] for i in hit)
    tally.flat += len(flat)
    tally.flat_called += len(flat_called)
    true_ml = truth["totals"]["volume_ml"]
    tally.total_errors.append(abs(record.totals.volume_ml / max(true_ml, 1e-9) - 1))
    tally.total_inside.append(lo <= true_ml <= hi)
    return (
        f"length {tally.length_errors[-1]:.3%}  area {record.slab.area_mm2 / truth['slab']['area_mm2'] - 1:+.2%}"
        f"{'' if tally.slab_inside[-1] else ' OUTSIDE'}  voids {len(hit)}/{len(voids)}"
        f"  false {len(called) - len(right)}/{len(called)}  flat called void {len(flat_called)}/{len(flat)}"
        f"  volume {record.totals.volume_ml:.1f} of {true_ml:.1f} ml in [{lo:.1f}, {hi:.1f}]"
        f"{'' if tally.total_inside[-1] else ' OUTSIDE'}"
    )


def score_coat(truth: dict[str, Any], photo: Path, job: Path, number: int, tally: Tally) -> str:
    record = inspect(job, [photo], CoatOptions(number=number, sanded=truth["surface"] == "sanded"), lambda step: None)
    there = [p for p in truth["pinholes"] if p["in_frame"]]
    counts = np.array([p["diameter_mm"] >= SIZE_THAT_COUNTS_MM and not p.get("faint") for p in there], dtype=bool)
    true_px = np.array([(p["x_px"], p["y_px"]) for p in there]).reshape(-1, 2)
    seen_px = np.array([(p.x_px, p.y_px) for p in record.pinholes]).reshape(-1, 2)
    far = (
        np.hypot(*(true_px[:, None] - seen_px[None]).transpose(2, 0, 1)) if len(seen_px) else np.zeros((len(there), 0))
    )
    rows, columns = linear_sum_assignment(np.where(far <= SAME_PLACE_PX, far, 1e6))
    pairs = [(i, j) for i, j in zip(rows, columns, strict=True) if far[i, j] <= SAME_PLACE_PX]
    hits = sum(bool(counts[i]) for i, _ in pairs)
    false = len(record.pinholes) - len(pairs)
    tally.hits += hits
    tally.missed += int(counts.sum()) - hits
    tally.false += false
    tally.counts_inside.append(record.count_interval.lo <= len(there) and record.count_interval.hi >= counts.sum())
    decision = decide(job).decision
    return (
        f"pinholes of {SIZE_THAT_COUNTS_MM} mm and over {hits}/{counts.sum()}  false {false}  count {record.count} in "
        f"[{record.count_interval.lo:.0f}, {record.count_interval.hi:.0f}] of {len(there)}  d90 {record.power.d90_mm}"
        f"  verdict {decision}"
    )


def slab_sets(folder: Path) -> list[tuple[str, dict[str, Any], list[Path]]]:
    sets = []
    for path in sorted(folder.glob("*-a.json")):
        name = path.stem[:-2]
        photos = [p for v in "abc" if (p := folder / f"{name}-{v}.jpg").is_file()]
        sets.append((name, json.loads(path.read_text()), photos))
    return sets


def score_folder(folder: Path, jobs: Path, tally: Tally) -> None:
    for name, truth, photos in slab_sets(folder):
        for views in sorted({1, len(photos)}):
            options = IntakeOptions(thickness_mm=truth["slab"]["thickness_mm"], reference=truth["reference"])
            try:
                record = take_in(jobs / f"{name}-{views}", photos[:views], options, lambda step: None)
                print(f"{name:12s} {views} photo{'s' * (views > 1)}  {score_slab(truth, record, tally)}", flush=True)
            except VoidmapError as error:
                print(f"{name:12s} {views}  {error}", flush=True)
    for path in sorted(folder.glob("*-[1-9].json")):
        truth = json.loads(path.read_text())
        name, number = path.stem.rsplit("-", 1)
        try:
            row = score_coat(truth, path.with_suffix(".jpg"), jobs / f"coats-{name}", int(number), tally)
            print(f"{path.stem:12s} {row}", flush=True)
        except VoidmapError as error:
            print(f"{path.stem:12s} {error}", flush=True)


def summary(tally: Tally) -> str:
    lines = []
    if tally.length_errors:
        lines += [
            f"length error: median {np.median(tally.length_errors):.3%}, greatest {max(tally.length_errors):.3%}",
            f"slab area inside its interval: {sum(tally.slab_inside)}/{len(tally.slab_inside)}",
            f"voids found: {tally.found}/{tally.voids}; called and real: {tally.called_right}/{tally.called}; "
            f"share of volume found {np.mean(tally.volume_found):.1%}; kind right {tally.kinds_right}/{tally.found}",
            f"flat things called voids: {tally.flat_called}/{tally.flat}",
            f"total volume: median error {np.median(tally.total_errors):.1%}, inside its interval "
            f"{sum(tally.total_inside)}/{len(tally.total_inside)}",
        ]
    if tally.counts_inside:
        recall = tally.hits / max(1, tally.hits + tally.missed)
        precision = tally.hits / max(1, tally.hits + tally.false)
        f1 = 2 * recall * precision / max(1e-9, recall + precision)
        lines.append(
            f"pinholes: F1 {f1:.3f} (recall {recall:.3f}, precision {precision:.3f}); "
            f"counts inside their interval {sum(tally.counts_inside)}/{len(tally.counts_inside)}"
        )
    return "\n".join(lines)


def simulated(folder: Path, count: int) -> None:
    """Make slabs and coat series that were never used in development (seeds from 100,000 up)."""
    from voidmap.simulate import write_scene, write_series

    for n in range(count):
        write_scene(folder, f"slab{n}", 100_000 + n)
        write_series(folder, f"coat{n}", 100_000 + n)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="*")
    parser.add_argument("--simulate", type=int, default=0, metavar="N")
    chosen = parser.parse_args()
    tally = Tally()
    with tempfile.TemporaryDirectory() as scratch:
        if chosen.simulate:
            made = Path(scratch) / "made"
            made.mkdir()
            simulated(made, chosen.simulate)
            chosen.folders.append(made)
        for folder in chosen.folders:
            score_folder(folder, Path(scratch) / "jobs", tally)
    print(summary(tally))


if __name__ == "__main__":
    main()
