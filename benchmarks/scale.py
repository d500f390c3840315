"""Ask whether the scale's intervals hold and how true are its lengths.

Random cameras, lenses, heights, tilts, boards, print stretches and corner noises on the level of corners.
Run ``python benchmarks/scale.py [cases]``; prints a row for each set of boards, then a long top in four photos.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass

import cv2
import numpy as np

from voidmap.errors import ScaleError
from voidmap.model import Photo
from voidmap.records import Lens
from voidmap.scale.boards import corners_mm
from voidmap.scale.camera import to_mm_draws, undistort
from voidmap.scale.detect import BoardSeen
from voidmap.scale.priors import BAR_READING_SD_MM, FLAT_SD_MM, PAPER_MM
from voidmap.scale.solve import solve_boards

SIZE = (4032, 3024)


@dataclass
class Camera:
    """A true camera: (9,) lens and the 35-mm focal length that it writes."""

    lens: np.ndarray
    exif_35mm: float | None

    @property
    def matrix(self):
        """Return the camera matrix."""
        return np.array([[self.lens[0], 0, self.lens[2]], [0, self.lens[1], self.lens[3]], [0, 0, 1.0]])


def random_camera(rng):
    true_35mm = rng.uniform(23, 30)
    by_width = true_35mm / 36 * SIZE[0]
    by_diagonal = true_35mm / 43.27 * np.hypot(*SIZE)
    f = by_width if rng.random() < 0.5 else by_diagonal
    k1 = rng.normal(0, 0.05)
    k2 = -0.25 * k1 + rng.normal(0, 0.02)
    centre = np.array(SIZE) / 2 - 0.5 + rng.normal(0, 0.004 * SIZE[0], 2)
    p1, p2 = rng.normal(0, 3e-4, 2)
    exif = float(round(true_35mm)) if rng.random() < 0.8 else None
    return Camera(np.array([f, f, *centre, k1, k2, p1, p2, 0.0]), exif)


def random_pose(rng, height, target, lean_deg):
    tilt = np.radians(lean_deg) * rng.uniform(0.05, 1)
    way, roll = rng.uniform(0, 2 * np.pi, 2)
    turn = (
        cv2.Rodrigues(np.array([np.cos(way), np.sin(way), 0]) * tilt)[0]
        @ cv2.Rodrigues(np.array([0, 0, roll * 0.1]))[0]
    )
    shift = np.array([0, 0, height]) - turn @ np.array([*target, 0])
    return cv2.Rodrigues(turn)[0].ravel(), shift


def world_board(rng, place, stretch, shape):
    board = corners_mm() * stretch
    c, s = np.cos(place[2]), np.sin(place[2])
    flat = board @ np.array([[c, -s], [s, c]]).T + place[:2]
    u, v = (2 * corners_mm() / [210, 150] - 1).T
    depth = np.column_stack([np.ones(24), u, v, u * u - 1 / 3, v * v - 1 / 3]) @ shape
    return np.column_stack([flat, depth])


def seen_board(rng, number, world, camera, pose, noise):
    image = cv2.projectPoints(world, *pose, camera.matrix, camera.lens[4:])[0].reshape(-1, 2)
    # Far outside the frame the distortion polynomial folds back: such a board is not in view.
    camera_frame = world @ cv2.Rodrigues(pose[0])[0].T + pose[1]
    if np.abs(camera_frame[:, :2] / camera_frame[:, 2:]).max() > 1.1:
        return None
    image = image + noise * rng.standard_normal(image.shape)
    inside = np.all((image > 5) & (image < np.array(SIZE) - 5), axis=1)
    if inside.sum() < 12:
        return None
    return BoardSeen(number, image[inside], corners_mm()[inside], 100.0, 150.0, 17)


def true_ground(camera, pose, image):
    rays = undistort(image, camera.lens[None])[0]
    turn = cv2.Rodrigues(pose[0])[0]
    flat = np.linalg.solve(np.column_stack([turn[:, 0], turn[:, 1], pose[1]]), np.c_[rays, np.ones(len(rays))].T).T
    return flat[:, :2] / flat[:, 2:]


def stub_photo(name, camera):
    pixels = np.broadcast_to(np.zeros(3, np.uint8), (SIZE[1], SIZE[0], 3))
    return Photo(name, name, pixels, camera="c", focal_35mm_mm=camera.exif_35mm)


def lens_file(rng, camera):
    """Return a lens file's lens: the truth plus the error of a calibration, with its covariance."""
    spread = np.array([1.5, 1.5, 1.5, 1.5, 1.5e-3, 3e-3, 5e-5, 5e-5, 0.0])
    error = spread * rng.standard_normal(9)
    error[1] = error[0]
    covariance = np.diag(spread**2)
    covariance[0, 1] = covariance[1, 0] = spread[0] ** 2
    values = camera.lens + error
    values[0:2] *= np.exp(rng.normal(0, 0.0012))
    return Lens(*(float(v) for v in values), source="file", covariance=tuple(map(tuple, covariance)))


