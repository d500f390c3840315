"""How well knots, cracks and holes of real sawn boards are told, and named.

    python benchmarks/boards.py FOLDER [--mm-per-px 0.07]

FOLDER holds photos NAME.jpg without a scale, each with a coarse mask NAME.png of another size: 0 is sound wood, the
values that are judged are in ``CLASSES``. They are those of the open data set of P. Kodytek, A. Bodzas and P. Bilik, "A
large-scale image dataset of wood surface defects for automated vision-based quality control processes" (VSB - Technical
University of Ostrava, CC BY 4.0), as masks made from it by others have them. The masks are up to eight times as wide as
a crack: good for what was found, not for its size.
"""

from __future__ import annotations

import argparse
from collections import Counter
from pathlib import Path

import cv2
import numpy as np

from voidmap import scale, surface
from voidmap.files import load_photo
from voidmap.records import Kind

CLASSES = {1: "live knot", 2: "dead knot", 3: "knot with a crack", 4: "crack", 5: "resin pocket", 8: "missing knot"}
KNOTS = ("live knot", "dead knot", "knot with a crack", "missing knot")
NAMED_KNOT = (Kind.SOUND_KNOT, Kind.KNOT_HOLE)
WAYS = ("there", "told", "as a void", "as a knot")
# Smaller marks of a mask are its own ragged rim.
LEAST_PX = 12
# A mark is met by what covers this share of it, or lies in it by this share of itself: a mask is wide of its thing.
COVERED, WITHIN = 0.15, 0.5


def found_on(photo_file: Path, mm_per_px: float, size: tuple[int, int]) -> list[tuple[Kind, np.ndarray]]:
    """Return the kind of each thing found, and where it lies in a mask of ``size`` (rows, columns)."""
    photo = load_photo(photo_file)
    plane = scale.plane_from_mm_per_px(photo, mm_per_px)
    ortho = scale.rectify(photo, plane)
    slab = surface.find_slab(ortho, plane.patterns_mm)
    shrink = np.array(size[::-1]) / np.array(photo.pixels.shape[1::-1])
    out = []
    for region in surface.find_regions(ortho, slab, plane):
        drawn = np.zeros(size, np.uint8)
        cv2.fillPoly(drawn, [np.round(plane.to_px(region.outline_mm) * shrink).astype(np.int32)], 1)
        out.append((region.kind, drawn > 0))
    return out


def judge(photo_file: Path, mm_per_px: float, count: Counter) -> None:
    """Add what one board shows, and how it was told."""
    mask = cv2.imread(str(photo_file.with_suffix(".png")), cv2.IMREAD_GRAYSCALE)
    found = found_on(photo_file, mm_per_px, mask.shape)
    if not mask.any():
        count["clean"] += 1
        count["clean", "voids"] += sum(kind.is_void for kind, _ in found)
    for value, name in CLASSES.items():
        marks, labels = cv2.connectedComponents((mask == value).astype(np.uint8))
        for mark in (labels == k for k in range(1, marks)):
            if mark.sum() < LEAST_PX:
                continue
            met = [kind for kind, drawn in found if meets(drawn, mark)]
            how = (True, bool(met), any(kind.is_void for kind in met), any(kind in NAMED_KNOT for kind in met))
            for row in (name, "all knots") if name in KNOTS else (name,):
                count.update({(row, way): int(so) for way, so in zip(WAYS, how, strict=True)})
    knots = np.isin(mask, [value for value, name in CLASSES.items() if name in KNOTS])
    called = [drawn for kind, drawn in found if kind in NAMED_KNOT]
    count["called"] += len(called)
    count["called", "none"] += sum(not (drawn & knots).any() for drawn in called)


def meets(drawn: np.ndarray, mark: np.ndarray) -> bool:
    """Tell whether a thing found meets a mark of the mask."""
    both = int((drawn & mark).sum())
    return both > COVERED * mark.sum() or both > WITHIN * max(1, int(drawn.sum()))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--mm-per-px", type=float, default=0.07)
    chosen = parser.parse_args()
    cv2.setNumThreads(1)
    count: Counter = Counter()
    for photo in sorted(chosen.folder.glob("*.jpg")):
        if photo.with_suffix(".png").is_file():
            judge(photo, chosen.mm_per_px, count)
    print(f"{'':18s}", *(f"{way:>9s}" for way in WAYS))
    for name in (*CLASSES.values(), "all knots"):
        print(f"{name:18s}", *(f"{count[name, way]:9d}" for way in WAYS))
    print(f"called a knot where no knot is: {count['called', 'none']} of {count['called']}")
    print(f"voids called on {count['clean']} clean boards: {count['clean', 'voids']}")


if __name__ == "__main__":
    main()
