"""The depth stage: estimates of each region's depth by every method that its photos allow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from voidmap.depth.flat import may_be_flank
from voidmap.depth.fuse import Z95, with_pit
from voidmap.depth.hidden import DISHES, pierced_chance, tinted_chance
from voidmap.depth.prior import THROUGH_CHANCE, USUAL_THICKNESS_MM, mixed_prior, through_estimate
from voidmap.model import Ortho, Photo, Plane, Region
from voidmap.records import DepthEstimate

if TYPE_CHECKING:
    from voidmap.depth.parallax import Relief

THROUGH_SURE = 0.8
"""From this chance on a void is taken to go through the slab."""
DEPTH_BY_AREA = 0.5
"""A rim that is drawn too tight or too wide by a share of the area changes the mean depth by so much of that share: it
leaves out or takes in the shallow wall (a paraboloid; simulated voids with found rims agree)."""
AT_EDGE_REL, PAIR_AT_EDGE_REL = 0.15, 0.3
"""Error (log) more where a void opens on the slab's edge, from three photos and more, and from two: it is often deepest
at its mouth, and all photos look in from over the slab, so that its inner rim hides the floor behind it."""
AT_EDGE_BY_SPREAD, AT_EDGE_SPREAD = 0.3, (0.6, 2.0)
"""There it is read too shallow (log) by this much for each unit by which the matched depths spread (quartiles apart
over the median) more than the first of these, the last at most: part of what matched is then no floor. 68 simulated
voids from three photos read 0.06 too shallow on average where the spread is below 0.8, 0.27 up to 1.2, 0.46 beyond:
0.42 a unit (from two photos 0.5); fitted to those of 77 slabs, on 60 others it takes the mean error from 0.22
to 0.04 and its scatter from 0.31 to 0.23. Two voids of other renderers have a spread of 0.5 and read no less than true;
in poor photos one of them has more and would be made 0.2 too deep. So two thirds of it are taken. Away from the edge
the spread says nothing of that."""
AT_EDGE_SURE = (0.5, 0.8)
"""All of that where no more of it matched than the first share of its area, nothing where the second: then the spread
is the floor's own slope."""
PAIR_AT_EDGE = 0.05
"""What two photos read a void at the edge too shallow by (log) besides."""
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
    reliefs: tuple[Relief | None, ...] = (None,) * len(regions)
    if len(photos) > 1:
        reliefs = _reliefs(regions, ortho, photos, planes, thickness_mm)
    return tuple(
        _estimates(region, found, planes, thickness_mm) for region, found in zip(regions, reliefs, strict=True)
    )


def _reliefs(
    regions: Sequence[Region],
    ortho: Ortho,
    photos: Sequence[Photo],
    planes: Sequence[Plane],
    thickness_mm: float | None,
) -> tuple[Relief | None, ...]:
    """Return a depth map of each region that the photos can measure; one photo does not load what this takes."""
    from voidmap.depth.parallax import has_parallax, measurable, relief

    deep = has_parallax(planes)
    return tuple(
        relief(region, ortho, photos, planes, thickness_mm=thickness_mm)
        if deep and not region.beside_edge and measurable(region)
        else None
        for region in regions
    )


def _estimates(
    region: Region, found: Relief | None, planes: Sequence[Plane], thickness_mm: float | None
) -> tuple[DepthEstimate, ...]:
    """Return the prior, and what a depth map says where there is one.

    How deep a dish was met tells better than the tint of its floor in one photo whether it comes out below.
    """
    tinted = tinted_chance(region.through_probability, region.kind)
    if found is None:
        return _prior(region, thickness_mm, tinted)
    if region.kind not in DISHES or not found.measured_as(region.kind):
        return (*_prior(region, thickness_mm, tinted), _measured(found, region, planes, thickness_mm))
    pierced = pierced_chance(found.greatest_mm, thickness_mm or USUAL_THICKNESS_MM, found.hidden)
    seen = _measured(found, region, planes, thickness_mm, pierced)
    return (*_prior(region, thickness_mm, pierced), seen)


def _measured(
    found: Relief, region: Region, planes: Sequence[Plane], thickness_mm: float | None, pierced: float = 0.0
) -> DepthEstimate:
    """Turn a depth map into an estimate that allows for the chance that the void goes through."""
    from voidmap.depth.parallax import parallax_estimate

    seen = parallax_estimate(
        found,
        planes,
        kind=region.kind,
        thickness_mm=thickness_mm,
        pierced=pierced,
        may_be_flank=may_be_flank(
            opens_on_edge=region.opens_on_edge,
            width_mm=region.width_mean_mm,
            thickness_mm=thickness_mm or USUAL_THICKNESS_MM,
        ),
    )
    if not found.measured_as(region.kind):
        return seen
    lo, hi = region.area_interval_mm2
    rim = DEPTH_BY_AREA * (hi - lo) / (2 * Z95 * max(region.area_mm2, 1e-6))
    mouth = 0.0
    if region.opens_on_edge:
        mouth = PAIR_AT_EDGE_REL if found.views < 3 else AT_EDGE_REL
        mean = min(seen.mean_mm * float(np.exp(_deeper_at_edge(found))), thickness_mm or np.inf)
        seen = replace(seen, mean_mm=mean, max_mm=max(seen.max_mm, mean))
    seen = replace(seen, own_rel=float(np.linalg.norm([seen.own_rel, rim, mouth])))
    chance = min(region.through_probability or THROUGH_CHANCE.get(region.kind, 0.0), MOST_THROUGH)
    if region.kind in DISHES or chance >= THROUGH_SURE or thickness_mm is None:
        return seen
    return with_pit(seen, thickness_mm, chance)


def _deeper_at_edge(found: Relief) -> float:
    """Return by how much (log) a void at the edge is deeper than it was read."""
    (little, much), (usual, most) = AT_EDGE_SURE, AT_EDGE_SPREAD
    wider = min(max(found.spread - usual, 0.0), most - usual)
    hidden = min(max((much - found.sure) / (much - little), 0.0), 1.0)
    return (PAIR_AT_EDGE if found.views < 3 else 0.0) + AT_EDGE_BY_SPREAD * wider * hidden


def _prior(region: Region, thickness_mm: float | None, chance: float) -> tuple[DepthEstimate, ...]:
    prior = mixed_prior(
        region.kind_chances,
        area_mm2=region.area_mm2,
        width_mean_mm=region.width_mean_mm,
        thickness_mm=thickness_mm,
        through=chance if chance > 0 else None,
        opens_on_edge=region.opens_on_edge,
    )
    if chance >= THROUGH_SURE and thickness_mm is not None:
        return (prior, through_estimate(thickness_mm, region.kind, area_mm2=region.area_mm2))
    return (prior,)