def shoelace(points):
    x, y = points[..., 0], points[..., 1]
    return 0.5 * np.abs(np.sum(x * np.roll(y, -1, -1) - y * np.roll(x, -1, -1), axis=-1))


def one_case(rng, boards, with_lens, spread):
    camera = random_camera(rng)
    height = rng.uniform(500, 1400)
    half = np.array([0.36, 0.27]) * height * SIZE[0] / camera.lens[0]
    pose = random_pose(rng, height, rng.uniform(-0.1, 0.1, 2) * half, rng.choice([4.0, 12.0, 20.0]))
    stretch = np.exp(rng.normal(0, 0.004, 2))
    noise = np.exp(rng.uniform(np.log(0.02), np.log(0.12)))
    corners = np.array([[-1, -1], [1, 1], [1, -1], [-1, 1]])
    seen = []
    for number in range(boards):
        at = corners[number] * rng.uniform(0.55, 0.95, 2) if spread else rng.uniform(-0.8, 0.8, 2)
        angle = rng.uniform(-np.pi, np.pi)
        turned = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        place = np.array([*(at * np.maximum(half - 100, 60) - turned @ [105, 75]), angle])
        shape = rng.normal(0, 1, 5) * FLAT_SD_MM - [PAPER_MM, 0, 0, 0, 0]
        board = seen_board(rng, number, world_board(rng, place, stretch, shape), camera, pose, noise)
        if board is not None:
            seen.append(board)
    if not seen:
        return None
    bars = 100 * stretch + rng.normal(0, BAR_READING_SD_MM, 2)
    started = time.perf_counter()
    plane = solve_boards(
        [stub_photo("case", camera)],
        [seen],
        lens=lens_file(rng, camera) if with_lens else None,
        bar_x_mm=float(bars[0]),
        bar_y_mm=float(bars[1]),
    ).planes[0]
    took = time.perf_counter() - started
    image = rng.uniform(0.06, 0.94, (8, 2)) * SIZE
    quad = np.array([[0.1, 0.1], [0.9, 0.1], [0.9, 0.9], [0.1, 0.9]]) * SIZE * rng.uniform(0.6, 1.0)
    points = np.concatenate([image, quad])
    true, got, drawn = true_ground(camera, pose, points), plane.to_mm(points), to_mm_draws(plane, points)

    def lengths(p):
        return np.linalg.norm(p[..., 0:8:2, :] - p[..., 1:8:2, :], axis=-1)

    error = lengths(got) / lengths(true) - 1
    width = 1.96 * np.std(lengths(drawn), axis=0) / lengths(got)
    area_error = shoelace(got[8:]) / shoelace(true[8:]) - 1
    area_width = 1.96 * np.std(shoelace(drawn[:, 8:])) / shoelace(got[8:])
    return error, np.abs(error) <= width, abs(area_error) <= area_width, width, took


