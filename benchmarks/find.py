"""How well voids are found, named and measured on simulated slabs that were never used in development.

    python benchmarks/find.py --first 100000 --count 60 --cache DIR
    python benchmarks/find.py --photos DIR

Photos of ``--photos`` are NAME-a.jpg (or b, c) with their truth in NAME-a.json, as ``benchmarks/make_slabs.py``
writes them; else scenes are simulated, one photo each. One line a photo, one table at the end: recall and precision of
voids of 2 mm² and more, share of their volume found, kinds right, errors of area (voids over 100 mm²) and of crack
length, flat things called voids, the slab's outline, how far true rims lie from the found ones (95 %), how often area
intervals hold, how many flat things are told where nothing is, and how often void_probability holds. Photos on which
the program can't tell are counted, and are no part of the rest.
"""

from __future__ import annotations

import argparse
import json
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
from scenes import THIN, laid_out, outlines, overlap, raster, simulated

from voidmap.errors import CantTell
from voidmap.model import Plane, Region, SlabFound
from voidmap.surface import find_regions
from voidmap.surface.measure import greatest_width_px, spine_length_px
from voidmap.surface.skeleton import smoothed

# Least overlap (intersection over union) of a find; thin things are compared after growing both by this many px.
LEAST_IOU, LEAST_THIN_IOU, GROW_PX = 0.5, 0.3, 8
# A thing is in view when this share of it is bare.
IN_VIEW = 0.5
# Things at least this wide somewhere can be told in a photo.
LEAST_ACROSS_PX = 3.0
# A step over wood counts so many times in the way from piece to piece of a crack.
GAP_COST = 4.0
# Smaller voids need not be found, larger ones have their area judged.
LEAST_MM2, LARGE_MM2 = 2.0, 100.0

Scores = dict[str, list]


def grown(mask: np.ndarray) -> np.ndarray:
    size = 2 * GROW_PX + 1
    return cv2.dilate(np.pad(mask, GROW_PX).astype(np.uint8), np.ones((size, size), np.uint8)).astype(bool)


def iou(true: np.ndarray, at: tuple[int, int], region: Region, thin: bool) -> float:
    mask, corner = region.mask, region.corner
    if thin:
        true, mask = grown(true), grown(mask)
        at, corner = (at[0] - GROW_PX, at[1] - GROW_PX), (corner[0] - GROW_PX, corner[1] - GROW_PX)
    both = overlap(true, at, mask, corner)
    return both / max(1.0, true.sum() + mask.sum() - both)


def outline_iou(truth: dict, slab: SlabFound, plane: Plane) -> float:
    """Return how well the slab's top fits the true one, both drawn at 1 mm a pixel."""
    true, found = plane.to_mm(np.array(truth["slab"]["outline_px"])), slab.outline_mm
    low = np.minimum(true.min(axis=0), found.min(axis=0)) - 2
    size = np.ceil(np.maximum(true.max(axis=0), found.max(axis=0)) + 2 - low).astype(int)
    drawn = []
    for points in (true, found):
        mask = np.zeros((size[1], size[0]), np.uint8)
        cv2.fillPoly(mask, [np.round((points - low) * 16).astype(np.int32)], 1, shift=4)
        drawn.append(mask.astype(bool))
    return float((drawn[0] & drawn[1]).sum() / (drawn[0] | drawn[1]).sum())


