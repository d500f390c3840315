"""Depth by parallax: a sweep inside one region, the wood around it as the level, holes filled with more doubt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.depth.flat import void_nats
from voidmap.depth.fuse import SHALLOWEST_WALL_MM
from voidmap.depth.hidden import DISHES, NOTHING_HIDDEN, Hidden, find_hidden, floor_seen, with_hidden
from voidmap.depth.level import RING_MM, Level, wood_level
from voidmap.depth.prior import USUAL_THICKNESS_MM
from voidmap.depth.sweep import WINDOW_PX, DepthMap, match_on, seen_once, sweep, without_specks
from voidmap.depth.views import Grid, Picture, View, camera_height, halved, make_view
from voidmap.model import Ortho, Photo, Plane, Region
from voidmap.records import DepthEstimate, Kind

LEAST_BASE_REL = 0.08
"""Cameras nearer to each other than this share of their height show no depth worth having."""
NARROWEST_MM = 4.0
"""Into a gap narrower than this (mean width) two lines of sight do not reach the floor together."""
LEAST_AREA_MM2 = 60.0
LEAST_CHANCE = 0.005
"""A region that is a void with less than this chance is left out: its expected share of the volume is nothing."""
LEAST_INNER = 0.25
"""Where nothing matches, that says something only if windows had room: this share of the area lies farther from the rim
than the rim's margin and half a window. (Of narrower flat things many don't match.)"""
RIM_PX = 2
"""Cells at the rim that are left out of the matching: they show the top's edge, not the inside."""
MOST_CELLS = 60_000
"""A box with more cells is swept at half the resolution (and half again), which bounds the time. Coarser is worse: what
shading is left then matches before the texture does, and windows reach from a ridge over the floor beside it (of the
volume of 106 simulated bark voids 0.85 was read with 45,000 and windows of 9 cells, 0.87 with 100,000 and of 7; these
cost half as much again as 60,000)."""
LIKELY = 0.05
FEW_CELLS = 2_500
FLAT_MM = 1.0
"""A region that is hardly a void (chance below ``LIKELY``) is looked at with fewer cells, only to see whether it is
flat; where its mean depth is more than ``FLAT_MM``, once more with all."""
DEEPER_THAN_SLAB = 1.1
"""The sweep reaches this share of the thickness, so that a bench below a hole is met."""
PROUDEST_MM = -2.0
LEAST_SURE, PAIR_LEAST_SURE = 0.15, 0.1
"""A region with less of its area matched is not measured: only that it did not match is told. From three photos and
more, and from two, of which chance matches are out."""
LEAST_SURE_OF_FLOOR, LIKELY_FLOOR = 0.08, 0.7
"""A void of which less than ``LEAST_SURE`` matched is measured all the same where that is the first share of its area,
and its floor. A dish's always is, from three photos and more: of 230 bark voids on 120 simulated slabs four are so, and
volumes that were off by 52, 79, 49 and 6 % are off by 10, 75, 5 and 44 %. A shaft's is by the second chance: four such
holes of knots from three photos and one from two, of 137 simulated slabs, all read within 1.2 times."""
BASIC_REL, PAIR_REL = 0.07, 0.08
"""Error of a mean depth that is left with perfect matching (windows at walls, fill at the rim; log), from three photos
and more, and from two: the scatter of 40 simulated voids of which more than 0.7 was matched."""
SHARED_REL, PAIR_SHARED_REL = 0.08, 0.12
"""Error (log) that all voids of a slab have in common, from three photos and more, and from two: rough floors read too
shallow together, by 0.1 and 0.2 on simulated slabs, not at all on the few voids of other renderers."""
FILLED_REL, PAIR_FILLED_REL = 0.7, 1.0
"""Error of the mean depth (log) is this times the square of the share that had to be filled in, from three photos and
from two, beside the doubt of what is hidden: what a ridge hides from one of two photos has no other pair. With all of
it 95 of 100 voids of simulated slabs at 0.2 to 0.4 mm a pixel lay within 1.96 of the error, from three photos as from
two."""
SHAFT_FILLED_REL = 0.5
"""The same in a shaft, where the doubt whether its floor was met comes beside it."""
FILL_CELLS = (1.5, 3.0, 6.0, 12.0, 24.0, 48.0, 96.0)
"""What was not matched is filled from this far around (sigma, cells), the nearest that says something."""
FINEST_BLUR_CELLS = 3.0
"""A blur wider than twice this (sigma, cells) is made at a resolution where it is this wide."""
FLOOR_MM = 0.05
"""Smallest mean depth that is stated: a log-normal has no zero."""
GREATEST_PERCENTILE = 99.0
SHIFT_DRAWS = 60
"""So many draws of the cameras tell how a depth depends on their places (its error to a tenth of itself)."""


