"""Bays of the edge that may be voids: reported beside the outline, each with its chance, for someone to look at."""

from __future__ import annotations

import cv2
import numpy as np

from voidmap.model import Bay, Ortho, Plane, Region, SlabFound
from voidmap.records import Kind
from voidmap.surface.contour import border_of
from voidmap.surface.measure import (
    RIM_OFF_MM,
    area_interval,
    area_scale_rel,
    greatest_width_px,
    rim_length,
    size_intervals,
)

# A smaller bay asks for nothing at the bench: the outline is smoother than that.
LEAST_MM2 = 100.0


def bay_regions(ortho: Ortho, slab: SlabFound, plane: Plane | None = None) -> tuple[Region, ...]:
    """Return the bays beside the outline that may be voids.

    Parameters
    ----------
    ortho, slab
        The slab's top seen square-on, and where it was found.
    plane
        The plane that the picture was made with; ``None`` leaves the scale without doubt.

    Returns
    -------
    tuple of Region
        Each less likely a void than not, and flat so far; what more than half of it covers is outside of the outline.
    """
    return tuple(region for bay in slab.bays if (region := _region(bay, ortho, slab, plane)) is not None)


def _region(bay: Bay, ortho: Ortho, slab: SlabFound, plane: Plane | None) -> Region | None:
    mm = ortho.mm_per_px
    points = ortho.to_px(bay.outline_mm)
    left, top = np.maximum(np.floor(points.min(axis=0)).astype(int) - 2, 0)
    right, bottom = np.minimum(np.ceil(points.max(axis=0)).astype(int) + 3, ortho.valid.shape[::-1])
    if right - left < 5 or bottom - top < 5:
        return None
    box = (slice(top, bottom), slice(left, right))
    drawn = np.zeros((bottom - top, right - left), np.uint8)
    cv2.fillPoly(drawn, [np.round(points - (left, top)).astype(np.int32)], 1)
    mask = _largest(drawn * (ortho.valid[box] & ~slab.mask[box]))
    area = float(mask.sum()) * mm * mm
    if area < LEAST_MM2:
        return None
    outline = ortho.to_mm(border_of(mask) + np.array([left, top]))
    scale = float(area_scale_rel(plane, outline.mean(axis=0, keepdims=True))[0])
    length = max(bay.mouth_mm, float(np.sqrt(area)))
    width, widest = area / length, max(greatest_width_px(mask > 0) * mm, area / length)
    rim = rim_length(outline, 3.0 * mm)
    return Region(
        mask=mask > 0,
        corner=(int(left), int(top)),
        outline_mm=outline,
        kind=Kind.STAIN,
        void_probability=bay.chance,
        kind_chances={Kind.BARK_VOID: bay.chance, Kind.STAIN: 1.0 - bay.chance},
        area_mm2=area,
        area_interval_mm2=area_interval(area, rim, RIM_OFF_MM[Kind.BARK_VOID], scale),
        length_mm=length,
        width_mean_mm=width,
        width_max_mm=widest,
        rim_mm=rim,
        opens_on_edge=True,
        edge_opening_mm=bay.mouth_mm,
        through_probability=0.0,
        measures={},
        size_intervals_mm=size_intervals(Kind.BARK_VOID, length, width, widest, scale),
        beside_edge=True,
    )


def _largest(mask: np.ndarray) -> np.ndarray:
    """Return the largest piece of a mask, (h, w) uint8."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
    if count < 2:
        return np.zeros_like(mask)
    return np.asarray(labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA])), dtype=np.uint8)