def judge_scene(pixels: np.ndarray, truth: dict) -> Scores:
    """Compare what is found in one photo with its truth.

    A crack's true mask is that of all its pieces, its length that from tip to tip: parts of it are too shallow to be
    open (a millimetre or two). Truth files without ``pieces_px`` know the greatest piece only, which is a half to all
    of the crack's length: write them anew by ``make_slabs.py --truth``.
    """
    ortho, slab, plane = laid_out(pixels, truth)
    regions = find_regions(ortho, slab, plane)
    out: Scores = defaultdict(list)
    out["outline"].append(outline_iou(truth, slab, plane))
    free = set(range(len(regions)))
    on_void, on_flat = np.zeros(len(regions)), np.zeros(len(regions))
    for feature in truth["features"]:
        if len(feature["outline_px"]) < 3:
            continue
        true, at = raster(ortho, *outlines(feature, plane))
        hidden = overlap(true, at, slab.covered, (0, 0)) / max(1, true.sum())
        wide, wide_at = grown(true), (at[0] - GROW_PX, at[1] - GROW_PX)
        shares = [overlap(r.mask, r.corner, wide, wide_at) / r.mask.sum() for r in regions]
        on = on_void if feature["is_void"] else on_flat
        np.maximum(on, shares, out=on)
        if hidden > 1 - IN_VIEW:
            continue
        if not feature["is_void"]:
            shares = [overlap(true, at, r.mask, r.corner) / true.sum() for r in regions if r.kind.is_void]
            out["flat"].append(max(shares, default=0.0) > 0.4)
            continue
        thin = feature["kind"] in THIN
        fits = [(iou(true, at, regions[k], thin), k) for k in free if regions[k].kind.is_void]
        best, k = max(fits, default=(0.0, -1))
        found = best >= (LEAST_THIN_IOU if thin else LEAST_IOU)
        if found:
            free.discard(k)
        if feature["area_mm2"] >= LEAST_MM2:
            out["wide"].append(greatest_width_px(true) >= LEAST_ACROSS_PX)
            length = true_length_px(true) * ortho.mm_per_px
            _note(out, feature, regions[k] if found else None, hidden, length)
    for k, region in enumerate(regions):
        out["call"].append((region.void_probability, region.kind.is_void, k not in free or bool(on_void[k] > 0.5)))
        if not region.kind.is_void:
            out["told_flat"].append(max(on_void[k], on_flat[k]) > 0.5)
    return out


def true_length_px(true: np.ndarray) -> float:
    """Return a crack's length from tip to tip, px, over the gaps between its pieces."""
    if cv2.connectedComponents(true.astype(np.uint8))[0] == 2:
        return spine_length_px(true)
    from skimage.graph import route_through_array

    reach = cv2.distanceTransform(true.astype(np.uint8), cv2.DIST_L2, 5)
    hull = cv2.convexHull(np.argwhere(true).astype(np.int32)).reshape(-1, 2)
    apart = np.hypot(*(hull[:, None] - hull[None]).transpose(2, 0, 1))
    tips = [hull[k] for k in np.unravel_index(apart.argmax(), apart.shape)]
    way, _ = route_through_array(np.where(true, 1.0 + 0.5 / (reach + 0.5), GAP_COST), *tips, geometric=True)
    return float(np.hypot(*np.diff(smoothed(np.array(way, dtype=float)), axis=0).T).sum())


def _note(out: Scores, feature: dict, region: Region | None, hidden: float, true_length_mm: float) -> None:
    kind = feature["kind"]
    out["void"].append((kind, region is not None))
    out["volume"].append((feature["volume_ml"], region is not None))
    if region is None:
        return
    out["kind"].append(str(region.kind) == kind)
    if hidden < 0.02 and feature["area_mm2"] > LARGE_MM2:
        out["area"].append((kind, region.area_mm2 / feature["area_mm2"] - 1))
        low, high = region.area_interval_mm2
        out["area_held"].append(low <= feature["area_mm2"] <= high)
    if hidden < 0.02:
        low, high = region.area_interval_mm2
        off = (feature["area_mm2"] - region.area_mm2) / region.rim_mm
        out["every_area"].append((kind, off, low <= feature["area_mm2"] <= high))
    if hidden < 0.02 and kind == "crack":
        out["length"].append(region.length_mm / true_length_mm - 1)


