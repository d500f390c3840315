"""How one picture's frame is carried into another's: a turn and a shift, and a little smooth bending.

The bending takes up what the two photos' own scales do not know: each was solved from its own board, and far from
it lens and tilt are a few tenths of a millimetre off, smoothly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from voidmap.model import Floats

DEGREE = 4
TERMS = tuple((i, d - i) for d in range(DEGREE + 1) for i in range(d, -1, -1))
"""Powers (x, y) of the bending's 15 terms: up to the fourth they follow the difference of two lenses to 0.02 mm."""
SETTLED_MM = 1e-4
MOST_STEPS = 25


@dataclass(frozen=True)
class Move:
    """Carries one plane frame into another: turn by ``angle_deg`` (x toward y), then shift by (x, y) mm."""

    x_mm: float = 0.0
    y_mm: float = 0.0
    angle_deg: float = 0.0

    def __call__(self, points_mm: Floats) -> Floats:
        """Carry points (N, 2) mm."""
        matrix = self.matrix()
        return np.asarray(np.asarray(points_mm) @ matrix[:, :2].T + matrix[:, 2], dtype=np.float64)

    def matrix(self) -> Floats:
        """Return the (2, 3) matrix."""
        c, s = np.cos(np.deg2rad(self.angle_deg)), np.sin(np.deg2rad(self.angle_deg))
        return np.array([[c, -s, self.x_mm], [s, c, self.y_mm]])

    @classmethod
    def of(cls, matrix: Floats) -> Move:
        """Make a move from a (2, 3) matrix (its turn is the nearest one)."""
        angle = np.rad2deg(np.arctan2(matrix[1, 0] - matrix[0, 1], matrix[0, 0] + matrix[1, 1]))
        return cls(float(matrix[0, 2]), float(matrix[1, 2]), float(angle))

    def inverse(self) -> Move:
        """Return the way back."""
        matrix = self.matrix()
        turn = matrix[:, :2].T
        return Move.of(np.column_stack([turn, -turn @ matrix[:, 2]]))

    def after(self, first: Move) -> Move:
        """Return the move that makes ``first``, then this one."""
        a, b = self.matrix(), first.matrix()
        return Move.of(np.column_stack([a[:, :2] @ b[:, :2], a[:, :2] @ b[:, 2] + a[:, 2]]))


@dataclass(frozen=True, eq=False)
class Bend:
    """Carries a new picture's frame into the reference's.

    The way back is exact: from the reference, ``move`` undone after a shift by a polynomial of the place, whose
    coefficients ``terms_mm`` (15, 2) are mm at a distance ``reach_mm`` from ``middle_mm`` (2,), reference frame.
    """

    move: Move
    middle_mm: Floats
    reach_mm: float
    terms_mm: Floats

    @classmethod
    def plain(cls, move: Move) -> Bend:
        """Return a move without any bending."""
        return cls(move, np.zeros(2), 1.0, np.zeros((len(TERMS), 2)))

    def back(self, points_mm: Floats) -> Floats:
        """Carry reference points (N, 2) mm into the new picture's frame."""
        there = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
        return self.move.inverse()(there + self.powers(there) @ self.terms_mm)

    def __call__(self, points_mm: Floats) -> Floats:
        """Carry the new picture's points (N, 2) mm into the reference frame."""
        goal = self.move(np.asarray(points_mm, dtype=np.float64).reshape(-1, 2))
        there = goal
        for _ in range(MOST_STEPS):
            nearer = goal - self.powers(there) @ self.terms_mm
            settled = len(there) == 0 or float(np.abs(nearer - there).max()) < SETTLED_MM
            there = nearer
            if settled:
                break
        return np.asarray(there, dtype=np.float64)

    def powers(self, points_mm: Floats) -> Floats:
        """Return the terms (N, 15) at reference points (N, 2) mm.

        Beyond ``reach_mm`` they stay as they are at its border, so that a polynomial never runs away.
        """
        along = [np.ones((len(points_mm), 2)), np.clip((points_mm - self.middle_mm) / self.reach_mm, -1.0, 1.0)]
        while len(along) <= DEGREE:
            along.append(along[-1] * along[1])
        return np.column_stack([along[i][:, 0] * along[j][:, 1] for i, j in TERMS])

    def nearest_move(self) -> Move:
        """Return the turn and shift that it amounts to about its middle."""
        step = 0.1 * self.reach_mm
        around = self.middle_mm + step * np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
        here = self.back(around)
        turn = Move.of(np.column_stack([(here[1] - here[0]) / step, (here[2] - here[0]) / step, np.zeros(2)])).inverse()
        shift = self.middle_mm - turn(here[:1])[0]
        return Move(float(shift[0]), float(shift[1]), turn.angle_deg)
