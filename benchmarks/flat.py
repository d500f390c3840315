"""Fit how well photos from several places tell a void from a flat thing, and judge it on slabs that were left out.

    python benchmarks/flat.py FOLDER [FOLDER ...]     simulated slabs, made before by make_slabs.py

Run it again when finding or the sweep changes, and put the figures it prints into :mod:`voidmap.depth.flat`. Every
region that is found and wide enough is swept with three photos and with the first two of them. A region is a void when
more than half of it lies in voids and it has a good part of one; flat when it has next to nothing of any; the rest (a
knot with a hole in it) is left out, and so is what touches the edge. The logistic regression is of what a region is on
the log of its gain, beside the chance that one photo gave it.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from depth import found_regions
from scipy.optimize import minimize
from shapely import union_all
from truth import shape

from voidmap import scale
from voidmap.depth.flat import LEAST_GAIN
from voidmap.depth.parallax import has_parallax, measurable, relief
from voidmap.errors import VoidmapError
from voidmap.files import load_photo
from voidmap.model import Floats

PARTS = 8
VOID_INSIDE, VOID_SHARED, FLAT_INSIDE = 0.5, 0.3, 0.1


@dataclass(frozen=True)
class Row:
    """One region: its slab, whether it is a void, its chance of being one by one photo, its gain, its volume, ml."""

    slab: str
    void: bool
    chance: float
    gain: float
    ml: float


def is_void(outline: Any, voids: list[Any]) -> bool | None:
    """Say whether an outline is a void's; None when it is neither a void's nor a flat thing's."""
    inside = union_all(voids).intersection(outline).area / max(outline.area, 1e-9)
    shared = max((v.intersection(outline).area / v.union(outline).area for v in voids), default=0.0)
    if inside > VOID_INSIDE and shared > VOID_SHARED:
        return True
    return False if inside < FLAT_INSIDE and shared < FLAT_INSIDE else None


def rows_of(name: str, folder: Path) -> dict[int, list[Row]]:
    """Find and sweep one slab's regions, by the number of photos."""
    truth = json.loads((folder / f"{name}-a.json").read_text())
    photos = [load_photo(p) for letter in "abc" if (p := folder / f"{name}-{letter}.jpg").is_file()]
    planes = scale.solve_planes(photos)
    ortho = scale.rectify(photos[0], planes[0])
    thickness = truth["slab"]["thickness_mm"]
    voids = [shape(f["outline_px"]) for f in truth["features"] if f["is_void"]]
    out: dict[int, list[Row]] = {2: [], 3: []}
    for region in found_regions(ortho, photos, planes, thickness)[0]:
        what = is_void(shape([(float(x), float(y)) for x, y in planes[0].to_px(region.outline_mm)]), voids)
        if what is None or region.beside_edge or region.opens_on_edge or not measurable(region):
            continue
        for count, rows in out.items():
            if not has_parallax(planes[:count]):
                continue
            found = relief(region, ortho, photos[:count], planes[:count], thickness_mm=thickness)
            if found is not None:
                ml = region.area_mm2 * max(float(found.depth_mm[found.inside].mean()), 0.0) / 1000
                rows.append(Row(name, what, region.void_probability, found.gain, ml))
    return out


def fitted(rows: list[Row]) -> Floats:
    """Return the nats at a gain of 1 and those for each log of the gain."""
    log_gain, before, void = columns(rows)

    def cost(line: Floats) -> float:
        odds = before + line[0] + line[1] * log_gain
        return float(np.sum(np.logaddexp(0.0, odds) - void * odds))

    return np.asarray(minimize(cost, np.zeros(2)).x, dtype=np.float64)


def columns(rows: list[Row]) -> tuple[Floats, Floats, Floats]:
    """Return the log gains, the log odds before, and what is a void."""
    gain = np.array([max(r.gain, 0.0) for r in rows])
    chance = np.clip([r.chance for r in rows], 1e-4, 1 - 1e-4)
    return np.log(gain + LEAST_GAIN), np.log(chance / (1 - chance)), np.array([float(r.void) for r in rows])


def report(rows: list[Row], count: int) -> str:
    """Fit all, and say what is called wrong when each slab's part is left out."""
    slabs = sorted({r.slab for r in rows})
    part = np.array([slabs.index(r.slab) % PARTS for r in rows])
    log_gain, before, void = columns(rows)
    odds = np.zeros(len(rows))
    for k in range(PARTS):
        line = fitted([r for r, p in zip(rows, part, strict=True) if p != k])
        odds[part == k] = (before + line[0] + line[1] * log_gain)[part == k]
    ml = np.array([r.ml for r in rows])
    lines = [f"{count} photos: {int(void.sum())} voids and {int((1 - void).sum())} flat things on {len(slabs)} slabs"]
    for word, said in (("one photo's chance alone", before), ("with parallax, left out", odds)):
        false, missed = (said > 0) & (void == 0), (said <= 0) & (void == 1)
        lines.append(
            f"  {word}: {false.sum()} false of {ml[false].sum():.0f} ml, {missed.sum()} missed of "
            f"{ml[missed].sum():.1f} ml; {np.mean(np.logaddexp(0.0, said) - void * said):.4f} nats"
        )
    return "\n".join([*lines, f"  {told(rows)}"])


def told(rows: list[Row]) -> str:
    """Fit all, in words."""
    line = fitted(rows)
    return f"at a gain of 1: {line[0]:.1f} nats; for each log of it: {line[1]:.1f}"


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("folders", type=Path, nargs="+")
    given = ask.parse_args()
    cv2.setNumThreads(1)
    rows: dict[int, list[Row]] = {2: [], 3: []}
    for folder in given.folders:
        for path in sorted(folder.glob("*-a.json")):
            try:
                found = rows_of(path.stem[:-2], folder)
            except VoidmapError as error:
                print(f"{path.stem[:-2]:8s} {error}", flush=True)
                continue
            for count, more in found.items():
                rows[count] += more
    for count, some in rows.items():
        print(report(some, count))
    print(f"all together {told([row for some in rows.values() for row in some])}")


if __name__ == "__main__":
    main()
