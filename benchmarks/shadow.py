"""How well one lamp and a peg give depth, on simulated slabs lit by one low lamp (NAME-r.jpg with NAME-r.json).

    python benchmarks/shadow.py FOLDER [--count 20]

Voids are given their true outlines; slab, scale, peg and lamp are found by the program. "Edge" is the depth where a
ray that grazes the rim meets the floor, against the ray followed through the true slab (made again from its seed, where
it is a seed's); "mean" is the mean depth of the void. An interval holds when the truth is in it: of the lamp's
elevation, and of the void's mean depth with the prior fused in. The last lines are what the bars are about.
"""

from __future__ import annotations

import argparse
import json
import re
import sys
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from depth import true_regions

from voidmap import depth, scale, surface
from voidmap.depth.fuse import log_mu, log_sd
from voidmap.depth.lamplight import LEAST_RAY_SHARE, LEAST_RAYS, LampLight, add_shadow, lamp_light
from voidmap.depth.peg import find_pegs
from voidmap.depth.shadow import ShadowEdge, shadow_edge
from voidmap.errors import VoidmapError
from voidmap.files import load_photo
from voidmap.model import Floats, Plane, Region
from voidmap.simulate.grid import Slab
from voidmap.simulate.slab import random_slab

SAME_MM = 0.05
"""A slab made again from its seed is the photographed one when its voids' mean depths agree within this."""
LEAST_AREA_MM2 = 30.0


def to_truth(truth: dict[str, Any], plane: Plane, points_mm: Floats) -> Floats:
    """Carry points of the measured slab frame to the truth's, by the photo."""
    camera = truth["camera"]
    eye, lens = np.array(camera["K"]), np.array(camera["dist"])
    rays = cv2.undistortPoints(plane.to_px(points_mm).reshape(-1, 1, 2), eye, lens).reshape(-1, 2)
    turn, shift = np.array(camera["R"]), np.array(camera["t"], dtype=np.float64).ravel()
    homography = np.column_stack([turn[:, 0], turn[:, 1], shift])
    flat = np.linalg.solve(homography, np.column_stack([rays, np.ones(len(rays))]).T).T
    return np.asarray(flat[:, :2] / flat[:, 2:])


def lamp_truth(truth: dict[str, Any], at_mm: Floats) -> tuple[Floats, Floats]:
    """Return the true level way to the lamp (N, 2) and its tangent (N,) at places of the truth's frame."""
    a, e = np.radians([truth["lamp"]["azimuth_deg"], truth["lamp"]["elevation_deg"]])
    away = truth["lamp"].get("distance_mm", 1e8)
    way = away * np.cos(e) * np.array([np.cos(a), np.sin(a)]) - at_mm.reshape(-1, 2)
    length = np.hypot(*way.T)
    return way / length[:, None], away * np.sin(e) / length


def slab_of(truth: dict[str, Any]) -> Slab | None:
    """Make a seed's slab again; None when it isn't one, or is made otherwise by now."""
    seed = re.fullmatch(r"s(\d+)", truth["name"])
    if seed is None:
        return None
    slab = random_slab(np.random.default_rng(int(seed[1])), name=truth["name"])
    for feature, word in zip(slab.features, truth["features"], strict=False):
        mean = float(slab.depth[feature.box.at][feature.mask].mean()) if feature.is_void else 0.0
        if abs(mean - word["mean_depth_mm"]) > SAME_MM:
            return None
    return slab


