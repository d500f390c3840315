"""Read colours off a picture at places between its px."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats, Ortho


def colours_at(ortho: Ortho, points_px: Floats) -> Floats:
    """Return B, G, R (N, K, 3) at (column, row) points (N, K, 2), linear between px, the border repeated."""
    x, y = (np.ascontiguousarray(points_px[..., k], dtype=np.float32) for k in range(2))
    found = cv2.remap(ortho.pixels, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(found, dtype=np.float64).reshape((*x.shape, 3))


def seen_at(ortho: Ortho, points_px: Floats) -> NDArray[np.bool_]:
    """Return whether the photo reaches each (column, row) point (N, K, 2)."""
    return marked_at(ortho.valid, points_px)


def marked_at(mask: NDArray[np.bool_], points_px: Floats) -> NDArray[np.bool_]:
    """Return whether each (column, row) point (N, K, 2) lies on a marked px of a mask (H, W), none outside."""
    column, row = (np.round(points_px[..., k]).astype(np.int64) for k in range(2))
    height, width = mask.shape
    inside = (column >= 0) & (column < width) & (row >= 0) & (row < height)
    return np.asarray(inside & mask[np.clip(row, 0, height - 1), np.clip(column, 0, width - 1)], dtype=np.bool_)
