"""Size of a found thing on the slab, with intervals."""

from __future__ import annotations

import cv2
import numpy as np

from voidmap.model import Floats, Ortho, Plane
from voidmap.records import Interval, Kind, SizeIntervals
from voidmap.surface.mosaic import Bools
from voidmap.surface.odd import disc
from voidmap.surface.skeleton import longest_path, smoothed

# Half-width of a 95 % interval in standard deviations.
Z95 = 1.96
# 95 % of true rims lie so far from the found one, in the mean along the rim (mm; negative: inside of it), by kind.
# The 2.5th and 97.5th percentile, by the formula of ``area_interval``, over the finds (7 open seams to 194 cracks a
# kind) on simulated slabs 1 to 64 and 3000 to 3017, named by a model that had not seen them (find.py prints such
# figures for any photos): blur, walls that slope, teeth and shade of the rim, pieces that were not found, all count.
# Those of bark voids and knots' holes, whose rims are parted from the wood since, are over 342 and 202 finds on 194
# photos of slabs 2000900 to 39, 2005500 to 35 (three each), conifers 2001300 to 23 and figured boards 2002100 to 29.
RIM_OFF_MM = {
    Kind.CRACK: (-0.45, 1.45),
    Kind.KNOT_HOLE: (-2.05, 1.85),
    Kind.BARK_VOID: (-1.25, 1.6),
    Kind.HOLE: (-2.3, 0.65),
    Kind.SEAM_GAP: (-0.3, 0.5),
    Kind.SOUND_KNOT: (-0.6, 0.6),
    Kind.STAIN: (-1.15, 4.0),
}
# 95 % of true sizes lie between these multiples (natural logs) of the found one, by kind: length, mean and greatest
# width. The 2.5th and 97.5th percentile over the finds on 57 simulated slabs (47 knot holes; 3 open seams, which take
# the cracks'): ends that taper out, pieces that were not found or not parted. The lower ends of holes' widths come from
# another renderer, whose rims lie a quarter of a millimetre further in. Cracks' lengths and mean widths: 135 cracks of
# 61 slabs, judged whole from tip to tip (the interval holds 96 % of both).
SIZE_OFF = {
    Kind.CRACK: ((-0.2, 1.05), (-1.06, 0.7), (-0.68, 0.72)),
    Kind.SEAM_GAP: ((-0.2, 1.05), (-1.06, 0.7), (-0.89, 0.72)),
    Kind.HOLE: ((-1.35, 0.64), (-0.45, 0.6), (-0.55, 0.67)),
    Kind.KNOT_HOLE: ((-0.66, 0.22), (-0.34, 0.72), (-0.2, 0.76)),
    Kind.BARK_VOID: ((-0.86, 0.88), (-0.78, 0.5), (-0.47, 0.54)),
}
# A spine is traced where the mask is about this wide (px, from the middle to the rim).
SPINE_REACH_PX = 10.0
# The slab's outline is walked in steps of this size when its contact with a void is measured.
WALK_MM = 0.25
# The scale's doubt is taken on a square of this half side.
SQUARE_MM = 5.0


