"""How well are the pinholes of a coat series found, counted, followed and judged? Simulated photos of known truth.

    python benchmarks/coats.py [--series 4] [--first-seed 100000] [--coats 2] [--megapixels 5]

Even seeds are gloss, odd ones sanded. A true pinhole counts from 0.5 mm on when it is in the frame and not fainter
than the photo's noise allows. The measured d90 is the same curve, fitted to the true pinholes that were found or not.
"""

import argparse
import json
import tempfile
from pathlib import Path

import cv2
import numpy as np
from scipy.optimize import linear_sum_assignment

from voidmap.coat.again import shown_share
from voidmap.coat.pod import fit_hit_miss
from voidmap.errors import ValueRefused, VoidmapError
from voidmap.job.coat import CoatOptions, inspect
from voidmap.job.verdict import decide
from voidmap.simulate.coat import write_series

SMALLEST_MM = 0.5
SAME_PLACE_PX = 5.0
MANY, SOME = 40, 10
"""From this many left the whole top must be sealed again; from this many that or touching in by hand is right."""


def matched(truth, record):
    """Return the index (N,) of the found pinhole of each true one, -1 where missed."""
    true_px = np.array([(p["x_px"], p["y_px"]) for p in truth]).reshape(-1, 2)
    found_px = np.array([(p.x_px, p.y_px) for p in record.pinholes]).reshape(-1, 2)
    out = np.full(len(truth), -1)
    if len(true_px) and len(found_px):
        far = np.hypot(*(true_px[:, None] - found_px[None]).transpose(2, 0, 1))
        for i, j in zip(*linear_sum_assignment(np.where(far <= SAME_PLACE_PX, far, 1e6)), strict=True):
            if far[i, j] <= SAME_PLACE_PX:
                out[i] = j
    return out


def measured_d90(size_mm, hit):
    try:
        fit = fit_hit_miss(size_mm, hit)
    except ValueRefused:
        return float("nan")
    return fit.size_at(0.9) if fit.slope > 0 else float("nan")


def right_calls(left):
    return {"seal_again"} if left >= MANY else {"seal_again", "spot_fill"} if left >= SOME else {"spot_fill", "flood"}


def same_sites(truth, record, match, sites):
    """Return (right, all) of the true sites found now and before: did they keep their number? Updates ``sites``."""
    right = seen = 0
    for hole, j in zip(truth, match, strict=True):
        if j < 0:
            continue
        name = record.pinholes[j].site
        if hole["id"] in sites:
            seen += 1
            right += sites[hole["id"]] == name
        sites.setdefault(hole["id"], name)
    return right, seen


def run(seed, folder, chosen, rows):
    surface = "sanded" if seed % 2 else "gloss"
    photos = write_series(folder, "c", seed, coats=chosen.coats, surface=surface, megapixels=chosen.megapixels)
    sites = {}
    for number, photo in enumerate(photos, start=1):
        truth = [p for p in json.loads(photo.with_suffix(".json").read_text())["pinholes"] if p["in_frame"]]
        try:
            options = CoatOptions(number=number, sanded=surface == "sanded")
            record = inspect(folder / "job", [photo], options, lambda step: None)
        except VoidmapError as error:
            print(f"{seed}-{number} {surface:6s} {error}", flush=True)
            rows.append(None)
            continue
        size = np.array([p["diameter_mm"] for p in truth])
        clear = np.array([not p.get("faint") for p in truth], bool)
        big = clear & (size >= SMALLEST_MM)
        match = matched(truth, record)
        hits, false = int((match[big] >= 0).sum()), len(record.pinholes) - int((match >= 0).sum())
        right, seen = same_sites(truth, record, match, sites)
        lo, hi = record.count_interval
        covers = lo <= len(truth) and hi >= big.sum()
        d90, true90 = record.power.d90_mm or float("nan"), measured_d90(size[clear], match[clear] >= 0)
        share, call = shown_share(record, SMALLEST_MM), decide(folder / "job").decision
        rows.append(
            (hits, int(big.sum()), false, covers, d90, true90, right, seen, call in right_calls(len(truth)), call)
        )
        print(
            f"{seed}-{number} {surface:6s} found {hits}/{big.sum()} false {false}  count {record.count} in "
            f"[{lo:.0f}, {hi:.0f}] of {len(truth)}{'' if covers else ' OUT'}  shown {share or float('nan'):.2f} true "
            f"{hits / max(1, big.sum()):.2f}  d90 {d90:.2f} measured {true90:.2f}  sites {right}/{seen}  {call}",
            flush=True,
        )


def summary(rows):
    done = [r for r in rows if r is not None]
    hits, there, false = (sum(r[k] for r in done) for k in range(3))
    ratio = np.array([r[4] / r[5] for r in done])
    ratio = ratio[np.isfinite(ratio)]
    spread = f"median {np.median(ratio):.2f}, {ratio.min():.2f} to {ratio.max():.2f}" if len(ratio) else "none"
    reshot = sum(r[9] == "reshoot" for r in done)
    return "\n".join(
        [
            f"coats inspected {len(done)}/{len(rows)}",
            f"F1 {2 * hits / max(1, hits + false + there):.3f} "
            f"(recall {hits / max(1, there):.3f}, precision {hits / max(1, hits + false):.3f})",
            f"count inside its interval {sum(r[3] for r in done)}/{len(done)}",
            f"d90 stated over measured: {spread} ({len(ratio)} coats with both)",
            f"sites that kept their number {sum(r[6] for r in done)}/{sum(r[7] for r in done)}",
            f"verdict right {sum(r[8] for r in done)}/{len(done)}, photograph again {reshot}",
        ]
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--series", type=int, default=4)
    parser.add_argument("--first-seed", type=int, default=100_000)
    parser.add_argument("--coats", type=int, default=2)
    parser.add_argument("--megapixels", type=float, default=5.0)
    chosen = parser.parse_args()
    cv2.setNumThreads(1)
    rows = []
    for seed in range(chosen.first_seed, chosen.first_seed + chosen.series):
        with tempfile.TemporaryDirectory() as scratch:
            run(seed, Path(scratch), chosen, rows)
    print(summary(rows))


if __name__ == "__main__":
    main()
