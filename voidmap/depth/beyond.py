"""What of a void's floor its outline left out, told by parallax: it lies below the wood in the photos.

A floor that has the wood's own colours is left out by one photo, which sees nothing but colours. Two photos and more
see that it is deep. The box around a void is swept as a whole, and what in it is surely below the wood's level, and
hangs together with the void, is a piece of it. On 96 simulated slabs three photos add 6,190 mm2 to 25 bark voids, 260
of them wrongly, and none is worse for it; on 24 others, 640 to six, 70 of them wrongly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.depth.hidden import DISHES
from voidmap.depth.level import wood_level
from voidmap.depth.parallax import DEEPER_THAN_SLAB, MOST_CELLS, PROUDEST_MM, boxed, has_parallax, measurable
from voidmap.depth.prior import USUAL_THICKNESS_MM
from voidmap.depth.sweep import (
    STEP_PX,
    WINDOW_PX,
    farthest_mm,
    first_surface,
    match_on,
    seen_once,
    sweep_along,
    without_specks,
)
from voidmap.depth.views import Grid, Picture, View, camera_height, halved, make_view
from voidmap.model import Ortho, Photo, Plane, Region, SlabFound
from voidmap.surface.enlarged import Piece

Bools = NDArray[np.bool_]

AROUND_MM = 15.0
"""A floor is looked for so far around a void's outline."""
LEAST_DEPTH_MM = 1.5
"""What lies less deep below the wood, or by less than a step of the sweep, may be wood that is worn or uneven."""
LEAST_GAIN, FIRST_GAIN = 0.15, 0.05
"""A place is deep when the photos match better there by so much (correlation) than on the wood's level. Where a first,
smooth surface is nowhere better by the second, no other is (of 5,950 mm2 on 96 simulated slabs it loses 10, and a third
of the time)."""
AS_WELL, SURE_WOOD = 0.1, 0.6
"""A place beside a piece stays wood when it matches so well on the wood's level, and hardly better elsewhere."""
FLANK_MM = 10.0
"""Nearer to the slab's outline than this what is deep may be the slab's own flank. Of 4,900 mm2 that 8 mm would add to
the bark voids of 96 simulated slabs 230 are none, of 4,400 that 10 mm adds 170."""
SOLID_CELLS, LEAST_CELLS = 5, WINDOW_PX**2
"""A piece is so wide, and as large as a window at least: what is smaller may be a chance match."""
NEAR_CELLS, HEM_CELLS = 3, 3
"""A piece lies so near to the void, and is widened by this: at a wall a window sees more of the wood than of the floor
(half its side)."""
ROUNDS = 3
"""So often is looked around what was found before."""
LEVEL_PERCENTILE = 75.0
"""The wood around reads as level when so much of it lies no deeper than ``LEAST_DEPTH_MM``."""


def floors_beyond(
    regions: Sequence[Region],
    ortho: Ortho,
    slab: SlabFound,
    photos: Sequence[Photo],
    planes: Sequence[Plane],
    *,
    thickness_mm: float | None,
) -> tuple[Piece | None, ...]:
    """Find what of each void's floor lies beyond its outline.

    Parameters
    ----------
    regions
        Found in ``ortho``, the first photo laid square-on, on ``slab``.
    photos, planes
        One plane a photo, all in one slab frame.
    thickness_mm
        The slab's thickness; None when unknown.

    Returns
    -------
    tuple of (Piece or None)
        One a region, without the region's own mask; None where nothing lies beyond, and for all but voids with an open
        floor. All None without parallax.
    """
    if not has_parallax(planes):
        return (None,) * len(regions)
    voids = np.zeros(slab.mask.shape, dtype=bool)
    for region in regions:
        if region.kind.is_void:
            _patch(voids, region.corner, region.mask.shape)[...] |= region.mask
    scene = _Scene(ortho, slab, voids, photos, planes, DEEPER_THAN_SLAB * (thickness_mm or USUAL_THICKNESS_MM))
    return tuple(
        _beyond(region, scene) if region.kind in DISHES and not region.beside_edge and measurable(region) else None
        for region in regions
    )


