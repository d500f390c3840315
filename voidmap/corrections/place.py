"""Find a place again: lay an old outline of the slab onto a new one, and a place onto a defect."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from voidmap.corrections import shape
from voidmap.model import Floats
from voidmap.records import Defect, Outline, Point

NEAR_MM = 4.0
"""A place this close to a defect's rim is that defect's: two measurings of one rim differ by a mm or two."""
SAME_SLAB_MM = 5.0
"""Two outlines of one slab lie this close for most of their length; wane and wide lenses add a few mm."""
SAME_SLAB_REL = 0.006
"""The same as a share of the slab's length: a single board scales a far end that badly."""
_STEP_MM = 3.0
_STARTS = 36
_KEPT = 0.85
"""Share of points that a fit keeps: hands, boards over the edge and a cut end leave the rest."""


@dataclass(frozen=True)
class Rigid:
    """A turn and a shift in the plane: ``new = turn @ old + shift_mm``; ``misfit_mm`` is its rms residual."""

    angle_rad: float
    shift_mm: Point
    misfit_mm: float = 0.0

    def __call__(self, points_mm: ArrayLike) -> Floats:
        """Carry points (N, 2) mm."""
        points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
        c, s = np.cos(self.angle_rad), np.sin(self.angle_rad)
        return np.asarray(points @ np.array([[c, s], [-s, c]]) + np.array(self.shift_mm))

    def point(self, point_mm: Point) -> Point:
        """Carry one point."""
        x, y = self([point_mm])[0]
        return (float(x), float(y))

    def outline(self, outline_mm: Outline) -> Outline:
        """Carry an outline."""
        return tuple((round(float(x), 3), round(float(y), 3)) for x, y in self(outline_mm))


STAY = Rigid(0.0, (0.0, 0.0))


def lay_over(
    old_mm: Outline, new_mm: Outline, *, old_marks_mm: Sequence[Point] = (), new_marks_mm: Sequence[Point] = ()
) -> Rigid | None:
    """Lay an old outline of the slab onto a new one by a turn and a shift.

    Point-to-line least squares on the nearest points, trimmed, from 36 turns. Where the outline alone leaves
    several turns open (a rectangle fits two ways), the places of the defects decide.

    Parameters
    ----------
    old_mm, new_mm
        Closed outlines (N, 2), each in the slab frame of its own measuring.
    old_marks_mm, new_marks_mm
        Places of the defects in the same two frames.

    Returns
    -------
    Rigid or None
        None when the outlines are not of one slab, or when two ways round fit equally well.
    """
    if len(old_mm) < 3 or len(new_mm) < 3:
        return None
    if old_mm == new_mm:
        return STAY
    old = shape.resample(old_mm, _STEP_MM)
    target = _Target(shape.resample(new_mm, _STEP_MM / 3))
    limit = max(SAME_SLAB_MM, SAME_SLAB_REL * float(np.ptp(old, axis=0).max()))
    rough = sorted((_fit(old, target, start, 8) for start in _starts(old, target.points)), key=_misfit)
    fits: list[Rigid] = []
    for candidate in rough[:8]:
        fine = _fit(old, target, candidate, 40)
        if fine.misfit_mm <= limit and not any(_alike(fine, other, old) for other in fits):
            fits.append(fine)
    return _choose(fits, old_marks_mm, new_marks_mm)


def place_in(defect: Defect) -> Point:
    """Return the point inside a defect that is farthest from its rim: the place that stands for it."""
    return shape.middle_of(defect.outline_mm)[0]


def at_place(defects: Sequence[Defect], place_mm: Point, *, slack_mm: float = 0.0) -> int | None:
    """Return the index of the defect at a place: the one around it, else the nearest within reach."""
    best, found = NEAR_MM + slack_mm, None
    for index, defect in enumerate(defects):
        if shape.inside([place_mm], defect.outline_mm)[0]:
            return index
        gap = float(shape.distance_mm([place_mm], defect.outline_mm)[0])
        if gap <= best:
            best, found = gap, index
    return found


class _Target:
    """The new outline's points, their normals, and a search tree over them."""

    def __init__(self, points: Floats) -> None:
        from scipy.spatial import cKDTree

        self.points = points
        along = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
        along /= np.maximum(np.hypot(*along.T), 1e-9)[:, None]
        self.normals = np.column_stack([-along[:, 1], along[:, 0]])
        self.tree = cKDTree(points)


def _starts(old: Floats, new: Floats) -> list[Rigid]:
    turns = np.arange(_STARTS) * 2 * np.pi / _STARTS
    out = []
    for turn in turns:
        shift = new.mean(axis=0) - Rigid(float(turn), (0.0, 0.0))(old).mean(axis=0)
        out.append(Rigid(float(turn), (float(shift[0]), float(shift[1]))))
    return out


def _fit(old: Floats, target: _Target, start: Rigid, rounds: int) -> Rigid:
    now = start
    for _ in range(rounds):
        moved = now(old)
        gaps, nearest = (np.asarray(found) for found in target.tree.query(moved))
        kept = gaps <= np.quantile(gaps, _KEPT)
        points, normals = moved[kept], target.normals[nearest[kept]]
        miss = ((target.points[nearest[kept]] - points) * normals).sum(axis=1)
        middle = points.mean(axis=0)
        lever = (points - middle) @ np.array([[0.0, 1.0], [-1.0, 0.0]])
        rows = np.column_stack([(lever * normals).sum(axis=1), normals])
        # A little damping keeps a round slab, which has no turn of its own, from spinning.
        left = rows.T @ rows + np.diag([1e-3 * float((lever**2).mean()), 1e-3, 1e-3])
        turn, dx, dy = np.linalg.solve(left, rows.T @ miss)
        step = Rigid(float(turn), (0.0, 0.0))
        shift = step([np.array(now.shift_mm) - middle])[0] + middle + [dx, dy]
        now = Rigid(now.angle_rad + float(turn), (float(shift[0]), float(shift[1])))
        if abs(turn) < 1e-7 and abs(dx) + abs(dy) < 1e-5:
            break
    gaps = np.sort(target.tree.query(now(old))[0])
    kept_gaps = gaps[: max(1, int(_KEPT * len(gaps)))]
    return Rigid(now.angle_rad, now.shift_mm, float(np.sqrt((kept_gaps**2).mean())))


def _misfit(fit: Rigid) -> float:
    return fit.misfit_mm


def _alike(one: Rigid, other: Rigid, points: Floats) -> bool:
    return bool(np.hypot(*(one(points) - other(points)).T).max() < 2 * SAME_SLAB_MM)


def _choose(fits: list[Rigid], old_marks: Sequence[Point], new_marks: Sequence[Point]) -> Rigid | None:
    if not fits:
        return None
    rivals = [f for f in fits if f.misfit_mm < 2 * fits[0].misfit_mm + 1.0]
    if len(rivals) == 1:
        return rivals[0]
    scored = sorted(((_met(f, old_marks, new_marks), f) for f in rivals), key=lambda pair: -pair[0])
    (most, best), (next_most, _) = scored[0], scored[1]
    return best if most > next_most else None


def _met(fit: Rigid, old_marks: Sequence[Point], new_marks: Sequence[Point]) -> int:
    """How many of the old defects meet a new one."""
    if not old_marks or not new_marks:
        return 0
    new = np.asarray(new_marks, dtype=np.float64)
    gaps = np.sqrt(((fit(old_marks)[:, None] - new[None]) ** 2).sum(axis=2)).min(axis=1)
    return int((gaps < 2 * NEAR_MM).sum())
