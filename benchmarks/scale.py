"""Ask whether the scale's intervals hold and how true are its lengths.

Run ``python benchmarks/scale.py [cases] [seed] [tops]`` for a row on each set of boards, in whole photos and in cropped
ones, and long tops in four photos.
Seeds below 200000 are for development. A share of 95 % out of 300 cases has a standard error of 1.3 %, out of 600 of
0.9 %: one row outside 93 to 97 % of 300 cases is no evidence of a fault.
``benchmarks/scale_truth.py`` says how cameras, boards and prints are drawn.
"""

from __future__ import annotations

import sys
import time

import numpy as np
import scale_truth as truth

from voidmap.errors import ScaleError
from voidmap.scale.boards import BARS_MM
from voidmap.scale.camera import to_mm_draws
from voidmap.scale.solve import solve_boards

SIZE = truth.SIZE
SETS = ((4, False, True), (3, False, False), (2, False, False), (1, True, False), (1, False, False))
"""Boards, with a lens file, spread into the corners."""
CROPPED = ((3, False), (1, False), (3, True), (1, True))
"""Boards in photos that were cropped afterwards; whether their sides kept their proportion."""
CAMERAS = 40
"""Lens files made for the set that has one; each serves several cases."""
SEED = 7


def read_bars(rng, stretch, boards):
    """Return the check bars along x and y of some boards, as read with one rule to a tenth of a millimetre.

    The rule itself is off by up to 0.02 %, the eye by 0.04 mm (one sigma) each time.
    """
    rule = 1 + rng.uniform(-2e-4, 2e-4)
    read = np.round([BARS_MM["x"], BARS_MM["y"]] * stretch * rule + rng.normal(0, 0.04, (boards, 2)), 1)
    return {"bar_x_mm": read[:, 0].tolist(), "bar_y_mm": read[:, 1].tolist()}


def one_case(rng, boards, known, spread, frame=truth.WHOLE):
    """Solve one random photo, or what is kept of it (``frame``); None when no board is in view.

    ``known``: a camera with its lens file, or None.
    """
    camera, lens = known or (truth.random_camera(rng), None)
    height = rng.uniform(500, 1400)
    half = np.array([0.36, 0.27]) * height * SIZE[0] / camera.lens[0]
    pose = truth.random_pose(rng, height, rng.uniform(-0.1, 0.1, 2) * half, rng.choice([4.0, 12.0, 20.0]))
    stretch = np.exp(rng.uniform(-0.008, 0.008, 2))
    noise = np.exp(rng.uniform(np.log(0.02), np.log(0.12)))
    # Nearer focus lengthens the lens: up to 0.5 % for a phone from infinity to half a metre.
    refocus = np.exp(rng.normal(0, 0.0015))
    corners = np.array([[-1, -1], [1, 1], [1, -1], [-1, 1]])
    seen = []
    for number in range(boards):
        at = corners[number] * rng.uniform(0.55, 0.95, 2) if spread else rng.uniform(-0.8, 0.8, 2)
        angle = rng.uniform(-np.pi, np.pi)
        turned = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        place = np.array([*(at * np.maximum(half - 100, 60) - turned @ [105, 75]), angle])
        world = truth.world_board(place, stretch, truth.random_paper(rng))
        board = truth.seen_board(rng, number, world, camera, pose, noise, refocus)
        board = None if board is None else truth.cut(board, frame)
        if board is not None:
            seen.append(board)
    if not seen:
        return None
    bars = read_bars(rng, stretch, int(rng.choice([1, boards])))
    started = time.perf_counter()
    plane = solve_boards([truth.stub_photo("case", camera, frame)], [seen], lens=lens, **bars).planes[0]
    took = time.perf_counter() - started
    image = rng.uniform(0.06, 0.94, (8, 2)) * frame.size
    quad = np.array([[0.1, 0.1], [0.9, 0.1], [0.9, 0.9], [0.1, 0.9]]) * frame.size * rng.uniform(0.6, 1.0)
    points = np.concatenate([image, quad])
    true = truth.true_ground(camera, pose, refocus, points + frame.corner)
    got, drawn = plane.to_mm(points), to_mm_draws(plane, points)
    error = lengths(got) / lengths(true) - 1
    width = 1.96 * np.std(lengths(drawn), axis=0) / lengths(got)
    area_error = shoelace(got[8:]) / shoelace(true[8:]) - 1
    area_width = 1.96 * np.std(shoelace(drawn[:, 8:])) / shoelace(got[8:])
    return error, np.abs(error) <= width, abs(area_error) <= area_width, width, took


def lengths(points):
    """Return four lengths between the first eight points (..., 12, 2)."""
    return np.linalg.norm(points[..., 0:8:2, :] - points[..., 1:8:2, :], axis=-1)


def shoelace(points):
    """Return areas of polygons (..., N, 2)."""
    x, y = points[..., 0], points[..., 1]
    return 0.5 * np.abs(np.sum(x * np.roll(y, -1, -1) - y * np.roll(x, -1, -1), axis=-1))


