"""Quantities in words for people: shop units with metric beside, or metric alone.

Which of the two is a matter of taste, like a language: it is set once around a command (:func:`shown_in`) and
every table, page and sentence that is made inside follows it. Nothing that is stored or computed depends on it.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

from voidmap import units
from voidmap.errors import ValueRefused
from voidmap.records import Interval, Totals

SYSTEMS = ("shop", "metric")
_SYSTEM: ContextVar[str] = ContextVar("system", default=SYSTEMS[0])
FINE_MM = 25.4
"""Below an inch a length is told to 1/32 in, above to 1/16 in: what a rule in the shop shows."""
LEAST = 0.01
"""The last figure shown of in² and fl oz."""
MM2_PER_M2 = 1e6
SUREST = 0.99
"""No model is surer than this: its own assumptions fail now and then."""
LEAST_P = 0.001
SMALL_MM2 = 100_000.0
"""Areas below 0.1 m² are told in mm²."""


@contextmanager
def shown_in(system: str) -> Iterator[None]:
    """Show quantities in ``shop`` units (metric beside) or ``metric`` ones within the block.

    Raises
    ------
    ValueRefused
        When it is neither.
    """
    if system not in SYSTEMS:
        raise ValueRefused(f"there are no {system} units", f"say {' or '.join(SYSTEMS)}")
    token = _SYSTEM.set(system)
    try:
        yield
    finally:
        _SYSTEM.reset(token)


def is_shop() -> bool:
    """Whether shop units come first."""
    return _SYSTEM.get() == "shop"


def chance(share: float) -> str:
    """Return a chance in per cent; none is told as certain or as impossible."""
    return "over 99%" if share > SUREST else "under 1%" if share < 1.0 - SUREST else f"{share:.0%}"


def call_right(share: float) -> str:
    """Return how likely a call is right; one that is rather not needed was made because it is the safer."""
    if share < 0.5:
        return f"the safer call; chance that it is needed: {chance(share)}"
    return f"chance that this is right: {chance(share)}"


def p_value(p: float) -> str:
    """Return a test's p to three digits after the point, and no smaller than they show."""
    return f"p = {p:.3f}" if p >= LEAST_P else f"p < {LEAST_P}"


def length(mm: float) -> str:
    """Return a length: ``5 5/16 in (135 mm)`` or ``135 mm``."""
    metric = f"{mm:.0f} mm" if abs(mm) >= 10 else f"{mm:.1f} mm"
    return _both(units.shop_length(mm, 32 if abs(mm) < FINE_MM else 16), metric)


def length_with(mm: float, interval: Interval | None) -> str:
    """Return a length with its interval, if there is one, which is told in metric."""
    if interval is None:
        return length(mm)
    digits = 0 if abs(mm) >= 10 else 1
    lo, hi = interval
    shop = units.shop_length(mm, 32 if abs(mm) < FINE_MM else 16)
    return _both(shop, f"{mm:.{digits}f} mm, {lo:.{digits}f} to {hi:.{digits}f}")


def area(mm2: float) -> str:
    """Return an area: ``4.9 in² (3150 mm²)``, ``4.8 ft² (0.445 m²)``, or the metric one alone."""
    metric = f"{mm2:.0f} mm²" if mm2 < SMALL_MM2 else f"{mm2 / MM2_PER_M2:.3f} m²"
    return _both(_shop_area(mm2), metric)


def area_with(mm2: float, interval: Interval) -> str:
    """Return an area with its interval, which is told in metric."""
    lo, hi = interval
    if mm2 < SMALL_MM2:
        return _both(_shop_area(mm2), f"{mm2:.0f} mm², {lo:.0f} to {hi:.0f}")
    return _both(_shop_area(mm2), f"{mm2 / MM2_PER_M2:.3f} m², {lo / MM2_PER_M2:.3f} to {hi / MM2_PER_M2:.3f}")


def volume(ml: float) -> str:
    """Return a volume: ``1.1 fl oz (33 ml)`` or ``33 ml``."""
    return _both(_shop_volume(ml), f"{ml:.0f} ml" if ml >= 10 else f"{ml:.1f} ml")


def volume_with(ml: float, interval: Interval) -> str:
    """Return a volume with its interval, which is told in ml."""
    digits = 0 if ml >= 10 else 1 if ml >= 1 else 2
    lo, hi = interval
    return _both(_shop_volume(ml), f"{ml:.{digits}f} ml, {lo:.{digits}f} to {hi:.{digits}f}")


def voids_hold(totals: Totals) -> str:
    """Return a sentence without its full stop: how many voids were found, and what they hold."""
    if not totals.void_count:
        return f"No void was found; what was missed may hold up to {volume(totals.volume_interval_ml[1])}"
    count = "1 void holds" if totals.void_count == 1 else f"{totals.void_count} voids hold"
    return f"{count} {volume_with(totals.volume_ml, totals.volume_interval_ml)}"


def temperature(celsius: float) -> str:
    """Return a temperature: ``72 °F (22 °C)`` or ``22 °C``."""
    return _both(units.shop_temperature(celsius), f"{celsius:.0f} °C")


def _shop_area(mm2: float) -> str:
    """Return an area in shop units; what rounds to nothing is called small, not nothing."""
    small = 0 < mm2 < LEAST * units.MM2_PER_IN2 / 2
    return f"under {LEAST} in²" if small else units.shop_area(mm2)


def _shop_volume(ml: float) -> str:
    small = 0 < ml < LEAST * units.ML_PER_FL_OZ / 2
    return f"under {LEAST} fl oz" if small else units.shop_volume(ml)


def _both(shop: str, metric: str) -> str:
    return f"{shop} ({metric})" if is_shop() else metric