def _patch(picture: Bools, corner: tuple[int, int], shape: tuple[int, ...]) -> Bools:
    """Return the part of a picture that a mask lies on."""
    return picture[corner[1] : corner[1] + shape[0], corner[0] : corner[0] + shape[1]]


@dataclass(frozen=True, eq=False)
class _Scene:
    """The slab as it was found, where voids were (h, w), what shows it, and how deep is looked."""

    ortho: Ortho
    slab: SlabFound
    voids: Bools
    photos: Sequence[Photo]
    planes: Sequence[Plane]
    deepest_mm: float


@dataclass(frozen=True, eq=False)
class _Box:
    """The box around a void, from its ``corner`` on the Ortho on: ``wide`` in the Ortho's pixels, ``grid`` in cells.

    On the grid: whitened views, the wood's level, and masks (h, w) of the void's ``own`` cells, of what is ``free`` to
    be floor, and of ``wood`` that is no void.
    """

    corner: tuple[int, int]
    wide: Grid
    grid: Grid
    views: list[View]
    level_mm: Picture
    own: Bools
    free: Bools
    wood: Bools


def _beyond(region: Region, scene: _Scene) -> Piece | None:
    """Look around a void, and around what was found, until nothing more is."""
    whole = region
    for _ in range(ROUNDS):
        wider = _wider(whole, scene)
        if wider is None:
            break
        whole = replace(whole, mask=wider.mask, corner=wider.corner)
    if whole is region:
        return None
    more = whole.mask.copy()
    left, top = region.corner[0] - whole.corner[0], region.corner[1] - whole.corner[1]
    _patch(more, (left, top), region.mask.shape)[region.mask] = False
    return Piece(more, whole.corner)


def _wider(region: Region, scene: _Scene) -> Piece | None:
    """Return a void's mask with what is deep around it and hangs together with it; None where nothing does."""
    slab, deepest = scene.slab, scene.deepest_mm
    pad = int(np.ceil(AROUND_MM / scene.ortho.mm_per_px))
    wide, inside = boxed(region, scene.ortho, pad)
    seen = zip(scene.photos, scene.planes, strict=True)
    views = [view for photo, plane in seen if (view := make_view(photo, plane, wide, deepest)) is not None]
    if len(views) < 2:
        return None
    corner = region.corner[0] - pad, region.corner[1] - pad
    box = _box(corner, wide, views, inside, _bare(slab, corner, wide), _cut(scene.voids, corner, wide.shape))
    flat = match_on(box.views, box.grid, box.level_mm, np.ones(box.grid.shape, np.float32))
    # Nothing matches better than whole: where there is no room for it, nothing need be swept.
    if not _hanging(box, flat < 1 - LEAST_GAIN).any():
        return None
    deep, may_be = _deep(box, flat, deepest)
    piece = _hanging(box, deep)
    if not piece.any():
        return None
    return _on_ortho(_widened(piece, HEM_CELLS) & may_be & box.free, box, inside > 0, slab.mask.shape)


def _box(
    corner: tuple[int, int],
    wide: Grid,
    views: list[View],
    inside: NDArray[np.uint8],
    bare: NDArray[np.uint8],
    voids: NDArray[np.uint8],
) -> _Box:
    """Lay a void's box on a grid of no more cells than are swept."""
    level, grid = wood_level(views, wide, inside), wide
    masks = [picture.astype(np.float32) for picture in (inside, bare, voids)]
    while grid.width * grid.height > MOST_CELLS:
        views, masks = [view.half() for view in views], [halved(mask, grid) for mask in masks]
        grid = grid.coarser(2)
    own, free, void = (mask > 0.5 for mask in masks)
    return _Box(corner, wide, grid, [v.whitened() for v in views], level.on(grid), own, free & ~own, free & ~void)


def _bare(slab: SlabFound, corner: tuple[int, int], wide: Grid) -> NDArray[np.uint8]:
    """Tell pixels of a box that lie on the bare top, where no flank of the slab can be."""
    reach = int(np.ceil(FLANK_MM / wide.mm_per_px)) + 1
    around = (corner[0] - reach, corner[1] - reach), (wide.height + 2 * reach, wide.width + 2 * reach)
    inner = cv2.distanceTransform(_cut(slab.mask, *around), cv2.DIST_L2, 5)[reach:-reach, reach:-reach]
    return np.asarray((inner * wide.mm_per_px > FLANK_MM) & (_cut(slab.covered, corner, wide.shape) == 0), np.uint8)


