"""The bench: temperature, hand and cup, and the limits that they set to one batch."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from voidmap.errors import ValueRefused
from voidmap.fill.lifts import Item
from voidmap.fill.mixing import ScaleStep
from voidmap.fill.resin import Product, Resin

LEAST_CUP_ML = 1.0
"""A cup that can't deliver this much is no way to work."""
USEFUL_C = (5.0, 45.0)
"""Outside no common resin is to be poured."""


@dataclass(frozen=True)
class Bench:
    """How one works: °C, minutes, ml and mm."""

    temperature_c: float
    scale: ScaleStep
    cup_loss_ml: float
    stir_min: float
    pour_ml_per_min: float
    minutes_per_void: float
    walk_mm_per_min: float
    turnaround_min: float
    workday_h: float
    used: float
    """Share of the working time that is planned with."""


def bench_of(resin: Resin, scale: ScaleStep, temperature_c: float | None) -> Bench:
    """Return the bench that ``resin.toml`` describes, at a temperature when one is given.

    Raises
    ------
    ValueRefused
        When nobody pours resin at that temperature.
    """
    celsius = resin.number("bench", "temperature_c") if temperature_c is None else temperature_c
    if not USEFUL_C[0] <= celsius <= USEFUL_C[1]:
        raise ValueRefused(
            f"{celsius:.0f} °C is no temperature to pour resin at",
            f"give the shop's, between {USEFUL_C[0]:.0f}C and {USEFUL_C[1]:.0f}C, such as 72F",
        )
    return Bench(
        temperature_c=celsius,
        scale=scale,
        cup_loss_ml=resin.number("bench", "cup_loss_ml"),
        stir_min=resin.number("bench", "stir_min"),
        pour_ml_per_min=resin.number("bench", "pour_ml_per_min"),
        minutes_per_void=resin.number("bench", "minutes_per_void"),
        walk_mm_per_min=resin.number("bench", "walk_m_per_min") * 1000,
        turnaround_min=resin.number("bench", "turnaround_min"),
        workday_h=resin.number("bench", "workday_h"),
        used=resin.number("bench", "working_time_used_percent") / 100,
    )


@dataclass(frozen=True)
class CupLimits:
    """What one cup of a product may hold and last."""

    mass_g: float
    """Greatest mass, pigment included."""
    minutes: float
    """From the first stir to the last drop."""
    volume_ml: float
    """The most that it delivers into voids by mass."""
    pour_min: float
    """Minutes left for pouring and walking after stirring."""
    walk_min: float
    """Set aside for the way to each void: from one end of the slab to the other."""
    one_void_ml: float
    """The most that it delivers into a single void, by mass and by time."""


def cup_limits(product: Product, bench: Bench, *, pigment_share: float, span_mm: float, reserve_g: float) -> CupLimits:
    """Return the limits of one cup.

    Parameters
    ----------
    pigment_share
        Pigment's mass as a share of the resin's.
    span_mm
        The slab's longest extent.
    reserve_g
        Kept free for rounding up to whole steps of the scale.

    Raises
    ------
    ValueRefused
        When the working time or the greatest mass leaves nothing to pour.
    """
    minutes = product.working_time_at(bench.temperature_c) * bench.used
    walk_min = span_mm / bench.walk_mm_per_min
    pour_min = minutes - bench.stir_min
    resin_g = product.greatest_mass_g / (1 + pigment_share) - reserve_g
    volume_ml = resin_g / product.density_g_per_ml - bench.cup_loss_ml
    by_time_ml = (pour_min - bench.minutes_per_void - walk_min) * bench.pour_ml_per_min
    if by_time_ml < LEAST_CUP_ML:
        raise ValueRefused(
            f"{minutes:.1f} min of planned working time at {bench.temperature_c:.0f} °C leave no time to pour "
            f"after {bench.stir_min:g} min of stirring",
            "cool the shop and the resin, or use a slower resin",
        )
    if volume_ml < LEAST_CUP_ML:
        raise ValueRefused(
            f"{product.name}.greatest_mass_g of {product.greatest_mass_g:g} g leaves nothing to pour after the cup's "
            f"loss and scale steps of {bench.scale.words}",
            "use a finer scale, or check the values in resin.toml",
        )
    return CupLimits(
        mass_g=product.greatest_mass_g,
        minutes=minutes,
        volume_ml=volume_ml,
        pour_min=pour_min,
        walk_min=walk_min,
        one_void_ml=min(volume_ml, by_time_ml),
    )


def item_minutes(item: Item, bench: Bench, limits: CupLimits) -> float:
    """Return the minutes set aside for one pour, the way to it included."""
    return item.ml / bench.pour_ml_per_min + bench.minutes_per_void + limits.walk_min


def cup_minutes(items: tuple[Item, ...], bench: Bench) -> float:
    """Return the minutes from the first stir to the last drop, along the way as it is walked."""
    way = sum(math.dist(a.place_mm, b.place_mm) for a, b in pairwise(items))
    poured = sum(item.ml for item in items) / bench.pour_ml_per_min
    return bench.stir_min + poured + bench.minutes_per_void * len(items) + way / bench.walk_mm_per_min
