"""How well coat photos are laid onto each other: the residual stated against the true one.

    python benchmarks/lay.py FOLDER/NAME ... (photos NAME-1.jpg, NAME-2.jpg, ... with their truth beside them)

Every pair of a series is laid by the wood alone. The true cameras carry a grid of places into both photos; what the
alignment leaves between them is the true residual. Photos: benchmarks/make_slabs.py --coats.
"""

import argparse
import itertools
import json
import time
from pathlib import Path

import cv2
import numpy as np

from voidmap import scale
from voidmap.coat import surround
from voidmap.coat.align import align
from voidmap.coat.sheets import WORK_MM, ready
from voidmap.files import load_photo


def seen_by(truth, places_mm):
    camera = {k: np.array(v, dtype=float) for k, v in truth["camera"].items() if k in ("K", "dist", "R", "t")}
    turn = cv2.Rodrigues(camera["R"])[0]
    solid = np.column_stack([places_mm, np.zeros(len(places_mm))])
    return cv2.projectPoints(solid, turn, camera["t"], camera["K"], camera["dist"])[0].reshape(-1, 2)


def prepared(path):
    photo = load_photo(path)
    plane = scale.solve_planes((photo,))[0]
    ortho = scale.rectify(photo, plane, mm_per_px=WORK_MM / 2)
    hidden = tuple(plane.to_mm(s) for s in surround.sheets_px(photo.pixels, plane))
    return plane, ready(ortho, hidden_mm=hidden), json.loads(path.with_suffix(".json").read_text())


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("series", nargs="+", type=Path)
    cv2.setNumThreads(1)
    x, y = np.meshgrid(np.linspace(-260, 260, 40), np.linspace(-200, 200, 30))
    places = np.column_stack([x.ravel(), y.ravel()])
    ratio, true_px = [], []
    for name in parser.parse_args().series:
        paths = sorted(name.parent.glob(f"{name.name}-*.jpg"))
        looks = [prepared(path) for path in paths]
        for (i, one), (j, other) in itertools.combinations(enumerate(looks, start=1), 2):
            start = time.perf_counter()
            found = align(other[1], one[1], guess=None)
            took = time.perf_counter() - start
            px = [seen_by(look[2], places) for look in (one, other)]
            sizes = [np.array(look[0].size_px) for look in (one, other)]
            inside = np.all([(p > 60).all(1) & (p < s - 60).all(1) for p, s in zip(px, sizes, strict=True)], axis=0)
            goal = one[0].to_mm(px[0][inside])
            off = found.bend(other[0].to_mm(px[1][inside])) - goal
            rms = float(np.sqrt(np.mean(np.sum(off**2, axis=1))))
            pixel = float(np.median(one[0].mm_per_px_at(goal)))
            ratio.append(rms / found.rms_mm)
            true_px.append(rms / pixel)
            print(
                f"{name.name} {i}-{j} alike {found.correlation:.2f}  stated {found.rms_mm:.3f} mm  true {rms:.3f} mm "
                f"({rms / pixel:.2f} px)  {took:.1f} s",
                flush=True,
            )
    print(f"true over stated: median {np.median(ratio):.2f}, most {max(ratio):.2f}; true {np.median(true_px):.2f} px")


if __name__ == "__main__":
    main()
