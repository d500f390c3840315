"""Whether photos show the same wood at the same places of the boards: boards that were moved, other slabs.

What the boards alone can't show, the wood can: its features are found in each photo, laid onto the top's plane, and
paired. Where the boards lie as they lay, the two of a pair lie at one place.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.depth.views import Grid, camera_height, make_view
from voidmap.errors import ScaleError
from voidmap.model import Floats, Photo, Plane, SlabFound
from voidmap.scale.bench import MARGIN_MM

STEP_MM, MOST_CELLS = 1.0, 500_000
"""The top is looked at in mm, or coarser where it then has more cells: bounds the time."""
AROUND_MM = 20.0
"""Bench around the slab that is laid out too: a board that was moved shows the slab elsewhere."""
FEATURES, CONTRAST = 3000, 0.01
"""Features (D. Lowe's SIFT, 2004) of one photo at most, and the least contrast of one: wood is faint."""
EVEN_CLIP, EVEN_TILES = 4.0, (8, 8)
"""Contrast is evened out in so many tiles (OpenCV's CLAHE), raised by no more than this: light falls off over a top."""
CLEARLY_NEARER = 0.8
"""A feature is paired when its likest is nearer than so many times the second (Lowe's ratio)."""
SAME_MM = 1.0
"""The two of a pair lie at one place within this. A board that was moved by more makes everything some three times as
much deeper, or less deep."""
SAME_SHARE = 0.1
"""With so much of the pairs at one place all is well: near the boards even a top that is not flat shows it. Of 110
pairs of photos of one slab (simulated, and by two other renderers) the least had 0.56."""
AGREE_SHARE, AGREE_CELLS, SCALE_REL = 0.5, 2.0, 0.002
"""Boards were moved when this share of the pairs agrees on one move, within so many cells and without a change of
size: where the wood is burnt out, what is left are the floors of voids, which agree on their depth."""
LEAST_AGREE = 12
"""So many pairs must agree on it: two of a handful do by chance."""
LEAST_SAME, LEAST_FEATURES = 3, 300
"""Photos with so many features each of which fewer pairs lie at one place show other wood, or plain wood: eight pairs
of unlike slabs have none, twelve of one slab five and more, be one photo blurred by 6 px, of a quarter of the light, or
burnt out; ten of slabs blurred by 100 px, under noise, none to five."""


def check_wood(slab: SlabFound, photos: Sequence[Photo], planes: Sequence[Plane]) -> tuple[str, ...]:
    """Refuse photos between which boards were moved; name those whose wood is not found again in the first.

    Parameters
    ----------
    slab
        As found in the first photo.
    photos, planes
        Photos of the whole slab, all in the frame of the boards.

    Returns
    -------
    tuple of str
        A note for each photo of other wood. It is no refusal: wood so plain that only noise is seen is not found again
        either.

    Raises
    ------
    ScaleError
        When the same wood lies elsewhere, or at another depth than the boards.
    """
    notes = []
    low, high = slab.outline_mm.min(axis=0) - AROUND_MM, slab.outline_mm.max(axis=0) + AROUND_MM
    step = max(STEP_MM, float(np.sqrt(np.prod(high - low) / MOST_CELLS)))
    width, height = ((high - low) / step).astype(int)
    grid = Grid(float(low[0]), float(low[1]), step, int(width), int(height))
    bare = _beside_boards(grid, planes)
    inside = np.zeros(grid.shape, np.uint8)
    cv2.fillPoly(inside, [_cells(grid, slab.outline_mm)], 1)
    first = _features(photos[0], planes[0], grid, inside & bare)
    for photo, plane in zip(photos[1:], planes[1:], strict=True):
        other = _features(photo, plane, grid, bare)
        if first is None or other is None:
            continue
        here, there = _pairs(first, other)
        same = np.hypot(*(there - here).T) < SAME_MM / step
        if len(same) and same.mean() >= SAME_SHARE:
            continue
        moved = _moved_mm(here, there, grid, slab.outline_mm)
        if moved > SAME_MM:
            below = _below_mm(here, there, grid, (planes[0].camera_mm, plane.camera_mm))
            raise _moved(photos[0], photo, moved) if below is None else _off_the_wood(photos[0], photo, below)
        if same.sum() < LEAST_SAME and min(len(first[0]), len(other[0])) >= LEAST_FEATURES:
            notes.append(
                f"The wood of {photo.file} was not found again in {photos[0].file}: if that is another slab, or a "
                "board was moved, leave it out, for no depth here is right then."
            )
    return tuple(notes)


def _beside_boards(grid: Grid, planes: Sequence[Plane]) -> NDArray[np.uint8]:
    """Return 1 where no photo's boards lie, nor their paper, (h, w): a board is alike in all photos, moved or not."""
    paper = np.zeros(grid.shape, np.uint8)
    for plane in planes:
        for pattern in plane.patterns_mm:
            cv2.fillPoly(paper, [_cells(grid, pattern)], 1)
    reach = 2 * round(MARGIN_MM / grid.mm_per_px) + 1
    return np.asarray(1 - cv2.dilate(paper, np.ones((reach, reach), np.uint8)), dtype=np.uint8)


def _cells(grid: Grid, points_mm: Floats) -> NDArray[np.int32]:
    return np.round((points_mm - [grid.x0_mm, grid.y0_mm]) / grid.mm_per_px).astype(np.int32)


def _features(photo: Photo, plane: Plane, grid: Grid, where: NDArray[np.uint8]) -> tuple[Floats, Floats] | None:
    """Return places (N, 2) in cells and descriptors (N, 128) of a photo's features; None when there are none."""
    view = make_view(photo, plane, grid, 0.0)
    if view is None:
        return None
    image, seen = view.warp(grid, 0.0)
    even = cv2.createCLAHE(EVEN_CLIP, EVEN_TILES).apply(np.clip(image, 0, 255).astype(np.uint8))
    finder = cv2.SIFT_create(FEATURES, contrastThreshold=CONTRAST)  # type: ignore[attr-defined]
    points, described = finder.detectAndCompute(even, where * (seen > 0.5))
    if described is None or len(points) < 2:
        return None
    return np.array([point.pt for point in points], dtype=np.float64), described


def _pairs(first: tuple[Floats, Floats], other: tuple[Floats, Floats]) -> tuple[Floats, Floats]:
    """Return the places (N, 2) in both of features of the first whose likest in the other is so clearly."""
    likest = cv2.BFMatcher().knnMatch(first[1], other[1], k=2)
    good = [best for best, second in likest if best.distance < CLEARLY_NEARER * second.distance]
    return first[0][[pair.queryIdx for pair in good]], other[0][[pair.trainIdx for pair in good]]


def _moved_mm(here: Floats, there: Floats, grid: Grid, outline_mm: Floats) -> float:
    """Return how far the wood lies elsewhere, mm, at most; 0 when the pairs agree on no move."""
    if len(here) < LEAST_AGREE:
        return 0.0
    move, agree = cv2.estimateAffinePartial2D(here, there, method=cv2.RANSAC, ransacReprojThreshold=AGREE_CELLS)
    if (
        move is None
        or agree.sum() < max(LEAST_AGREE, AGREE_SHARE * len(agree))
        or abs(np.hypot(*move[:, 0]) - 1) > SCALE_REL
    ):
        return 0.0
    cells = (outline_mm - [grid.x0_mm, grid.y0_mm]) / grid.mm_per_px
    return float(np.hypot(*(cells @ move[:, :2].T + move[:, 2] - cells).T).max()) * grid.mm_per_px


def _below_mm(here: Floats, there: Floats, grid: Grid, cameras_mm: tuple[Floats, Floats]) -> float | None:
    """Return how far below the boards' plane the wood lies, mm, if that explains the move; else None."""
    corner = np.array([grid.x0_mm, grid.y0_mm])
    seen, other = (corner + cells * grid.mm_per_px for cells in (here, there))
    (first, second), heights = (c[:2] for c in cameras_mm), [camera_height(c) for c in cameras_mm]
    base = second - first
    depth = float(np.median((other - seen) @ base)) / max(float(base @ base), 1.0) * float(np.mean(heights))
    # Where a line of sight meets the plane at that depth, and where the second camera sees that place on the top.
    place = first + (seen - first) * (heights[0] + depth) / heights[0]
    expected = second + (place - second) * heights[1] / (heights[1] + depth)
    agree = np.hypot(*(other - expected).T) < SAME_MM
    return depth if agree.mean() >= AGREE_SHARE else None


def _moved(first: Photo, other: Photo, moved_mm: float) -> ScaleError:
    return ScaleError(
        f"the boards were moved between {first.file} and {other.file}: the same wood lies up to {moved_mm:.0f} mm "
        "elsewhere",
        "photograph again without moving a board, or leave that photo out",
    )


def _off_the_wood(first: Photo, other: Photo, below_mm: float) -> ScaleError:
    if below_mm < 0:
        return ScaleError(
            f"by {first.file} and {other.file} the wood lies {-below_mm:.0f} mm above the boards",
            "lay them on the slab's top, and photograph again without moving them",
        )
    return ScaleError(
        f"by {first.file} and {other.file} the wood lies {below_mm:.0f} mm below the boards, or they were moved",
        f"give --board-thickness {below_mm:.0f}mm if they are glued on a panel, else photograph again and move none",
    )
