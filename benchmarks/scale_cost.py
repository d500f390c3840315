"""What the scale costs, in decodes of the same JPEG, and how long four boards take to adjust.

Run ``python benchmarks/scale_cost.py [PHOTO.jpg ...]``; without photos the demo's first is taken.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import cv2
import numpy as np
import scale_truth as truth

from voidmap.files import load_photos
from voidmap.scale import assess_quality, rectify
from voidmap.scale.detect import find_boards, grey_of
from voidmap.scale.solve import solve_boards

ROUNDS = 7
DEMO = Path(__file__).parents[1] / "demo_images" / "desk-a.jpg"


def seconds(work):
    """Return the least processor time of several rounds: what else runs can only add to it."""
    took = []
    for _ in range(ROUNDS):
        started = time.process_time()
        work()
        took.append(time.process_time() - started)
    return min(took)


def photo_row(path):
    """Print the cost of each step of one photo."""
    raw = np.frombuffer(path.read_bytes(), np.uint8)
    decode = seconds(lambda: cv2.imdecode(raw, cv2.IMREAD_COLOR))
    (photo,) = load_photos([path])
    grey = grey_of(photo.pixels)
    boards = find_boards(grey)
    (plane,) = solve_boards([photo], [boards], lens=None).planes
    steps = {
        "boards found": lambda: find_boards(grey_of(photo.pixels)),
        "adjusted": lambda: solve_boards([photo], [boards], lens=None),
        "quality": lambda: assess_quality(photo, plane),
        "square-on": lambda: rectify(photo, plane),
    }
    cost = {name: seconds(work) / decode for name, work in steps.items()}
    words = ", ".join(f"{name} {value:.1f}" for name, value in cost.items())
    print(f"{path.name} ({photo.pixels.size / 3e6:.1f} MP, {len(boards)} boards), in decodes of {decode * 1e3:.0f} ms:")
    print(f"    {words}; all {sum(cost.values()):.1f}")


def four_boards(cases=20):
    """Print how long the adjustment of four boards takes: processor time, median and worst of random photos."""
    rng = np.random.default_rng(3)
    took = []
    while len(took) < cases:
        camera = truth.random_camera(rng)
        pose = truth.random_pose(rng, 900.0, (0, 0), 12.0)
        corners = np.array([[-1, -1], [1, 1], [1, -1], [-1, 1]]) * [380, 270] - [105, 75]
        worlds = [truth.world_board(np.array([*at, 0.1]), np.ones(2), truth.random_paper(rng)) for at in corners]
        seen = [truth.seen_board(rng, k, world, camera, pose, 0.05) for k, world in enumerate(worlds)]
        if all(board is not None for board in seen):
            started = time.process_time()
            solve_boards([truth.stub_photo("case", camera)], [seen], lens=None)
            took.append(time.process_time() - started)
    print(f"adjustment of four boards: median {np.median(took):.3f} s, worst {max(took):.3f} s of {cases}")


def main():
    """Print all rows."""
    cv2.setNumThreads(1)
    for path in [Path(word) for word in sys.argv[1:]] or [DEMO]:
        photo_row(path)
    four_boards()


if __name__ == "__main__":
    main()
