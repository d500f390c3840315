"""Photos of boards on a plain top, drawn ray by ray, for the tests of the scale.

Unlike the simulator's, these boards may be bent, lifted, low, stretched or glared at. A photo is drawn from the same
projection that OpenCV uses, by looking up every pixel's place on the top.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from voidmap.model import Photo
from voidmap.scale.boards import PATTERN_MM, draw_board
from voidmap.scale.camera import undistort

SIZE = (1600, 1200)
FOCAL = 1200.0
PER_MM = 10.0
MARGIN_MM = 20.0
WOOD, WHITE, BLACK = 95.0, 225.0, 30.0


@dataclass
class Board:
    """A board on the top: its corner's place, turn, print stretch, and shape (height, tilts, bows) mm."""

    number: int
    x: float
    y: float
    turn_deg: float = 0.0
    stretch: tuple[float, float] = (1.0, 1.0)
    shape: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0, 0.0)


@dataclass
class View:
    """A camera: where it looks, from how high, how it leans; lens; blur and shake in px; noise in 8-bit steps."""

    target: tuple[float, float] = (0.0, 0.0)
    height: float = 800.0
    lean: tuple[float, float] = (0.0, 0.0)
    roll_deg: float = 2.0
    lens: tuple[float, ...] = (FOCAL, FOCAL, 803.0, 596.0, -0.03, 0.01, 2e-4, -1e-4, 0.0)
    blur: float = 0.7
    shake: float = 0.0
    noise: float = 1.5
    size: tuple[int, int] = SIZE
    seed: int = 1
    exif_35mm: float | None = 26.0

    @property
    def rotation(self) -> np.ndarray:
        lean = cv2.Rodrigues(np.radians([*self.lean, 0.0]))[0]
        return lean @ cv2.Rodrigues(np.radians([0, 0, self.roll_deg]))[0]

    @property
    def translation(self) -> np.ndarray:
        return np.array([0, 0, self.height]) - self.rotation @ np.array([*self.target, 0.0])

    def project(self, points_mm: np.ndarray) -> np.ndarray:
        solid = np.column_stack([points_mm, np.zeros((len(points_mm), 3 - points_mm.shape[1]))])
        fx, fy, cx, cy, *terms = self.lens
        matrix = np.array([[fx, 0, cx], [0, fy, cy], [0, 0, 1.0]])
        image = cv2.projectPoints(solid, self.rotation, self.translation, matrix, np.array(terms))[0]
        return image.reshape(-1, 2)

    def rays(self, points_px: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Places (N, 2) mm on the top under photo points, and how they move for each mm of depth."""
        rays = undistort(points_px, np.array([self.lens]))[0]
        away = np.column_stack([rays, np.ones(len(rays))]) @ self.rotation
        eye = -self.rotation.T @ self.translation
        slope = away[:, :2] / away[:, 2:]
        return eye[:2] - eye[2] * slope, slope

    def ground(self, points_px: np.ndarray) -> np.ndarray:
        return self.rays(points_px)[0]


def photo(
    view: View, *boards: Board, glare: tuple[float, float, float] | None = None, name: str = "drawn.jpg"
) -> Photo:
    """Draw a photo; ``glare`` is (x mm, y mm, radius mm) of a bright patch."""
    width, height = view.size
    flat, slope = _all_rays(view)
    figure = 8 * np.sin(flat[:, 1] / 4 + 2 * np.sin(flat[:, 0] / 90))
    light = (WOOD + figure).astype(np.float32)
    for board in boards:
        _lay(light, board, view, flat, slope)
    picture = light.reshape(height, width)
    if glare is not None:
        away = np.hypot(*(flat - glare[:2]).T).reshape(height, width) / glare[2]
        picture = picture + (400 * np.exp(-(away**2))).astype(np.float32)
    picture = cv2.GaussianBlur(picture, (0, 0), view.blur)
    if view.shake:
        kernel = np.zeros((1, 2 * int(view.shake) + 1), np.float32)
        kernel[:] = 1 / kernel.size
        picture = cv2.filter2D(picture, -1, kernel)
    rng = np.random.default_rng(view.seed)
    picture = picture + view.noise * rng.standard_normal(picture.shape, dtype=np.float32)
    grey = np.clip(picture + 0.5, 0, 255).astype(np.uint8)
    return Photo(name, "", np.repeat(grey[:, :, None], 3, axis=2), camera="Test", focal_35mm_mm=view.exif_35mm)


def _all_rays(view):
    """Ground and slope of every pixel, from every eighth: a lens bends less than a thousandth of a pixel between."""
    width, height = view.size
    columns, rows = np.arange(-4, width + 8, 8.0), np.arange(-4, height + 8, 8.0)
    grid = np.column_stack([a.ravel() for a in np.meshgrid(columns, rows)])
    x, y = np.meshgrid(np.arange(width), np.arange(height))
    at_x, at_y = ((x + 4) / 8).astype(np.float32), ((y + 4) / 8).astype(np.float32)
    fields = []
    for field in view.rays(grid):
        nodes = field.reshape(len(rows), len(columns), 2)
        low = nodes.mean(axis=(0, 1))
        fine = _bilinear(nodes - low, at_x, at_y)
        fields.append(fine.reshape(-1, 2) + low)
    return fields


def _bilinear(nodes, at_x, at_y):
    i, j = at_y.astype(int), at_x.astype(int)
    v, u = (at_y - i)[..., None], (at_x - j)[..., None]
    top = nodes[i, j] * (1 - u) + nodes[i, j + 1] * u
    return top * (1 - v) + (nodes[i + 1, j] * (1 - u) + nodes[i + 1, j + 1] * u) * v


def _lay(light, board, view, flat, slope):
    angle = np.radians(board.turn_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    stretch = np.array(board.stretch)
    near = np.hypot(*(flat - [board.x, board.y] - turn @ (stretch * [105, 75])).T) < 220
    at = np.flatnonzero(near)
    depth = np.zeros(len(at))
    for _ in range(4):
        on = ((flat[at] + depth[:, None] * slope[at] - [board.x, board.y]) @ turn) / stretch
        u, v = (2 * on / PATTERN_MM - 1).T
        u, v = np.clip(u, -1.4, 1.4), np.clip(v, -1.4, 1.4)
        depth = np.column_stack([np.ones(len(u)), u, v, u * u - 1 / 3, v * v - 1 / 3]) @ np.array(board.shape)
    sheet = np.all((on > -MARGIN_MM) & (on < np.array(PATTERN_MM) + MARGIN_MM), axis=1)
    drawn = cv2.copyMakeBorder(draw_board(board.number, PER_MM), 300, 300, 300, 300, cv2.BORDER_CONSTANT, value=255)
    fine = cv2.GaussianBlur(drawn, (0, 0), 0.35 * PER_MM * view.height / view.lens[0])
    wide = 4000
    place = np.pad((on * PER_MM - 0.5 + 300).astype(np.float32), ((0, -len(on) % wide), (0, 0)))
    place = place.reshape(-1, wide, 2)
    value = cv2.remap(fine, place[..., 0], place[..., 1], cv2.INTER_LINEAR).ravel()[: len(on)]
    light[at[sheet]] = BLACK + (WHITE - BLACK) * value[sheet] / 255.0
