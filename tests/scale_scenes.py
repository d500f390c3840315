"""Photos of boards on a plain slab for the tests of the scale, taken by the simulator's camera.

Small pictures on a coarse grid: the boards are drawn ray by ray all the same.
"""

from dataclasses import dataclass, replace
from functools import cache

import cv2
import numpy as np

from voidmap.model import Photo
from voidmap.simulate.camera import Camera, develop
from voidmap.simulate.light import Light, Lit, illuminate
from voidmap.simulate.photograph import light_at_sensor
from voidmap.simulate.sheets import Laid, Sheet
from voidmap.simulate.slab import random_slab

SIZE = (800, 600)
FOCAL = 600.0
THICK_MM = 40.0
LENS = (FOCAL, FOCAL, 403.0, 296.0, -0.03, 0.01, 2e-4, -1e-4, 0.0)


def board(number: int, x: float, y: float, turn_deg: float = 0.0, **more) -> Sheet:
    """A board with margins of 20 mm; see ``Sheet`` for what may be wrong with it."""
    return Sheet(number, x, y, turn_deg, (20.0, 20.0, 20.0, 20.0), **more)


@dataclass
class View:
    """A camera: where it looks, from how high, how it leans; its lens; blur and shake in px."""

    target: tuple[float, float] = (0.0, 0.0)
    height: float = 600.0
    lean: tuple[float, float] = (0.0, 0.0)
    roll_deg: float = 2.0
    lens: tuple[float, ...] = LENS
    blur: float = 0.6
    shake: tuple[float, float] = (0.0, 0.0)
    size: tuple[int, int] = SIZE
    seed: int = 1
    exif_35mm: float | None = 27.0

    @property
    def camera(self) -> Camera:
        fx, fy, cx, cy, *terms = self.lens
        turn = cv2.Rodrigues(np.radians([*self.lean, 0.0]))[0] @ cv2.Rodrigues(np.radians([0, 0, self.roll_deg]))[0]
        shift = np.array([0, 0, self.height]) - turn @ np.array([*self.target, 0.0])
        matrix = np.array([[fx, 0, cx], [0, fy, cy], [0, 0, 1.0]])
        return Camera(matrix, np.array(terms), turn, shift, self.size, blur_px=self.blur, motion_px=self.shake)

    def project(self, points_mm: np.ndarray) -> np.ndarray:
        """Carry slab points (N, 2) mm to photo px."""
        return self.camera.project(points_mm)

    def ground(self, points_px: np.ndarray) -> np.ndarray:
        """Carry photo points (N, 2) px to the top, mm."""
        return self.camera.rays(points_px)[0]


@cache
def top(length_mm: float = 1000.0, width_mm: float = 720.0) -> Lit:
    """A plain slab of ash under a soft lamp."""
    rng = np.random.default_rng(4)
    slab = random_slab(
        rng, length_mm=length_mm, width_mm=width_mm, thickness_mm=THICK_MM, cell_mm=1.5, species="ash", busy=0.0
    )
    return illuminate(slab, Light())


def photo(
    view: View, *laid: Laid, glare: tuple[float, float, float] | None = None, name: str = "drawn.jpg", **slab
) -> Photo:
    """Take a photo; ``glare`` is (x mm, y mm, radius mm) of the lamp's own picture in a shiny place."""
    camera, rng = view.camera, np.random.default_rng(view.seed)
    light = light_at_sensor(top(**slab), camera, laid)
    # As exposed without the glare: a phone exposes for the whole picture.
    camera = replace(camera, exposure=0.8 / float(np.quantile(light[::4, ::4].max(axis=2), 0.985)))
    if glare is not None:
        columns, rows = np.meshgrid(*(np.arange(n) for n in view.size))
        at = view.ground(np.column_stack([columns.ravel(), rows.ravel()]))
        away = np.hypot(*(at - glare[:2]).T).reshape(rows.shape) / glare[2]
        light = light + (4.0 * float(light.max()) * np.exp(-(away**2)))[..., None].astype(np.float32)
    return Photo(name, "", develop(light, camera, rng), camera="Test", focal_35mm_mm=view.exif_35mm)
