"""Depth of every void that a lamp's shadow falls into, from the one photo that was taken by its light."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from voidmap.depth.falloff import nearness_by_light
from voidmap.depth.floor import fit_floor
from voidmap.depth.fuse import log_mu, log_sd
from voidmap.depth.hidden import DISHES, Hidden, pierced_chance, tinted_chance
from voidmap.depth.lamp import Lamp, refuse_near, solve_lamp
from voidmap.depth.peg import PegShadow
from voidmap.depth.prior import HALVED_BY_EDGE, USUAL_THICKNESS_MM, mixed_prior, through_estimate
from voidmap.depth.shadow import ShadowEdge, shadow_edge
from voidmap.model import Floats, Ortho, Plane, Region, SlabFound
from voidmap.records import DepthEstimate

LEAST_RAYS = 8
"""Fewer rays than this with an end in sight may be chance: a pale streak on a dark floor."""
LEAST_RAY_SHARE = 0.15
"""... and so are they when most rays of the void show no end."""
LEAST_CHANCE = 0.05
"""A region that is a void with less than this chance is left out."""
ASTRAY = 0.1
"""Chance that a shadow's edge is none (a dark streak on a dark floor): about 1 in 10 voids on simulated slabs."""
ASTRAY_LOG_RANGE = float(np.log(50.0 / 0.3))
"""Where the depth lands then: anywhere on the log scale between 0.3 and 50 mm."""
LEAST_BOUND_MM = 0.2
AT_EDGE_REL = 0.3
"""Error (log) more where a void opens on the slab's edge: its floor is taken to rise to all of its outline, but falls
to its mouth (38 simulated ones scatter by so much more than the others)."""
UNSEEN = Hidden(largest=0.3)
"""What a shadow's edge leaves unseen of a dish: it shows the floor along a line, and a pit may lie in the dark beside
it. Of 114 dishes measured so on 94 simulated photos 29 in 100 went through: 12 of the 16 that were met at half of the
slab's thickness and deeper, 21 of the other 98."""


@dataclass(frozen=True, eq=False)
class LampLight:
    """A photo taken by the light of one lamp: square-on, its plane, the lamp."""

    ortho: Ortho
    plane: Plane
    lamp: Lamp


def lamp_light(pegs: Sequence[PegShadow], ortho: Ortho, plane: Plane, slab: SlabFound) -> LampLight:
    """Find the lamp from the shadows of pegs and from how its light falls off.

    Parameters
    ----------
    pegs
        At least one.
    ortho, plane
        The photo by lamp light, square-on, and its plane.
    slab
        The slab's top, with masks on ``ortho``.

    Raises
    ------
    CantTell
        When the lamp is too near for what is known of it.
    ValueRefused
        When the pegs' shadows contradict each other.
    """
    first = pegs[0]
    throw = first.foot_mm - first.tip_mm
    by_light = None
    if first.lamp_share is not None:
        by_light = nearness_by_light(
            ortho,
            plane,
            slab.mask & ~slab.covered & ortho.valid,
            slab.covered & ortho.valid,
            at_mm=first.foot_mm,
            azimuth_rad=float(np.arctan2(throw[1], throw[0])),
            tan_elevation=first.height_mm / first.length_mm,
            lamp_share=first.lamp_share,
        )
    lamp = solve_lamp(pegs, by_light=by_light)
    refuse_near(lamp, slab.outline_mm)
    return LampLight(ortho, plane, lamp)


def add_shadow(
    regions: Sequence[Region],
    known: Sequence[tuple[DepthEstimate, ...]],
    light: LampLight,
    *,
    thickness_mm: float | None,
) -> tuple[tuple[DepthEstimate, ...], ...]:
    """Add what the lamp's shadow says to the estimates of each region's depth.

    Parameters
    ----------
    regions, known
        The regions and their estimates so far, the prior first.
    light
        The photo by lamp light.
    thickness_mm
        The slab's thickness; None when unknown.

    Returns
    -------
    tuple
        One tuple of estimates a region. Where the shadow reaches the far wall the prior is cut below what the shadow
        leaves possible.
    """
    return tuple(_with_shadow(r, e, light, thickness_mm) for r, e in zip(regions, known, strict=True))


