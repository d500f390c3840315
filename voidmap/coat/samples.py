"""Brightness and colour read about candidates, in the grain's frame and in units of their own size."""

from __future__ import annotations

import cv2
import numpy as np

from voidmap.coat.candidates import Candidates
from voidmap.coat.ground import Bytes, Floats32, Grain


def about(picture: Bytes, step_px: int, grain: Grain, found: Candidates, offsets: Floats32) -> Bytes:
    """Read a picture about candidates (N, up to 32,767), at the same places about each.

    Parameters
    ----------
    picture
        (h, w) or (h, w, 3) uint8, one of the photo's pyramid.
    step_px
        Photo px to a pixel of it.
    grain
        Of the photo.
    found
        The candidates.
    offsets
        (2, M) places along and across the grain, in the candidate's smoothings.

    Returns
    -------
    (N, M) or (N, M, 3) uint8
    """
    height, width = picture.shape[:2]
    x, y = ((at - (step_px - 1) / 2) / step_px for at in (found.x_px, found.y_px))
    rows, columns = grain.angle_rad.shape
    row = np.clip((y / height * rows).astype(int), 0, rows - 1)
    column = np.clip((x / width * columns).astype(int), 0, columns - 1)
    angle, size = grain.angle_rad[row, column].astype(np.float64), found.sigma_px / step_px
    along, aside = size * np.cos(angle), size * np.sin(angle)
    terms = np.concatenate([np.ones((1, offsets.shape[1]), np.float32), offsets])
    at_x, at_y = (np.column_stack(p).astype(np.float32) @ terms for p in ((x, along, -aside), (y, aside, along)))
    read = cv2.remap(picture, at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101)
    return np.asarray(read, dtype=np.uint8)
