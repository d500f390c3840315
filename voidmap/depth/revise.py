"""A thing without depth is no void: bring parallax to bear on what a region is."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from voidmap.depth.fuse import log_sd
from voidmap.depth.prior import log_mean_depth
from voidmap.model import Region
from voidmap.records import DepthEstimate, Kind

FLAT_MM = 0.25
"""Standard deviation of a flat thing's mean depth against the wood around it: a knot stands proud or shrinks so much
(an estimate)."""
OUTLIER = 0.02
"""Chance that parallax is wrong altogether (a wet or mirror-like place): no measurement counts for more than this."""
_NODES = np.linspace(-3.0, 3.0, 61)


def revise_kind(region: Region, estimates: Sequence[DepthEstimate]) -> tuple[Kind, float]:
    """Return a region's kind and its chance of being a void, with the measured depth taken in.

    Without a parallax measurement these are the region's own. With one, each kind's chance is multiplied by how
    likely the measured depth is for it: near zero for flat kinds, the prior's range for voids.
    """
    measured = next((e for e in estimates if e.source == "parallax"), None)
    if measured is None:
        return region.kind, region.void_probability
    error_mm = max(log_sd(measured) * measured.mean_mm, 0.05)
    chances = {
        kind: p * _likelihood(kind, measured.mean_mm, error_mm, region.area_mm2)
        for kind, p in region.kind_chances.items()
    }
    whole = sum(chances.values())
    if whole <= 0:
        return region.kind, region.void_probability
    void = sum(p for kind, p in chances.items() if kind.is_void) / whole
    group = {kind: p for kind, p in chances.items() if kind.is_void == (void >= 0.5)}
    return max(group, key=lambda kind: group[kind]), float(void)


def revise_void_probability(region: Region, estimates: Sequence[DepthEstimate]) -> float:
    """Return a region's chance of being a void, with the measured depth taken in."""
    return revise_kind(region, estimates)[1]


def _likelihood(kind: Kind, mean_mm: float, error_mm: float, area_mm2: float) -> float:
    """Density of measuring this mean depth, 1/mm."""
    outlier = OUTLIER / 20.0
    if not kind.is_void:
        return outlier + (1 - OUTLIER) * _normal(mean_mm, float(np.hypot(error_mm, FLAT_MM)))
    prior = log_mean_depth(kind, area_mm2=area_mm2, thickness_mm=None)
    depths = np.exp(prior.mu + prior.sd * _NODES)
    weight = np.exp(-0.5 * _NODES**2)
    weight /= weight.sum()
    wide = np.hypot(error_mm, 0.1 * depths)
    return outlier + (1 - OUTLIER) * float(
        np.sum(weight * np.exp(-0.5 * ((mean_mm - depths) / wide) ** 2) / wide) / 2.5066
    )


def _normal(x: float, sd: float) -> float:
    return float(np.exp(-0.5 * (x / sd) ** 2) / (sd * 2.5066))
