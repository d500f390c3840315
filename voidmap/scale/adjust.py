"""The joint adjustment: all boards in all photos, one robust least-squares fit with its covariance.

Unknowns: a pose for each photo; a lens for each camera (with a prior); a small change of focal length from
photo to photo (refocusing); the print's stretch along x and y (known from the check bars as well as they can
be read); a place on the slab's plane for each board but the first, which sets the frame; and for each board
how it departs from the plane (height, tilt and bow of the paper, with priors of a sheet that lies flat).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from voidmap.model import Floats
from voidmap.scale.boards import PATTERN_MM
from voidmap.scale.camera import project, rotations

LENS_TERMS = 8
"""log f, cx, cy, k1, k2, p1, p2, k3."""
SHAPE_TERMS = 5
"""Height of the board's middle, tilt along x and y (rise at the pattern's end), bow along x and y; mm."""
ROBUST_SIGMAS = 3.0
"""Corners this many sigmas off count half (Cauchy weights): a shaded or dirty corner then does no harm."""
SIGMA_FLOOR_PX = 0.015
"""No corner is better than this: demosaicing, JPEG blocks and print resolution (600 dpi: 0.04 mm) leave it."""
MOST_STEPS = 60
PLAIN_STEPS = 8
"""Steps before corners are judged: the start may be off by hundreds of pixels."""


@dataclass(frozen=True, eq=False)
class Look:
    """One board in one photo: corners (N, 2) in board mm and in photo px."""

    photo: int
    board: int
    board_mm: Floats
    image_px: Floats


@dataclass(frozen=True, eq=False)
class Priors:
    """What is known before looking: means and standard deviations.

    ``lens_mean`` (G, 8) and ``lens_cov`` (G, 8, 8) of each camera (``log f`` relative to ``focal_px``),
    ``aspect`` (G,) fy / fx, ``stretch_sd`` (2,) of the print along x and y, ``refocus_sd`` of log f between photos,
    ``shape_mean`` (5,) and ``shape_sd`` (5,) or (B, 5) of a board's departure from the plane, mm;
    ``least_sigma_px`` is the least error that a corner may be credited with.
    """

    lens_mean: Floats
    lens_cov: Floats
    aspect: Floats
    stretch_mean: Floats
    stretch_sd: Floats
    refocus_sd: float
    shape_mean: Floats
    shape_sd: Floats
    least_sigma_px: float = SIGMA_FLOOR_PX


@dataclass(frozen=True, eq=False)
class Start:
    """Where the fit begins: poses (P, 6) and board places (B, 3): x mm, y mm, angle rad."""

    poses: Floats
    places: Floats


@dataclass(frozen=True, eq=False)
class Fit:
    """The adjusted unknowns ``values`` with ``covariance``, the noise of a corner, and the cost."""

    layout: Layout
    values: Floats
    covariance: Floats
    sigma_px: float
    rms_px: float
    cost: float
    residuals_px: tuple[Floats, ...]


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


def adjust(looks: Sequence[Look], camera_of: Sequence[int], priors: Priors, start: Start) -> Fit:
    """Fit all unknowns to all corners.

    Parameters
    ----------
    looks
        Boards as seen; board 0 sets the frame.
    camera_of
        The camera (lens) of each photo.
    priors, start
        What is known before, and where to begin.
    """
    layout = Layout(len(camera_of), len(priors.lens_mean), len(start.places), tuple(camera_of))
    mean, precision = _prior_vectors(layout, priors)
    values = mean.copy()
    for photo in range(layout.photos):
        values[layout.pose(photo)] = start.poses[photo]
    for board in range(1, layout.boards):
        values[layout.place(board)] = start.places[board]
    sigma, damping = 1.0, 1e-3
    residual, slopes = _equations(looks, layout, priors, values)
    for number in range(MOST_STEPS):
        sigma = max(_spread(residual), priors.least_sigma_px)
        if number < PLAIN_STEPS:
            # From a rough start all corners must pull: none is an outlier yet.
            sigma = max(sigma, float(np.hypot(*residual.T).max()))
        weight = _weights(residual, sigma)
        weighted = slopes * weight[:, None, None]
        normal = np.einsum("nij,nik->jk", weighted, slopes) + precision
        pull = np.einsum("nij,ni->j", weighted, residual) + precision @ (mean - values)
        cost = _cost(residual, sigma, values - mean, precision)
        for _ in range(12):
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), pull)
            tried_residual, tried_slopes = _equations(looks, layout, priors, values + step)
            gain = cost - _cost(tried_residual, sigma, values + step - mean, precision)
            if gain >= 0:
                break
            damping *= 10
        else:
            break
        values, residual, slopes = values + step, tried_residual, tried_slopes
        damping = max(damping / 10, 1e-12)
        if number >= PLAIN_STEPS and gain < 1e-7 * (1 + cost):
            break
    return _finish(layout, looks, priors, mean, precision, values, residual, slopes)


def _finish(
    layout: Layout,
    looks: Sequence[Look],
    priors: Priors,
    mean: Floats,
    precision: Floats,
    values: Floats,
    residual: Floats,
    slopes: Floats,
) -> Fit:
    sigma = max(_spread(residual), priors.least_sigma_px)
    for _ in range(3):
        weight = _weights(residual, sigma)
        data = np.einsum("nij,nik->jk", slopes * weight[:, None, None], slopes)
        covariance = np.linalg.inv(data + precision)
        taken = float(np.einsum("jk,kj->", data, covariance))
        freedom = max(2.0 * np.sum(weight) * sigma**2 - taken, 1.0)
        # Weights shrink the sum as well as the count; for normal noise the two cancel to a per cent.
        sigma = max(float(np.sqrt(np.sum(weight * sigma**2 * np.sum(residual**2, axis=1)) / freedom)), SIGMA_FLOOR_PX)
    ends = np.cumsum([len(look.image_px) for look in looks])[:-1]
    return Fit(
        layout=layout,
        values=values,
        covariance=(covariance + covariance.T) / 2,
        sigma_px=sigma,
        rms_px=float(np.sqrt(np.mean(np.sum(residual**2, axis=1)))),
        cost=_cost(residual, sigma, values - mean, precision),
        residuals_px=tuple(np.split(residual, ends)),
    )


def _spread(residual: Floats) -> float:
    # The median length of a two-dimensional normal error is 1.1774 sigma (Rayleigh).
    return float(np.median(np.hypot(*residual.T)) / 1.1774)


def _weights(residual: Floats, sigma: float) -> Floats:
    length2 = np.sum(residual**2, axis=1) / sigma**2
    return np.asarray(1 / (1 + length2 / ROBUST_SIGMAS**2) / sigma**2)


def _cost(residual: Floats, sigma: float, away: Floats, precision: Floats) -> float:
    length2 = np.sum(residual**2, axis=1) / sigma**2
    return float(ROBUST_SIGMAS**2 * np.sum(np.log1p(length2 / ROBUST_SIGMAS**2)) + away @ precision @ away)


def _prior_vectors(layout: Layout, priors: Priors) -> tuple[Floats, Floats]:
    mean, precision = np.zeros(layout.size), np.zeros((layout.size, layout.size))
    for camera in range(layout.cameras):
        at = layout.lens(camera)
        mean[at] = priors.lens_mean[camera]
        precision[at, at] = np.linalg.inv(priors.lens_cov[camera])
    for photo in range(layout.photos):
        precision[layout.refocus(photo), layout.refocus(photo)] = priors.refocus_sd**-2
    mean[layout.stretch] = priors.stretch_mean
    precision[layout.stretch, layout.stretch] = np.diag(priors.stretch_sd**-2)
    for board in range(layout.boards):
        mean[layout.shape(board)] = priors.shape_mean
        spread = np.broadcast_to(priors.shape_sd, (layout.boards, SHAPE_TERMS))[board]
        precision[layout.shape(board), layout.shape(board)] = np.diag(spread**-2.0)
    return mean, precision


def _equations(looks: Sequence[Look], layout: Layout, priors: Priors, values: Floats) -> tuple[Floats, Floats]:
    """Residuals (N, 2) px (seen minus expected) and slopes of the expected (N, 2, size)."""
    residuals, slopes = [], []
    for look in looks:
        world, by_world = board_world(look.board_mm, layout, values, look.board)
        pose = values[layout.pose(look.photo)]
        lens = layout.lens_values(values, priors.aspect, look.photo)
        image, by_camera = project(world, pose[:3], pose[3:], lens)
        slope = np.zeros((len(image), 2, layout.size))
        slope[:, :, layout.pose(look.photo)] = by_camera[:, :, :6]
        by_focal = by_camera[:, :, 6] * lens[0] + by_camera[:, :, 7] * lens[1]
        at = layout.lens(layout.camera_of[look.photo])
        slope[:, :, at.start] = by_focal
        slope[:, :, at.start + 1 : at.stop] = by_camera[:, :, 8:15]
        slope[:, :, layout.refocus(look.photo)] = by_focal
        turn = rotations(pose[None, :3])[0]
        through = by_camera[:, :, 3:6] @ turn
        for where, part in by_world:
            slope[:, :, where] += through @ part
        residuals.append(look.image_px - image)
        slopes.append(slope)
    return np.concatenate(residuals), np.concatenate(slopes)


def board_world(
    board_mm: Floats, layout: Layout, values: Floats, board: int
) -> tuple[Floats, list[tuple[slice, Floats]]]:
    """Carry board points (N, 2) mm to slab points (N, 3) mm, with the slopes by stretch, place and shape."""
    stretch = np.exp(values[layout.stretch])
    flat = board_mm * stretch
    x, y, angle = values[layout.place(board)] if board else np.zeros(3)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    basis = shape_basis(board_mm)
    world = np.column_stack([flat @ turn.T + [x, y], basis @ values[layout.shape(board)]])
    count = len(board_mm)
    by_stretch = np.zeros((count, 3, 2))
    by_stretch[:, :2, 0] = flat[:, :1] * turn[:, 0]
    by_stretch[:, :2, 1] = flat[:, 1:] * turn[:, 1]
    by_shape = np.zeros((count, 3, SHAPE_TERMS))
    by_shape[:, 2] = basis
    parts = [(layout.stretch, by_stretch), (layout.shape(board), by_shape)]
    if board:
        by_place = np.zeros((count, 3, 3))
        by_place[:, 0, 0] = by_place[:, 1, 1] = 1
        by_place[:, :2, 2] = flat @ np.array([[-np.sin(angle), -np.cos(angle)], [np.cos(angle), -np.sin(angle)]]).T
        parts.append((layout.place(board), by_place))
    return world, parts


def shape_basis(board_mm: Floats) -> Floats:
    """Return (N, 5): height 1, tilts u and v, bows u² - 1/3 and v² - 1/3 over the pattern in [-1, 1]."""
    u, v = (2 * board_mm / np.array(PATTERN_MM) - 1).T
    return np.column_stack([np.ones(len(u)), u, v, u * u - 1 / 3, v * v - 1 / 3])
