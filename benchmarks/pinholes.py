"""What finding 2,000 pinholes on 12 megapixels costs, in decodes of the same JPEG, beside general blob detectors.

    python benchmarks/pinholes.py [--seed 1] [--peers]

The picture is drawn (``drawn``): 20 tiles of wood with fills, lint, scratches, lamps and haze, 100 pinholes on each.
A true pinhole that is not faint is found when a spot lies within 3 px, or a third of its diameter if that is more;
spots on faint ones count for nothing. Peers are run once, at one threshold that suits no one of them best.
"""

import argparse
import time

import cv2
import drawn
import numpy as np
from scipy.spatial import KDTree

from voidmap.coat.middle import with_middles
from voidmap.coat.pit import RIM_RADII
from voidmap.coat.plant import Plant, places_apart, plant
from voidmap.coat.spots import find_spots
from voidmap.simulate.faint import FAINT_INDEX, detectability

TILES, TILE_PX = (4, 5), (750, 800)
"""Rows and columns of tiles; rows and columns of px of one."""
EACH = 100
APART_PX = 30
MEDIAN_PX, LOG_SPREAD, SMALLEST_PX, LARGEST_PX = 5.5, 0.5, 2.0, 30.0
PX_PER_MM = 8.0
TOLERANCE_PX, TOLERANCE_SHARE = 3.0, 0.33
REPEATS = 5
PEER_SIGMAS_PX = (1.0, 6.0)


def tile(rng):
    """Return a tile's pixels, and its pinholes' places (N, 2), diameters (N,) px, and which are faint (N,)."""
    rows, columns = TILE_PX
    sanded = bool(rng.random() < 0.5)
    dressed, _ = drawn.dress(rng, drawn.wood_picture(rng).astype(np.float32))
    bare = np.clip(drawn.lit(rng, dressed, sanded), 0, 255).astype(np.uint8)
    free = np.zeros(bare.shape[:2], np.uint8)
    free[20 : rows - 20, 20 : columns - 20] = 1
    places = places_apart(free, EACH, APART_PX, rng, taken_px=np.zeros((0, 2)))
    sizes = np.clip(np.exp(rng.normal(np.log(MEDIAN_PX), LOG_SPREAD, len(places))), SMALLEST_PX, LARGEST_PX)
    plants = [Plant(float(x), float(y), float(d)) for (x, y), d in zip(places, sizes, strict=True)]
    holed = plant(bare, plants, rng, sanded=sanded, blur_px=0.3, settings=drawn.LAMP_SETTINGS)
    photo, blur, signal, without = drawn.photographed(rng, holed, bare)
    reach = [RIM_RADII * p.diameter_px / 2 + 2 * blur + 1 for p in plants]
    told = [detectability(signal, without, None, (p.x_px, p.y_px), r) for p, r in zip(plants, reach, strict=True)]
    return photo[:rows, :columns], places, sizes, np.array(told) < FAINT_INDEX


def picture(seed):
    """Return a JPEG, and its pinholes' places (N, 2), diameters (N,) px, and which are faint (N,)."""
    rng = np.random.default_rng(seed)
    rows, parts = [], []
    for row in range(TILES[0]):
        made = [tile(rng) for _ in range(TILES[1])]
        rows.append(np.hstack([one[0] for one in made]))
        parts += [
            (places + np.array([column * TILE_PX[1], row * TILE_PX[0]]), sizes, faint)
            for column, (_, places, sizes, faint) in enumerate(made)
        ]
    jpeg = cv2.imencode(".jpg", np.vstack(rows), [cv2.IMWRITE_JPEG_QUALITY, 92])[1]
    return jpeg, *(np.concatenate(part) for part in zip(*parts, strict=True))


def seconds(work, repeats=REPEATS):
    """Return the least wall and processor time of some runs, s."""
    wall, spent = [], []
    for _ in range(repeats):
        start = time.perf_counter(), time.process_time()
        work()
        wall.append(time.perf_counter() - start[0])
        spent.append(time.process_time() - start[1])
    return min(wall), min(spent)


def score(found_px, truth_px, diameter_px, faint):
    """Return recall, precision and the median distance (px) of pinholes found."""
    reach = np.maximum(TOLERANCE_PX, TOLERANCE_SHARE * diameter_px)
    away, which = KDTree(truth_px).query(found_px)
    on = away <= reach[which]
    hit = np.zeros(len(truth_px), bool)
    hit[which[on]] = True
    good = int((hit & ~faint).sum())
    wrong = int(len(found_px) - len(np.unique(which[on])))
    clear = on & ~faint[which]
    return good / int((~faint).sum()), good / max(1, good + wrong), float(np.median(away[clear]))


def peers(grey):
    """Yield the name, places (N, 2) and wall time of general detectors of dark blobs."""
    from skimage import feature

    light = 1 - grey.astype(np.float32) / 255
    least, most = PEER_SIGMAS_PX
    for name, more in (("blob_log", {"num_sigma": 5}), ("blob_dog", {})):
        start = time.perf_counter()
        found = getattr(feature, name)(light, min_sigma=least, max_sigma=most, threshold=0.05, **more)
        yield name, found[:, 1::-1], time.perf_counter() - start
    params = cv2.SimpleBlobDetector_Params()
    params.filterByArea, params.minArea, params.maxArea, params.filterByInertia = True, 4.0, 800.0, False
    start = time.perf_counter()
    found = cv2.SimpleBlobDetector_create(params).detect(grey)
    yield "SimpleBlobDetector", np.array([k.pt for k in found]).reshape(-1, 2), time.perf_counter() - start


def line(name, wall, spent, scores):
    recall, precision, away = scores
    f1 = 2 * recall * precision / max(1e-9, recall + precision)
    return f"{name:20s} {wall:6.1f} {spent:6.1f}   {f1:.3f}  {recall:.3f}  {precision:.3f}   {away:.2f} px"


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--peers", action="store_true")
    chosen = parser.parse_args()
    jpeg, *truth = picture(chosen.seed)
    pixels = cv2.imdecode(jpeg, cv2.IMREAD_COLOR)
    look = np.full(pixels.shape[:2], 255, np.uint8)
    decode, _ = seconds(lambda: cv2.imdecode(jpeg, cv2.IMREAD_COLOR))

    def find():
        return find_spots(pixels, look, px_per_mm=PX_PER_MM, blur_px=1.0)

    grey = cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY)
    spots = find()
    wall, spent = seconds(find)
    more, more_spent = seconds(lambda: with_middles(grey, spots))
    print(f"{pixels.size / 3e6:.1f} megapixels, decoded in {decode * 1e3:.0f} ms; {len(truth[0])} pinholes, "
          f"{int(truth[2].sum())} of them faint")  # fmt: skip
    print(f"{'':20s} {'wall':>6s} {'CPU':>6s}   F1     recall precision away")
    print(line("find_spots", wall / decode, spent / decode, score(spots.places_px, *truth)))
    moved = with_middles(grey, spots).places_px
    print(line("  and their middles", (wall + more) / decode, (spent + more_spent) / decode, score(moved, *truth)))
    if chosen.peers:
        for name, found, took in peers(grey):
            print(line(name, took / decode, took / decode, score(found, *truth)))


if __name__ == "__main__":
    main()
