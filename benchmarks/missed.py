"""Fit what is missed on a slab, and say how well the total's interval then holds on slabs that were left out.

    python benchmarks/missed.py FOLDER [FOLDER ...]     simulated slabs, made before by make_slabs.py

Run it again whenever finding or the outline changes, and put the figure it prints last into
``voidmap.depth.volume.MISSED_ML``. Each slab is measured from all of its photos; the true total (of the voids that do
not lie wholly under boards: the program says that it counts none such) is then what was found, with its own error, and
something more that is exponential with a mean of ``MISSED_ML`` times a power of what was found. The mean is the
likeliest one (maximum likelihood). It is also fitted with every fourth slab left out, and judged on those. A folder
with one photo a slab gives the figure beside ``MISSED_ALONE_ML``.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from depth import defect_of, found_regions, seen_ml
from scipy.optimize import minimize_scalar

from voidmap import depth, scale
from voidmap.depth.volume import MISSED_ML, found_draws, missed_mean_ml
from voidmap.errors import VoidmapError
from voidmap.files import load_photo
from voidmap.model import Floats
from voidmap.records import Defect, Totals

PARTS = 4
RANGE_ML = (0.5, 100.0)
LEAST_ML = 1e-3
LEAST_DENSITY = 1e-6


@dataclass(frozen=True, eq=False)
class Slab:
    """One slab: its true total, what was found on it, how much that is, and draws (N,) of it, ml."""

    name: str
    true_ml: float
    found: tuple[Defect, ...]
    scale_rel: float
    found_ml: float
    draws_ml: Floats

    def totals(self, missed_ml: float) -> Totals:
        """Return the totals with this much missed on average."""
        return depth.volumes(self.found, scale_rel=self.scale_rel, missed_ml=missed_ml)[1]


def measured(name: str, folder: Path) -> Slab:
    """Find and measure one slab from all of its photos."""
    truth = json.loads((folder / f"{name}-a.json").read_text())
    photos = [load_photo(p) for letter in "abc" if (p := folder / f"{name}-{letter}.jpg").is_file()]
    planes = scale.solve_planes(photos)
    ortho = scale.rectify(photos[0], planes[0])
    thickness = truth["slab"]["thickness_mm"]
    regions, under, _ = found_regions(ortho, photos, planes, thickness)
    known = depth.estimate_depths(regions, ortho, photos, planes, thickness_mm=thickness)
    found = tuple(
        defect_of(n, r, e, thickness, None, h) for n, (r, e, h) in enumerate(zip(regions, known, under, strict=True), 1)
    )
    middles = np.array([r.outline_mm.mean(axis=0) for r in regions]) if regions else np.zeros((1, 2))
    found = tuple(replace(d, outline_mm=(), outline_px=()) for d in found)
    true_ml, _ = seen_ml(truth, ortho, planes[0])
    scale_rel = scale.length_interval_rel(planes[0], middles)
    with_volumes, draws = found_draws(found, np.random.default_rng(0), scale_rel=scale_rel)
    return Slab(name, true_ml, found, scale_rel, sum(d.volume_ml for d in with_volumes if d.is_void), draws)


def log_likelihood(missed_ml: float, slab: Slab) -> float:
    """Log density of a slab's true total, ml."""
    mean = missed_mean_ml(max(slab.found_ml, LEAST_ML), missed_ml)
    more = slab.true_ml - slab.draws_ml
    density = np.where(more > 0, np.exp(-np.maximum(more, 0) / mean) / mean, 0.0).mean()
    return float(np.log(density + LEAST_DENSITY))


def fitted(slabs: list[Slab]) -> float:
    """Return the likeliest ``MISSED_ML``."""

    def cost(log_ml: float) -> float:
        return -sum(log_likelihood(float(np.exp(log_ml)), slab) for slab in slabs)

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
    slabs: list[Slab] = []
    for folder in given.folders:
        for path in sorted(folder.glob("*-a.json")):
            try:
                slab = measured(path.stem[:-2], folder)
            except VoidmapError as error:
                print(f"{path.stem[:-2]:8s} {error}", flush=True)
                continue
            slabs.append(slab)
            print(f"{slab.name:8s} found {slab.found_ml:6.1f} of {slab.true_ml:6.1f} ml", flush=True)
    print(f"as it is, {MISSED_ML:g} ml: {judged([(slab, MISSED_ML) for slab in slabs])}")
    left_out = []
    for part in range(PARTS):
        figure = fitted([s for n, s in enumerate(slabs) if n % PARTS != part])
        left_out += [(slab, figure) for slab in slabs[part::PARTS]]
    print(f"fitted without the slab's own quarter: {judged(left_out)}")
    print(f"fitted on all {len(slabs)}: MISSED_ML = {fitted(slabs):.1f}")


if __name__ == "__main__":
    main()
