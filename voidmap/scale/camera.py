"""Carry points between a photo and the slab's plane, for one camera or for all draws of one at once."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import ArrayLike

from voidmap.model import Floats, Plane
from voidmap.records import Lens

UNDISTORT_STEPS = 25
"""Fixed-point steps; a phone lens needs 5, a strong wide angle (k1 -0.3) 20 for 1e-6 px."""


LENS_NAMES = ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3")


def lens_record(values: Floats, source: str) -> Lens:
    """Return the lens of fx, fy, cx, cy, k1, k2, p1, p2, k3."""
    fx, fy, cx, cy, k1, k2, p1, p2, k3 = (float(v) for v in values)
    return Lens(fx=fx, fy=fy, cx=cx, cy=cy, k1=k1, k2=k2, p1=p1, p2=p2, k3=k3, source=source)


def lens_values(lens: Lens) -> Floats:
    """Return fx, fy, cx, cy, k1, k2, p1, p2, k3 of a lens."""
    return np.array([getattr(lens, name) for name in LENS_NAMES], dtype=np.float64)


def undistort(points_px: Floats, lens: Floats) -> Floats:
    """Carry photo points to the ideal image plane at distance 1.

    Parameters
    ----------
    points_px
        (N, 2) photo px.
    lens
        (S, 9): fx, fy, cx, cy, k1, k2, p1, p2, k3 of S cameras.

    Returns
    -------
    ndarray
        (S, N, 2).
    """
    fx, fy, cx, cy, k1, k2, p1, p2, k3 = (lens[:, i, None] for i in range(9))
    seen_x = (points_px[None, :, 0] - cx) / fx
    seen_y = (points_px[None, :, 1] - cy) / fy
    x, y = seen_x, seen_y
    for _ in range(UNDISTORT_STEPS):
        r2 = x * x + y * y
        radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        side_x = 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
        side_y = p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
        x, y = (seen_x - side_x) / radial, (seen_y - side_y) / radial
    return np.stack([x, y], axis=-1)


def rotations(vectors: Floats) -> Floats:
    """Return the rotation matrices (S, 3, 3) of rotation vectors (S, 3) in rad."""
    angle = np.linalg.norm(vectors, axis=1)[:, None, None]
    axis = vectors / np.maximum(angle[:, :, 0], 1e-15)
    cross = np.zeros((len(vectors), 3, 3))
    cross[:, 0, 1], cross[:, 0, 2], cross[:, 1, 2] = -axis[:, 2], axis[:, 1], -axis[:, 0]
    cross -= cross.transpose(0, 2, 1)
    return np.asarray(np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * (cross @ cross))


def plane_points(
    points_px: ArrayLike, vectors: Floats, shifts_mm: Floats, lens: Floats, depth_mm: float = 0.0
) -> Floats:
    """Carry photo points (N, 2) px to the plane at ``depth_mm`` under each of S cameras: (S, N, 2) mm."""
    points = np.asarray(points_px, dtype=np.float64).reshape(-1, 2)
    rays = undistort(points, lens)
    turn = rotations(vectors)
    shift = shifts_mm + depth_mm * turn[:, :, 2]
    inverse = np.linalg.inv(np.stack([turn[:, :, 0], turn[:, :, 1], shift], axis=2))
    solid = np.concatenate([rays, np.ones((*rays.shape[:2], 1))], axis=2) @ inverse.transpose(0, 2, 1)
    return np.asarray(solid[:, :, :2] / solid[:, :, 2:])


def to_mm_draws(plane: Plane, points_px: ArrayLike, depth_mm: float = 0.0) -> Floats:
    """Carry photo points (N, 2) px to the slab frame under every draw of a plane.

    Returns
    -------
    ndarray
        (S, N, 2) mm, one layer for each row of ``plane.draws``.
    """
    d = plane.draws
    return plane_points(points_px, d[:, :3], d[:, 3:6], d[:, 6:15], depth_mm)


def length_interval_rel(plane: Plane, points_mm: ArrayLike) -> float:
    """Return the half-width of the 95 % interval of a length among points, as a share of the length.

    Lengths are taken from each point to the one half-way along the list (across a closed outline), and along
    and across the points' spread; their intervals are averaged (root mean square). A single point is given
    lengths of ``LOCAL_MM`` around it.

    Parameters
    ----------
    plane
        The plane with its draws.
    points_mm
        (N, 2) slab mm.
    """
    points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
    if len(points) == 0:
        return 0.0
    if len(points) > 64:
        points = points[:: len(points) // 64]
    if len(points) < 3 or np.ptp(points, axis=0).max() < LOCAL_MM:
        middle = points.mean(axis=0)
        points = middle + np.array([[-1, 0], [0, -1], [1, 0], [0, 1]]) * LOCAL_MM / 2
    other = np.roll(points, -(len(points) // 2), axis=0)
    plain = np.linalg.norm(other - points, axis=1)
    far = plain > 0.25 * plain.max()
    image = plane.to_px(np.concatenate([points[far], other[far]]))
    drawn = to_mm_draws(plane, image)
    half = int(far.sum())
    lengths = np.linalg.norm(drawn[:, half:] - drawn[:, :half], axis=2) / plain[far]
    # The draws are near normal: their standard deviation is steadier than their quantiles.
    return float(1.96 * np.sqrt(np.mean(np.var(lengths, axis=0))))


LOCAL_MM = 100.0
"""Length for which a lone place's interval is given."""


def project(world_mm: Floats, vector: Floats, shift_mm: Floats, lens: Floats) -> tuple[Floats, Floats]:
    """Project slab points (N, 3) mm into a photo.

    Returns
    -------
    tuple
        Points (N, 2) px and their derivatives (N, 2, 15) by rotation vector, translation, fx, fy, cx, cy,
        k1, k2, p1, p2, k3.
    """
    matrix = np.array([[lens[0], 0, lens[2]], [0, lens[1], lens[3]], [0, 0, 1.0]])
    image, slopes = cv2.projectPoints(
        np.ascontiguousarray(world_mm), vector.copy(), shift_mm.copy(), matrix, lens[4:9].copy()
    )
    return (
        np.asarray(image, dtype=np.float64).reshape(-1, 2),
        np.asarray(slopes, dtype=np.float64).reshape(-1, 2, 15),
    )
