"""What of a void goes on under a board: told from how the board's edge cuts it.

A dish (a bark void, a knot's hole) is taken for an ellipse, stretched along the grain as its kind usually is: of these
only one has this chord along the board and this bare area. A crack has an end ahead somewhere: the longer
it was seen, the smaller the share that is left.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from voidmap.model import Floats, Ortho, Region, SlabFound
from voidmap.records import Hidden, Interval, Kind
from voidmap.surface.covered import rim_at_cover
from voidmap.surface.mosaic import Bools, box_of
from voidmap.surface.rim import polygon_area

# How much longer along the grain than across it a dish is; of 1, 1.5, 2, 2.5, 3 and 4, the ones whose ellipse comes
# nearest to the hidden area (log scatter 1.2 of bark voids, 0.2 of knots' holes; with the other's stretch 2.3 and 1.8).
_ROUND = 1.0
STRETCH = {Kind.BARK_VOID: 3.0, Kind.KNOT_HOLE: _ROUND, Kind.HOLE: _ROUND}
# The hidden volume over the bare one is exp(first) (ellipse's hidden area + 5 mm²)^second (bare area)^third, areas in
# mm²; the fourth is the log's error (1 sigma, of the upper end; it may also end at once). Least squares on 3,072 cuts
# of bark voids and 1,495 of knots' holes at random places along and across the grain, from the height fields of 90
# simulated slabs, then scaled so that the volumes' sums agree. Fitted to one half of the slabs, 0.94 to 0.97 of the
# other half lie below the 95 % end, and sums are 0.6 to 1.7 (bark voids) and 0.9 to 1.2 times the expected. Of the
# whole void 0.43 and 0.35 are hidden (medians); with this it is 0.25 and 0.07 off. A worm hole is taken for a knot's.
_KNOTS = (-0.76, 1.32, -1.26, 0.43)
DISH_LAW = {Kind.BARK_VOID: (2.79, 0.78, -1.22, 1.09), Kind.KNOT_HOLE: _KNOTS, Kind.HOLE: _KNOTS}
SMALL_MM2 = 5.0
# Of cracks and seams it is exp(first) (length seen / 60 mm)^second, and the third its log's error, likewise from 1,933
# and 40 cuts (seams fitted to one half: 0.85 of the other below the 95 % end, hence its wider error). What is shorter
# than the least was not fitted to.
THIN_LAW = {Kind.CRACK: (-0.3, -1.64, 1.32), Kind.SEAM_GAP: (0.14, -1.96, 0.8)}
SEEN_MM, LEAST_SEEN_MM = 60.0, 8.0
# A simulated crack goes on by 34 to 45 mm (median) whatever was seen of it: so far it is drawn.
DRAWN_MM = 40.0
# Dishes of which less lay bare were not fitted to; they are taken for so large.
LEAST_MM2 = 15.0
# What a board cuts is seen up to it, but for the board's own blurred edge: 14 cracks that go on under one came within
# 2.1 px of it. What ends farther off has its own end there.
TOUCH_PX = 2.5
# A crack's direction is that of its rim so near before the board; that it goes on is asked so far ahead.
NEAR_MM, AHEAD_MM = 20.0, 4.0


def hidden_parts(
    regions: Sequence[Region], ortho: Ortho, slab: SlabFound, *, grain_deg: float
) -> tuple[Hidden | None, ...]:
    """Tell what of each region is expected under what covers the slab.

    Parameters
    ----------
    regions
        Found in ``ortho``.
    ortho, slab
        The picture, and what of the top is covered in it.
    grain_deg
        Direction of the grain, degrees from x toward y.

    Returns
    -------
    tuple
        One for each region, its volumes not worked out yet; None where nothing of it goes on, or it is no void. Where
        two would lie in the same place, it is counted to the larger region.
    """
    free = slab.covered & slab.mask
    voids = [k for k, r in enumerate(regions) if r.kind.is_void and not r.beside_edge]
    reach = [k for k in voids if len(rim_at_cover(ortho, free, regions[k].outline_mm))]
    out: list[Hidden | None] = [None] * len(regions)
    if not reach:
        return tuple(out)
    covers = _pieces(free)
    for k in sorted(reach, key=lambda k: -regions[k].area_mm2):
        out[k] = _hidden(regions[k], ortho, covers, free, grain_deg)
    return tuple(out)


def _pieces(free: Bools) -> list[Bools]:
    """Return each piece of what covers the slab, (H, W), told apart within the box around all."""
    box = box_of(free)
    count, own = cv2.connectedComponents(free[box].view(np.uint8))
    covers = [np.zeros_like(free) for _ in range(1, count)]
    for number, cover in enumerate(covers, start=1):
        np.equal(own, number, out=cover[box])
    return covers


def _hidden(region: Region, ortho: Ortho, covers: Sequence[Bools], free: Bools, grain_deg: float) -> Hidden | None:
    """Add up what goes on under each of the ``covers``; what it takes is no longer ``free``."""
    shares, spreads, outlines = [0.0], [0.0], []
    for cover in covers:
        at = rim_at_cover(ortho, cover, region.outline_mm)
        if not len(at) or not _touches(region, ortho, cover):
            continue
        dish = region.kind in DISH_LAW
        told = _dish(region, at, grain_deg) if dish else _thin(region, at, ortho, cover)
        if told is None:
            continue
        outline, share, spread = told
        part, corner = _drawn(ortho, outline)
        box = np.s_[corner[1] : corner[1] + part.shape[0], corner[0] : corner[0] + part.shape[1]]
        room = part & free[box] & cover[box]
        free[box] &= ~part
        edges = cv2.findContours(room.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)[0]
        if edges:
            shares.append(share * float(room.sum()) / max(int(part.sum()), 1))
            spreads.append(spread)
            outlines.append(ortho.to_mm(max(edges, key=cv2.contourArea).reshape(-1, 2) + corner).round(3))
    if not outlines:
        return None
    rims = tuple(tuple((x, y) for x, y in rim.tolist()) for rim in outlines)
    return Hidden(sum(shares), max(spreads), rims, 0.0, Interval(0.0, 0.0))


def _drawn(ortho: Ortho, outline_mm: Floats) -> tuple[Bools, tuple[int, int]]:
    """Return the mask of an outline (N, 2) mm on its box of the picture, and the box's (column, row).

    What of it lies beyond the picture is left out.
    """
    points = np.round(ortho.to_px(outline_mm)).astype(np.int32)
    size = np.array(ortho.valid.shape[::-1])
    low, high = np.clip(points.min(axis=0), 0, size), np.clip(points.max(axis=0) + 1, 0, size)
    mask = np.zeros((high - low)[::-1], np.uint8)
    if mask.size:
        cv2.fillPoly(mask, [points - low.astype(np.int32)], 1)
    return mask.view(np.bool_), (int(low[0]), int(low[1]))


def _touches(region: Region, ortho: Ortho, cover: Bools) -> bool:
    """Tell whether a region's rim comes up to a cover."""
    rim = np.round(ortho.to_px(region.outline_mm)).astype(int)
    margin = int(TOUCH_PX) + 1
    low = np.maximum(rim.min(axis=0) - margin, 0)
    near = cover[low[1] : rim[:, 1].max() + margin + 1, low[0] : rim[:, 0].max() + margin + 1]
    away = cv2.distanceTransform((~near).astype(np.uint8), cv2.DIST_L2, 5)
    column, row = np.clip(rim - low, 0, np.array(near.shape[::-1]) - 1).T
    return bool(near.any() and away[row, column].min() <= TOUCH_PX)


