"""The working nouns that hold pictures and geometry while a command runs (nothing here is stored).

Two frames meet here. *Photo frame*: pixels after EXIF orientation, x right, y down, the centre of the
first pixel at (0, 0), lens distortion still in it. *Slab frame*: millimetres in the plane of the slab's
top, z (depth) positive downward, away from the camera.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from voidmap.records import BoardPlace, Interval, Kind, Lens, SizeIntervals

Floats = NDArray[np.float64]


Scalar = TypeVar("Scalar", bound=np.generic)


def frozen(array: NDArray[Scalar]) -> NDArray[Scalar]:
    """Return a read-only view of an array."""
    view = array.view()
    view.flags.writeable = False
    return view


@dataclass(frozen=True, eq=False)
class Photo:
    """A decoded photo with what its camera says of it.

    ``pixels`` is (H, W, 3) uint8 in B, G, R order, read-only, EXIF orientation applied: the sensor's picture turned
    clockwise by ``turned_deg`` (0, 90, 180 or 270). ``sensitivity`` is what the sensor was set to (ISO 12232).
    """

    file: str
    sha256: str
    pixels: NDArray[np.uint8]
    taken: str | None = None
    camera: str | None = None
    focal_mm: float | None = None
    focal_35mm_mm: float | None = None
    turned_deg: int = 0
    sensitivity: float | None = None

    @property
    def width_px(self) -> int:
        """Width after orientation, px."""
        return int(self.pixels.shape[1])

    @property
    def height_px(self) -> int:
        """Height after orientation, px."""
        return int(self.pixels.shape[0])


# A Plane's draws are rows of these parameters, in this order.
DRAW_NAMES = ("rx", "ry", "rz", "tx", "ty", "tz", "fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3")


@dataclass(frozen=True, eq=False)
class Plane:
    """The plane of the slab's top as one photo sees it: lens, pose, and how well both are known.

    ``rotation`` (3, 3) and ``translation_mm`` (3,) carry slab-frame points (x, y, depth) into the camera
    frame (x right, y down, z forward). ``draws`` is (S, 15): equally likely versions of the parameters
    (``DRAW_NAMES``; a rotation vector in rad, mm, px) drawn from the joint posterior. Photos that were
    solved together share the row number: row s of one belongs with row s of the other, so that a length
    or a volume worked out draw by draw carries shared errors as shared.
    """

    size_px: tuple[int, int]
    lens: Lens
    rotation: Floats
    translation_mm: Floats
    draws: Floats
    reference: str
    boards: tuple[BoardPlace, ...] = ()
    patterns_mm: tuple[Floats, ...] = ()
    reprojection_rms_px: float = 0.0

    def to_mm(self, points_px: ArrayLike, depth_mm: float = 0.0) -> Floats:
        """Carry photo points (N, 2) px to the slab frame (N, 2) mm, on the plane at ``depth_mm``."""
        import cv2

        points = np.asarray(points_px, dtype=np.float64).reshape(-1, 1, 2)
        if len(points) == 0:
            return np.zeros((0, 2))
        matrix, terms = self._camera()
        criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 40, 1e-10)
        # OpenCV 4 has a call of its own for the iteration's end, OpenCV 5 folds it into the one call.
        solve: Any = getattr(cv2, "undistortPointsIter", cv2.undistortPoints)
        keys = {"R": None, "P": None, "criteria": criteria}
        rays = solve(points, matrix, terms, **keys).reshape(-1, 2)
        shift = self.rotation[:, 2] * depth_mm + self.translation_mm
        homography = np.column_stack([self.rotation[:, 0], self.rotation[:, 1], shift])
        flat = np.linalg.solve(homography, np.column_stack([rays, np.ones(len(rays))]).T).T
        return np.asarray(flat[:, :2] / flat[:, 2:], dtype=np.float64)

    def to_px(self, points_mm: ArrayLike, depth_mm: ArrayLike = 0.0) -> Floats:
        """Carry slab-frame points (N, 2) mm at ``depth_mm`` (a number or (N,)) to photo px (N, 2)."""
        points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
        depth = np.broadcast_to(np.asarray(depth_mm, dtype=np.float64), (len(points),))
        lens = self.lens
        # Written out: OpenCV's projectPoints also works out all derivatives, at twenty times the cost.
        solid = self.rotation[:, :2] @ points.T + self.rotation[:, 2:] * depth + self.translation_mm[:, None]
        x, y = solid[:2] / np.where(solid[2] == 0, 1.0, solid[2])
        squares, cross = x * x + y * y, 2 * x * y
        radial = 1 + squares * (lens.k1 + squares * (lens.k2 + squares * lens.k3))
        at_x = x * radial + lens.p1 * cross + lens.p2 * (squares + 2 * x * x)
        at_y = y * radial + lens.p1 * (squares + 2 * y * y) + lens.p2 * cross
        return np.column_stack([lens.fx * at_x + lens.cx, lens.fy * at_y + lens.cy])

    def sights(self, points_px: ArrayLike) -> Floats:
        """Return by how much the lines of sight at photo points (N, 2) px leave the plumb: tangents (N, 2), x and y."""
        eye = self.camera_mm
        return np.asarray((eye[:2] - self.to_mm(points_px)) / max(abs(float(eye[2])), 1e-9), dtype=np.float64)

    def mm_per_px_at(self, points_mm: ArrayLike) -> Floats:
        """Local scale at slab points (N, 2): the geometric mean over directions, mm per px, (N,)."""
        points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
        step = 0.5
        ahead_x, ahead_y = np.array([step, 0.0]), np.array([0.0, step])
        along_x = (self.to_px(points + ahead_x) - self.to_px(points - ahead_x)) / (2 * step)
        along_y = (self.to_px(points + ahead_y) - self.to_px(points - ahead_y)) / (2 * step)
        area = np.abs(along_x[:, 0] * along_y[:, 1] - along_x[:, 1] * along_y[:, 0])
        return np.asarray(1.0 / np.sqrt(area), dtype=np.float64)

    @property
    def camera_mm(self) -> Floats:
        """The camera's place in the slab frame, (3,) mm; its z is negative (above the top)."""
        return np.asarray(-self.rotation.T @ self.translation_mm, dtype=np.float64)

    def drawn(self, row: int) -> Plane:
        """Return the plane with the parameters of one row of ``draws``."""
        import cv2

        p = self.draws[row]
        lens = replace(self.lens, **dict(zip(DRAW_NAMES[6:], p[6:].tolist(), strict=True)))
        turn = np.asarray(cv2.Rodrigues(p[:3].copy())[0], dtype=np.float64)
        return replace(self, lens=lens, rotation=turn, translation_mm=p[3:6].copy())

    def _camera(self) -> tuple[Floats, Floats]:
        lens = self.lens
        matrix = np.array([[lens.fx, 0, lens.cx], [0, lens.fy, lens.cy], [0, 0, 1.0]])
        return matrix, np.array([lens.k1, lens.k2, lens.p1, lens.p2, lens.k3])