@dataclass(frozen=True, eq=False)
class Relief:
    """A region's depth map and what it rests on.

    ``depth_mm`` (h, w) below the wood around, on ``grid``; ``inside`` (h, w) the region; ``sure`` the share of
    it that was matched, ``matched_mm`` the mean depth of that; ``level_error_mm`` the doubt of the wood's level;
    ``hidden`` what no two photos see; ``views`` the number of photos; ``gain`` by how much the photos match better
    on the depths found than on the wood's own level (mean correlation over the region less its rim); ``cells`` the
    number that was matched, ``spread`` the distance between the quartiles of their depths over the median.
    """

    depth_mm: Picture
    inside: NDArray[np.bool_]
    grid: Grid
    sure: float
    level_error_mm: float
    hidden: Hidden = NOTHING_HIDDEN
    views: int = 3
    matched_mm: float = 0.0
    gain: float = 0.0
    cells: int = 0
    spread: float = 0.0

    @property
    def greatest_mm(self) -> float:
        """Greatest depth that was met, mm."""
        return float(np.percentile(self.depth_mm[self.inside], GREATEST_PERCENTILE))

    @property
    def measured(self) -> bool:
        """Whether enough of the region matched for its depth to be believed."""
        return self.sure >= _least_sure(self.views)

    def measured_as(self, kind: Kind) -> bool:
        """Whether enough matched, were the region of this kind: a small part will do, if it is floor."""
        if self.measured or self.sure < LEAST_SURE_OF_FLOOR:
            return self.measured
        return self.views > 2 if kind in DISHES else floor_seen(self.spread, self.cells, kind) >= LIKELY_FLOOR


@dataclass(frozen=True, eq=False)
class _Looks:
    """A region at one resolution: its mask, the mask less the rim, whitened views through the opening."""

    grid: Grid
    mask: NDArray[np.bool_]
    opening: Picture
    views: list[View]


def has_parallax(planes: Sequence[Plane]) -> bool:
    """Whether photos were taken from places far enough apart to show depth."""
    if len(planes) < 2 or any(p.reference == "mm_per_px" for p in planes):
        return False
    base = max(float(np.hypot(*(a.camera_mm - b.camera_mm)[:2])) for a, b in combinations(planes, 2))
    return base >= LEAST_BASE_REL * float(np.mean([camera_height(p.camera_mm) for p in planes]))


def measurable(region: Region) -> bool:
    """Whether a region may be a void and is wide enough for two lines of sight to reach its floor."""
    if region.void_probability < LEAST_CHANCE:
        return False
    return region.area_mm2 >= LEAST_AREA_MM2 and region.area_mm2 >= NARROWEST_MM * region.length_mm


def relief(
    region: Region, ortho: Ortho, photos: Sequence[Photo], planes: Sequence[Plane], *, thickness_mm: float | None
) -> Relief | None:
    """Measure a region's depth map; None where fewer than two photos show it, or it has no room to match."""
    deepest = DEEPER_THAN_SLAB * (thickness_mm or USUAL_THICKNESS_MM)
    wide, around = boxed(region, ortho, int(np.ceil(RING_MM / ortho.mm_per_px)))
    whole = [v for p, q in zip(photos, planes, strict=True) if (v := make_view(p, q, wide, deepest)) is not None]
    if len(whole) < 2:
        return None
    level = wood_level(whole, wide, around)
    if region.void_probability < LIKELY:
        seen = _swept(_looks_of(region, ortho, whole, FEW_CELLS), level, thickness_mm)
        if seen is not None and seen.measured and float(seen.depth_mm[seen.inside].mean()) <= FLAT_MM:
            return seen
    return _swept(_looks_of(region, ortho, whole, MOST_CELLS), level, thickness_mm)


