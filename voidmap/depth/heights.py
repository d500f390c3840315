"""Whether the slab's top or the bench is seen in a place, told by parallax from two photos or more.

The top lies at depth 0, the bench in one plane under it. A place of the first photo looks alike in the others where
these are laid onto the plane that it lies in, and nowhere else, whatever the colours are: pale sapwood is told from a
pale bench, and a shadow on the bench from bark.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.depth.parallax import has_parallax
from voidmap.depth.sweep import FLAT, WINDOW_PX, trial_depths
from voidmap.depth.views import Grid, Picture, View, camera_height
from voidmap.model import Ortho, Photo, Plane
from voidmap.scale.rectify import coarse_map, fine_map

NEAREST_MM, FARTHEST_MM = 8.0, 160.0
"""The bench lies at a depth between these: a slab's thickness under the top, and a block's more."""
OFF_TOP = 0.5
"""What matches less than this at the top's height may be bench."""
LEAST_BENCH = 0.3
"""Mean correlation of what may be bench at the bench's depth; with less it has no texture, and no depth is known."""
LEAST_SHARE = 0.01
"""Share of the picture that may be bench, for its depth to be looked for."""
TILE_PX, MOST_TILES = 64, 12
"""The bench's depth is looked for in so many tiles of this size, at half the resolution."""
NATS, MOST_NATS = 6.0, 4.0
"""Log-likelihood ratio of top to bench for each unit by which the one matches better than the other, and its limit."""


def heights_of(photos: Sequence[Photo], planes: Sequence[Plane]) -> Callable[[Ortho], Picture | None] | None:
    """Return what tells the top from the bench in the first photo laid square-on; None without parallax.

    Parameters
    ----------
    photos, planes
        One plane a photo, all in one slab frame.

    Returns
    -------
    callable or None
        It takes a square-on picture of the first photo, of about 1 mm per px, and returns nats (h, w) by which the
        top is likelier than the bench: 0 where nothing is known. None where no bench is seen.
    """
    if not has_parallax(planes):
        return None
    return lambda small: _nats(small, photos, planes)


def _nats(small: Ortho, photos: Sequence[Photo], planes: Sequence[Plane]) -> Picture | None:
    grid = Grid(small.x0_mm, small.y0_mm, small.mm_per_px, *small.valid.shape[::-1])
    grey = cv2.cvtColor(small.pixels, cv2.COLOR_BGR2GRAY).astype(np.float32)
    first = View(grey, small.valid.astype(np.float32), grid, planes[0].camera_mm)
    others = [_laid(photo, plane, grid) for photo, plane in zip(photos[1:], planes[1:], strict=True)]
    bench_mm = _bench_depth(first.half(), [view.half() for view in others])
    if bench_mm is None:
        return None
    first, others = _whitened(first), [_whitened(view) for view in others]
    top = _match(first, others, 0.0)
    bench = np.maximum.reduce([_match(first, others, depth) for depth in bench_mm])
    return np.clip(np.float32(NATS) * (top - bench), -MOST_NATS, MOST_NATS)


