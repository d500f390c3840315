"""Parts A and B by volume and by weight, rounded to the user's scale without spoiling the ratio."""

from __future__ import annotations

import math
from dataclasses import dataclass

from voidmap import units
from voidmap.errors import ValueRefused
from voidmap.fill.resin import Product

RATIO_TOLERANCE = 0.01
"""Rounding may move the ratio by this share at most; common practice, no source."""


@dataclass(frozen=True)
class ScaleStep:
    """What the user measures with: the step of a scale (g) or of a measuring cup (ml)."""

    step: float
    by_weight: bool

    @property
    def words(self) -> str:
        """The step in words."""
        return f"{self.step:g} {'g' if self.by_weight else 'ml'}"


def parse_scale_step(text: str) -> ScaleStep:
    """Return the step that a text such as ``0.1g``, ``1 g`` or ``1ml`` names.

    Raises
    ------
    ValueRefused
        When it is neither a mass nor a volume, or no step that resin can be measured in.
    """
    plain = text.strip().lower()
    by_weight = not (plain.endswith(("ml", "l", "cc", "cm3")) or "fl" in plain)
    step = units.parse_mass_g(text) if by_weight else units.parse_volume_ml(text)
    if not 0.001 <= step <= 100:
        raise ValueRefused(f"a scale step of {text.strip()} can't be right", "give it as 0.1g, 1g or 1ml")
    return ScaleStep(step, by_weight)


@dataclass(frozen=True)
class Portion:
    """One cup as it is measured out; ``grown`` when the ratio asked for more than plain rounding up."""

    a_ml: float
    b_ml: float
    a_g: float
    b_g: float
    grown: bool

    @property
    def ml(self) -> float:
        """Mixed volume."""
        return self.a_ml + self.b_ml

    @property
    def g(self) -> float:
        """Mixed mass, without pigment."""
        return self.a_g + self.b_g


def portion(product: Product, mix_ml: float, scale: ScaleStep) -> Portion:
    """Return the least whole-step parts that give at least ``mix_ml`` with the ratio within 1 %.

    The larger part carries the finer rounding, so the smaller one is counted up step by step until a whole
    number of the larger lies within the tolerance; that is so at the latest when the larger counts 51.
    """
    per_ml_a = product.density_a_g_per_ml if scale.by_weight else 1.0
    per_ml_b = product.density_b_g_per_ml if scale.by_weight else 1.0
    need_a = mix_ml * product.share_a * per_ml_a / scale.step
    need_b = mix_ml * (1 - product.share_a) * per_ml_b / scale.step
    flipped = need_a < need_b
    small, large = (need_a, need_b) if flipped else (need_b, need_a)
    ratio = large / small
    first = max(1, math.ceil(small - 1e-9))
    best: tuple[int, int] | None = None
    for n_small in range(first, first + math.ceil(0.5 / RATIO_TOLERANCE) + 3):
        if best is not None and n_small >= sum(best):
            break
        for n_large in (math.floor(ratio * n_small), math.ceil(ratio * n_small)):
            off = n_large / n_small / ratio
            # Either way round: a ratio 1 % low is its inverse 1.01 % high.
            if n_large < large - 1e-9 or max(off, 1 / off) - 1 > RATIO_TOLERANCE:
                continue
            if best is None or n_small + n_large < sum(best):
                best = (n_small, n_large)
    assert best is not None, "a whole number of steps lies within 1 % once the larger part counts 51"
    plain = first + max(1, math.ceil(large - 1e-9))
    a, b = best if flipped else best[::-1]
    a_ml, b_ml = a * scale.step / per_ml_a, b * scale.step / per_ml_b
    return Portion(a_ml, b_ml, a_ml * product.density_a_g_per_ml, b_ml * product.density_b_g_per_ml, sum(best) > plain)


def ratio_error(product: Product, cup: Portion) -> float:
    """Return by which share the cup's ratio is off the product's."""
    return cup.a_ml / cup.b_ml / (product.ratio_a / product.ratio_b) - 1


def pigment_g(resin_g: float, share: float) -> float:
    """Return the pigment for a cup, g, to a tenth of a gram (a hundredth below one gram), never over its share."""
    places = 2 if resin_g * share < 1 else 1
    return float(math.floor(resin_g * share * 10**places + 1e-9) / 10**places)