def _dish(region: Region, at: Floats, grain_deg: float) -> tuple[Floats, float, float]:
    """Return the outline (N, 2) mm of the ellipse's hidden part, the share of volume in it, and its log's error."""
    stretch, (start, by_disc, by_bare, spread) = STRETCH[region.kind], DISH_LAW[region.kind]
    bare = max(region.area_mm2, LEAST_MM2)
    angle = np.deg2rad(grain_deg)
    squeeze = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    squeeze[0] /= stretch
    apart = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1))
    one, other = at[list(np.unravel_index(int(apart.argmax()), apart.shape))]
    ends = np.array([one, other]) @ squeeze.T
    chord = float(np.hypot(*(ends[1] - ends[0])))
    radius, to_bare = _circle(bare / stretch, chord)
    along = (ends[1] - ends[0]) / chord
    inward = np.array([-along[1], along[0]])
    back = np.linalg.inv(squeeze).T
    if (region.outline_mm @ squeeze.T - ends[0]).mean(axis=0) @ inward > 0:
        inward = -inward
    centre = ends.mean(axis=0) - to_bare * inward
    turn = np.linspace(0.0, 2.0 * np.pi, 180, endpoint=False)
    round_ = centre + radius * np.column_stack([np.cos(turn), np.sin(turn)])
    arc = round_[(round_ - ends[0]) @ inward > 0]
    order = np.argsort(np.arctan2((arc - ends.mean(axis=0)) @ inward, (arc - ends.mean(axis=0)) @ along))
    disc = max(np.pi * radius**2 * stretch - bare, 0.0)
    share = np.exp(start) * (disc + SMALL_MM2) ** by_disc * bare**by_bare
    part = np.vstack([ends[1:], arc[order], ends[:1]]) @ back
    # Where a board's corner cuts in, the void fills what lies between the corner and the chord, too.
    whole = cv2.convexHull(np.vstack([part, at]).astype(np.float32))[:, 0].astype(np.float64)
    share *= (abs(polygon_area(whole)) + SMALL_MM2) / (abs(polygon_area(part)) + SMALL_MM2)
    return whole, float(share), spread


def _circle(area: float, chord: float) -> tuple[float, float]:
    """Return a circle's radius and its centre's distance from a chord toward the side with this area (bisection)."""
    low, high = -50.0 * chord, 50.0 * chord
    for _ in range(60):
        to = (low + high) / 2
        half = np.arctan2(chord / 2, -to)
        small = (to**2 + chord**2 / 4) * (half - np.sin(2 * half) / 2) < area
        low, high = (to, high) if small else (low, to)
    return float(np.hypot(chord / 2, low)), low


def _thin(region: Region, at: Floats, ortho: Ortho, cover: Bools) -> tuple[Floats, float, float] | None:
    """Return the outline (4, 2) mm of a strip ahead of a crack, the share of volume in it, and its log's error."""
    start, by_length, spread = THIN_LAW[region.kind]
    end = at.mean(axis=0)
    near = region.outline_mm[np.hypot(*(region.outline_mm - end).T) < NEAR_MM]
    way = end - near.mean(axis=0)
    size = float(np.hypot(*way))
    if size < 1.0 or not _covered(cover, ortho, end + AHEAD_MM * way / size):
        return None
    way /= size
    beside = max(region.width_mean_mm, 2 * ortho.mm_per_px) / 2 * np.array([-way[1], way[0]])
    tip = end + DRAWN_MM * way
    share = np.exp(start) * (max(region.length_mm, LEAST_SEEN_MM) / SEEN_MM) ** by_length
    return np.array([end + beside, tip + beside, tip - beside, end - beside]), float(share), spread


def _covered(cover: Bools, ortho: Ortho, place_mm: Floats) -> bool:
    column, row = np.round(ortho.to_px(place_mm)[0]).astype(int)
    height, width = cover.shape
    return bool(0 <= column < width and 0 <= row < height and cover[row, column])
