"""A thing without depth is no void: bring parallax to bear on what a region is, by Bayes' rule.

Each kind says how likely the photos from several places would have shown what they did, if the region were of it: a
flat thing lies at the level of the wood around, a dish shows its floor, a shaft its floor, or walls above it, or
nothing that two photos have in common. Anything may be read wrong altogether, with a small chance.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from voidmap.depth.fuse import ASTRAY, ASTRAY_LOG_RANGE, SHALLOWEST_WALL_MM, log_mu, log_sd, walls_density
from voidmap.depth.hidden import DISHES, OPEN_MOST
from voidmap.depth.prior import log_mean_depth
from voidmap.model import Floats, Region
from voidmap.records import DepthEstimate, Kind

FLAT_MM = 0.25
"""Standard deviation of a flat thing's mean depth against the wood around it: a knot stands proud or shrinks so much
(an estimate; of 182 flat things on simulated slabs 90 of 100 read between -0.5 and 0.2 mm)."""
FLAT_ERROR_MM = 0.3
"""The level of the wood is known at least so well: the error of a depth grows with it, that of a flat thing doesn't."""
FLAT_ASTRAY = 0.1
"""Chance that a flat thing is read as deep as anything: on simulated slabs 2 of 100 read more than 1 mm from three
photos, 7 from two; with an allowance for wet places and grain along the way between the cameras."""
LEAST_MM = 0.05
UNMATCHED, UNMATCHED_SHAFT = 0.03, 0.45
"""Chance that next to nothing of a thing matches that is wide enough: on simulated slabs none of 180 flat things (with
an allowance for wet and black ones), 1 of 70 dishes, 13 of 28 holes of knots."""
_NODES = np.linspace(-3.0, 3.0, 61)
_ROOT_2PI = float(np.sqrt(2 * np.pi))


def revise_kind(region: Region, estimates: Sequence[DepthEstimate]) -> tuple[Kind, float]:
    """Return a region's kind and its chance of being a void, with the measured depth taken in.

    Without a parallax measurement these are the region's own. With one, each kind's chance is multiplied by how
    likely the measured depth is for it.
    """
    measured = next((e for e in estimates if e.source == "parallax"), None)
    if measured is None:
        return region.kind, region.void_probability
    chances = {kind: p * _likelihood(kind, measured, region) for kind, p in region.kind_chances.items()}
    whole = sum(chances.values())
    if whole <= 0:
        return region.kind, region.void_probability
    void = sum(p for kind, p in chances.items() if kind.is_void) / whole
    group = {kind: p for kind, p in chances.items() if kind.is_void == (void >= 0.5)}
    return max(group, key=lambda kind: group[kind]), float(void)


def revise_void_probability(region: Region, estimates: Sequence[DepthEstimate]) -> float:
    """Return a region's chance of being a void, with the measured depth taken in."""
    return revise_kind(region, estimates)[1]


def _likelihood(kind: Kind, measured: DepthEstimate, region: Region) -> float:
    """Density of what was measured, 1/mm, were the region of this kind; of an unmatched one, its chance."""
    shaft = kind.is_void and kind not in DISHES
    unmatched = UNMATCHED_SHAFT if shaft else UNMATCHED
    if measured.floor_seen <= 0:
        return unmatched
    depth_mm = measured.mean_mm
    error_mm = max(log_sd(measured) * depth_mm, LEAST_MM)
    anywhere = 1 / (max(depth_mm, SHALLOWEST_WALL_MM) * ASTRAY_LOG_RANGE)
    astray = ASTRAY if kind.is_void else FLAT_ASTRAY
    if not kind.is_void:
        met = float(_normal(depth_mm, 0.0, float(np.hypot(min(error_mm, FLAT_ERROR_MM), FLAT_MM))))
    else:
        prior = log_mean_depth(kind, area_mm2=region.area_mm2, thickness_mm=None, width_mean_mm=region.width_mean_mm)
        depths = np.exp(prior.mu + prior.sd * _NODES)
        weight = np.exp(-0.5 * _NODES**2)
        met = float(weight @ _normal(depth_mm, depths, np.hypot(error_mm, 0.1 * depths)) / weight.sum())
        if shaft:
            seen = min(measured.floor_seen, OPEN_MOST)
            met = seen * met + (1 - seen) * walls_density(log_mu(measured), prior.mu, prior.sd) / depth_mm
    return (1 - unmatched) * ((1 - astray) * met + astray * anywhere)


def _normal(x: float, middle: Floats | float, sd: Floats | float) -> Floats:
    return np.asarray(np.exp(-0.5 * ((x - middle) / sd) ** 2) / (sd * _ROOT_2PI))