def run(rng, cases, boards, with_lens, spread):
    rows, refused = [], 0
    while len(rows) < cases:
        try:
            row = one_case(rng, boards, with_lens, spread)
        except ScaleError:
            refused += 1
            continue
        if row is not None:
            rows.append(row)
    error = np.abs(np.concatenate([r[0] for r in rows]))
    held = np.mean(np.concatenate([r[1] for r in rows]))
    area = np.mean([r[2] for r in rows])
    width = np.median(np.concatenate([r[3] for r in rows]))
    slowest = np.median([r[4] for r in rows])
    name = f"{boards} board{'s' if boards > 1 else ''}{' spread' if spread else ''}{', lens file' if with_lens else ''}"
    print(
        f"{name:24s} cases {len(rows):4d} refused {refused:2d}  length err median {np.median(error):.4%}  "
        f"interval ± {width:.3%}  holds: lengths {held:.1%} areas {area:.1%}  solve {slowest:.2f} s"
    )
    return np.concatenate([r[1] for r in rows]), np.array([r[2] for r in rows])


def long_top(rng):
    """End-to-end error, mm, and half-width of its interval on a three-metre top in four photos."""
    camera = random_camera(rng)
    stretch, height = np.exp(rng.normal(0, 0.004, 2)), 1050.0 * camera.lens[0] / 3000
    bars = 100 * stretch + rng.normal(0, BAR_READING_SD_MM, 2)
    stations = np.linspace(400, 2600, 4)
    xs = [60, 400, 760, 1130, 1500, 1870, 2240, 2730]
    worlds = []
    for number, x in enumerate(xs):
        shape = rng.normal(0, 1, 5) * FLAT_SD_MM - [PAPER_MM, 0, 0, 0, 0]
        place = np.array([x, 40 if number % 2 else 400, rng.normal(0, 0.1)])
        worlds.append(world_board(rng, place, stretch, shape))
    seen, poses = [], []
    for x in stations:
        pose = random_pose(rng, height, (x, 300), 6.0)
        poses.append(pose)
        boards = [seen_board(rng, k, w, camera, pose, 0.05) for k, w in enumerate(worlds)]
        seen.append([b for b in boards if b is not None])
    planes = solve_boards(
        [stub_photo(f"{i}", camera) for i in range(4)],
        seen,
        lens=None,
        bar_x_mm=float(bars[0]),
        bar_y_mm=float(bars[1]),
    ).planes
    ends = np.array([[0.0, 300, 0], [3000.0, 300, 0]])
    image = [
        cv2.projectPoints(ends[i : i + 1], *poses[j], camera.matrix, camera.lens[4:])[0].reshape(1, 2)
        for i, j in ((0, 0), (1, 3))
    ]
    got = np.linalg.norm(planes[3].to_mm(image[1]) - planes[0].to_mm(image[0]))
    drawn = np.linalg.norm(to_mm_draws(planes[3], image[1]) - to_mm_draws(planes[0], image[0]), axis=2)
    return got - 3000, 1.96 * float(np.std(drawn))


def main():
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else 80
    rng = np.random.default_rng(7)
    sets = [(4, False, True), (2, False, False), (1, True, False), (1, False, False), (3, False, False)]
    results = [run(rng, cases, *s) for s in sets]
    lengths = np.concatenate([r[0] for r in results])
    areas = np.concatenate([r[1] for r in results])
    print(f"all: 95 % intervals hold for lengths {lengths.mean():.1%}, areas {areas.mean():.1%} ({len(areas)} cases)")
    tops = np.array([long_top(rng) for _ in range(max(5, cases // 4))])
    print(
        f"3 m top in 4 photos: end-to-end error median {np.median(np.abs(tops[:, 0])):.2f} mm, "
        f"95th percentile {np.percentile(np.abs(tops[:, 0]), 95):.2f} mm, interval ± {np.median(tops[:, 1]):.2f} mm, "
        f"holds {np.mean(np.abs(tops[:, 0]) <= tops[:, 1]):.0%}"
    )


if __name__ == "__main__":
    main()
