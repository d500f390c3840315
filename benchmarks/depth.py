"""How well depths and volumes hold on simulated slabs: one photo, one photo with two readings, two photos, three.

    python benchmarks/depth.py --scenes FOLDER          (made before by make_slabs.py)
    python benchmarks/depth.py --first 100000 --count 60

Four things are told apart, for each way of measuring:

whole
    the program as it is: total against the true total of all voids that can be seen, be it the least part of one
    (``WHOLLY``): whatever was missed, invented or drawn too wide, and what goes on under boards.
bare
    the same without what is expected under boards, against the true volume of what no board hides in the first photo (a
    void's volume by its bare area).
found
    depth alone: the voids that were found, each with its true area, against the true volume of the same voids.
outlines (with --outlines)
    depth alone on the true outlines of all voids that lie bare, found or not.

Voids over 1 ml are judged by their volume; of the estimates it prints how far they were off in logs, and what they
said. Parallax that has more likely met a shaft's walls than its floor says no depth: how often it met the floor is held
against how often it said so. Scale and lens are solved from the boards throughout.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from time import process_time
from typing import Any

import cv2
import numpy as np
from scenes import overlap, raster
from truth import pair_up, shape

from voidmap import depth, scale, surface
from voidmap.depth.beyond import floors_beyond
from voidmap.depth.fuse import log_mu, log_sd
from voidmap.depth.heights import heights_of
from voidmap.errors import VoidmapError
from voidmap.files import load_photo
from voidmap.model import Ortho, Photo, Plane, Region
from voidmap.records import Defect, DepthEstimate, Hidden, Interval, Kind, Totals
from voidmap.surface.covered import fill_polygons, find_sheets

VOID_THAT_COUNTS_ML = 1.0
AREA_REL = 0.02
"""Half-width of the 95 % interval that a true area is given: that of its drawing on the picture."""
PROBE_ERROR_MM = 0.3
READINGS = 2
HIDDEN = 0.02
WHOLLY = 0.95
"""A void lies wholly under boards with more than this share of its area: the program says that it counts none such."""
THIN = (Kind.CRACK, Kind.SEAM_GAP)
FLOOR_WITHIN = 1.5
"""A shaft's floor was met when its mean depth was read within so many times."""
PIECE_SHARE = 0.5
"""A thing of which more than this lies in a true void is a piece of it."""

Row = tuple[dict[str, Any], Defect | None]


class Found:
    """Defects by number, for :func:`truth.pair_up`."""

    def __init__(self, defects: tuple[Defect, ...]) -> None:
        self.defects = defects


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


def seen_ml(truth: dict[str, Any], ortho: Ortho, plane: Plane) -> tuple[float, float]:
    """Return true volumes in ml, by what the boards' sheets hide in the first photo.

    The first is that of all voids but those wholly under boards, the second the same less the share of each void's area
    that is hidden.
    """
    covered = fill_polygons(ortho, find_sheets(ortho, plane.patterns_mm))
    whole = bare = 0.0
    for feature in truth["features"]:
        if not feature["is_void"] or len(feature["outline_px"]) < 3:
            continue
        mask, corner = raster(ortho, plane.to_mm(np.array(feature["outline_px"])))
        hidden = overlap(mask, corner, covered, (0, 0)) / max(int(mask.sum()), 1)
        whole += feature["volume_ml"] * (hidden <= WHOLLY)
        bare += feature["volume_ml"] * (1 - hidden)
    return whole, bare


def defect_of(
    number: int,
    region: Region,
    known: tuple[DepthEstimate, ...],
    thickness_mm: float,
    plane: Plane | None = None,
    hidden: Hidden | None = None,
) -> Defect:
    outline = tuple((float(x), float(y)) for x, y in region.outline_mm)
    seen = outline if plane is None else tuple((float(x), float(y)) for x, y in plane.to_px(region.outline_mm))
    kind, chance = depth.revise_kind(region, known)
    fused = depth.fuse(known, thickness_mm=thickness_mm) if kind.is_void else None
    return Defect(
        id=f"D{number:02d}", kind=kind, is_void=kind.is_void, void_probability=chance, area_mm2=region.area_mm2,
        area_interval_mm2=region.area_interval_mm2, length_mm=region.length_mm, width_mean_mm=region.width_mean_mm,
        width_max_mm=region.width_max_mm, outline_mm=outline, outline_px=seen, opens_on_edge=False,
        edge_opening_mm=0.0, through=fused is not None and fused.source == "through", depth=fused, volume_ml=0.0,
        volume_interval_ml=Interval(0.0, 0.0), hidden=hidden if kind.is_void else None,
    )  # fmt: skip