def _swept(looks: _Looks, level: Level, thickness_mm: float | None) -> Relief | None:
    """Sweep a region at one resolution; None where it has no room to match and doesn't."""
    deepest = DEEPER_THAN_SLAB * (thickness_mm or USUAL_THICKNESS_MM)
    found = sweep(looks.views, looks.grid, PROUDEST_MM, deepest, inside=looks.opening)
    found = seen_once(found, looks.views, looks.grid)
    match = found.match
    if len(looks.views) < 3:
        found = without_specks(found, looks.views, looks.grid)
    matched = found.sure & looks.mask
    sure = float(matched.sum() / max(int(looks.mask.sum()), 1))
    if sure < _least_sure(len(looks.views)) and _inner(looks.mask) < LEAST_INNER:
        return None
    wood = level.on(looks.grid)
    flat = match_on(looks.views, looks.grid, wood, looks.opening)
    gain = float((match - flat).sum() / max(float(looks.opening.sum()), 1.0))
    depths = _filled(found, looks.mask) - wood
    hidden = find_hidden(found.sure, looks.mask, depths)
    if thickness_mm is not None:
        # Below the slab is the bench: a fill ends at the underside.
        depths = np.minimum(depths, np.float32(thickness_mm))
    met = depths[matched] if matched.any() else np.zeros(1, np.float32)
    low, middle, high = np.percentile(met, (25, 50, 75))
    return Relief(
        depths,
        looks.mask,
        looks.grid,
        sure,
        level.error_mm,
        hidden,
        len(looks.views),
        matched_mm=float(met.mean()),
        gain=gain,
        cells=int(matched.sum()),
        spread=float((high - low) / max(middle, SHALLOWEST_WALL_MM)),
    )


def _least_sure(views: int) -> float:
    """Return the share of its area that must match for a region to be measured from so many photos."""
    return PAIR_LEAST_SURE if views < 3 else LEAST_SURE


def _inner(mask: NDArray[np.bool_]) -> float:
    """Share of a mask in which a whole window lies within its margin."""
    framed = cv2.copyMakeBorder(mask.astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_CONSTANT)
    rim = cv2.distanceTransform(framed, cv2.DIST_L2, 5)
    return float((rim > RIM_PX + WINDOW_PX / 2).sum() / max(int(mask.sum()), 1))


def boxed(region: Region, ortho: Ortho, pad: int) -> tuple[Grid, NDArray[np.uint8]]:
    """Return the grid of a region's box with a margin in px, and the region's mask on it."""
    rows, columns = region.mask.shape
    step = ortho.mm_per_px
    corner = ortho.x0_mm + (region.corner[0] - pad) * step, ortho.y0_mm + (region.corner[1] - pad) * step
    inside = cv2.copyMakeBorder(region.mask.astype(np.uint8), pad, pad, pad, pad, cv2.BORDER_CONSTANT)
    return Grid(*corner, step, columns + 2 * pad, rows + 2 * pad), inside


def _looks_of(region: Region, ortho: Ortho, whole: Sequence[View], most: int) -> _Looks:
    """Cut the views to a region's opening, at the finest resolution that has no more cells than ``most``."""
    grid, inside = boxed(region, ortho, RIM_PX + 1)
    side = 2 * RIM_PX + 1
    opening = cv2.erode(inside, np.ones((side, side), np.uint8)).astype(np.float32)
    views = [view.through(opening, grid) for view in whole]
    mask = inside.astype(np.float32)
    while grid.width * grid.height > most:
        views = [view.half() for view in views]
        mask, opening = halved(mask, grid), halved(opening, grid)
        grid = grid.coarser(2)
    whitened = [view.whitened() for view in views]
    return _Looks(grid, mask > 0.5, (opening > 0.5).astype(np.float32), whitened)


def _filled(found: DepthMap, mask: NDArray[np.bool_]) -> Picture:
    """Smooth by weight and fill what was not matched, from near to far."""
    sure = found.sure & mask
    believed = np.where(sure, found.match**2 / (found.error_mm**2 + 0.3**2), 0).astype(np.float32)
    sums = cv2.merge([believed, believed * found.depth_mm, sure.astype(np.float32)])
    out = np.zeros(mask.shape, np.float32)
    left = mask.copy()
    for sigma in FILL_CELLS:
        weight, value, share = cv2.split(_blurred(sums, sigma))
        here = left & (share > 0.2) & (weight > 0)
        out[here] = value[here] / weight[here]
        left &= ~here
        if not left.any():
            break
    if left.any():
        out[left] = float(np.sum(believed * found.depth_mm) / max(float(believed.sum()), 1e-9))
    return out


