"""What a photo says of a board, as the adjustment takes it: places seen, each in one direction."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from voidmap.model import Floats
from voidmap.scale.boards import PATTERN_MM

SMOOTH_DEGREE = 3
"""Smooth errors of a board's picture are polynomials up to this degree: a homography takes the second, lens and
cockled paper leave the second and third."""


@dataclass(frozen=True, eq=False)
class Look:
    """One board in one photo: N one-dimensional sightings.

    ``board_mm`` (N, 2) is a place on the board, ``image_px`` (N, 2) where it was seen, ``normal`` (N, 2) the unit
    direction in the photo along which it was seen: the normal of an edge, or x and y in turn of a corner.
    ``corners`` is how many corners of the board were found.
    """

    photo: int
    board: int
    board_mm: Floats
    image_px: Floats
    normal: Floats
    corners: int = 0

    @cached_property
    def smooth(self) -> Floats:
        """Smooth displacements of the board's picture as they show in each sighting, (N, M), px a unit."""
        basis = legendre(self.board_mm)
        return np.concatenate([basis * self.normal[:, :1], basis * self.normal[:, 1:]], axis=1)


def point_look(photo: int, board: int, board_mm: Floats, image_px: Floats) -> Look:
    """Return the look of corners (N, 2) mm seen at (N, 2) px, each in x and in y."""
    normal = np.tile(np.eye(2), (len(board_mm), 1))
    return Look(photo, board, np.repeat(board_mm, 2, axis=0), np.repeat(image_px, 2, axis=0), normal, len(board_mm))


def legendre(board_mm: Floats) -> Floats:
    """Return products of Legendre polynomials over the pattern, total degree up to ``SMOOTH_DEGREE``, (N, 10)."""
    u, v = (2 * board_mm / np.array(PATTERN_MM) - 1).T
    by_u = np.polynomial.legendre.legvander(u, SMOOTH_DEGREE)
    by_v = np.polynomial.legendre.legvander(v, SMOOTH_DEGREE)
    degree = range(SMOOTH_DEGREE + 1)
    return np.column_stack([by_u[:, i] * by_v[:, j] for i in degree for j in degree if i + j <= SMOOTH_DEGREE])
