"""Carry slab points into the first photo with what the intake record alone tells."""

from __future__ import annotations

from typing import Any

import numpy as np

from voidmap.model import Floats
from voidmap.records import Intake, Lens, Outline


def photo_points(intake: Intake, points_mm: Outline) -> Outline:
    """Return where slab points (mm) lie in photos[0], px.

    The record keeps the slab's and the defects' outlines in both frames and the lens; the homography between
    the undistorted photo and the slab's top follows from them.
    """
    import cv2

    pairs = [(intake.slab.outline_mm, intake.slab.outline_px)]
    pairs += [(d.outline_mm, d.outline_px) for d in intake.defects]
    known_mm = np.array([p for mm, _ in pairs for p in mm], dtype=np.float64)
    known_px = np.array([p for _, px in pairs for p in px], dtype=np.float64)
    lens = intake.scale.lens
    rays = _rays(known_px, lens)
    middle, size = known_mm.mean(axis=0), float(np.ptp(known_mm))
    homography, _ = cv2.findHomography((known_mm - middle) / size, rays, 0)
    wanted = ((np.asarray(points_mm, dtype=np.float64) - middle) / size).reshape(-1, 1, 2)
    flat = cv2.perspectiveTransform(wanted, homography).reshape(-1, 2)
    solid = np.column_stack([flat, np.ones(len(flat))])
    matrix, terms = _camera(lens)
    zero = np.zeros(3)
    pixels = cv2.projectPoints(solid, zero, zero, matrix, terms)[0].reshape(-1, 2)
    return tuple((round(float(x), 3), round(float(y), 3)) for x, y in pixels)


def _rays(points_px: Floats, lens: Lens) -> Floats:
    import cv2

    matrix, terms = _camera(lens)
    criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 40, 1e-10)
    # OpenCV 4 has a call of its own for the iteration's end, OpenCV 5 folds it into the one call.
    solve: Any = getattr(cv2, "undistortPointsIter", cv2.undistortPoints)
    keys = {"R": None, "P": None, "criteria": criteria}
    rays = solve(points_px.reshape(-1, 1, 2), matrix, terms, **keys)
    return np.asarray(rays, dtype=np.float64).reshape(-1, 2)


def _camera(lens: Lens) -> tuple[Floats, Floats]:
    matrix = np.array([[lens.fx, 0, lens.cx], [0, lens.fy, lens.cy], [0, 0, 1.0]])
    return matrix, np.array([lens.k1, lens.k2, lens.p1, lens.p2, lens.k3])
