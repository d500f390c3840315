"""Where each unknown of the joint adjustment stands in its vector, and what is known of it before looking."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from voidmap.model import Floats

LENS_TERMS = 8
"""log f, cx, cy, k1, k2, p1, p2, k3."""
SHAPE_TERMS = 5
"""Height of the board's middle, tilt along x and y (rise at the pattern's end), bow along x and y; mm."""
SIGMA_FLOOR_PX = 0.015
"""No sighting is better than this: demosaicing, JPEG blocks and print resolution (600 dpi: 0.04 mm) leave it."""


@dataclass(frozen=True, eq=False)
class Priors:
    """What is known before looking: means and standard deviations.

    ``lens_mean`` (G, 8) and ``lens_cov`` (G, 8, 8) of each camera (``log f`` relative to one pixel),
    ``aspect`` (G,) fy / fx, ``stretch_cov`` (2, 2) of the print along x and y, ``refocus_sd`` of log f between photos,
    ``shape_mean`` (5,) and ``shape_sd`` (5,) or (B, 5) of a board's departure from the plane, mm;
    ``least_sigma_px`` is the least error that a sighting may be credited with; ``smooth_px`` the expected size of
    each smooth error of a board's picture (0: none).
    """

    lens_mean: Floats
    lens_cov: Floats
    aspect: Floats
    stretch_mean: Floats
    stretch_cov: Floats
    refocus_sd: float
    shape_mean: Floats
    shape_sd: Floats
    least_sigma_px: float = SIGMA_FLOOR_PX
    smooth_px: float = 0.0


@dataclass(frozen=True, eq=False)
class Start:
    """Where the fit begins: poses (P, 6) and board places (B, 3): x mm, y mm, angle rad."""

    poses: Floats
    places: Floats


@dataclass(frozen=True)
class Layout:
    """Where each unknown stands in the vector."""

    photos: int
    cameras: int
    boards: int
    camera_of: tuple[int, ...]

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return int(self.shape(self.boards).start)

    def pose(self, photo: int) -> slice:
        """Return where a photo's rotation vector and translation stand."""
        return slice(6 * photo, 6 * photo + 6)

    def lens(self, camera: int) -> slice:
        """Return where the lens terms of a camera stand."""
        begin = 6 * self.photos + LENS_TERMS * camera
        return slice(begin, begin + LENS_TERMS)

    def refocus(self, photo: int) -> int:
        """Return where a photo's change of log f stands."""
        return 6 * self.photos + LENS_TERMS * self.cameras + photo

    @property
    def stretch(self) -> slice:
        """Where the log of the print's stretch along x and y stands."""
        begin = self.refocus(self.photos)
        return slice(begin, begin + 2)

    def place(self, board: int) -> slice:
        """Return where a board's place stands; the first board has none (it is the frame)."""
        begin = self.stretch.stop + 3 * (board - 1)
        return slice(begin, begin + 3)

    def shape(self, board: int) -> slice:
        """Return where a board's departure from the plane stands."""
        begin = self.place(self.boards).start + SHAPE_TERMS * board
        return slice(begin, begin + SHAPE_TERMS)

    def lens_values(self, values: Floats, aspect: Floats, photo: int) -> Floats:
        """Return fx, fy, cx, cy, k1, k2, p1, p2, k3 of a photo; ``values`` (..., size)."""
        camera = self.camera_of[photo]
        terms = values[..., self.lens(camera)]
        focal = np.exp(terms[..., 0] + values[..., self.refocus(photo)])
        return np.concatenate([focal[..., None], (focal * aspect[camera])[..., None], terms[..., 1:8]], axis=-1)


def prior_vectors(layout: Layout, priors: Priors) -> tuple[Floats, Floats]:
    """Return the mean (size,) of all unknowns before looking, and their precision (size, size)."""
    mean, precision = np.zeros(layout.size), np.zeros((layout.size, layout.size))
    for camera in range(layout.cameras):
        at = layout.lens(camera)
        mean[at] = priors.lens_mean[camera]
        precision[at, at] = np.linalg.inv(priors.lens_cov[camera])
    for photo in range(layout.photos):
        precision[layout.refocus(photo), layout.refocus(photo)] = priors.refocus_sd**-2
    mean[layout.stretch] = priors.stretch_mean
    precision[layout.stretch, layout.stretch] = np.linalg.inv(priors.stretch_cov)
    for board in range(layout.boards):
        mean[layout.shape(board)] = priors.shape_mean
        spread = np.broadcast_to(priors.shape_sd, (layout.boards, SHAPE_TERMS))[board]
        precision[layout.shape(board), layout.shape(board)] = np.diag(spread**-2.0)
    return mean, precision