def _laid(photo: Photo, plane: Plane, grid: Grid) -> View:
    """Lay a photo square-on onto the top's plane, at the grid's own resolution."""
    middle = np.array([[grid.x0_mm + grid.width * grid.mm_per_px / 2, grid.y0_mm + grid.height * grid.mm_per_px / 2]])
    shrink = max(1, int(grid.mm_per_px / float(plane.mm_per_px_at(middle)[0])))
    grey = cv2.cvtColor(photo.pixels, cv2.COLOR_BGR2GRAY)
    size = (-(-photo.width_px // shrink), -(-photo.height_px // shrink))
    grey = cv2.resize(grey, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    nodes = coarse_map(plane, grid.x0_mm, grid.y0_mm, grid.mm_per_px, grid.width, grid.height)
    scale = np.array([size[0] / photo.width_px, size[1] / photo.height_px], np.float32)
    at_x, at_y = fine_map((nodes + np.float32(0.5)) * scale - np.float32(0.5), 0, grid.height, grid.width)
    seen = (at_x >= 0) & (at_y >= 0) & (at_x <= size[0] - 1) & (at_y <= size[1] - 1)
    image = cv2.remap(grey, at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return View(image, seen.astype(np.float32), grid, plane.camera_mm)


def _bench_depth(first: View, others: Sequence[View]) -> tuple[float, ...] | None:
    """Return the depth at which most of what is not the top matches, a little above and below it."""
    first, others = _whitened(first), [_whitened(view) for view in others]
    low = ((first.opening > 0.5) & (_match(first, others, 0.0) < OFF_TOP)).astype(np.float32)
    if low.mean() < LEAST_SHARE:
        return None
    tiles = _tiles(first, low)
    depths = trial_depths([first, *others], first.grid, NEAREST_MM, FARTHEST_MM)
    scores = [
        sum(float((np.maximum(_match(tile, others, float(z)), 0.0) * share).sum()) for tile, share in tiles)
        for z in depths
    ]
    best = int(np.argmax(scores))
    if scores[best] < LEAST_BENCH * sum(float(share.sum()) for _, share in tiles):
        return None
    at = best + _peak(scores[max(best - 1, 0) : best + 2])
    return tuple(float(np.interp(at + off, np.arange(len(depths)), depths)) for off in (-0.25, 0.25))


def _peak(three: list[float]) -> float:
    """Return where a parabola through three points is greatest, in steps off the middle one."""
    if len(three) < 3:
        return 0.0
    before, here, after = three
    return 0.5 * (before - after) / min(before - 2 * here + after, -1e-9)


def _whitened(view: View) -> View:
    """Whiten a view; what is not seen has no brightness."""
    white = view.whitened()
    return replace(white, image=white.image * white.opening)


def _tiles(view: View, weight: Picture) -> list[tuple[View, Picture]]:
    """Cut the tiles out of a view that weigh most."""
    grid = view.grid
    corners = [(y, x) for y in range(0, grid.height, TILE_PX) for x in range(0, grid.width, TILE_PX)]
    cells = [(slice(y, y + TILE_PX), slice(x, x + TILE_PX)) for y, x in corners]
    cells = sorted(cells, key=lambda cell: -float(weight[cell].sum()))[:MOST_TILES]
    return [(_cut(view, cell), weight[cell]) for cell in cells]


def _cut(view: View, cell: tuple[slice, slice]) -> View:
    rows, columns = cell
    grid = view.grid
    image = np.ascontiguousarray(view.image[cell])
    x0, y0 = grid.x0_mm + columns.start * grid.mm_per_px, grid.y0_mm + rows.start * grid.mm_per_px
    mine = Grid(x0, y0, grid.mm_per_px, image.shape[1], image.shape[0])
    return View(image, np.ascontiguousarray(view.opening[cell]), mine, view.camera_mm)


def _match(first: View, others: Sequence[View], depth_mm: float) -> Picture:
    """Correlation (h, w) of a whitened picture with the one of the others most alike, laid onto a plane."""
    size = (first.grid.width, first.grid.height)
    own = _mean(first.image * first.image) + np.float32(FLAT**2)
    best = np.zeros(first.grid.shape, np.float32)
    for view in others:
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        image = cv2.warpAffine(view.image, _shift(first, view, depth_mm), size, flags=flags)
        found = _mean(first.image * image)
        found /= cv2.sqrt(own * (_mean(image * image) + np.float32(FLAT**2)))
        np.maximum(best, found, out=best)
    return best


def _mean(picture: Picture) -> Picture:
    """Mean over windows (h, w); whitened brightness is 0 in the mean, so that none need be taken off."""
    mean = cv2.blur(picture, (WINDOW_PX, WINDOW_PX), borderType=cv2.BORDER_CONSTANT)
    return np.asarray(mean, dtype=np.float32)


def _shift(first: View, other: View, depth_mm: float) -> NDArray[np.float64]:
    """Where another view shows what the first one shows, (2, 3) px to px, for a plane at a depth."""
    share = [camera_height(v.camera_mm) / (camera_height(v.camera_mm) + depth_mm) for v in (first, other)]
    zoom = share[1] / share[0]
    start = np.array([first.grid.x0_mm, first.grid.y0_mm])
    at = zoom * start + (1 - share[1]) * other.camera_mm[:2] - zoom * (1 - share[0]) * first.camera_mm[:2]
    shift = (at - [other.grid.x0_mm, other.grid.y0_mm]) / other.grid.mm_per_px
    scale = zoom * first.grid.mm_per_px / other.grid.mm_per_px
    return np.array([[scale, 0.0, shift[0]], [0.0, scale, shift[1]]])
