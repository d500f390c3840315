"""What may be said of a void's depth before anything is measured: from its kind, size and the slab's thickness.

Where it comes from. The greatest depth is taken as log-normal; each range below is an estimate from how such
voids arise, stated as the range that holds 95 voids of 100 (common practice, no source, unless said):

crack
    A drying check runs from the surface toward the pith and seldom past the middle of the thickness: 1/12 of
    the thickness to all of it. Its mouth gapes with its depth: a crack of depth a from the edge of an elastic body
    under a strain e opens by 5.8 e a (linear fracture mechanics, Tada, Paris and Irwin's handbook, from memory). The
    strain differs from check to check, and a check closes at the surface when the core dries: 0.3 to 9 % of it hold
    95 of 100, so that the depth is 2 to 60 times the mean width. Both say something; they are weighed together.
seam_gap
    An open glue seam gapes from a few mm to the whole thickness: 1/15 of the thickness to all of it.
bark_void
    A bark inclusion is a dish: its depth goes with its extent, 1/8 to all of the square root of its area (a
    half ball has 0.4 of it). Where it opens on the slab's edge the edge took about half of the dish: the extent is
    that of twice its area (64 such voids found on 117 simulated slabs are 1.3 times as deep as that).
knot_hole
    A knot is a cone that narrows toward the pith: depth from 1/3 of its diameter to three diameters; three in
    ten go through.
hole
    Beetles' holes are a few mm to a few cm deep: 1.5 to 25 mm.

A void that comes out below is as deep as the slab at its deepest only; its mean depth is less, by its shape
(``PIERCED_DISH_REL``, ``PIERCED_KNOT_REL``): of the truths at hand, knots' holes have 0.4 to 1.0 of the thickness, bark
voids 0.1 to 0.75, the more the wider they are.

All voids of one slab and kind dried and grew together: part of the error is shared.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from voidmap.depth.shape import mean_over_max
from voidmap.records import DepthEstimate, Kind

Z95 = 1.959964
USUAL_THICKNESS_MM = 45.0
"""A slab's thickness when none is given (a dressed two-inch slab is 40 to 50 mm; common practice, no source)."""
SHARED_PART = 0.25
"""Share of the prior's log-variance that all voids of one kind on one slab have in common (an estimate)."""
THROUGH_CHANCE: dict[Kind, float] = {Kind.KNOT_HOLE: 0.3, Kind.CRACK: 0.03, Kind.SEAM_GAP: 0.05, Kind.BARK_VOID: 0.15}
"""Chance that a void goes through the slab when the photo does not tell (an estimate)."""
CRACK_RANGE_REL = (1 / 12, 1.0)
CRACK_RANGE_WIDTHS = (1.9, 57.0)
"""Greatest depth of a check over its mean width: 1 / (5.8 strain), with strains of 9 to 0.3 %."""
SEAM_RANGE_REL = (1 / 15, 1.0)
BARK_RANGE_REL = (1 / 8, 1.0)
HALVED_BY_EDGE = 2.0
"""Area of a whole dish over that of one which the slab's edge cuts, on average."""
KNOT_RANGE_REL = (1 / 3, 3.0)
HOLE_RANGE_MM = (1.5, 25.0)
PIERCED_DISH_REL = 0.33
PIERCED_DISH_POWER = 0.7
"""Mean depth over the slab's thickness of a bark void that comes out below: ``PIERCED_DISH_REL`` times this power of
the root of its area over the thickness. It comes out at a pit, and the rest is as deep as a dish of that extent. Fitted
to 20 such voids of simulated slabs, which scatter by 0.22 (log)."""
PIERCED_DISH_LOG, PIERCED_DISH_LOG_ALONE = 0.35, 0.5
"""Spread of that with the area known (log; an allowance for other woods) and without."""
PIERCED_DISH_MOST = 0.9
PIERCED_KNOT_REL = (0.5, 1.0)
"""The same of a knot's hole: between a frustum whose floor is 4/10 as wide as its rim (0.52 of the cylinder, exact
solid geometry) and a cylinder. A branch tapers little over a slab's thickness, so no cone."""
PIT_REL = 0.4
"""A check that comes out below may do so at one place only, with a shallow rest (log; an estimate)."""
_NODES = np.linspace(-4.0, 4.0, 161)


@dataclass(frozen=True)
class LogDepth:
    """Mean and standard deviation of the natural log of a depth in mm."""

    mu: float
    sd: float


