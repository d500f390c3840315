"""A thing without depth is no void: bring parallax to bear on what a region is, by Bayes' rule.

How well the photos match at the wood's own level tells a void from a flat thing (:mod:`voidmap.depth.flat`). Which void
it is hangs on the depth: a dish shows its floor; a shaft its floor, or walls above it, or nothing that two photos have
in common.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from voidmap.depth.fuse import ASTRAY, ASTRAY_LOG_RANGE, SHALLOWEST_WALL_MM, log_mu, log_sd, walls_density
from voidmap.depth.hidden import DISHES, FLOOR_MOST
from voidmap.depth.prior import log_mean_depth
from voidmap.model import Floats, Region
from voidmap.records import DepthEstimate, Kind

LEAST_MM = 0.05
UNMATCHED, UNMATCHED_SHAFT = 0.03, 0.45
"""Chance that next to nothing of a void matches that is wide enough: on simulated slabs 1 of 70 dishes, 13 of 28 holes
of knots."""
_NODES = np.linspace(-3.0, 3.0, 61)
_ROOT_2PI = float(np.sqrt(2 * np.pi))


def revise_kind(region: Region, estimates: Sequence[DepthEstimate]) -> tuple[Kind, float]:
    """Return a region's kind and its chance of being a void, with what photos from several places show taken in.

    Without a parallax measurement these are the region's own.
    """
    measured = next((e for e in estimates if e.source == "parallax"), None)
    if measured is None:
        return region.kind, region.void_probability
    voids = {kind: p for kind, p in region.kind_chances.items() if kind.is_void}
    flats = {kind: p for kind, p in region.kind_chances.items() if not kind.is_void}
    # The chances of kinds hold given that it is something: whether it is a void is told by the region's own chance.
    deep, flat = region.void_probability * float(np.exp(measured.void_nats)), 1 - region.void_probability
    void = deep / (deep + flat)
    if void < 0.5 and flats:
        return max(flats, key=lambda kind: flats[kind]), void
    if void >= 0.5 and voids:
        return max(voids, key=lambda kind: voids[kind] * _likelihood(kind, measured, region)), void
    return region.kind, void


def revise_void_probability(region: Region, estimates: Sequence[DepthEstimate]) -> float:
    """Return a region's chance of being a void, with what photos from several places show taken in."""
    return revise_kind(region, estimates)[1]


def _likelihood(kind: Kind, measured: DepthEstimate, region: Region) -> float:
    """Density of the measured depth, 1/mm, were the region a void of this kind; of an unmatched one, its chance."""
    shaft = kind not in DISHES
    unmatched = UNMATCHED_SHAFT if shaft else UNMATCHED
    if measured.floor_seen <= 0:
        return unmatched
    depth_mm = measured.mean_mm
    error_mm = max(log_sd(measured) * depth_mm, LEAST_MM)
    anywhere = 1 / (max(depth_mm, SHALLOWEST_WALL_MM) * ASTRAY_LOG_RANGE)
    prior = log_mean_depth(
        kind,
        area_mm2=region.area_mm2,
        thickness_mm=None,
        width_mean_mm=region.width_mean_mm,
        opens_on_edge=region.opens_on_edge,
    )
    depths = np.exp(prior.mu + prior.sd * _NODES)
    weight = np.exp(-0.5 * _NODES**2)
    met = float(weight @ _normal(depth_mm, depths, np.hypot(error_mm, 0.1 * depths)) / weight.sum())
    if shaft:
        seen = min(measured.floor_seen, FLOOR_MOST)
        met = seen * met + (1 - seen) * walls_density(log_mu(measured), prior.mu, prior.sd) / depth_mm
    return (1 - unmatched) * ((1 - ASTRAY) * met + ASTRAY * anywhere)


def _normal(x: float, middle: Floats | float, sd: Floats | float) -> Floats:
    return np.asarray(np.exp(-0.5 * ((x - middle) / sd) ** 2) / (sd * _ROOT_2PI))
