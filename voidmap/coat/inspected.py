"""What of the surface a photo shows: not the bench, the board, glare, or what lies out of focus."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np

from voidmap.coat.focus import out_of_focus
from voidmap.coat.ground import Bytes, Grain, grain_of
from voidmap.model import Floats, Photo, Plane
from voidmap.records import Outline

SHRINK = 4
"""The masks' grid, photo px: a quarter of the finest outline that matters."""
COARSE_MM = 1.0
"""Grid of the square-on picture in which the slab and the sheets are found, mm."""
CLEAR_MM = 1.0
"""Kept clear of the slab's edge, of sheets and of the frame: a pinhole there can't be told from the edge."""
CLIPPED = 250
"""All channels at or over this: glare that hides what lies under it."""
BLACK = 8
"""All channels at or under this: a shadow too deep to see a dark pit in; a phone's black lies at 0 to 4."""
LEAST_GLARE_MM = 6.0
"""Glare narrower than this is a glint of a pinhole or of a ripple, not a hidden place."""
JOIN_MM = 1.0
"""Grid on which the areas of several photos are joined, mm."""
LEAST_AREA_MM2 = 25.0
"""Smaller pieces of the inspected area are not outlined."""


@dataclass(frozen=True, eq=False)
class View:
    """A photo's surface, on a grid of ``SHRINK`` photo px.

    ``slab`` (h, w) uint8 is 255 on the surface, ``look`` where it is bare, ``seen`` the same less glare, deep shadow
    and what is out of focus.
    ``cell_mm2`` (h, w) is the area of a cell on the surface.
    """

    slab: Bytes
    look: Bytes
    seen: Bytes
    cell_mm2: Floats
    sheets_px: tuple[Floats, ...]

    @cached_property
    def px_per_mm(self) -> float:
        """Photo pixels in a millimetre, at the median place of the surface."""
        cells = self.cell_mm2[self.look > 0] if (self.look > 0).any() else self.cell_mm2
        return float(SHRINK / np.sqrt(np.median(cells)))

    @property
    def bench_share(self) -> float:
        """Share of the photo that is taken for bench, beyond the surface's edge."""
        return float((self.slab == 0).mean())

    @property
    def hidden_mm2(self) -> float:
        """Area of the surface in view that was not seen: glare, shadow, blur, boards and their margins, mm2."""
        return float(self.cell_mm2[(self.slab > 0) & (self.seen == 0)].sum())

    @property
    def inspected_mm2(self) -> float:
        """Area that was seen, mm2."""
        return float(self.cell_mm2[self.seen > 0].sum())

    def full_look(self, shape: tuple[int, ...]) -> Bytes:
        """Return ``look`` at the photo's full size."""
        return np.asarray(cv2.resize(self.look, (shape[1], shape[0]), interpolation=cv2.INTER_NEAREST), dtype=np.uint8)

    def is_seen(self, places_px: Floats, *, of: Bytes | None = None) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """Whether each place (N, 2) photo px was seen (or lies in another of the view's masks)."""
        mask = self.seen if of is None else of
        rows, columns = mask.shape
        at = np.floor((np.asarray(places_px).reshape(-1, 2) + 0.5) / SHRINK).astype(int)
        inside = (at[:, 0] >= 0) & (at[:, 0] < columns) & (at[:, 1] >= 0) & (at[:, 1] < rows)
        at = np.clip(at, 0, [columns - 1, rows - 1])
        return np.asarray(inside & (mask[at[:, 1], at[:, 0]] > 0))


@dataclass(frozen=True, eq=False)
class Pictures:
    """A photo as it is looked through: grey (H, W), ``SHRINK`` times smaller (h, w, 3), and its grain."""

    grey: Bytes
    small: Bytes
    grain: Grain


