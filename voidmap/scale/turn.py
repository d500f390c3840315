"""Turn a lens with the picture: phones write the sensor's picture and how it is to be turned."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from voidmap.model import Floats
from voidmap.records import Lens
from voidmap.scale.camera import lens_record, lens_values

_QUARTER = np.zeros((9, 9))
# Pixel (x, y) of a picture goes to (height - 1 - y, x) by a quarter turn clockwise. Rows and columns are
# fx, fy, cx, cy, k1, k2, p1, p2, k3; the height is added to the new cx.
for _new, _old, _sign in ((0, 1, 1), (1, 0, 1), (2, 3, -1), (3, 2, 1), (4, 4, 1), (5, 5, 1), (6, 7, 1), (7, 6, -1)):
    _QUARTER[_new, _old] = _sign
_QUARTER[8, 8] = 1


def turn_lens(lens: Lens, size_px: tuple[int, int], degrees: int) -> Lens:
    """Return the lens of a picture turned clockwise.

    Parameters
    ----------
    lens
        The lens of the picture before the turn, with its covariance or none.
    size_px
        Width and height before the turn.
    degrees
        0, 90, 180 or 270.
    """
    values, covariance = lens_values(lens), np.asarray(lens.covariance, dtype=np.float64)
    width, height = size_px
    for _ in range(degrees % 360 // 90):
        values = _QUARTER @ values
        values[2] += height - 1
        if covariance.size:
            covariance = _QUARTER @ covariance @ _QUARTER.T
        width, height = height, width
    turned = lens_record(values, lens.source)
    return replace(turned, covariance=tuple(tuple(float(v) for v in row) for row in covariance))


def turn_points(points_px: Floats, size_px: tuple[int, int], degrees: int) -> Floats:
    """Carry points (N, 2) px of a picture of that size to where a clockwise turn takes them."""
    width, height = size_px
    for _ in range(degrees % 360 // 90):
        points_px = np.column_stack([height - 1 - points_px[:, 1], points_px[:, 0]])
        width, height = height, width
    return points_px