def edge_errors(edge: ShadowEdge, truth: dict[str, Any], plane: Plane, slab: Slab) -> Floats:
    """Relative errors of the depths at a shadow's edge, against rays followed through the true slab."""
    start = to_truth(truth, plane, edge.rim_mm)
    way, tangent = lamp_truth(truth, start)
    level = np.arange(0.2, 150.0, 0.1)
    at = start[:, None, :] - level[None, :, None] * way[:, None, :]
    cells = ((at - [slab.grid.x0_mm, slab.grid.y0_mm]) / slab.grid.cell_mm).astype(np.float32)
    floor = cv2.remap(slab.depth, cells[..., 0], cells[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    ray = level[None, :] * tangent[:, None]
    # The rim's own edge is some cells wide: a ray counts as in the void from 1 mm on.
    met = (floor <= ray) & (level > 1.0)[None, :]
    true = np.where(met.any(axis=1), ray[np.arange(len(ray)), met.argmax(axis=1)], np.nan)
    return np.asarray(edge.depth_mm / true - 1)


def rows_of(
    truth: dict[str, Any], light: LampLight, given: list[tuple[dict[str, Any], Region]]
) -> list[dict[str, Any]]:
    """Measure the voids of one photo."""
    thickness, slab = truth["slab"]["thickness_mm"], slab_of(truth)
    regions = [region for _, region in given]
    prior = depth.estimate_depths(regions, light.ortho, (), (), thickness_mm=thickness)
    known = add_shadow(regions, prior, light, thickness_mm=thickness)
    out = []
    for (feature, region), before, after in zip(given, prior, known, strict=True):
        row: dict[str, Any] = {"kind": feature["kind"], "true": feature["mean_depth_mm"], "through": feature["through"]}
        found = next((e for e in after if e.source == "shadow"), None)
        row["measured"], row["raised"] = found is not None, found is None and before != after
        fused = depth.fuse(after, thickness_mm=thickness)
        row["error"] = np.log(fused.mean_mm / row["true"])
        row["prior_error"] = np.log(depth.fuse(before, thickness_mm=thickness).mean_mm / row["true"])
        row["holds"] = fused.mean_interval_mm.lo <= row["true"] <= fused.mean_interval_mm.hi
        if found is not None:
            row["own"] = np.log(found.mean_mm / row["true"])
            row["z"] = (np.log(row["true"]) - log_mu(found)) / log_sd(found)
            edge = shadow_edge(region.outline_mm, light.ortho, light.plane, light.lamp, deepest_mm=thickness)
            assert edge is not None, "it was measured a moment ago"
            assert len(edge.depth_mm) >= max(LEAST_RAYS, LEAST_RAY_SHARE * edge.rays), "or it was not"
            if slab is not None:
                errors = edge_errors(edge, truth, light.plane, slab)
                row["edge"] = float(np.nanmedian(errors)) if np.isfinite(errors).any() else np.nan
        out.append(row)
    return out


def light_of(path: Path, truth: dict[str, Any]) -> LampLight:
    """Find slab, peg and lamp in a photo."""
    photo = load_photo(path)
    (plane,) = scale.solve_planes([photo])
    ortho = scale.rectify(photo, plane)
    slab = surface.find_slab(ortho, plane.patterns_mm)
    wood = slab.mask & ~slab.covered & ortho.valid
    pegs = find_pegs(ortho, wood, truth["peg"]["height_mm"], plane.camera_mm)
    if not pegs:
        raise LookupError("no peg found")
    return lamp_light(pegs[:1], ortho, plane, slab)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--count", type=int, default=10_000)
    asked = parser.parse_args()
    lamps: list[dict[str, float]] = []
    rows: list[dict[str, Any]] = []
    missed = 0
    print("photo          elevation true found   95 %         tangent at voids  voids measured bound  edge error")
    for path in sorted(asked.folder.glob("*-r.jpg"))[: asked.count]:
        truth = json.loads(path.with_suffix(".json").read_text())
        try:
            light = light_of(path, truth)
        except (VoidmapError, LookupError) as error:
            missed += 1
            print(f"{path.stem:14s} {error}")
            continue
        lamp = light.lamp
        true_deg = float(np.degrees(np.arctan(lamp_truth(truth, to_truth(truth, light.plane, lamp.at_mm[None]))[1][0])))
        lo, hi = lamp.elevation_interval_deg
        given = [g for g in true_regions(truth, light.ortho, light.plane) if g[0]["area_mm2"] >= LEAST_AREA_MM2]
        middles = np.array([r.outline_mm.mean(axis=0) for _, r in given]).reshape(-1, 2)
        tangents = lamp.level_way(middles)[1] / lamp_truth(truth, to_truth(truth, light.plane, middles))[1] - 1
        lamps.append({"off": lamp.elevation_deg - true_deg, "holds": lo <= true_deg <= hi})
        here = rows_of(truth, light, given)
        rows += [row | {"tangent": t} for row, t in zip(here, tangents, strict=True)]
        edges = [r["edge"] for r in here if "edge" in r]
        print(
            f"{path.stem:14s} {true_deg:14.1f} {lamp.elevation_deg:5.1f}   {lo:4.1f} to {hi:4.1f} "
            f"{np.median(np.abs(tangents)) if len(tangents) else np.nan:12.1%} {len(here):12d} "
            f"{sum(r['measured'] for r in here):8d} {sum(r['raised'] for r in here):5d}  "
            + " ".join(f"{e:+.0%}" for e in edges),
            flush=True,
        )
    _totals(lamps, rows, missed)
    return 0


def _totals(lamps: list[dict[str, float]], rows: list[dict[str, Any]], missed: int) -> None:
    if not lamps:
        print("no photo with a lamp")
        return
    got = [r for r in rows if r["measured"]]
    edge = np.array([r["edge"] for r in got if "edge" in r])
    edge = edge[np.isfinite(edge)]
    off = np.array([lamp["off"] for lamp in lamps])
    print(f"photos {len(lamps) + missed}, pegs missed {missed}")
    print(f"elevation: median error {np.median(np.abs(off)):.2f} degrees, mean {off.mean():+.2f}, interval holds "
          f"{np.mean([lamp['holds'] for lamp in lamps]):.0%}")  # fmt: skip
    print(f"tangent at voids: median error {np.median(np.abs([r['tangent'] for r in rows])):.1%}")
    print(f"voids {len(rows)}, measured {len(got)} ({len(got) / max(len(rows), 1):.0%}), cut from below "
          f"{sum(r['raised'] for r in rows)}")  # fmt: skip
    if len(edge):
        print(f"depth at the shadow's edge: median error {np.median(np.abs(edge)):.1%}, median {np.median(edge):+.1%}, "
              f"within 20 % {np.mean(np.abs(edge) < 0.2):.0%} of {len(edge)} voids")  # fmt: skip
    if got:
        own = np.array([r["own"] for r in got])
        z = np.array([r["z"] for r in got])
        fused = np.expm1(np.abs([r["error"] for r in got]))
        prior = np.expm1(np.abs([r["prior_error"] for r in got]))
        print(f"mean depth by shadow alone: median error {np.median(np.expm1(np.abs(own))):.0%}, median of the log "
              f"{np.median(own):+.2f}, interval holds {np.mean(np.abs(z) <= 1.96):.0%}, "
              f"spread of z {np.sqrt(np.mean(z**2)):.2f}")  # fmt: skip
        print(f"mean depth with the prior fused in: median error {np.median(fused):.0%} "
              f"(prior alone {np.median(prior):.0%}), "
              f"interval holds {np.mean([r['holds'] for r in got]):.0%}")  # fmt: skip
    print(f"all voids: interval of the mean depth holds {np.mean([r['holds'] for r in rows]):.0%}")


if __name__ == "__main__":
    sys.exit(main())