def pictures_of(photo: Photo) -> Pictures:
    """Make the pictures that a photo is looked through in."""
    pixels = np.ascontiguousarray(photo.pixels)
    grey = np.asarray(cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    size = (max(1, photo.width_px // SHRINK), max(1, photo.height_px // SHRINK))
    small = np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    return Pictures(grey, small, grain_of(grey))


def view_of(pictures: Pictures, plane: Plane, *, slab_px: Floats | None, sheets_px: Sequence[Floats]) -> View:
    """Work out what a photo shows.

    Parameters
    ----------
    pictures, plane
        The photo's pictures and its plane.
    slab_px
        The slab's outline (N, 2) photo px; None when the surface fills the frame.
    sheets_px
        Outlines of the paper around boards, photo px.
    """
    small = pictures.small
    size = (small.shape[1], small.shape[0])
    cell_mm2 = _cell_areas(plane, size)
    px_per_mm = float(1 / np.sqrt(np.median(cell_mm2)))
    slab = np.full(size[::-1], 255 if slab_px is None else 0, np.uint8)
    if slab_px is not None:
        cv2.fillPoly(slab, [_cells(slab_px)], 255)
    look = slab.copy()
    for sheet in sheets_px:
        cv2.fillPoly(look, [_cells(sheet)], 0)
    reach = max(1, round(CLEAR_MM * px_per_mm))
    around = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    look = cv2.erode(look, around, borderType=cv2.BORDER_CONSTANT, borderValue=255)
    hidden = cv2.bitwise_or(_wide(cv2.inRange(small, (CLIPPED,) * 3, (255,) * 3), px_per_mm), _dark(small, px_per_mm))
    hidden = cv2.bitwise_or(hidden, out_of_focus(pictures.grey, look, size))
    seen = cv2.bitwise_and(look, cv2.bitwise_not(hidden))
    return View(slab, look, seen, cell_mm2, tuple(np.asarray(s) for s in sheets_px))


@dataclass(frozen=True)
class Inspected:
    """What all photos of a coat together show: its outlines (slab mm; one inside another is a hole) and areas."""

    outlines_mm: tuple[Outline, ...]
    inspected_mm2: float
    hidden_mm2: float


def area_of(
    views: Sequence[View],
    to_slab: Sequence[Callable[[Floats], Floats]],
    to_photo: Sequence[Callable[[Floats], Floats]],
) -> Inspected:
    """Measure and outline what at least one photo shows.

    Parameters
    ----------
    views
        The photos' views.
    to_slab, to_photo
        For each photo, the way from its px to slab mm and back.
    """
    if len(views) == 1:
        view = views[0]
        cells = (view.seen, float(np.median(view.cell_mm2)), lambda at: to_slab[0](at * SHRINK + (SHRINK - 1) / 2))
        return Inspected(_outlines(*cells), view.inspected_mm2, view.hidden_mm2)
    rims = []
    for view, carry in zip(views, to_slab, strict=True):
        height, width = np.array(view.slab.shape) * SHRINK
        across, down = np.meshgrid(np.linspace(0, width - 1, 9), np.linspace(0, height - 1, 9))
        rims.append(carry(np.column_stack([across.ravel(), down.ravel()])))
    corner = np.min([r.min(axis=0) for r in rims], axis=0)
    columns, rows = np.ceil((np.max([r.max(axis=0) for r in rims], axis=0) - corner) / JOIN_MM).astype(int) + 1
    x, y = np.meshgrid(np.arange(columns), np.arange(rows))
    grid = np.column_stack([x.ravel(), y.ravel()]) * JOIN_MM + corner
    seen, there = np.zeros(len(grid), bool), np.zeros(len(grid), bool)
    for view, carry in zip(views, to_photo, strict=True):
        px = carry(grid)
        seen |= view.is_seen(px)
        there |= view.is_seen(px, of=view.slab)
    mask = np.where(seen, 255, 0).astype(np.uint8).reshape(rows, columns)
    cell = JOIN_MM**2
    outlines = _outlines(mask, cell, lambda at: at * JOIN_MM + corner)
    return Inspected(outlines, float(seen.sum()) * cell, float((there & ~seen).sum()) * cell)


def _outlines(mask: Bytes, cell_mm2: float, to_mm: Callable[[Floats], Floats]) -> tuple[Outline, ...]:
    contours, _ = cv2.findContours(mask, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_SIMPLE)
    out = []
    for contour in contours:
        if abs(cv2.contourArea(contour)) * cell_mm2 < LEAST_AREA_MM2:
            continue
        simple = cv2.approxPolyDP(contour, 1.0, True).reshape(-1, 2)
        if len(simple) < 3:
            continue
        mm = to_mm(simple.astype(np.float64))
        out.append(tuple((round(float(x), 2), round(float(y), 2)) for x, y in mm))
    return tuple(out)


def _dark(small: Bytes, px_per_mm: float) -> Bytes:
    return _wide(cv2.inRange(small, (0,) * 3, (BLACK,) * 3), px_per_mm)


def _wide(mask: cv2.typing.MatLike, px_per_mm: float) -> Bytes:
    """Leave out of a mask what is narrower than ``LEAST_GLARE_MM``."""
    side = max(3, round(LEAST_GLARE_MM * px_per_mm) | 1)
    opened = cv2.morphologyEx(np.asarray(mask, dtype=np.uint8), cv2.MORPH_OPEN, np.ones((side, side), np.uint8))
    return np.asarray(opened, dtype=np.uint8)


def _cells(outline_px: Floats) -> np.ndarray[tuple[int, ...], np.dtype[np.int32]]:
    return np.round((np.asarray(outline_px) + 0.5) / SHRINK - 0.5).astype(np.int32)


def _cell_areas(plane: Plane, size: tuple[int, int], coarse: int = 16) -> Floats:
    """Area of each cell on the surface, mm2: worked out on a coarse grid, interpolated."""
    columns = np.linspace(0, size[0] - 1, max(2, size[0] // coarse))
    rows = np.linspace(0, size[1] - 1, max(2, size[1] // coarse))
    x, y = np.meshgrid(columns, rows)
    centre = np.column_stack([x.ravel(), y.ravel()]) * SHRINK + (SHRINK - 1) / 2
    right, below = np.array([SHRINK / 2, 0.0]), np.array([0.0, SHRINK / 2])
    across = plane.to_mm(centre + right) - plane.to_mm(centre - right)
    down = plane.to_mm(centre + below) - plane.to_mm(centre - below)
    area = np.abs(across[:, 0] * down[:, 1] - across[:, 1] * down[:, 0]).reshape(x.shape)
    return np.asarray(cv2.resize(area, size, interpolation=cv2.INTER_LINEAR), dtype=np.float64)
