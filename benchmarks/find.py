"""How well voids are found, named and measured on simulated slabs that were never used in development.

    python benchmarks/find.py --first 100000 --count 60

One line a slab, one table at the end: recall and precision of voids of 2 mm² and more, share of their volume found,
kinds right, area error of voids over 100 mm², flat things called voids, and how often void_probability holds.
"""

from __future__ import annotations

import argparse

import cv2
import numpy as np
from train_kinds import THIN, laid_out, overlap, raster, simulated

from voidmap.model import Region
from voidmap.surface import find_regions

# Least overlap (intersection over union) of a find; thin things are compared after growing both by this many px.
LEAST_IOU, LEAST_THIN_IOU, GROW_PX = 0.5, 0.3, 8
# A thing is in view when this share of it is bare.
IN_VIEW = 0.5


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


def judge_scene(seed: int) -> dict[str, list]:
    pixels, truth = simulated(seed)
    ortho, slab, plane = laid_out(pixels, truth)
    regions = find_regions(ortho, slab, plane)
    out: dict[str, list] = {k: [] for k in ("void", "volume", "kind", "area", "flat", "call")}
    free = set(range(len(regions)))
    on_void = np.zeros(len(regions))
    for feature in truth["features"]:
        if len(feature["outline_px"]) < 3:
            continue
        true, at = raster(ortho, plane.to_mm(np.array(feature["outline_px"])))
        hidden = overlap(true, at, slab.covered, (0, 0)) / max(1, true.sum())
        for k, region in enumerate(regions):
            if feature["is_void"]:
                share = overlap(region.mask, region.corner, grown(true), (at[0] - GROW_PX, at[1] - GROW_PX))
                on_void[k] = max(on_void[k], share / region.mask.sum())
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
        if feature["area_mm2"] < 2.0:
            continue
        out["void"].append(found)
        out["volume"].append((feature["volume_ml"], found))
        if found:
            out["kind"].append(str(regions[k].kind) == feature["kind"])
            if feature["area_mm2"] > 100 and hidden < 0.02:
                out["area"].append(regions[k].area_mm2 / feature["area_mm2"] - 1)
    for k, region in enumerate(regions):
        true_call = k not in free or on_void[k] > 0.5
        out["call"].append((region.void_probability, region.kind.is_void, true_call))
    return out


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--first", type=int, default=100_000)
    ask.add_argument("--count", type=int, default=60)
    given = ask.parse_args()
    total: dict[str, list] = {k: [] for k in ("void", "volume", "kind", "area", "flat", "call")}
    for seed in range(given.first, given.first + given.count):
        scene = judge_scene(seed)
        for key, values in scene.items():
            total[key] += values
        print(seed, f"voids {sum(scene['void'])}/{len(scene['void'])}", flush=True)
    calls = [c for c in total["call"] if c[1]]
    volume = sum(v for v, _ in total["volume"])
    print(f"recall            {np.mean(total['void']):.3f}")
    print(f"precision         {np.mean([c[2] for c in calls]):.3f}")
    print(f"volume found      {sum(v for v, f in total['volume'] if f) / max(volume, 1e-9):.3f}")
    print(f"kind right        {np.mean(total['kind']):.3f}")
    print(f"area error median {np.median(np.abs(total['area'])):.3%} of {len(total['area'])}")
    print(f"flat called void  {sum(total['flat'])}/{len(total['flat'])}")
    for low in (0.5, 0.6, 0.7, 0.8, 0.9):
        held = [c for c in calls if low <= c[0] < low + 0.1]
        if held:
            print(f"void_probability {low:.1f}+  right {np.mean([c[2] for c in held]):.3f} of {len(held)}")


if __name__ == "__main__":
    main()