def found_regions(
    ortho: Ortho, photos: list[Photo], planes: Sequence[Plane], thickness_mm: float | None
) -> tuple[tuple[Region, ...], tuple[Hidden | None, ...], float]:
    """Find what lies on the first photo's slab as the program does: several photos tell the top from the bench.

    Also return what of each thing found goes on under a board, and the seconds that it took to look for more of the
    voids' floors.
    """
    slab = surface.find_slab(ortho, planes[0].patterns_mm, heights_of(photos, planes))
    grain_deg = surface.grain_direction_deg(ortho, slab)
    seen = surface.find_regions(ortho, slab, planes[0], grain_deg=grain_deg)
    start = process_time()
    pieces = floors_beyond(seen, ortho, slab, photos, planes, thickness_mm=thickness_mm)
    floors_s = process_time() - start
    regions = (*surface.enlarged(seen, pieces, ortho, planes[0]), *surface.bay_regions(ortho, slab, planes[0]))
    return regions, surface.hidden_parts(regions, ortho, slab, grain_deg=grain_deg), floors_s


def with_true_areas(rows: list[Row]) -> list[Row]:
    """Keep the pairs of true and found voids, each with its true area."""
    out: list[Row] = []
    for feature, defect in rows:
        if defect is not None:
            area = float(feature["area_mm2"])
            interval = Interval(area * (1 - AREA_REL), area * (1 + AREA_REL))
            sure = replace(defect, area_mm2=area, area_interval_mm2=interval, void_probability=1.0, hidden=None)
            out.append((feature, sure))
    return out


def measured(rows: list[Row], scale_rel: float) -> tuple[list[Row], Totals]:
    """Work out the volumes of the voids in rows, of which none is missed."""
    done, totals = depth.volumes([d for _, d in rows if d is not None], scale_rel=scale_rel, missed_ml=0.0)
    after = {d.id: d for d in done}
    return [(f, after[d.id] if d is not None else None) for f, d in rows], totals


def probed(
    rows: list[Row], others: list[Defect], thickness_mm: float, scale_rel: float, rng: np.random.Generator
) -> tuple[list[Row], list[Defect]]:
    """Take two readings of the greatest depth, each as advised after the one before, with a gauge's error.

    A reading of a piece of a true void, which counts as no find of it, reads that void; a reading of a thing that is no
    void finds it flat, and it is dropped.
    """
    features = {d.id: f for f, d in rows if d is not None}
    features.update({d.id: f for d in others if (f := _lies_in(d, [f for f, _ in rows])) is not None})
    defects = [d for _, d in rows if d is not None] + others
    for _ in range(READINGS):
        advice = depth.advise(defects, scale_rel=scale_rel, thickness_mm=thickness_mm, count=1)
        if not advice.readings:
            break
        asked = advice.readings[0].defect
        if asked not in features:
            defects = [d for d in defects if d.id != asked]
            continue
        seen = max(features[asked]["max_depth_mm"] + rng.normal(0, PROBE_ERROR_MM), 0.3)
        old = next(d for d in defects if d.id == asked)
        assert old.depth is not None, "voids have depths"
        probe = depth.probe_estimate(old, seen, error_mm=PROBE_ERROR_MM, thickness_mm=thickness_mm)
        known = depth.fuse((*old.depth.estimates, probe), thickness_mm=thickness_mm)
        defects = [replace(d, depth=known, void_probability=1.0) if d.id == old.id else d for d in defects]
    after = {d.id: d for d in defects}
    kept = {d.id for _, d in rows if d is not None}
    return [(f, after.get(d.id) if d is not None else None) for f, d in rows], [d for d in defects if d.id not in kept]


def _lies_in(defect: Defect, features: list[dict[str, Any]]) -> dict[str, Any] | None:
    """Return the true void that most of a thing lies in; None where there is none."""
    own = shape(list(defect.outline_px))
    inside = [own.intersection(shape(f["outline_px"])).area for f in features]
    most = int(np.argmax(inside)) if inside else 0
    return features[most] if inside and inside[most] > PIECE_SHARE * max(own.area, 1e-9) else None


def way_of(photos: list[Photo]) -> str:
    """Name a way of measuring by its photos."""
    return f"{len(photos)} photo{'s' * (len(photos) > 1)}"


