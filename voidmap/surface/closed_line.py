"""Runs of rows of a line that closes on itself: offsets along the slab's edge, row by row."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from voidmap.model import Floats

Bools = NDArray[np.bool_]
Ints = NDArray[np.intp]


def filled(line: Floats, rows: int) -> Floats:
    """Fill dips of a closed line (n,) that are shorter than so many rows."""
    size = min(len(line) - 1, rows)
    around = np.pad(line, size, mode="wrap")
    return np.asarray(ndimage.grey_closing(around, size=(size,))[size : size + len(line)], dtype=np.float64)


def runs(chosen: Bools) -> Iterator[tuple[Ints, tuple[int, int]]]:
    """Yield runs of chosen rows of a closed line, and the rows just before and after each."""
    count = len(chosen)
    if chosen.all() or not chosen.any():
        return
    order = (np.arange(count) + int(np.flatnonzero(~chosen)[0])) % count
    pieces, _ = ndimage.label(chosen[order])
    for (piece,) in ndimage.find_objects(pieces):
        yield order[piece], (int(order[piece.start - 1]), int(order[piece.stop % count]))
