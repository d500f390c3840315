"""Fit what is missed on a slab, and say how well the total's interval then holds on slabs that were left out.

    python benchmarks/missed.py FOLDER [FOLDER ...]     simulated slabs, made before by make_slabs.py

Run it again whenever finding or the outline changes, and put the figure it prints last into
``voidmap.depth.volume.MISSED_ML``. Each slab is measured from all of its photos; the true total is then what was found,
with its own error (log-normal, from the interval that counts nothing as missed), and something more that is exponential
with a mean of ``MISSED_ML`` times a power of what was found. The mean is the likeliest one (maximum likelihood). It is
also fitted with every fourth slab left out, and judged on those.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from depth import defect_of, found_regions
from scipy.optimize import minimize_scalar
from scipy.stats import norm

from voidmap import depth, scale
from voidmap.depth.fuse import Z95
from voidmap.depth.volume import MISSED_FOUND_ML, MISSED_ML, MISSED_POWER
from voidmap.errors import VoidmapError
from voidmap.files import load_photo
from voidmap.records import Defect, Totals

PARTS = 4
RANGE_ML = (0.5, 100.0)
NODES = norm.ppf((np.arange(400) + 0.5) / 400)
LEAST_DENSITY = 1e-6


@dataclass(frozen=True)
class Slab:
    """One slab: its true total, and what was found on it."""

    name: str
    true_ml: float
    found: tuple[Defect, ...]
    scale_rel: float

    def totals(self, missed_ml: float) -> Totals:
        """Return the totals with this much missed on average."""
        return depth.volumes(self.found, scale_rel=self.scale_rel, missed_ml=missed_ml)[1]


def measured(name: str, folder: Path) -> Slab:
    """Find and measure one slab from all of its photos."""
    truth = json.loads((folder / f"{name}-a.json").read_text())
    photos = [load_photo(p) for letter in "abc" if (p := folder / f"{name}-{letter}.jpg").is_file()]
    planes = scale.solve_planes(photos)
    ortho = scale.rectify(photos[0], planes[0])
    regions, under = found_regions(ortho, photos, planes)
    thickness = truth["slab"]["thickness_mm"]
    known = depth.estimate_depths(regions, ortho, photos, planes, thickness_mm=thickness)
    found = tuple(
        defect_of(n, r, e, thickness, None, h) for n, (r, e, h) in enumerate(zip(regions, known, under, strict=True), 1)
    )
    middles = np.array([r.outline_mm.mean(axis=0) for r in regions]) if regions else np.zeros((1, 2))
    found = tuple(replace(d, outline_mm=(), outline_px=()) for d in found)
    return Slab(name, truth["totals"]["volume_ml"], found, scale.length_interval_rel(planes[0], middles))


def log_likelihood(missed_ml: float, slab: Slab, known: Totals) -> float:
    """Log density of a slab's true total, ml; ``known`` are the totals with nothing missed."""
    lo, hi = known.volume_interval_ml
    lo, hi = max(lo, 1e-3), max(hi, 2e-3)
    found = np.exp(np.log(lo * hi) / 2 + np.log(hi / lo) / (2 * Z95) * NODES)
    mean = missed_ml * (max(known.volume_ml, 1e-3) / MISSED_FOUND_ML) ** MISSED_POWER
    more = slab.true_ml - found
    density = np.where(more > 0, np.exp(-np.maximum(more, 0) / mean) / mean, 0.0).mean()
    return float(np.log(density + LEAST_DENSITY))


def fitted(slabs: list[tuple[Slab, Totals]]) -> float:
    """Return the likeliest ``MISSED_ML``."""

    def cost(log_ml: float) -> float:
        return -sum(log_likelihood(float(np.exp(log_ml)), slab, known) for slab, known in slabs)

    low, high = np.log(RANGE_ML)
    return float(np.exp(minimize_scalar(cost, bounds=(float(low), float(high)), method="bounded").x))


def judged(slabs: list[tuple[Slab, float]]) -> str:
    """Say how often the totals' intervals hold and how wide they are, each slab with its own ``missed_ml``."""
    held, below, ends = 0, 0, []
    for slab, missed_ml in slabs:
        totals = slab.totals(missed_ml)
        lo, hi = totals.volume_interval_ml
        held += lo <= slab.true_ml <= hi
        below += slab.true_ml < lo
        ends.append((lo / max(totals.volume_ml, 1e-9), hi / max(totals.volume_ml, 1e-9)))
    low, high = np.median(ends, axis=0)
    return f"holds {held}/{len(slabs)} ({below} below), ends {low:.2f} and {high:.2f} of the total (median)"


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("folders", type=Path, nargs="+")
    given = ask.parse_args()
    cv2.setNumThreads(1)
    slabs: list[tuple[Slab, Totals]] = []
    for folder in given.folders:
        for path in sorted(folder.glob("*-a.json")):
            try:
                slab = measured(path.stem[:-2], folder)
            except VoidmapError as error:
                print(f"{path.stem[:-2]:8s} {error}", flush=True)
                continue
            slabs.append((slab, slab.totals(0.0)))
            print(f"{slab.name:8s} found {slabs[-1][1].volume_ml:6.1f} of {slab.true_ml:6.1f} ml", flush=True)
    print(f"as it is, {MISSED_ML:g} ml: {judged([(slab, MISSED_ML) for slab, _ in slabs])}")
    left_out = []
    for part in range(PARTS):
        figure = fitted([s for n, s in enumerate(slabs) if n % PARTS != part])
        left_out += [(slab, figure) for slab, _ in slabs[part::PARTS]]
    print(f"fitted without the slab's own quarter: {judged(left_out)}")
    print(f"fitted on all {len(slabs)}: MISSED_ML = {fitted(slabs):.1f}")


if __name__ == "__main__":
    main()
