"""A coarse grid whose rows run along the grain, laid over the ortho picture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats

Bools = NDArray[np.bool_]
Floats32 = NDArray[np.float32]
Number = TypeVar("Number", np.uint8, np.float32)


def block_mean(picture: NDArray[Number], step: int) -> NDArray[Number]:
    """Average a picture (H, W) or (H, W, n) over blocks of ``step`` x ``step`` px; what fills no block is left out.

    Whole blocks take OpenCV's quick way, and block (i, j) begins at px (step i, step j) exactly.
    """
    height, width = (max(1, side // step) for side in picture.shape[:2])
    whole = picture[: height * step, : width * step]
    return np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), dtype=picture.dtype)


def mean_nearby(
    values: Floats32, where: Bools, sigma_px: float, shrink: int, otherwise: Floats | float, doubt: float
) -> Floats32:
    """Mean of the marked pixels around each pixel of a picture (h, w) or (h, w, 3).

    Parameters
    ----------
    values, where
        The picture, and (h, w) which of its pixels count.
    sigma_px, shrink
        Reach (1 sigma); the means are taken in blocks of so many pixels, and interpolated.
    otherwise, doubt
        What stands where no marked pixel is near: it weighs as much as a share ``doubt`` of marked pixels.
    """
    height, width = where.shape
    known = cv2.copyTo(values, where.view(np.uint8))
    laid = cv2.merge([known, where.astype(np.float32)])
    laid = cv2.copyMakeBorder(laid, 0, -height % shrink, 0, -width % shrink, cv2.BORDER_CONSTANT, value=0.0)
    soft = cv2.GaussianBlur(block_mean(np.asarray(laid, dtype=np.float32), shrink), (0, 0), sigma_px / shrink)
    mean = (soft[..., :-1] + np.float32(doubt) * np.asarray(otherwise, np.float32)) / (soft[..., -1:] + doubt)
    full = cv2.resize(mean, (laid.shape[1], laid.shape[0]), interpolation=cv2.INTER_LINEAR)
    return np.asarray(full[:height, :width], dtype=np.float32)


def box_of(mask: Bools, margin_px: int = 0) -> tuple[slice, slice]:
    """Rows and columns around what is marked, with a margin; empty when nothing is."""
    rows, columns = (np.nonzero(mask.any(axis=axis))[0] for axis in (1, 0))
    if not len(rows):
        return slice(0, 0), slice(0, 0)
    return (
        slice(max(0, int(rows[0]) - margin_px), int(rows[-1]) + 1 + margin_px),
        slice(max(0, int(columns[0]) - margin_px), int(columns[-1]) + 1 + margin_px),
    )


@dataclass(frozen=True, eq=False)
class GrainFrame:
    """The grid: ``to_grid`` (2, 3) carries picture px to (column, row) of cells, ``size`` is (columns, rows)."""

    # A cell along and across the grain. Across it must resolve the edge of the sapwood.
    ALONG_MM: ClassVar[float] = 6.0
    ACROSS_MM: ClassVar[float] = 2.0
    # Samples of a cell along and across it.
    SAMPLES: ClassVar[tuple[int, int]] = (6, 2)

    to_grid: Floats
    size: tuple[int, int]

    @classmethod
    def of(cls, shape: tuple[int, ...], mm_per_px: float, grain_deg: float) -> GrainFrame:
        """Lay the grid over a picture of (height, width) ``shape``."""
        height, width = shape[:2]
        turn = np.deg2rad(grain_deg)
        along = np.array([np.cos(turn), np.sin(turn)]) * mm_per_px / cls.ALONG_MM
        across = np.array([-np.sin(turn), np.cos(turn)]) * mm_per_px / cls.ACROSS_MM
        corners = np.array([[0, 0], [width, 0], [0, height], [width, height]], dtype=np.float64)
        places = corners @ np.stack([along, across]).T
        low, high = places.min(axis=0), places.max(axis=0)
        matrix = np.column_stack([np.stack([along, across]), -low])
        cells = np.ceil(high - low).astype(int) + 1
        return cls(matrix, (int(cells[0]), int(cells[1])))

    def gather(self, picture: Floats32, step: int) -> Floats32:
        """Average a picture whose pixels are ``step`` full-size ones into the cells."""
        px_per_sample = self._px_per_cell() / max(self.SAMPLES) / step
        shrink = max(1, round(px_per_sample))
        small = block_mean(picture, shrink)
        matrix = self.to_grid.copy()
        matrix[:, :2] *= shrink * step
        fine = np.diag(np.array(self.SAMPLES, dtype=np.float64)) @ matrix
        columns, rows = self.size[0] * self.SAMPLES[0], self.size[1] * self.SAMPLES[1]
        samples = cv2.warpAffine(small, fine, (columns, rows))
        return np.asarray(cv2.resize(samples, self.size, interpolation=cv2.INTER_AREA), dtype=np.float32)

    def back(self, grid: Floats32, shape: tuple[int, ...], step: int, first_row: int = 0) -> Floats32:
        """Interpolate a grid back to a picture whose pixels are ``step`` full-size ones, from row ``first_row`` on.

        ``shape`` is that of what is returned.
        """
        matrix = self.to_grid.copy()
        matrix[:, 2] += matrix[:, 1] * step * first_row
        matrix[:, :2] *= step
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        size = (shape[1], shape[0])
        border = cv2.BORDER_REPLICATE
        return np.asarray(cv2.warpAffine(grid, matrix, size, flags=flags, borderMode=border), dtype=np.float32)

    def _px_per_cell(self) -> float:
        return float(1.0 / np.hypot(self.to_grid[0, 0], self.to_grid[0, 1]))
