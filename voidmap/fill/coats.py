"""Seal and flood coats over the whole top and its edge.

Usual rates (1 and 3 fl oz/ft²) are common practice, no source; a rate of 1 fl oz (US) per ft² is a film of
77/6144 in = 0.318327 mm (from 231 in³ to the US gallon, NIST SP 811).
"""

from __future__ import annotations

from voidmap import units
from voidmap.errors import ValueRefused
from voidmap.fill.bench import LEAST_CUP_ML
from voidmap.fill.mixing import ScaleStep, portion
from voidmap.fill.resin import Resin
from voidmap.fill.shopping import purchase
from voidmap.records import CoatMix, Coats, Purchase, SlabRecord

UNKNOWN_THICKNESS_MM = 45.0
"""Taken for the edge's height where no thickness was given; a usual slab, and the plan says so."""


def film_mm(rate_fl_oz_per_ft2: float) -> float:
    """Return the wet film of a rate, mm."""
    return rate_fl_oz_per_ft2 * units.MM_PER_FL_OZ_FT2


def rate_fl_oz_per_ft2(film: float) -> float:
    """Return the rate that a wet film (mm) needs, US fl oz/ft²."""
    return film / units.MM_PER_FL_OZ_FT2


def live_edge_mm(slab: SlabRecord) -> float:
    """Return the length of live edge; the whole edge when its kind is not known."""
    if not slab.edge_runs:
        return slab.edge_mm
    return sum(run.length_mm for run in slab.edge_runs if run.kind == "live")


def coated_mm2(slab: SlabRecord, resin: Resin) -> float:
    """Return the surface to coat: the top, and the edge with a live edge's roughness."""
    height = slab.thickness_mm or UNKNOWN_THICKNESS_MM
    live = min(live_edge_mm(slab), slab.edge_mm)
    rough = live * resin.number("coats", "live_edge_factor")
    return slab.area_mm2 + height * (slab.edge_mm - live + rough)


def coat_mix(name: str, needed_ml: float, resin: Resin, scale: ScaleStep) -> CoatMix:
    """Return what to mix for a coat, in as few equal cups as the greatest mass allows."""
    loss = resin.number("bench", "cup_loss_ml")
    product = resin.coat
    cups = 1
    while True:
        cup = portion(product, needed_ml / cups + loss, scale)
        if cup.g <= product.greatest_mass_g:
            return CoatMix(name, cup.ml * cups, cups, cup.a_ml, cup.b_ml, cup.a_g, cup.b_g)
        if needed_ml / cups < LEAST_CUP_ML:
            raise ValueRefused(
                f"coat.greatest_mass_g of {product.greatest_mass_g:g} g leaves nothing to spread after the cup's loss "
                f"and scale steps of {scale.words}",
                "use a finer scale, or check the values in resin.toml",
            )
        cups += 1


def plan_coats(
    slab: SlabRecord, resin: Resin, scale: ScaleStep, *, seal_coats: int | None = None
) -> tuple[Coats, Purchase]:
    """Return the coats' amounts and what to buy for them.

    Raises
    ------
    ValueRefused
        When a cup of the coating resin can't hold anything with this scale.
    """
    surface = coated_mm2(slab, resin)
    count = int(resin.number("coats", "seal_coats")) if seal_coats is None else seal_coats
    seal = surface * film_mm(resin.number("coats", "seal_fl_oz_per_ft2")) / units.MM3_PER_ML
    flood = surface * film_mm(resin.number("coats", "flood_fl_oz_per_ft2")) / units.MM3_PER_ML
    thirst = live_edge_mm(slab) / 1000 * resin.number("coats", "bark_thirst_ml_per_m") if count else 0.0
    mixes = [coat_mix(f"seal coat {n + 1}", seal + thirst * (n == 0), resin, scale) for n in range(count)]
    mixes.append(coat_mix("flood coat", flood, resin, scale))
    total = sum(mix.mix_ml for mix in mixes)
    margin = resin.number("coats", "margin_percent") / 100
    buy = purchase("coating resin", total, margin, resin.coat.containers)
    coats = Coats(
        seal_ml=seal,
        flood_ml=flood,
        seal_coats=count,
        first_seal_extra_ml=thirst,
        edge_mm=slab.edge_mm,
        total_ml=total,
        buy=buy.containers,
        cost=buy.cost,
        mixes=tuple(mixes),
    )
    return coats, buy
