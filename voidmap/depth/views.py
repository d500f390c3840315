"""Views: each photo's look at one void, laid square-on onto the slab's top, and how it shifts with depth.

A point at depth d below the top is seen by a camera at height H over the top at the place where its line of
sight crosses the top: q H / (H + d) + c d / (H + d), with q the point and c the camera, both in the plane
(similar triangles). So the homography that a plane at depth d induces is, between square-on pictures, a
scaling and a shift; lens distortion is taken out once, when the view is made.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats, Photo, Plane
from voidmap.scale.rectify import coarse_map, fine_map

Picture = NDArray[np.float32]

WHITE_SIGMA_PX = 1.5
"""Brightness is whitened over this (sigma, px): wider, the shading of a dark hole outweighs its texture; narrower,
noise does. Of 1.2 to 4 px the best on simulated voids, 1.2 nearly as good."""
GREY_NOISE = 2.0
"""Standard deviation of noise, grey levels (a phone's JPEG in the shade); 1 to 4 give the same depths."""


@dataclass(frozen=True)
class Grid:
    """A raster of square cells in the slab frame; cell (column, row) is centred at x0 + column * mm_per_px."""

    x0_mm: float
    y0_mm: float
    mm_per_px: float
    width: int
    height: int

    @property
    def shape(self) -> tuple[int, int]:
        """Rows, columns."""
        return self.height, self.width

    def axes_mm(self) -> tuple[Floats, Floats]:
        """Return the x of the columns (w,) and the y of the rows (h,)."""
        x = self.x0_mm + np.arange(self.width, dtype=np.float64) * self.mm_per_px
        return np.asarray(x, np.float64), np.asarray(self.y0_mm + np.arange(self.height) * self.mm_per_px, np.float64)

    def coarser(self, factor: int) -> Grid:
        """Return the grid with cells ``factor`` times as large, covering no less."""
        shift = (factor - 1) / 2 * self.mm_per_px
        return Grid(
            self.x0_mm + shift,
            self.y0_mm + shift,
            self.mm_per_px * factor,
            -(-self.width // factor),
            -(-self.height // factor),
        )

    def sees(self, camera_mm: Floats, depth_mm: float) -> tuple[float, float, float, float]:
        """Return the bounds (x0, y0, x1, y1) on the top through which a camera sees the grid at a depth."""
        s = camera_height(camera_mm) / (camera_height(camera_mm) + depth_mm)
        last = np.array([self.width - 1, self.height - 1]) * self.mm_per_px
        first = np.array([self.x0_mm, self.y0_mm])
        lo, hi = (p * s + camera_mm[:2] * (1 - s) for p in (first, first + last))
        return float(lo[0]), float(lo[1]), float(hi[0]), float(hi[1])


@dataclass(frozen=True, eq=False)
class View:
    """One photo's square-on picture around a void.

    ``image`` (h, w) float32 grey; ``opening`` (h, w) float32, 1 where a line of sight passes through the
    void's opening (or everywhere); ``camera_mm`` (3,) the camera in the slab frame.
    """

    image: Picture
    opening: Picture
    grid: Grid
    camera_mm: Floats

    def warp(self, grid: Grid, depth_mm: float) -> tuple[Picture, Picture]:
        """Return picture and opening as seen on a grid at one depth."""
        matrix = self._affine(grid, depth_mm)
        size = (grid.width, grid.height)
        image = cv2.warpAffine(self.image, matrix, size, flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP)
        return image, cv2.warpAffine(self.opening, matrix, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)

    def lookup(self, grid: Grid, depth_mm: Picture) -> tuple[Picture, Picture, Picture, Picture]:
        """Return, for a depth a cell, the view's column and row, and how both change with depth (px per mm)."""
        height = camera_height(self.camera_mm)
        x = np.float32(grid.x0_mm) + np.arange(grid.width, dtype=np.float32) * np.float32(grid.mm_per_px)
        y = np.float32(grid.y0_mm) + np.arange(grid.height, dtype=np.float32) * np.float32(grid.mm_per_px)
        s = np.float32(height) / (np.float32(height) + depth_mm)
        slope = s * s / np.float32(height * self.grid.mm_per_px)
        cx, cy = np.float32(self.camera_mm[0]), np.float32(self.camera_mm[1])
        off_x, off_y = x[None, :] - cx, y[:, None] - cy
        column = (off_x * s + (cx - np.float32(self.grid.x0_mm))) / np.float32(self.grid.mm_per_px)
        row = (off_y * s + (cy - np.float32(self.grid.y0_mm))) / np.float32(self.grid.mm_per_px)
        by_depth = [(-off * slope).astype(np.float32) for off in (off_x, off_y)]
        return column.astype(np.float32), row.astype(np.float32), by_depth[0], by_depth[1]

    def through(self, opening: Picture, grid: Grid) -> View:
        """Return the view with only those lines of sight that pass through an opening, (h, w) float32 on ``grid``."""
        shift = [(self.grid.x0_mm - grid.x0_mm) / grid.mm_per_px, (self.grid.y0_mm - grid.y0_mm) / grid.mm_per_px]
        matrix = np.array([[1.0, 0.0, shift[0]], [0.0, 1.0, shift[1]]])
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        seen = cv2.warpAffine(opening, matrix, (self.grid.width, self.grid.height), flags=flags)
        return replace(self, opening=seen * self.opening)

    def whitened(self) -> View:
        """Return the view in whitened brightness: less the mean around, over the spread around.

        Shading, exposure and the edge of a shadow drop out; noise of ``GREY_NOISE`` keeps flat places flat.
        """
        mean = cv2.GaussianBlur(self.image, (0, 0), WHITE_SIGMA_PX)
        square = cv2.GaussianBlur(self.image * self.image, (0, 0), WHITE_SIGMA_PX)
        spread = np.sqrt(np.maximum(square - mean * mean, 0) + np.float32(GREY_NOISE**2))
        return replace(self, image=((self.image - mean) / spread).astype(np.float32))

    def half(self) -> View:
        """Return the view at half the resolution."""
        coarse = self.grid.coarser(2)
        odd = (self.grid.height % 2, self.grid.width % 2)

        def shrink(picture: Picture) -> Picture:
            even = cv2.copyMakeBorder(picture, 0, odd[0], 0, odd[1], cv2.BORDER_REPLICATE)
            return cv2.resize(even, (coarse.width, coarse.height), interpolation=cv2.INTER_AREA)

        return View(shrink(self.image), shrink(self.opening), coarse, self.camera_mm)

    def _affine(self, grid: Grid, depth_mm: float) -> Floats:
        height = camera_height(self.camera_mm)
        s = height / (height + depth_mm)
        zoom = grid.mm_per_px * s / self.grid.mm_per_px
        at = np.array([grid.x0_mm, grid.y0_mm]) * s + self.camera_mm[:2] * (1 - s)
        shift = (at - [self.grid.x0_mm, self.grid.y0_mm]) / self.grid.mm_per_px
        return np.array([[zoom, 0.0, shift[0]], [0.0, zoom, shift[1]]])


def camera_height(camera_mm: Floats) -> float:
    """Height of a camera over the top, mm."""
    return -float(camera_mm[2])


def halved(picture: Picture, grid: Grid) -> Picture:
    """Return a picture on a grid at half the resolution, nothing beyond its border."""
    coarse = grid.coarser(2)
    even = cv2.copyMakeBorder(picture, 0, grid.height % 2, 0, grid.width % 2, cv2.BORDER_CONSTANT)
    return np.asarray(cv2.resize(even, (coarse.width, coarse.height), interpolation=cv2.INTER_AREA), dtype=np.float32)


def make_view(photo: Photo, plane: Plane, grid: Grid, deepest_mm: float) -> View | None:
    """Lay a photo's look at a grid's box square-on, with the margin that depth asks for.

    Parameters
    ----------
    photo, plane
        The photo and the plane of the slab's top in it.
    grid
        The cells whose depth is wanted.
    deepest_mm
        The greatest depth that will be asked for.

    Returns
    -------
    View or None
        None when the photo does not show the box.
    """
    x0, y0, x1, y1 = grid.sees(plane.camera_mm, 0.0)
    a0, b0, a1, b1 = grid.sees(plane.camera_mm, deepest_mm)
    pad = 8 * grid.mm_per_px
    x0, y0, x1, y1 = min(x0, a0) - pad, min(y0, b0) - pad, max(x1, a1) + pad, max(y1, b1) + pad
    mine = Grid(x0, y0, grid.mm_per_px, int((x1 - x0) / grid.mm_per_px) + 2, int((y1 - y0) / grid.mm_per_px) + 2)
    at_x, at_y = fine_map(
        coarse_map(plane, x0, y0, mine.mm_per_px, mine.width, mine.height), 0, mine.height, mine.width
    )
    left, top = int(np.floor(at_x.min())) - 3, int(np.floor(at_y.min())) - 3
    right, bottom = int(np.ceil(at_x.max())) + 4, int(np.ceil(at_y.max())) + 4
    inside = (at_x >= 0) & (at_y >= 0) & (at_x <= photo.width_px - 1) & (at_y <= photo.height_px - 1)
    if inside.mean() < 0.5:
        return None
    left, top = max(left, 0), max(top, 0)
    crop = photo.pixels[top:bottom, left:right]
    grey = cv2.cvtColor(np.ascontiguousarray(crop), cv2.COLOR_BGR2GRAY).astype(np.float32)
    image = cv2.remap(
        grey, at_x - np.float32(left), at_y - np.float32(top), cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    return View(image, inside.astype(np.float32), mine, plane.camera_mm)