def _cut(picture: Bools, corner: tuple[int, int], shape: tuple[int, int]) -> NDArray[np.uint8]:
    """Cut a box out of a picture; 0 beyond its border."""
    box = np.zeros(shape, np.uint8)
    left, top = max(corner[0], 0), max(corner[1], 0)
    part = picture[top : max(corner[1] + shape[0], 0), left : max(corner[0] + shape[1], 0)]
    box[top - corner[1] :, left - corner[0] :][: part.shape[0], : part.shape[1]] = part
    return box


def _deep(box: _Box, flat: Picture, deepest_mm: float) -> tuple[Bools, Bools]:
    """Tell cells that are surely below the wood's level, and cells that may be (both (h, w)).

    ``flat`` (h, w) is how well the views match on that level. There are none where the wood itself does not read as
    level (its grain, or a coarse grid, matches at many depths), and none where a first surface shows none.
    """
    views, grid, limits = box.views, box.grid, (PROUDEST_MM, deepest_mm)
    none = np.zeros(grid.shape, dtype=bool)
    cells = np.ones(grid.shape, np.float32)
    surface = first_surface(views, grid, *limits, cells)
    gain = match_on(views, grid, surface, cells) - flat
    if not _hanging(box, (gain > FIRST_GAIN) & (surface - box.level_mm > LEAST_DEPTH_MM)).any():
        return none, none
    found = seen_once(sweep_along(views, grid, surface, *limits, cells), views, grid)
    if len(views) < 3:
        found = without_specks(found, views, grid)
    below = found.depth_mm - box.level_mm
    step = STEP_PX * grid.mm_per_px / farthest_mm(views) * float(np.mean([camera_height(v.camera_mm) for v in views]))
    if not box.wood.any() or float(np.percentile(below[box.wood], LEVEL_PERCENTILE)) > LEAST_DEPTH_MM:
        return none, none
    deep = found.sure & (found.match - flat > LEAST_GAIN) & (below > max(LEAST_DEPTH_MM, step))
    return deep, ~((flat > SURE_WOOD) & (flat > found.match - AS_WELL))


def _hanging(box: _Box, cells: Bools) -> Bools:
    """Return the solid pieces of cells beside a void that hang together with it, over small gaps."""
    square = np.ones((SOLID_CELLS, SOLID_CELLS), np.uint8)
    solid = cv2.morphologyEx((cells & box.free).astype(np.uint8), cv2.MORPH_OPEN, square)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(solid)
    large = stats[:, cv2.CC_STAT_AREA] >= LEAST_CELLS
    large[0] = False
    met = np.zeros(len(large), dtype=bool)
    met[labels[_widened(box.own, NEAR_CELLS)]] = True
    return np.asarray((met & large)[labels])


def _widened(cells: Bools, by: int) -> Bools:
    """Widen a mask by some cells all around."""
    side = 2 * by + 1
    return np.asarray(cv2.dilate(cells.astype(np.uint8), np.ones((side, side), np.uint8)) > 0)


def _on_ortho(piece: Bools, box: _Box, inside: Bools, shape: tuple[int, ...]) -> Piece:
    """Lay a piece on a grid back onto the Ortho's pixels, and add the void's own."""
    factor = round(box.grid.mm_per_px / box.wide.mm_per_px)
    size = (factor * box.grid.width, factor * box.grid.height)
    share = cv2.resize(piece.astype(np.float32), size, interpolation=cv2.INTER_LINEAR)
    mask = (share[: box.wide.height, : box.wide.width] > 0.5) | inside
    left, top = max(-box.corner[0], 0), max(-box.corner[1], 0)
    seen = mask[top : shape[0] - box.corner[1], left : shape[1] - box.corner[0]]
    return Piece(seen, (box.corner[0] + left, box.corner[1] + top))