class Score:
    """What adds up over the slabs, for one way of measuring."""

    def __init__(self) -> None:
        self.total: list[float] = []
        self.total_held: list[bool] = []
        self.ends: list[tuple[float, float]] = []
        self.void: list[float] = []
        self.void_held: list[bool] = []
        self.thin: list[bool] = []
        self.off: dict[str, list[tuple[float, float]]] = defaultdict(list)
        self.floors: list[tuple[float, bool]] = []

    def add(self, rows: list[Row], totals: Totals, true_ml: float) -> str:
        """Add one slab and return its row."""
        lo, hi = totals.volume_interval_ml
        self.total.append(totals.volume_ml / max(true_ml, 1e-9) - 1)
        self.total_held.append(lo <= true_ml <= hi)
        self.ends.append((lo / max(totals.volume_ml, 1e-9), hi / max(totals.volume_ml, 1e-9)))
        for feature, defect in rows:
            if defect is None:
                continue
            if feature["volume_ml"] >= VOID_THAT_COUNTS_ML:
                self.void.append(defect.volume_ml / feature["volume_ml"] - 1)
                self.thin.append(Kind(feature["kind"]) in THIN)
                self.void_held.append(
                    defect.volume_interval_ml.lo <= feature["volume_ml"] <= defect.volume_interval_ml.hi
                )
            for e in defect.depth.estimates if defect.depth else ():
                off = float(np.log(feature["mean_depth_mm"])) - log_mu(e)
                if 0 < e.floor_seen < 1:
                    self.floors.append((e.floor_seen, abs(off) <= np.log(FLOOR_WITHIN)))
                if e.floor_seen < 0.5:
                    continue
                self.off[f"{e.source} {feature['kind']}"].append((off, log_sd(e)))
        held = "" if self.total_held[-1] else " OUTSIDE"
        return f"{totals.volume_ml:7.1f} of {true_ml:7.1f} ml in [{lo:.1f}, {hi:.1f}] {self.total[-1]:+.1%}{held}"

    def summary(self, way: str, *, estimates: bool) -> str:
        """Return the figures over all slabs."""
        lo, hi = np.median(self.ends, axis=0)
        lines = [
            f"{way}: total's error median {np.median(np.abs(self.total)):.1%} (signed {np.median(self.total):+.1%}), "
            f"interval holds {sum(self.total_held)}/{len(self.total_held)}, its ends {lo:.2f} and {hi:.2f} of the total"
        ]
        if self.void:
            thin = np.array(self.thin)
            off, held = np.abs(self.void), f"{sum(self.void_held)}/{len(self.void_held)}"
            parts = [
                f"{word} {np.median(off[part]):.1%} of {part.sum()}"
                for word, part in (("open", ~thin), ("thin", thin))
                if part.any()
            ]
            lines.append(
                f"  voids over {VOID_THAT_COUNTS_ML:g} ml: median {np.median(off):.1%} (signed "
                f"{np.median(self.void):+.1%}), interval holds {held}; {', '.join(parts)}"
            )
        for name, values in sorted(self.off.items()) if estimates else ():
            off, sd = np.array(values).T
            lines.append(
                f"  {name:22s} n {len(off):3d}  log error mean {off.mean():+.3f} sd {off.std():.3f}, said "
                f"{np.median(sd):.3f}; within 1.96: {np.mean(np.abs(off / sd) < 1.96):.3f}"
            )
        if self.floors and estimates:
            said, met = np.array(self.floors).T
            lines.append(f"  floors of shafts met: {met.sum():.0f} of {len(met)}, said {said.sum():.1f}")
        return "\n".join(lines)


