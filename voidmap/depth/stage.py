"""The depth stage: estimates of each region's depth by every method that its photos allow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from voidmap.depth.fuse import Z95, with_pit
from voidmap.depth.hidden import DISHES
from voidmap.depth.parallax import Relief, has_parallax, measurable, parallax_estimate, relief
from voidmap.depth.prior import THROUGH_CHANCE, mixed_prior, through_estimate
from voidmap.model import Ortho, Photo, Plane, Region
from voidmap.records import DepthEstimate

THROUGH_SURE = 0.8
"""From this chance on a void is taken to go through the slab."""
DEPTH_BY_AREA = 0.5
"""A rim that is drawn too tight or too wide by a share of the area changes the mean depth by so much of that share: it
leaves out or takes in the shallow wall (a paraboloid; simulated voids with found rims agree)."""
AT_EDGE_REL = 0.15
"""Error (log) more where a void opens on the slab's edge: it is often deepest at its mouth, where it is seen least (13
such simulated voids read 0.16 too shallow, two of another renderer not)."""
MOST_THROUGH = 0.97
"""No tint of a bench makes it surer than this that a void goes through."""


def estimate_depths(
    regions: Sequence[Region],
    ortho: Ortho,
    photos: Sequence[Photo],
    planes: Sequence[Plane],
    *,
    thickness_mm: float | None,
) -> tuple[tuple[DepthEstimate, ...], ...]:
    """Estimate the depth of each region.

    Parameters
    ----------
    regions
        Found in ``ortho``; flat things too.
    ortho
        The first photo laid square-on.
    photos, planes
        One plane a photo, all in one slab frame.
    thickness_mm
        The slab's thickness; None when unknown.

    Returns
    -------
    tuple
        One tuple of estimates a region. Every region that may be a void has a prior; measurements follow.
    """
    deep = has_parallax(planes)
    out = []
    for region in regions:
        known = _prior(region, thickness_mm)
        if deep and not region.beside_edge and measurable(region):
            found = relief(region, ortho, photos, planes, thickness_mm=thickness_mm)
            if found is not None:
                known = (*known, _measured(found, region, planes, thickness_mm))
        out.append(known)
    return tuple(out)


def _measured(found: Relief, region: Region, planes: Sequence[Plane], thickness_mm: float | None) -> DepthEstimate:
    """Turn a depth map into an estimate that allows for the chance that the void goes through."""
    chance = min(region.through_probability or THROUGH_CHANCE.get(region.kind, 0.0), MOST_THROUGH)
    seen = parallax_estimate(found, planes, kind=region.kind, thickness_mm=thickness_mm, through=chance)
    if not found.measured:
        return seen
    lo, hi = region.area_interval_mm2
    rim = DEPTH_BY_AREA * (hi - lo) / (2 * Z95 * max(region.area_mm2, 1e-6))
    mouth = AT_EDGE_REL if region.opens_on_edge else 0.0
    seen = replace(seen, own_rel=float(np.linalg.norm([seen.own_rel, rim, mouth])))
    if region.kind in DISHES or chance >= THROUGH_SURE or thickness_mm is None:
        return seen
    return with_pit(seen, thickness_mm, chance)


def _prior(region: Region, thickness_mm: float | None, at_least_mm: float = 0.0) -> tuple[DepthEstimate, ...]:
    chance = region.through_probability
    prior = mixed_prior(
        region.kind_chances,
        area_mm2=region.area_mm2,
        width_mean_mm=region.width_mean_mm,
        thickness_mm=thickness_mm,
        through=chance if chance > 0 else None,
        at_least_mm=at_least_mm,
    )
    if chance >= THROUGH_SURE and thickness_mm is not None:
        return (prior, through_estimate(thickness_mm, region.kind, area_mm2=region.area_mm2))
    return (prior,)
