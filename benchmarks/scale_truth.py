"""Random cameras, boards and prints of known truth, on the level of corners, for ``benchmarks/scale.py``.

The truth is drawn from other distributions than the solver's priors: long tails (Student's t), even spreads, curled
paper, two conventions of the Exif focal length, boards seen worse than others, smooth errors that no lens term
takes, and now and then a wild corner. Their standard deviations are those that the priors state: an interval can hold
as often as it says only when what it takes for granted is as wide as the world.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from voidmap.model import Photo
from voidmap.records import Lens
from voidmap.scale.boards import corners_mm
from voidmap.scale.calibrate import fit_lens_terms, with_covariance
from voidmap.scale.camera import lens_record, undistort
from voidmap.scale.detect import BoardSeen
from voidmap.scale.looks import legendre, point_look

SIZE = (4032, 3024)
SMOOTH_PX = 0.02
"""Print and paper: each smooth error of a board's picture."""
VIEWS = 14
"""Photos behind a lens file."""


def tailed(rng: np.random.Generator, scale: float, size=None, freedom: float = 5.0):
    """Return deviates of Student's t with that standard deviation."""
    return scale * rng.standard_t(freedom, size) / np.sqrt(freedom / (freedom - 2))


@dataclass
class Camera:
    """A true camera: (9,) lens focused far away, the 35-mm focal length that it writes, and its smooth errors."""

    lens: np.ndarray
    exif_35mm: float | None
    waves: np.ndarray

    def pixels(self, world, pose, refocus):
        """Return photo px of slab points (N, 3), smooth errors of the lens included."""
        matrix = np.array(
            [[self.lens[0] * refocus, 0, self.lens[2]], [0, self.lens[1] * refocus, self.lens[3]], [0, 0, 1]]
        )
        image = cv2.projectPoints(world, *pose, matrix, self.lens[4:])[0].reshape(-1, 2)
        return image + self.left_over(image)

    def left_over(self, image):
        """Return the displacement (N, 2) px that the lens terms do not describe: a few waves over the frame."""
        phase = image @ self.waves[:, :2].T + self.waves[:, 2]
        return np.sin(phase) @ self.waves[:, 3:]


def random_camera(rng):
    # A photo that keeps its camera data is whole and of a main camera; one that lost them may be cropped.
    known = rng.random() < 0.8
    nominal = rng.uniform(22, 32) if known else np.exp(rng.uniform(np.log(19), np.log(38)))
    by_width = nominal / 36 * SIZE[0]
    by_diagonal = nominal / 43.27 * np.hypot(*SIZE)
    # What is written is a nominal value: single phones differ from it by a per cent or so.
    f = (by_width if rng.random() < 0.5 else by_diagonal) * np.exp(tailed(rng, 0.008))
    k1 = tailed(rng, 0.06)
    k2 = -rng.uniform(0.1, 0.4) * k1 + tailed(rng, 0.025)
    k3 = tailed(rng, 0.005)
    centre = np.array(SIZE) / 2 - 0.5 + tailed(rng, 0.004 * SIZE[0], 2)
    exif = float(round(nominal)) if known else None
    lengths = rng.uniform(800, 4000, 3)
    angles = rng.uniform(0, 2 * np.pi, 3)
    size = np.exp(rng.uniform(np.log(0.01), np.log(0.1))) / np.sqrt(3)
    waves = np.column_stack(
        [
            2 * np.pi / lengths * np.cos(angles),
            2 * np.pi / lengths * np.sin(angles),
            rng.uniform(0, 6.3, 3),
            size * rng.standard_normal((3, 2)),
        ]
    )
    return Camera(np.array([f, f, *centre, k1, k2, *tailed(rng, 4e-4, 2), k3]), exif, waves)


def random_pose(rng, height, target, lean_deg):
    """Return a pose that leans up to ``lean_deg`` and looks at a place on the top."""
    tilt = np.radians(lean_deg) * rng.uniform(0.05, 1)
    way = rng.uniform(0, 2 * np.pi)
    lean = cv2.Rodrigues(np.array([np.cos(way), np.sin(way), 0]) * tilt)[0]
    turn = lean @ cv2.Rodrigues(np.array([0, 0, rng.normal(0, 0.15)]))[0]
    return cv2.Rodrigues(turn)[0].ravel(), np.array([0, 0, height]) - turn @ np.array([*target, 0])


def random_paper(rng):
    """Return height of the middle, tilts and bows of a sheet (5,) mm: it lies on the top, and curls up or down."""
    lift = 0.1 + rng.exponential(0.1)
    return np.array([-lift, *tailed(rng, 0.15, 2), *tailed(rng, 0.1, 2)])