def _blurred(pictures: Picture, sigma: float) -> Picture:
    """Blur (h, w, n) pictures by a Gaussian; a wide one at a coarser resolution, which is as good and faster."""
    step = max(1, int(sigma / FINEST_BLUR_CELLS))
    if step == 1:
        return np.asarray(cv2.GaussianBlur(pictures, (0, 0), sigma), dtype=np.float32)
    rows, columns = pictures.shape[:2]
    small = cv2.resize(pictures, (-(-columns // step), -(-rows // step)), interpolation=cv2.INTER_AREA)
    blurred = cv2.GaussianBlur(small, (0, 0), sigma / step)
    return np.asarray(cv2.resize(blurred, (columns, rows), interpolation=cv2.INTER_LINEAR), dtype=np.float32)


def parallax_estimate(
    relief: Relief,
    planes: Sequence[Plane],
    *,
    kind: Kind = Kind.BARK_VOID,
    thickness_mm: float | None = None,
    pierced: float = 0.0,
    may_be_flank: bool = False,
) -> DepthEstimate:
    """Turn a depth map into an estimate of the mean depth.

    Where too little matched, the estimate says only that: ``floor_seen`` is 0, the depth the least that walls have.

    The errors: ``own_rel`` from matching, filling, the hidden floor and the wood's level; ``shared_rel`` from the
    planes' draws ("lens and place") and from floors that read alike ("matching").

    Parameters
    ----------
    relief, planes
        The depth map and the photos' planes.
    kind
        The void's likeliest kind.
    thickness_mm
        The slab's thickness.
    pierced
        Chance that a dish goes through; see :func:`voidmap.depth.hidden.pierced_chance`.
    may_be_flank
        See :func:`voidmap.depth.flat.may_be_flank`.
    """
    nats = void_nats(relief.gain, views=relief.views, may_be_flank=may_be_flank)
    if not relief.measured_as(kind):
        shallow = SHALLOWEST_WALL_MM
        return DepthEstimate("parallax", shallow, shallow, FILLED_REL, floor_seen=0.0, void_nats=nats)
    slab = thickness_mm or USUAL_THICKNESS_MM
    depths = relief.depth_mm[relief.inside].astype(np.float64)
    mean, hidden = with_hidden(
        max(float(depths.mean()), FLOOR_MM),
        relief.hidden,
        matched_mm=relief.matched_mm,
        sure=relief.sure,
        kind=kind,
        thickness_mm=slab,
        pierced=pierced,
        views=relief.views,
    )
    greatest = max(relief.greatest_mm, mean)
    if kind in DISHES and pierced >= 0.5:
        greatest = max(greatest, slab)
    pair = relief.views < 3
    fill_rel = (PAIR_FILLED_REL if pair else FILLED_REL) if kind in DISHES else SHAFT_FILLED_REL
    filled = fill_rel * (1 - relief.sure) ** 2
    basic = PAIR_REL if pair else BASIC_REL
    own = float(np.sqrt(basic**2 + filled**2 + hidden**2 + (relief.level_error_mm / mean) ** 2))
    middle = np.array([relief.grid.x0_mm, relief.grid.y0_mm]) + relief.grid.mm_per_px / 2 * np.array(
        [relief.grid.width, relief.grid.height]
    )
    shared = {
        "lens and place": depth_scale_error(planes, middle, mean),
        "matching": PAIR_SHARED_REL if pair else SHARED_REL,
    }
    seen = floor_seen(relief.spread, relief.cells, kind)
    return DepthEstimate("parallax", mean, greatest, min(own, 1.5), shared, floor_seen=seen, void_nats=nats)


def depth_scale_error(planes: Sequence[Plane], at_mm: NDArray[np.float64], depth_mm: float) -> float:
    """Relative standard error of a depth that comes from where the cameras stood: height^2 over base, by draws."""
    rows = min(len(p.draws) for p in planes)
    if rows < 2:
        return 0.0
    pair = max(combinations(planes, 2), key=lambda ab: float(np.hypot(*(ab[0].camera_mm - ab[1].camera_mm)[:2])))
    a, b = (_drawn_cameras(p, rows) for p in pair)
    # The shift between the views on the top for a point at this depth below it.
    first, second = ((c[:, :2] - at_mm) * depth_mm / (depth_mm - c[:, 2:]) for c in (a, b))
    factors = np.hypot(*(first - second).T)
    return float(np.std(factors) / np.mean(factors))


@lru_cache(maxsize=8)
def _drawn_cameras(plane: Plane, rows: int) -> NDArray[np.float64]:
    """Return some of a plane's drawn cameras' places, (k, 3) mm; a slab's voids ask for the same ones."""
    return np.stack([plane.drawn(row).camera_mm for row in range(0, rows, max(1, rows // SHIFT_DRAWS))])