@dataclass(frozen=True, eq=False)
class Ortho:
    """The slab's top seen square-on: a picture in the slab frame with square pixels.

    ``pixels`` (H, W, 3) uint8 B, G, R; ``valid`` (H, W) bool, False where the photo does not reach. Pixel
    (column, row) lies at ``(x0_mm + column * mm_per_px, y0_mm + row * mm_per_px)``.
    """

    pixels: NDArray[np.uint8]
    valid: NDArray[np.bool_]
    x0_mm: float
    y0_mm: float
    mm_per_px: float

    def to_mm(self, points_px: ArrayLike) -> Floats:
        """Carry (column, row) points (N, 2) of this picture to the slab frame (N, 2) mm."""
        points = np.asarray(points_px, dtype=np.float64).reshape(-1, 2)
        return np.asarray(points * self.mm_per_px + np.array([self.x0_mm, self.y0_mm]), dtype=np.float64)

    def to_px(self, points_mm: ArrayLike) -> Floats:
        """Carry slab points (N, 2) mm to (column, row) of this picture."""
        points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
        return np.asarray((points - np.array([self.x0_mm, self.y0_mm])) / self.mm_per_px, dtype=np.float64)


@dataclass(frozen=True, eq=False)
class Bay:
    """A place beside the outline that may be a void that opens on the slab's side, or a bend of the edge.

    ``outline_mm`` (N, 2) is closed without repeating the first point, ``mouth_mm`` how long it lies along the edge,
    ``chance`` that it is a void.
    """

    outline_mm: Floats
    mouth_mm: float
    chance: float


@dataclass(frozen=True, eq=False)
class SlabFound:
    """The slab's top in an Ortho.

    ``mask`` (H, W) bool: the top, voids and things lying on it included. ``covered`` (H, W) bool: places on
    the top hidden by boards, cards, tools or hands. ``outline_mm`` (N, 2) is closed without repeating the
    first point. ``edge_kinds`` has one word ("sawn" or "live") for the segment after each outline point;
    a segment that lies on the border of the photo is called "cut". ``edge_blur_mm`` is the 1-sigma doubt of
    the edge's place, one cause all around; ``area_doubt_mm2`` the 1-sigma doubt of the area from places where wood
    is hardly told from what lies beside it, each on its own; ``bays`` those of them that may be voids. ``beside_mm2``
    is the area of a strip beside the outline that has not the bench's tint and may be sapwood. ``mouths_mm`` are closed
    outlines (N, 2) within the top where the wood ends inside of a sawn edge's line: there a void opens on the side.
    """

    mask: NDArray[np.bool_]
    covered: NDArray[np.bool_]
    outline_mm: Floats
    edge_kinds: tuple[str, ...]
    edge_blur_mm: float
    leaves_frame: bool
    area_doubt_mm2: float = 0.0
    bays: tuple[Bay, ...] = ()
    beside_mm2: float = 0.0
    mouths_mm: tuple[Floats, ...] = ()


@dataclass(frozen=True, eq=False)
class Region:
    """A void or a flat thing, found in an Ortho, before its depth is known.

    ``mask`` (h, w) bool is its patch of the Ortho, whose first pixel is (column, row) = ``corner``.
    ``kind_chances`` gives a probability to every kind and sums to 1. ``measures`` holds the shape and
    texture figures that the kinds were judged by (name with unit: value). ``size_intervals_mm`` are a void's: what is
    flat here may turn out to be one by its depth. ``beside_edge``: it is a bay of the edge, or a void that opens there;
    its depth says nothing of that, for the bench is deep too. ``crowd``: so many times as many small things of the slab
    are doubtful as may be, which made it the less likely a void.
    """

    mask: NDArray[np.bool_]
    corner: tuple[int, int]
    outline_mm: Floats
    kind: Kind
    void_probability: float
    kind_chances: dict[Kind, float]
    area_mm2: float
    area_interval_mm2: Interval
    length_mm: float
    width_mean_mm: float
    width_max_mm: float
    rim_mm: float
    opens_on_edge: bool
    edge_opening_mm: float
    through_probability: float
    measures: dict[str, float]
    size_intervals_mm: SizeIntervals | None = None
    beside_edge: bool = False
    crowd: float = 1.0