class Bench:
    """One run over slabs."""

    def __init__(self, *, outlines: bool) -> None:
        self.outlines = outlines
        self.scores: dict[str, Score] = defaultdict(Score)
        self.sweeps: list[float] = []

    def judge(self, name: str, folder: Path) -> None:
        """Measure one slab in every way."""
        truth = json.loads((folder / f"{name}-a.json").read_text())
        files = [p for letter in "abc" if (p := folder / f"{name}-{letter}.jpg").is_file()]
        photos = [load_photo(p) for p in files]
        for count in range(1, len(files) + 1):
            planes = scale.solve_planes(photos[:count])
            ortho = scale.rectify(photos[0], planes[0])
            found = found_regions(ortho, photos[:count], planes, truth["slab"]["thickness_mm"])
            self._way(name, truth, found, ortho, photos[:count], planes)
            if self.outlines:
                self._on_outlines(name, truth, ortho, photos[:count], planes)

    def _way(self, name: str, truth: dict[str, Any], seen: Any, ortho: Ortho, photos: list[Photo], planes: Any) -> None:
        regions, under, floors_s = seen
        thickness = truth["slab"]["thickness_mm"]
        start = process_time()
        known = depth.estimate_depths(regions, ortho, photos, planes, thickness_mm=thickness)
        if len(photos) > 2:
            self.sweeps.append((floors_s + process_time() - start) / _decode_s(photos[0]))
        found = tuple(
            defect_of(n, r, e, thickness, planes[0], h)
            for n, (r, e, h) in enumerate(zip(regions, known, under, strict=True), 1)
        )
        pairs = pair_up(truth["features"], Found(found))
        rows: list[Row] = [
            (f, found[pairs[i]] if i in pairs else None) for i, f in enumerate(truth["features"]) if f["is_void"]
        ]
        matched = {d.id for _, d in rows if d is not None}
        others = [d for d in found if d.id not in matched]
        middles = np.array([r.outline_mm.mean(axis=0) for r in regions]) if regions else np.zeros((1, 2))
        scale_rel = scale.length_interval_rel(planes[0], middles)
        way = way_of(photos)
        true_ml = seen_ml(truth, ortho, planes[0])
        self._both(name, way, rows, others, true_ml, scale_rel)
        if len(photos) == 1:
            rng = np.random.default_rng([truth.get("seed", 0), 5])
            rows, others = probed(rows, others, thickness, scale_rel, rng)
            self._both(name, f"{way}, 2 readings", rows, others, true_ml, scale_rel)

    def _both(
        self,
        name: str,
        way: str,
        rows: list[Row],
        others: list[Defect],
        true_ml: tuple[float, float],
        scale_rel: float,
    ) -> None:
        """Judge the whole, against all that is there and against what lies bare (``seen_ml``), and the found alone."""
        defects = [d for _, d in rows if d is not None] + others
        done, totals = depth.volumes(defects, scale_rel=scale_rel)
        after = {d.id: d for d in done}
        whole: list[Row] = [(f, after[d.id] if d is not None else None) for f, d in rows]
        self._add(name, f"{way}, whole", whole, totals, true_ml[0])
        _, totals = depth.volumes([replace(d, hidden=None) for d in defects], scale_rel=scale_rel)
        self._add(name, f"{way}, bare", whole, totals, true_ml[1])
        pairs, totals = measured(with_true_areas(rows), scale_rel)
        if pairs:
            self._add(name, f"{way}, found", pairs, totals, sum(f["volume_ml"] for f, _ in pairs))

    def _on_outlines(self, name: str, truth: dict[str, Any], ortho: Ortho, photos: list[Photo], planes: Any) -> None:
        thickness = truth["slab"]["thickness_mm"]
        given = true_regions(truth, ortho, planes[0])
        known = depth.estimate_depths([r for _, r in given], ortho, photos, planes, thickness_mm=thickness)
        rows: list[Row] = [
            (f, replace(defect_of(n, r, e, thickness), kind=r.kind, is_void=True, void_probability=1.0,
                        depth=depth.fuse(e, thickness_mm=thickness)))
            for n, ((f, r), e) in enumerate(zip(given, known, strict=True), 1)
        ]  # fmt: skip
        rows, totals = measured(rows, 0.003)
        way = way_of(photos)
        self._add(name, f"{way}, outlines", rows, totals, sum(f["volume_ml"] for f, _ in rows))

    def _add(self, name: str, way: str, rows: list[Row], totals: Totals, true_ml: float) -> None:
        print(f"{name:8s} {way:28s} {self.scores[way].add(rows, totals, true_ml)}", flush=True)

    def summary(self) -> str:
        """Return all figures."""
        lines = [s.summary(w, estimates="found" in w or "outlines" in w) for w, s in sorted(self.scores.items())]
        if self.sweeps:
            times = f"median {np.median(self.sweeps):.1f} times decoding one photo"
            lines.append(f"depth stage with three photos, floors beyond outlines too: {times}")
        return "\n".join(lines)


def _decode_s(photo: Photo) -> float:
    """Return the CPU time of decoding a photo of this size, s."""
    encoded = cv2.imencode(".jpg", photo.pixels, [cv2.IMWRITE_JPEG_QUALITY, 90])[1]
    start = process_time()
    for _ in range(3):
        cv2.imdecode(encoded, cv2.IMREAD_COLOR)
    return (process_time() - start) / 3


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--first", type=int, default=100_000)
    ask.add_argument("--count", type=int, default=60)
    ask.add_argument("--scenes", type=Path)
    ask.add_argument("--only", nargs="+", help="names of scenes in the folder")
    ask.add_argument("--outlines", action="store_true")
    given = ask.parse_args()
    cv2.setNumThreads(1)
    bench = Bench(outlines=given.outlines)
    with tempfile.TemporaryDirectory() as scratch:
        folder = given.scenes or Path(scratch)
        if given.scenes is None:
            from voidmap.simulate import write_scene

            for seed in range(given.first, given.first + given.count):
                write_scene(folder, f"s{seed}", seed)
        for path in sorted(folder.glob("*-a.json")):
            name = path.stem[:-2]
            if given.only and name not in given.only:
                continue
            try:
                bench.judge(name, folder)
            except VoidmapError as error:
                print(f"{name:8s} {error}", flush=True)
    print(bench.summary())


if __name__ == "__main__":
    main()