def _greatest(kind: Kind, area_mm2: float, thickness_mm: float, width_mm: float) -> LogDepth:
    root = max(area_mm2, 0.05) ** 0.5
    unit_mm, (lo, hi) = {
        Kind.CRACK: (thickness_mm, CRACK_RANGE_REL),
        Kind.SEAM_GAP: (thickness_mm, SEAM_RANGE_REL),
        Kind.BARK_VOID: (root, BARK_RANGE_REL),
        Kind.KNOT_HOLE: (2 * root / np.pi**0.5, KNOT_RANGE_REL),
    }.get(kind, (1.0, HOLE_RANGE_MM))
    usual = _ranged(unit_mm, lo, hi)
    if kind is Kind.CRACK and width_mm > 0:
        return _both(usual, _ranged(width_mm, *CRACK_RANGE_WIDTHS))
    return usual


def _ranged(unit_mm: float, lo: float, hi: float) -> LogDepth:
    """Return the log-normal that holds 95 of 100 between two multiples of a length."""
    return LogDepth(float(np.log(unit_mm) + np.log(lo * hi) / 2), float(np.log(hi / lo) / (2 * Z95)))


def _both(a: LogDepth, b: LogDepth) -> LogDepth:
    """Weigh two independent statements of one depth together."""
    wa, wb = 1 / a.sd**2, 1 / b.sd**2
    return LogDepth((wa * a.mu + wb * b.mu) / (wa + wb), (wa + wb) ** -0.5)


def _within(log: LogDepth, thickness_mm: float) -> LogDepth:
    """Cut a log-normal at the slab's thickness and match its first two log moments."""
    x = log.mu + log.sd * _NODES
    weight = np.exp(-0.5 * _NODES**2) * (x <= np.log(thickness_mm))
    if weight.sum() < 1e-9:
        return LogDepth(float(np.log(thickness_mm)) - 0.3, 0.3)
    mu = float(np.sum(weight * x) / weight.sum())
    return LogDepth(mu, float(np.sum(weight * (x - mu) ** 2) / weight.sum()) ** 0.5)


def _mixed(parts: list[tuple[float, LogDepth]]) -> LogDepth:
    """Match the first two moments of a mixture of log-normals."""
    weight = np.array([w for w, _ in parts])
    weight = weight / weight.sum()
    mu = np.array([p.mu for _, p in parts])
    sd = np.array([p.sd for _, p in parts])
    middle = float(weight @ mu)
    return LogDepth(middle, float(weight @ (sd**2 + (mu - middle) ** 2)) ** 0.5)


def log_mean_depth(
    kind: Kind,
    *,
    area_mm2: float,
    thickness_mm: float | None,
    through: float | None = None,
    width_mean_mm: float = 0.0,
    opens_on_edge: bool = False,
) -> LogDepth:
    """Return the prior of a void's mean depth on the log scale.

    Parameters
    ----------
    kind
        The void's kind.
    area_mm2
        Its area at the top.
    thickness_mm
        The slab's thickness; without it a usual one is taken.
    through
        Chance that it goes through; without it the kind's usual chance is taken.
    width_mean_mm
        Its mean width, which tells of a crack's depth; 0 when unknown.
    opens_on_edge
        Whether the slab's edge cuts it.
    """
    slab = thickness_mm or USUAL_THICKNESS_MM
    if opens_on_edge and kind is Kind.BARK_VOID:
        area_mm2 *= HALVED_BY_EDGE
    ratio, spread = mean_over_max(kind)
    greatest = _within(_greatest(kind, area_mm2, slab, width_mean_mm), slab)
    blind = LogDepth(greatest.mu + float(np.log(ratio)), float(np.hypot(greatest.sd, spread / ratio)))
    chance = THROUGH_CHANCE.get(kind, 0.0) if through is None else through
    return _mixed([(1.0 - chance, blind), (chance, _pierced(kind, slab, area_mm2))])


def prior_estimate(
    kind: Kind,
    *,
    area_mm2: float,
    width_mean_mm: float = 0.0,
    thickness_mm: float | None,
    through: float | None = None,
    at_least_mm: float = 0.0,
    opens_on_edge: bool = False,
) -> DepthEstimate:
    """Return the prior for one kind; see :func:`mixed_prior`."""
    return mixed_prior(
        {kind: 1.0},
        area_mm2=area_mm2,
        width_mean_mm=width_mean_mm,
        thickness_mm=thickness_mm,
        through=through,
        at_least_mm=at_least_mm,
        opens_on_edge=opens_on_edge,
    )