def run(cases, seed, boards, with_lens=False, spread=False, locked=None):
    """Print the row of one set of boards; return whether each length and each area was held.

    With ``locked`` (not None) the photos were cropped, with it keeping their proportion.
    """
    rng = np.random.default_rng([seed, boards, with_lens, *([] if locked is None else [locked])])
    rows, refused, why = [], 0, []
    known = None
    if with_lens:
        cameras = [truth.random_camera(rng) for _ in range(CAMERAS)]
        files = [(camera, truth.lens_file(rng, camera)) for camera in cameras]
    while len(rows) < cases:
        if with_lens:
            known = files[len(rows) % CAMERAS]
        frame = truth.WHOLE if locked is None else truth.random_crop(rng, locked=locked)
        try:
            row = one_case(rng, boards, known, spread, frame)
        except ScaleError as error:
            refused += 1
            why.append(error.wrong)
            continue
        if row is not None:
            rows.append(row)
    error = np.abs(np.concatenate([r[0] for r in rows]))
    held = np.mean(np.concatenate([r[1] for r in rows]))
    area = np.mean([r[2] for r in rows])
    width = np.median(np.concatenate([r[3] for r in rows]))
    slowest = np.median([r[4] for r in rows])
    name = f"{boards} board{'s' if boards > 1 else ''}{' spread' if spread else ''}{', lens file' if with_lens else ''}"
    name += {None: "", True: ", cut alike", False: ", cut"}[locked]
    print(
        f"{name:20s} cases {len(rows):4d} refused {refused:2d}  length err median {np.median(error):.4%}  "
        f"interval ± {width:.3%}  holds: lengths {held:.1%} areas {area:.1%} (± {np.sqrt(0.0475 / len(rows)):.1%})  "
        f"solve {slowest:.2f} s",
        flush=True,
    )
    for words in why:
        print("    refused:", words)
    return np.concatenate([r[1] for r in rows]), np.array([r[2] for r in rows])


def long_top(rng, every_bar):
    """Return the end-to-end error, mm, and half-width of its interval on a three-metre top in four photos.

    Eight boards; the bars of one of them are read, or of all (``every_bar``).
    """
    camera = truth.random_camera(rng)
    stretch, height = np.exp(rng.uniform(-0.008, 0.008, 2)), 1050.0 * camera.lens[0] / 3000
    xs = [60, 400, 760, 1130, 1500, 1870, 2240, 2730]
    worlds = [
        truth.world_board(np.array([x, 40 if k % 2 else 400, rng.normal(0, 0.1)]), stretch, truth.random_paper(rng))
        for k, x in enumerate(xs)
    ]
    seen, poses, refocus = [], [], []
    for x in np.linspace(400, 2600, 4):
        poses.append(truth.random_pose(rng, height, (x, 300), 6.0))
        refocus.append(np.exp(rng.normal(0, 0.0015)))
        boards = [truth.seen_board(rng, k, w, camera, poses[-1], 0.05, refocus[-1]) for k, w in enumerate(worlds)]
        seen.append([b for b in boards if b is not None])
    bars = read_bars(rng, stretch, len(worlds) if every_bar else 1)
    planes = solve_boards([truth.stub_photo(f"{i}", camera) for i in range(4)], seen, lens=None, **bars).planes
    ends = np.array([[0.0, 300, 0], [3000.0, 300, 0]])
    image = [camera.pixels(ends[i : i + 1], poses[j], refocus[j]) for i, j in ((0, 0), (1, 3))]
    got = np.linalg.norm(planes[3].to_mm(image[1]) - planes[0].to_mm(image[0]))
    drawn = np.linalg.norm(to_mm_draws(planes[3], image[1]) - to_mm_draws(planes[0], image[0]), axis=2)
    return got - 3000, 1.96 * float(np.std(drawn))


def main():
    """Print all rows."""
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else 80
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else SEED
    count = int(sys.argv[3]) if len(sys.argv) > 3 else max(5, cases // 2)
    results = [run(cases, seed, *s) for s in SETS]
    held = np.concatenate([r[0] for r in results])
    areas = np.concatenate([r[1] for r in results])
    print(f"all: 95 % intervals hold for lengths {held.mean():.1%}, areas {areas.mean():.1%} ({len(areas)} cases)")
    for boards, locked in CROPPED:
        run(cases, seed, boards, locked=locked)
    for every_bar in (False, True) if count else ():
        rng = np.random.default_rng([seed, every_bar])
        tops = np.array([long_top(rng, every_bar) for _ in range(count)])
        off = np.abs(tops[:, 0])
        print(
            f"3 m top in 4 photos, bars of {'all 8 boards' if every_bar else 'one board'} read: end-to-end error "
            f"median {np.median(off):.2f} mm, over 1 mm {np.mean(off > 1):.0%}, 95th percentile "
            f"{np.percentile(off, 95):.2f} mm, interval ± {np.median(tops[:, 1]):.2f} mm, "
            f"holds {np.mean(off <= tops[:, 1]):.0%} ({len(off)} tops)",
            flush=True,
        )


if __name__ == "__main__":
    main()