def world_board(place, stretch, paper):
    """Return inner corners on the slab (24, 3) mm."""
    board = corners_mm() * stretch
    c, s = np.cos(place[2]), np.sin(place[2])
    flat = board @ np.array([[c, -s], [s, c]]).T + place[:2]
    u, v = (2 * corners_mm() / [210, 150] - 1).T
    depth = np.column_stack([np.ones(24), u, v, u * u - 1 / 3, v * v - 1 / 3]) @ paper
    return np.column_stack([flat, depth])


def seen_board(rng, number, world, camera, pose, noise, refocus=1.0):
    """Return the board as a detector would give it, or None when too little of it is in view."""
    ahead = world @ cv2.Rodrigues(pose[0])[0].T + pose[1]
    # Far outside the frame the distortion polynomial folds back: such a board is not in view.
    if np.abs(ahead[:, :2] / ahead[:, 2:]).max() > 1.1:
        return None
    image = camera.pixels(world, pose, refocus)
    noise = noise * rng.uniform(0.7, 1.4)
    wild = rng.random(24) < 0.005
    smooth = legendre(corners_mm()) @ tailed(rng, SMOOTH_PX, (10, 2))
    image = image + smooth + noise * rng.standard_normal(image.shape) * np.where(wild, 10, 1)[:, None]
    inside = np.all((image > 5) & (image < np.array(SIZE) - 5), axis=1)
    if inside.sum() < 12:
        return None
    side = np.linalg.norm(image[1] - image[0])
    return BoardSeen(number, image[inside], corners_mm()[inside], side, 150.0, 17)


def true_ground(camera, pose, refocus, image):
    """Return slab points (N, 2) mm under photo points."""
    for _ in range(3):
        straight = image - camera.left_over(image)
    lens = camera.lens * np.array([refocus, refocus, *np.ones(7)])
    rays = undistort(straight, lens[None])[0]
    turn = cv2.Rodrigues(pose[0])[0]
    flat = np.linalg.solve(np.column_stack([turn[:, 0], turn[:, 1], pose[1]]), np.c_[rays, np.ones(len(rays))].T).T
    return flat[:, :2] / flat[:, 2:]


@dataclass
class Frame:
    """What is kept of a photo: its first pixel (x, y) and its size, px."""

    corner: np.ndarray
    size: tuple[int, int] = SIZE


WHOLE = Frame(np.zeros(2))


def random_crop(rng, *, locked):
    """Return what a user keeps of a photo, half to all of each side; ``locked``: of the whole photo's proportion."""
    kept = np.repeat(rng.uniform(0.5, 1), 2) if locked else rng.uniform(0.5, 1, 2)
    size = (kept * SIZE).astype(int)
    return Frame(np.floor(rng.uniform(0, 1, 2) * (SIZE - size)), (int(size[0]), int(size[1])))


def cut(board, frame):
    """Return a board as it stands in a cropped photo, or None when too little of it does."""
    corners = board.corners_px - frame.corner
    inside = np.all((corners > 5) & (corners < np.array(frame.size) - 5), axis=1)
    if inside.sum() < 12:
        return None
    return replace(board, corners_px=corners[inside], board_mm=board.board_mm[inside])


def stub_photo(name, camera, frame=WHOLE):
    """Return a photo without a picture: what the camera writes of itself, which a crop leaves as it was."""
    pixels = np.broadcast_to(np.zeros(3, np.uint8), (frame.size[1], frame.size[0], 3))
    return Photo(name, name, pixels, camera="c", focal_35mm_mm=camera.exif_35mm)


def lens_file(rng, camera):
    """Calibrate the camera by the very code of ``voidmap lens``, on photos of a board on a panel."""
    looks, stretch = [], np.exp(rng.normal(0, 0.003, 2))
    noise = np.exp(rng.uniform(np.log(0.02), np.log(0.12)))
    paper = random_paper(rng)
    board = world_board(np.array([-105.0, -75.0, 0.0]), stretch, paper)
    while len(looks) < VIEWS:
        pose = random_pose(rng, rng.uniform(330, 600), (0, 0), 40.0)
        pose[1][:2] += rng.uniform(-1, 1, 2) * np.array([0.45, 0.32]) * pose[1][2]
        refocus = np.exp(rng.normal(0, 0.001))
        seen = seen_board(rng, 0, board, camera, pose, noise, refocus)
        if seen is not None:
            looks.append(point_look(len(looks), 0, seen.board_mm, seen.corners_px))
    focal = (camera.exif_35mm or 27.0) / 36 * SIZE[0]
    fit, _, _ = fit_lens_terms(looks, SIZE, focal, [f"{i}" for i in range(VIEWS)])
    values, covariance = with_covariance(fit)
    made = lens_record(values, "file")
    return Lens(**{**made.__dict__, "covariance": tuple(map(tuple, covariance))})
