"""Statements of the trade that can't both hold: each with its figures side by side and what would make them agree.

Geometry only: a notched trowel held upright lays depth x width / (width + land) on average, times the sine of
the blade's angle when it is tilted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from voidmap import units
from voidmap.fill.coats import film_mm, rate_fl_oz_per_ft2
from voidmap.fill.resin import Container, Product

FILM_TOLERANCE = 0.20
"""Two statements of a film that differ by more contradict each other."""
RATIO_TOLERANCE = 0.03
"""Densities are read to about this; a larger gap means a ratio of the wrong kind."""
DENSITY_TOLERANCE = 0.10
"""A label's mass over its volume against the density in resin.toml."""
FLATTEST_TROWEL_DEG = 30.0
"""Nobody holds a trowel flatter; common practice, no source."""
IMPERIAL_TOLERANCE = 0.005
"""Labels are rounded; the two ounces differ by 4.1 %, the two gallons by 20 %."""


@dataclass(frozen=True)
class Contradiction:
    """Two statements that disagree, and what would make them agree."""

    first: str
    second: str
    agree: str

    @property
    def sentence(self) -> str:
        """All of it as one sentence."""
        return f"{self.first}, but {self.second}: {self.agree}."


def _film(mm: float) -> str:
    mil = mm / units.MM_PER_MIL
    return f"{mm:.3g} mm ({mil:.3g} mil, {rate_fl_oz_per_ft2(mm):.3g} fl oz/ft²)"


def rate_against_thickness(rate: float, thickness_mm: float) -> Contradiction | None:
    """Compare a rate (US fl oz/ft²) with a stated film (mm)."""
    laid = film_mm(rate)
    if abs(math.log(laid / thickness_mm)) <= math.log1p(FILM_TOLERANCE):
        return None
    coats = thickness_mm / laid
    agree = (
        f"pour {rate_fl_oz_per_ft2(thickness_mm):.2f} fl oz/ft², or {coats:.1f} coats of {rate:g}, "
        if coats > 1
        else f"pour {rate_fl_oz_per_ft2(thickness_mm):.2f} fl oz/ft², "
    )
    return Contradiction(
        f"a coat of {rate:g} fl oz/ft² lays {_film(laid)}",
        f"the stated thickness {units.shop_length(thickness_mm, 32)} is {_film(thickness_mm)}",
        f"{agree}or write {laid:.2f} mm for the thickness",
    )


def trowel_film_mm(notch_width_mm: float, notch_depth_mm: float, land_mm: float, angle_deg: float = 90.0) -> float:
    """Return the mean film that a notched trowel lays, mm."""
    upright = notch_depth_mm * notch_width_mm / (notch_width_mm + land_mm)
    return upright * math.sin(math.radians(angle_deg))


def trowel_against_thickness(
    notch_width_mm: float, notch_depth_mm: float, land_mm: float, thickness_mm: float, what: str
) -> Contradiction | None:
    """Compare what a notched trowel can lay with a film; ``what`` says where the film comes from."""
    most = trowel_film_mm(notch_width_mm, notch_depth_mm, land_mm)
    least = trowel_film_mm(notch_width_mm, notch_depth_mm, land_mm, FLATTEST_TROWEL_DEG)
    if least * (1 - FILM_TOLERANCE) <= thickness_mm <= most * (1 + FILM_TOLERANCE):
        return None
    if thickness_mm > most:
        needed = notch_depth_mm * thickness_mm / most
        agree = f"a notch {units.shop_length(needed)} deep ({needed:.1f} mm) would, with the same width and land"
    else:
        agree = f"pour and spread by rate, or use lands {notch_width_mm * (most / thickness_mm * 2 - 1):.0f} mm wide"
    return Contradiction(
        f"a {units.shop_length(notch_width_mm)} notch {units.shop_length(notch_depth_mm)} deep with lands of "
        f"{units.shop_length(land_mm)} lays {_film(least)} to {_film(most)}, not its notch depth",
        f"{what} is {_film(thickness_mm)}",
        agree,
    )