def mixed_prior(
    chances: Mapping[Kind, float],
    *,
    area_mm2: float,
    thickness_mm: float | None,
    through: float | None = None,
    at_least_mm: float = 0.0,
    width_mean_mm: float = 0.0,
    opens_on_edge: bool = False,
) -> DepthEstimate:
    """Return the prior of a void whose kind is known with chances only.

    Parameters
    ----------
    chances
        Probability of each kind; flat kinds are left out (the prior holds given that it is a void).
    area_mm2, thickness_mm, through, width_mean_mm, opens_on_edge
        As for :func:`log_mean_depth`.
    at_least_mm
        A mean depth that was seen: the prior is cut below it.

    Returns
    -------
    DepthEstimate
        ``mean_mm`` is the expected mean depth; ``own_rel`` and ``shared_rel`` are standard deviations of its log.
    """
    voids = {k: max(p, 0.0) for k, p in chances.items() if k.is_void}
    if sum(voids.values()) <= 0:
        voids = {Kind.HOLE: 1.0}
    parts = [
        (
            p,
            log_mean_depth(
                k,
                area_mm2=area_mm2,
                thickness_mm=thickness_mm,
                through=through,
                width_mean_mm=width_mean_mm,
                opens_on_edge=opens_on_edge,
            ),
        )
        for k, p in voids.items()
    ]
    log = _mixed(parts)
    if at_least_mm > 0:
        log = above(log, at_least_mm)
    kind = max(voids, key=lambda k: voids[k])
    slab = thickness_mm or USUAL_THICKNESS_MM
    mean = min(float(np.exp(log.mu + log.sd**2 / 2)), slab)
    greatest = min(mean / mean_over_max(kind)[0], slab)
    return DepthEstimate(
        source="prior",
        mean_mm=mean,
        max_mm=greatest,
        own_rel=log.sd * (1 - SHARED_PART) ** 0.5,
        shared_rel={f"usual depth of a {kind.value}": log.sd * SHARED_PART**0.5},
    )


def above(log: LogDepth, floor_mm: float) -> LogDepth:
    """Cut a log-normal below a depth that was seen and match its first two log moments."""
    x = log.mu + log.sd * _NODES
    weight = np.exp(-0.5 * _NODES**2) * (x >= np.log(floor_mm))
    if weight.sum() < 1e-6:
        return LogDepth(float(np.log(floor_mm)) + 0.3, 0.3)
    mu = float(np.sum(weight * x) / weight.sum())
    return LogDepth(mu, max(float(np.sum(weight * (x - mu) ** 2) / weight.sum()) ** 0.5, 0.15))


def _pierced(kind: Kind, thickness_mm: float, area_mm2: float | None) -> LogDepth:
    """Return the mean depth of a void that comes out below: the thickness at its deepest, but its walls slope."""
    if kind is Kind.BARK_VOID:
        if area_mm2 is None:
            return LogDepth(float(np.log(PIERCED_DISH_REL * thickness_mm)), PIERCED_DISH_LOG_ALONE)
        share = PIERCED_DISH_REL * (max(area_mm2, 0.05) ** 0.5 / thickness_mm) ** PIERCED_DISH_POWER
        return LogDepth(float(np.log(min(share, PIERCED_DISH_MOST) * thickness_mm)), PIERCED_DISH_LOG)
    if kind is Kind.KNOT_HOLE:
        lo, hi = PIERCED_KNOT_REL
        middle = (lo + hi) / 2
        return LogDepth(float(np.log(middle * thickness_mm)), (hi - lo) / 12**0.5 / middle)
    ratio, spread = mean_over_max(kind)
    return LogDepth(float(np.log(ratio * thickness_mm)), float(np.hypot(spread / ratio, PIT_REL)))


def through_estimate(
    thickness_mm: float, kind: Kind = Kind.KNOT_HOLE, *, area_mm2: float | None = None
) -> DepthEstimate:
    """Return the depth of a void that comes out below: greatest depth is the slab's thickness.

    Its walls slope, so that the mean depth is less, by the kind's shape and its area at the top. A tape reads the
    thickness to 1 mm or 2 %, the same for all such voids.
    """
    log = _pierced(kind, thickness_mm, area_mm2)
    return DepthEstimate(
        source="through",
        mean_mm=float(np.exp(log.mu + log.sd**2 / 2)),
        max_mm=thickness_mm,
        own_rel=log.sd,
        shared_rel={"thickness": max(THICKNESS_REL, THICKNESS_MM / thickness_mm)},
    )


THICKNESS_REL = 0.01
THICKNESS_MM = 0.5
