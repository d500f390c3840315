"""The outline of a solid mask to a fraction of a pixel: marching squares walked along the border in one go."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats
from voidmap.surface.mosaic import Floats32

# The eight ways from a pixel, (column, row), clockwise in a picture whose rows run down.
WAYS = np.array([(1, 0), (1, 1), (0, 1), (-1, 1), (-1, 0), (-1, -1), (0, -1), (1, -1)])
# Way number by (row step + 1, column step + 1).
_WAY_OF = np.array([[5, 6, 7], [4, -1, 0], [3, 2, 1]])


def _sides() -> NDArray[np.int64]:
    """Tell which of the four sides lie outside between the way back and the way on, walked clockwise."""
    table = np.full((8, 8, 4), -1)
    for back in range(8):
        for on in range(8):
            turn = (on - back - 1) % 8
            passed = [(back + 1 + k) % 8 for k in range(turn)]
            sides = [way for way in passed if way % 2 == 0]
            table[back, on, : len(sides)] = sides
    return table


_SIDES = _sides()


def border_of(mask: NDArray[np.uint8]) -> NDArray[np.int32]:
    """Return the longest outer border of a mask: its pixels in order, (N, 2) (column, row)."""
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return np.asarray(max(contours, key=len), dtype=np.int32).reshape(-1, 2)


def outline_between(field: Floats32, border: NDArray[np.int32]) -> Floats:
    """Return where ``field`` crosses one half between a solid mask and its surroundings, (N, 2) (column, row).

    Parameters
    ----------
    field
        (h, w); taken as just above one half inside and just below outside where it says otherwise.
    border
        The mask's border pixels in order, (N, 2) (column, row); the mask is one 8-connected piece without holes
        that keeps off the picture's own border.
    """
    if len(border) == 1:
        spots, ways = border.repeat(4, axis=0), WAYS[[0, 2, 4, 6]]
    else:
        step = np.diff(border, axis=0, append=border[:1])
        # OpenCV walks outer borders with the outside on the left hand of a picture whose rows run down.
        on = _WAY_OF[step[:, 1] + 1, step[:, 0] + 1]
        back = (np.append(on[-1], on[:-1]) + 4) % 8
        sides = _SIDES[on, back][:, ::-1]
        used = sides >= 0
        spots = border[np.nonzero(used)[0]]
        ways = WAYS[sides[used]]
    beyond = spots + ways
    within = np.maximum(field[spots[:, 1], spots[:, 0]].astype(np.float64), 0.51)
    outside = np.minimum(field[beyond[:, 1], beyond[:, 0]].astype(np.float64), 0.49)
    share = (within - 0.5) / (within - outside)
    return np.asarray(spots + ways * share[:, None], dtype=np.float64)
