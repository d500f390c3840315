"""Readings of a depth gauge: what they say of a void, and where to put the dots."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from voidmap.depth.fuse import combine
from voidmap.depth.prior import through_estimate
from voidmap.depth.shape import mean_over_max, profile, strata_dots
from voidmap.records import Defect, DepthEstimate, Point

GAUGE_MM = 0.5
"""Standard error of a depth read with a rod or a caliper's tail on rough wood (common practice, no source)."""
MISSED_DEEPEST_REL = 0.05
"""One who looks for the deepest place stops this far above it (an estimate)."""
MET_BENCH = 0.95
"""A reading of this share of the slab's thickness has met the bench below a void that goes through."""
DOTS = 3
"""Dots in a large void."""
LARGE_MM2 = 400.0
"""A void of this area is large: 20 mm by 20 mm leaves room for three dots."""
DOT_SHAPE_REL = 0.35
"""How far a floor strays from the shape model at one place (log; an estimate, not measured)."""
SMALLEST_SHARE = 0.25
"""A dot where less than this share of the mean depth is expected says little: its reading is not scaled further up."""


def probe_dots(defect: Defect) -> tuple[Point, ...]:
    """Return the numbered dots (1, 2, ...) of a void, slab mm; the first near the deepest place.

    A large void has ``DOTS``, each reading scaled by the shape model; a small one has one.
    """
    if len(defect.outline_mm) < 3:
        return ()
    return strata_dots(profile(defect.outline_mm), DOTS if defect.area_mm2 >= LARGE_MM2 else 1)


def probe_estimate(
    defect: Defect,
    depth_mm: float,
    *,
    dot_mm: Point | None = None,
    error_mm: float | None = None,
    thickness_mm: float | None = None,
) -> DepthEstimate:
    """Turn a reading into an estimate of the void's mean depth.

    Parameters
    ----------
    defect
        The void; its kind and outline give the shape.
    depth_mm
        The reading: the greatest depth, or the depth at ``dot_mm``.
    dot_mm
        Where it was read (slab frame).
    error_mm
        Standard error of the gauge.
    thickness_mm
        The slab's thickness: a gauge that goes that deep has met the bench, and tells of a pit rather than a floor.

    Returns
    -------
    DepthEstimate
        With source "probe"; the shape's doubt is in its errors.
    """
    gauge_rel = (GAUGE_MM if error_mm is None else error_mm) / max(depth_mm, 1e-3)
    ratio, spread = mean_over_max(defect.kind)
    if dot_mm is None and thickness_mm is not None and depth_mm >= MET_BENCH * thickness_mm:
        pierced = through_estimate(thickness_mm, defect.kind, area_mm2=defect.area_mm2 or None)
        return replace(pierced, source="probe", max_mm=min(depth_mm, thickness_mm), greatest_read=True)
    if dot_mm is None or len(defect.outline_mm) < 3:
        own = float(np.sqrt(gauge_rel**2 + (spread / ratio) ** 2 + MISSED_DEEPEST_REL**2))
        return DepthEstimate("probe", depth_mm * ratio, depth_mm, own, greatest_read=True)
    shape = profile(defect.outline_mm)
    nearest = int(np.argmin(np.hypot(*(shape.points_mm - np.asarray(dot_mm)).T)))
    share = max(float(shape.share[nearest]), SMALLEST_SHARE)
    mean = depth_mm / share
    own = float(np.hypot(gauge_rel, DOT_SHAPE_REL))
    return DepthEstimate("probe", mean, max(depth_mm, mean / ratio), own)


def expected_reading_mm(defect: Defect) -> float:
    """Return the greatest depth that is expected of a void, mm."""
    if defect.depth is None or not defect.depth.estimates:
        return defect.depth.max_mm if defect.depth is not None else 0.0
    return combine(defect.depth.estimates).max_mm
