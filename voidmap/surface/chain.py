"""The best course of a value along a closed line, when it moves little from row to row."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats

F32 = NDArray[np.float32]

# The line is read in pieces of this many rows, each with as many on both ends that are read twice: a course
# forgets its start well within that.
PIECE_ROWS = 40


def course_costs(own: F32 | Floats, jog: float) -> F32:
    """Return the cost of each place in each row in the best course through it, above that of the best course.

    Parameters
    ----------
    own
        (rows, places) cost of each place in each row; the last row is followed by the first.
    jog
        Cost of a move by one place from row to row.

    Returns
    -------
    (rows, places) float32 array
        0 at the best course (min-sum dynamic programming forth and back, piece by piece).
    """
    rows, places = own.shape
    pieces = -(-rows // PIECE_ROWS)
    at = (np.arange(pieces)[:, None] * PIECE_ROWS + np.arange(-PIECE_ROWS, 2 * PIECE_ROWS)[None]) % rows
    costs = np.ascontiguousarray((own - own.min(axis=1, keepdims=True))[at].transpose(1, 0, 2), dtype=np.float32)
    slope = np.arange(places, dtype=np.float32) * np.float32(jog)

    def moved(before: F32) -> F32:
        up = np.minimum.accumulate(before - slope, axis=1) + slope
        down = np.minimum.accumulate((before + slope)[:, ::-1], axis=1)[:, ::-1] - slope
        return np.minimum(up, down)

    forth, back = costs.copy(), costs.copy()
    for n in range(1, len(costs)):
        forth[n] += moved(forth[n - 1])
        back[-1 - n] += moved(back[-n])
    both = (forth + back - costs)[PIECE_ROWS : 2 * PIECE_ROWS].transpose(1, 0, 2).reshape(-1, places)[:rows]
    return np.asarray(both - both.min(axis=1, keepdims=True), dtype=np.float32)
