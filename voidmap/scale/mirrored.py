"""Boards printed the wrong way round: their markers are squares without a number, until they are turned over."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.errors import ScaleError
from voidmap.scale.boards import MARKERS, board_name, dictionary

LEAST_MIRRORED = 4
"""Markers of one board that must be readable turned over: one may be so by chance."""
CELL_PX = 4
"""Pixels to which a marker's cell is brought; its middle half is read."""
CORRECTED = 0.3
"""Share of the code's own correction that is trusted, as any dark square is looked at."""
REMEDY = "print without mirroring, lay it face up, and use the camera's own picture, not a flipped one"


def refuse_mirrored(small: NDArray[np.uint8], rejected: Sequence[NDArray[np.float32]], file: str) -> None:
    """Refuse a picture with a mirrored board in it.

    Parameters
    ----------
    small
        The grey picture (H, W) in which markers were looked for.
    rejected
        Its four-sided patches without a number, corners (4, 2) px each.
    file
        The photo's name.

    Raises
    ------
    ScaleError
        When enough of them are a board's markers turned over.
    """
    read = [marker for marker in (_turned_over(small, np.asarray(quad).reshape(4, 2)) for quad in rejected)]
    for number, count in Counter(marker // MARKERS for marker in read if marker is not None).items():
        if count >= LEAST_MIRRORED:
            raise ScaleError(f"{board_name(number)} is mirrored in {file}", REMEDY)


def _turned_over(small: NDArray[np.uint8], quad: NDArray[np.floating]) -> int | None:
    """Return the number of a marker seen from behind, or None."""
    book = dictionary()
    cells = book.markerSize + 2
    side = cells * CELL_PX
    behind = np.array([[side, 0], [0, 0], [0, side], [side, side]], np.float32) - 0.5
    patch = cv2.warpPerspective(small, cv2.getPerspectiveTransform(quad.astype(np.float32), behind), (side, side))
    level, _ = cv2.threshold(patch, 0, 1, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    inner = patch.reshape(cells, CELL_PX, cells, CELL_PX)[:, 1:-1, :, 1:-1].mean(axis=(1, 3)) > level
    rim = np.concatenate([inner[0], inner[-1], inner[1:-1, 0], inner[1:-1, -1]])
    bits = inner[1:-1, 1:-1].astype(np.uint8)
    # A plain dark square has no number, though the code may be near one.
    if rim.mean() > 0.15 or not 0.1 < bits.mean() < 0.9:
        return None
    known, marker, _ = book.identify(np.ascontiguousarray(bits), CORRECTED)
    return int(marker) if known else None