def spine_length_px(mask: Bools) -> float:
    """Length of a mask along its skeleton from tip to tip, px; at least the root of its area."""
    from skimage.morphology import skeletonize

    padded = np.pad(mask, 1).astype(np.uint8)
    reach = cv2.distanceTransform(padded, cv2.DIST_L2, 5)
    # A skeleton is found layer by layer: where a mask is wide, it is found as well, and sooner, in a smaller picture.
    shrink = max(1, int(reach.max() / SPINE_REACH_PX))
    if shrink > 1:
        size = (-(-padded.shape[1] // shrink), -(-padded.shape[0] // shrink))
        small = cv2.resize(padded * np.uint8(255), size, interpolation=cv2.INTER_AREA) > 127
        return max(shrink * spine_length_px(small), float(np.sqrt(mask.sum())))
    path = longest_path(skeletonize(padded.astype(bool)))
    length = float(np.hypot(*np.diff(smoothed(path), axis=0).T).sum()) if len(path) > 1 else 0.0
    if len(path):
        ends = path[[0, -1]].astype(int)
        length += float(reach[ends[:, 1], ends[:, 0]].sum())
    return max(length, float(np.sqrt(mask.sum())))


def greatest_width_px(mask: Bools) -> float:
    """Diameter of the greatest circle inside a mask, px."""
    reach = cv2.distanceTransform(np.pad(mask, 1).astype(np.uint8), cv2.DIST_L2, 5)
    return max(1.0, 2.0 * float(reach.max()) - 1.0)


def rim_length(outline: Floats, step: float) -> float:
    """Length of a closed outline after smoothing over ``step`` (in the outline's unit).

    The pixel steps of a marching-squares outline make it a few per cent too long; a running mean over a few
    points takes them out.
    """
    closed = np.vstack([outline, outline[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    count = max(8, int(along[-1] / step))
    places = np.linspace(0.0, along[-1], count, endpoint=False)
    points = np.column_stack([np.interp(places, along, closed[:, k]) for k in (0, 1)])
    return float(np.hypot(*np.diff(np.vstack([points, points[:1]]), axis=0).T).sum())


def area_interval(area_mm2: float, rim_length_mm: float, rim_off_mm: tuple[float, float], scale_rel: float) -> Interval:
    """95 % interval of an area.

    Parameters
    ----------
    area_mm2, rim_length_mm
        The area, and the length of its rim.
    rim_off_mm
        How far the true rim may lie from the one found, inward (negative) and outward: 95 % (see ``RIM_OFF_MM``).
    scale_rel
        1-sigma doubt of an area by the scale, as a share.
    """
    area = max(area_mm2, 1e-9)
    # In logs: a small thing's rim can't lie further in than its middle.
    inward, outward = abs(rim_off_mm[0]) * rim_length_mm / area, np.log1p(rim_off_mm[1] * rim_length_mm / area)
    scale = Z95 * scale_rel
    return Interval(area_mm2 / np.exp(np.hypot(inward, scale)), area_mm2 * np.exp(np.hypot(outward, scale)))


def size_intervals(
    kind: Kind, length_mm: float, width_mean_mm: float, width_max_mm: float, scale_rel: float
) -> SizeIntervals:
    """95 % intervals of a void's length and widths.

    Parameters
    ----------
    kind, length_mm, width_mean_mm, width_max_mm
        What void it is, and as measured.
    scale_rel
        1-sigma doubt of an area by the scale, as a share; a length's is half of it.
    """
    scale = Z95 * scale_rel / 2.0
    sizes = zip((length_mm, width_mean_mm, width_max_mm), SIZE_OFF[kind], strict=True)
    return SizeIntervals(
        *(Interval(s * np.exp(-np.hypot(lo, scale)), s * np.exp(np.hypot(hi, scale))) for s, (lo, hi) in sizes)
    )


def area_scale_rel(plane: Plane | None, points_mm: Floats) -> Floats:
    """Relative 1-sigma of an area at slab points (N, 2), from the plane's draws, (N,)."""
    count = len(points_mm)
    if plane is None or count == 0 or len(plane.draws) < 2:
        return np.zeros(count)
    side = SQUARE_MM * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], dtype=np.float64)
    pixels = plane.to_px((points_mm[:, None, :] + side[None]).reshape(-1, 2))
    areas = np.empty((len(plane.draws), count))
    for row in range(len(plane.draws)):
        places = plane.drawn(row).to_mm(pixels).reshape(count, 4, 2)
        x, y = places[..., 0], places[..., 1]
        areas[row] = 0.5 * np.sum(x * np.roll(y, -1, 1) - y * np.roll(x, -1, 1), axis=1)
    return np.asarray(areas.std(axis=0) / np.abs(areas.mean(axis=0)))


def edge_contact_mm(mask: Bools, corner: tuple[int, int], walk_mm: Floats, ortho: Ortho, reach_mm: float) -> float:
    """Length of the slab's outline that lies within ``reach_mm`` of a mask.

    ``walk_mm`` (N, 2) are points on the outline every ``WALK_MM`` (see ``walk_outline``).
    """
    reach = max(1, round(reach_mm / ortho.mm_per_px))
    padded = np.pad(mask, reach + 1).astype(np.uint8)
    grown = np.asarray(cv2.dilate(padded, disc(2 * reach + 1)))
    local = np.round(ortho.to_px(walk_mm) - np.array(corner) + reach + 1).astype(int)
    inside = ((local >= 0) & (local < np.array(grown.shape[::-1]))).all(axis=1)
    return float(np.count_nonzero(grown[local[inside, 1], local[inside, 0]])) * WALK_MM


def walk_outline(outline_mm: Floats) -> Floats:
    """Points every ``WALK_MM`` along a closed outline."""
    closed = np.vstack([outline_mm, outline_mm[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    places = np.arange(0.0, along[-1], WALK_MM)
    return np.column_stack([np.interp(places, along, closed[:, k]) for k in (0, 1)])