def ratio_weight_against_volume(product: Product) -> Contradiction | None:
    """Compare a weight ratio in the file with the volume ratio and the two densities."""
    if product.ratio_by_weight is None:
        return None
    stated = product.ratio_by_weight[0] / product.ratio_by_weight[1]
    if abs(stated / product.weight_ratio - 1) <= RATIO_TOLERANCE:
        return None
    return Contradiction(
        f"{product.ratio_a:g}:{product.ratio_b:g} by volume of the {product.name} resin is "
        f"100:{100 / product.weight_ratio:.1f} by weight with densities of {product.density_a_g_per_ml:g} and "
        f"{product.density_b_g_per_ml:g} g/ml",
        f"the ratio by weight is given as 100:{100 / stated:.1f}",
        f"measured by the wrong one part B would be {abs(stated / product.weight_ratio - 1):.0%} off; check on the "
        "data sheet which ratio is which, and the densities",
    )


def ounces_of_weight_for_fluid(container: Container, density_g_per_ml: float) -> Contradiction | None:
    """Compare a container's volume with the mass on its label."""
    if container.mass_g is None:
        return None
    density = container.mass_g / container.ml
    if abs(density / density_g_per_ml - 1) <= DENSITY_TOLERANCE:
        return None
    by_mass_ml = container.mass_g / density_g_per_ml
    return Contradiction(
        f"{container.label} is {container.ml:.0f} ml, which weighs "
        f"{container.ml * density_g_per_ml / units.G_PER_OZ:.1f} oz at {density_g_per_ml:.2f} g/ml",
        f"its label says {container.mass_g / units.G_PER_OZ:.1f} oz of weight, which is "
        f"{units.shop_volume(by_mass_ml)} ({by_mass_ml:.0f} ml)",
        "a fluid ounce of resin weighs more than an ounce; write the size in fl oz or ml from the label",
    )


def us_against_imperial(first_ml: float, second_ml: float) -> Contradiction | None:
    """Compare two figures for one volume that may be US and imperial measures of the same number."""
    for us, imperial, name in (
        (units.ML_PER_FL_OZ, units.ML_PER_IMPERIAL_FL_OZ, "fl oz"),
        (units.ML_PER_GAL, units.ML_PER_IMPERIAL_GAL, "gal"),
    ):
        for one, other, words in ((us, imperial, "US"), (imperial, us, "imperial")):
            if abs(first_ml / second_ml / (one / other) - 1) <= IMPERIAL_TOLERANCE:
                count = first_ml / one
                return Contradiction(
                    f"{count:.3g} {words} {name} is {first_ml:.0f} ml",
                    f"the other figure, {second_ml:.0f} ml, is as many {'imperial' if words == 'US' else 'US'} {name}",
                    "say which, or give ml",
                )
    return None


def pour_against_depth(depth_mm: float, product: Product, pours: int, what: str) -> Contradiction | None:
    """Compare the height of one pour with the greatest that the resin allows."""
    height = depth_mm / pours
    allowed = product.greatest_pour_depth_mm
    if height <= allowed + 1e-9:
        return None
    least = math.ceil(depth_mm / allowed - 1e-9)
    return Contradiction(
        f"{what} filled in {pours} {'pour' if pours == 1 else 'pours'} is {units.shop_length(height)} "
        f"({height:.1f} mm) deep each",
        f"the {product.name} resin allows {units.shop_length(allowed)} ({allowed:g} mm)",
        f"pour {least} lifts, or use a resin that allows {height:.0f} mm",
    )


def coat_against_window(every_h: float, earliest_h: float, latest_h: float) -> Contradiction | None:
    """Compare the time between two coats with the recoat window, all in hours."""
    if earliest_h <= every_h <= latest_h:
        return None
    first = f"a coat every {every_h:g} h"
    if every_h < earliest_h:
        return Contradiction(
            first,
            f"the window opens after {earliest_h:.3g} h",
            f"wait {earliest_h - every_h:.1f} h more, or coat wet on wet only where the data sheet allows it",
        )
    return Contradiction(
        first,
        f"the window closes after {latest_h:.3g} h",
        f"coat {every_h - latest_h:.1f} h sooner, or let it cure, wash and sand before the next coat",
    )