def scenes(given: argparse.Namespace) -> Iterator[tuple[str, np.ndarray, dict]]:
    if given.photos:
        for path in sorted(given.photos.glob("*-[abc].json"))[: given.count]:
            yield path.stem, cv2.imread(str(path.with_suffix(".jpg"))), json.loads(path.read_text())
        return
    for seed in range(given.first, given.first + given.count):
        kept = given.cache / f"{seed}.json" if given.cache else None
        if kept and kept.exists():
            yield str(seed), cv2.imread(str(kept.with_suffix(".png"))), json.loads(kept.read_text())
            continue
        pixels, truth = simulated(seed, megapixels=(3.0,), busy=(1.0, 1.0))
        if kept:
            given.cache.mkdir(parents=True, exist_ok=True)
            cv2.imwrite(str(kept.with_suffix(".png")), pixels)
            kept.write_text(json.dumps(truth))
        yield str(seed), pixels, truth


def table(total: Scores) -> None:
    """Print the figures of all scenes."""
    calls = [c for c in total["call"] if c[1]]
    volume = sum(v for v, _ in total["volume"])
    areas = np.abs([e for _, e in total["area"]])
    if total["refused"]:
        print(f"can't tell        {len(total['refused'])} photos")
    print(f"voids             {len(total['void'])}, called {len(calls)}")
    found = np.array([f for _, f in total["void"]])
    wide = np.array(total["wide"])
    print(f"recall            {found[wide].mean():.3f} of {wide.sum()} at least 3 px wide, {found.mean():.3f} of all")
    for kind in sorted({k for k, _ in total["void"]}):
        own = [f for k, f in total["void"] if k == kind]
        errors = [e for k, e in total["area"] if k == kind]
        bias = f"  area {np.median(errors):+.1%}, {np.median(np.abs(errors)):.1%} off" if errors else ""
        every = [(off, held) for k, off, held in total["every_area"] if k == kind]
        low, high = np.quantile([off for off, _ in every], [0.025, 0.975]) if every else (0.0, 0.0)
        holds = f"  interval holds {np.mean([h for _, h in every]):.2f} of {len(every)}" if every else ""
        holds += f"  true rim {low:+.2f} to {high:+.2f} mm"
        print(f"  {kind:15s} {np.mean(own):.3f} of {len(own)}{bias}{holds}")
    print(f"precision         {np.mean([c[2] for c in calls]):.3f}")
    print(f"volume found      {sum(v for v, f in total['volume'] if f) / max(volume, 1e-9):.3f}")
    print(f"kind right        {np.mean(total['kind']):.3f}")
    print(f"area error median {np.median(areas):.3%} of {len(areas)}, interval holds {np.mean(total['area_held']):.3f}")
    if total["length"]:
        off = np.array(total["length"])
        print(f"crack length      {np.median(np.abs(off)):.3%} off, {np.median(off):+.1%} (medians of {len(off)})")
    print(f"flat called void  {sum(total['flat'])}/{len(total['flat'])}")
    told = total["told_flat"]
    print(f"flat things told  {len(told)}, of which {np.mean(told or [0.0]):.2f} on a flat thing or a void not called")
    print(f"outline IoU       median {np.median(total['outline']):.4f}, least {min(total['outline']):.4f}")
    print("void_probability  given   true   things")
    for low in np.arange(0.0, 1.0, 0.1):
        held = [c for c in total["call"] if low <= c[0] < low + 0.1 or (low > 0.85 and c[0] >= 1.0)]
        if held:
            print(f"{'':17s} {np.mean([c[0] for c in held]):.2f}   {np.mean([c[2] for c in held]):.2f}   {len(held)}")


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--first", type=int, default=100_000)
    ask.add_argument("--count", type=int, default=60)
    ask.add_argument("--cache", type=Path)
    ask.add_argument("--photos", type=Path)
    given = ask.parse_args()
    total: Scores = defaultdict(list)
    for name, pixels, truth in scenes(given):
        try:
            scene = judge_scene(pixels, truth)
        except CantTell as refused:
            print(name, refused, flush=True)
            total["refused"].append(1.0)
            continue
        for key, values in scene.items():
            total[key] += values
        print(name, f"voids {sum(f for _, f in scene['void'])}/{len(scene['void'])}", flush=True)
    table(total)


if __name__ == "__main__":
    main()
