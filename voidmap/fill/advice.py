"""What follows from the figures: contradictions in what was stated, and advice."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from voidmap import units
from voidmap.fill import contradictions as clash
from voidmap.fill.bench import Bench
from voidmap.fill.coats import UNKNOWN_THICKNESS_MM, film_mm
from voidmap.fill.contradictions import Contradiction
from voidmap.fill.filling import Filling
from voidmap.fill.lifts import lifts_for
from voidmap.fill.methods import METHODS, depth_mm
from voidmap.fill.resin import Resin
from voidmap.fill.timeline import late_lifts
from voidmap.records import Intake

LEVEL_SPAN_MM = 150.0
"""A void longer than this shows a slope of the slab as an uneven fill."""
GLUE_SHARE = 0.5
"""Of a void's volume that is glue when dust is packed in; common practice, no source."""


def clashes(
    intake: Intake,
    resin: Resin,
    bench: Bench,
    used: Mapping[str, str],
    overfill_mm: float,
    most_lifts: int | None,
    coat_every_h: float | None,
) -> list[Contradiction]:
    """Return what contradicts itself in the values and inputs."""
    coats = resin.values["coats"]
    flood = coats["flood_fl_oz_per_ft2"]
    found: list[Contradiction | None] = []
    if coats["flood_thickness"] is not None:
        found.append(clash.rate_against_thickness(flood, coats["flood_thickness"]))
    notch = [coats["trowel_notch_width"], coats["trowel_notch_depth"], coats["trowel_land"]]
    if notch[0] is not None:
        width, depth, land = notch[0], notch[1] or notch[0], notch[2] or notch[0]
        found.append(clash.trowel_against_thickness(width, depth, land, film_mm(flood), "the flood coat's rate"))
        if coats["flood_thickness"] is not None:
            found.append(
                clash.trowel_against_thickness(width, depth, land, coats["flood_thickness"], "the flood film stated")
            )
    found.append(clash.pour_against_depth(film_mm(flood), resin.coat, 1, "the flood coat"))
    for product in (resin.fill, resin.thin, resin.coat):
        found.append(clash.ratio_weight_against_volume(product))
        for container in product.containers:
            if container.label_ml is not None:
                found.append(clash.us_against_imperial(container.ml, container.label_ml))
            found.append(clash.ounces_of_weight_for_fluid(container, product.density_g_per_ml))
    found += _depths(intake, resin, used, overfill_mm, most_lifts)
    if coat_every_h is not None:
        found.append(clash.coat_against_window(coat_every_h, *resin.coat.window_at(bench.temperature_c)))
    return [c for c in found if c is not None]


def _depths(
    intake: Intake, resin: Resin, used: Mapping[str, str], overfill_mm: float, most_lifts: int | None
) -> list[Contradiction | None]:
    if most_lifts is None:
        return []
    return [
        clash.pour_against_depth(depth_mm(d) + overfill_mm, resin.fill, most_lifts, d.id)
        for d in intake.defects
        if used[d.id] == "tinted_resin"
    ]


def notes(
    intake: Intake,
    resin: Resin,
    bench: Bench,
    filling: Filling,
    starts_h: Sequence[float],
    used: Mapping[str, str],
    overfill_mm: float,
) -> tuple[str, ...]:
    """Return advice that follows from the figures."""
    said = []
    cup = resin.fill
    said.append(
        f"Fill resin {cup.ratio_a:g}:{cup.ratio_b:g} by volume is 100:{100 / cup.weight_ratio:.1f} by weight: never "
        "use the one ratio for the other."
    )
    said += _temperature(resin, bench)
    said += _probing(intake, filling, overfill_mm)
    level = [d.id for d in intake.defects if used[d.id] == "tinted_resin" and d.length_mm > LEVEL_SPAN_MM]
    if level:
        said.append(
            f"Level the slab along and across before pouring ({_ids(level)}): 1 mm in a metre already costs a third of "
            f"a millimetre of fill over 300 mm."
        )
    late = late_lifts(filling.cups, starts_h, bench)
    if late:
        said.append(f"The recoat window closes before the next lift of {_ids(late)}: sand and wipe it first.")
    glued = [d for d in intake.defects if used[d.id] == "sawdust_glue"]
    if glued:
        ml = GLUE_SHARE * sum(d.volume_ml for d in glued)
        said.append(f"Sawdust and glue for {_ids([d.id for d in glued])}: about {ml:.1f} ml of glue in all.")
    later = [d.id for d in intake.defects if used[d.id] == "wax_stick"]
    if later:
        said.append(f"{METHODS['wax_stick'].capitalize()} for {_ids(later)}: after the last seal coat, not now.")
    if intake.slab.thickness_mm is None:
        said.append(
            f"No slab thickness is known: edges are counted {UNKNOWN_THICKNESS_MM:.0f} mm high, and nothing is taped "
            "below; look underneath."
        )
    if intake.slab.leaves_frame:
        said.append("The slab leaves the photo: voids and coats are of the part in view only.")
    if not filling.exact:
        said.append(f"{len(filling.cups)} batches are the best found; no plan can need fewer than {filling.bound}.")
    return tuple(said)


def _temperature(resin: Resin, bench: Bench) -> list[str]:
    product = resin.fill
    minutes = product.working_time_at(bench.temperature_c)
    if abs(bench.temperature_c - product.working_time_at_c) < 0.5:
        return []
    return [
        f"At {units.shop_temperature(bench.temperature_c)} ({bench.temperature_c:.0f} °C) the fill resin's "
        f"{product.working_time_min:g} min of working time become about {minutes:.0f} min (halves for every "
        f"{product.halves_per_c:g} °C warmer; batches use {bench.used:.0%} of it)."
    ]


def _probing(intake: Intake, filling: Filling, overfill_mm: float) -> list[str]:
    """Name voids whose doubtful depth costs lifts."""
    by_id = {d.id: d for d in intake.defects}
    planned = {i.defect: i.lifts for cup in filling.cups if cup.product.name == "fill" for i in cup.items}
    greatest = next((c.product.greatest_pour_depth_mm for c in filling.cups if c.product.name == "fill"), 1.0)
    saved = {i: planned[i] - lifts_for(depth_mm(by_id[i]) + overfill_mm, greatest) for i in planned}
    worth = sorted((i for i in planned if saved[i] > 0), key=lambda i: (-planned[i], -by_id[i].volume_ml))
    if not worth:
        return []
    return [
        f"Probe {_ids(worth[:4])} before mixing: the depth is so uncertain that lifts are planned which a reading may "
        "save (voidmap probe)."
    ]


def _ids(names: Sequence[str]) -> str:
    return ", ".join(names) if len(names) <= 6 else f"{', '.join(names[:6])} and {len(names) - 6} more"