def _with_shadow(
    region: Region, known: tuple[DepthEstimate, ...], light: LampLight, thickness_mm: float | None
) -> tuple[DepthEstimate, ...]:
    if region.void_probability < LEAST_CHANCE or any(e.source == "through" for e in known):
        return known
    deepest = thickness_mm or USUAL_THICKNESS_MM
    edge = shadow_edge(region.outline_mm, light.ortho, light.plane, light.lamp, deepest_mm=deepest)
    if edge is None:
        return known
    if len(edge.depth_mm) >= max(LEAST_RAYS, LEAST_RAY_SHARE * edge.rays):
        seen = shadow_estimate(edge, region.outline_mm, light.lamp, known, deepest_mm=deepest)
        return (*known, _may_go_through(seen, region, float(edge.depth_mm.max()), deepest))
    if edge.at_least_mm < LEAST_BOUND_MM:
        return known
    chance = tinted_chance(region.through_probability, region.kind)
    raised = mixed_prior(
        region.kind_chances,
        area_mm2=region.area_mm2,
        width_mean_mm=region.width_mean_mm,
        thickness_mm=thickness_mm,
        through=chance if chance > 0 else None,
        at_least_mm=edge.at_least_mm,
        opens_on_edge=region.opens_on_edge,
    )
    return tuple(raised if e.source == "prior" else e for e in known)


def shadow_estimate(
    edge: ShadowEdge, outline_mm: Floats, lamp: Lamp, known: Sequence[DepthEstimate], *, deepest_mm: float
) -> DepthEstimate:
    """Turn the edge of a void's shadow into an estimate of its mean depth.

    The errors: ``own_rel`` from the floor's shape, and from the chance that the edge is none, the greater the less the
    prior in ``known`` expects such a depth; ``shared_rel["lamp"]`` from the peg, ``shared_rel["lamp's distance"]``
    with a sign: a lamp nearer than thought makes voids on its side too shallow and the others too deep.
    """
    rim = np.vstack([edge.rim_mm, edge.far_rim_mm])
    met = np.concatenate([edge.depth_mm, edge.far_mm])
    beyond = np.arange(len(met)) >= len(edge.depth_mm)
    fit = fit_floor(outline_mm, rim, *lamp.level_way(rim), met, deepest_mm=deepest_mm, beyond=beyond)
    middle = outline_mm.mean(axis=0)
    drawn = np.log(lamp.drawn_tangents(middle))
    elevation = float(np.std(np.log(lamp.draws[:, 1])))
    distance = max(float(np.std(drawn)) ** 2 - elevation**2, 0.0) ** 0.5
    side = float((middle - lamp.at_mm) @ [np.cos(lamp.azimuth_rad), np.sin(lamp.azimuth_rad)])
    own = _doubted(fit.mean_log, fit.mean_sd, known)
    spread = float(np.sqrt(own**2 + elevation**2 + distance**2))
    mean = min(float(np.exp(fit.mean_log + spread**2 / 2)), deepest_mm)
    greatest = float(np.clip(np.exp(fit.greatest_log), mean, deepest_mm))
    shared = {"lamp": elevation, "lamp's distance": float(np.copysign(distance, side))}
    return DepthEstimate("shadow", mean, greatest, own, shared)


def _may_go_through(seen: DepthEstimate, region: Region, met_mm: float, thickness_mm: float) -> DepthEstimate:
    """Allow for a pit through the slab that the shadow's edge did not show: a dish that has one is deeper."""
    if region.opens_on_edge:
        seen = replace(seen, own_rel=float(np.hypot(seen.own_rel, AT_EDGE_REL)))
    if region.kind not in DISHES:
        return seen
    chance = pierced_chance(met_mm, thickness_mm, UNSEEN)
    area = region.area_mm2 * (HALVED_BY_EDGE if region.opens_on_edge else 1.0)
    pierced = through_estimate(thickness_mm, region.kind, area_mm2=area)
    deeper = max(log_mu(pierced) - log_mu(seen), 0.0)
    own = float(np.hypot(seen.own_rel, (chance * (1 - chance)) ** 0.5 * deeper))
    if chance < 0.5:  # Most likely there is none: only the doubt of it counts.
        return replace(seen, own_rel=own)
    mean = min(seen.mean_mm * float(np.exp(chance * deeper)), thickness_mm)
    return replace(seen, mean_mm=mean, max_mm=thickness_mm, own_rel=own)


def _doubted(mu: float, sd: float, known: Sequence[DepthEstimate]) -> float:
    """Widen an error by the chance, by Bayes' rule, that the edge is none."""
    prior = next((e for e in known if e.source == "prior"), None)
    if prior is None:
        return sd
    off, wide = mu - log_mu(prior), log_sd(prior)
    both = float(np.hypot(sd, wide))
    fits = float(np.exp(-0.5 * (off / both) ** 2)) / (both * (2 * np.pi) ** 0.5)
    wrong = ASTRAY / ASTRAY_LOG_RANGE
    chance = wrong / (wrong + (1 - ASTRAY) * fits)
    return float(np.sqrt((1 - chance) * sd**2 + chance * (off**2 + wide**2)))
