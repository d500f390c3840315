"""Volumes from areas and depths, with intervals by Monte Carlo (JCGM 101) over shared and own causes.

Volume is area times mean depth. Causes that voids share (the scale, the place of the lens, the depth model,
the thickness) are drawn once for all voids of a draw, so that they add up in the total instead of averaging
out. Everything is worked out from the records alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from voidmap.depth.fuse import Z95, Fused, combine
from voidmap.depth.prior import prior_estimate
from voidmap.model import Floats
from voidmap.records import Defect, Hidden, Interval, Kind, Totals

DRAWS = 20_000
"""Draws; the ends of a 95 % interval are then good to about 1 % of its width."""
SCALE = "scale"
"""The name of the cause that lengths share; a depth that hangs on the scale names it in ``shared_rel``."""
EDGE_SHARED = 0.5
"""Share of an area's own variance that all voids have in common: where the rim is seen depends on the light."""
MISSED_ML, MISSED_FOUND_ML, MISSED_POWER = 3.8, 30.0, 0.25
"""What is missed in view (in a bay of the edge, too dark or too faint to be told, read too narrow) is exponential, with
a mean of ``MISSED_ML`` where ``MISSED_FOUND_ML`` were found and this power of what was found elsewhere: much of it does
not depend on what is seen. ``benchmarks/missed.py`` fits the first to simulated slabs (96; fitted to half of them, 46
of the totals of the 48 others lay inside). It widens the total's interval upward; the stated total is of what was
found. A void that lies wholly under a board is none of this: the intake says that it counts none such. (Counted as
missed, it made the interval's upper end 2.5 times the total on 48 slabs on which boards were dropped anywhere; of what
these hold 24 % lay under boards, and 4 % was missed in view.)"""
LEAST_FOUND_ML = 0.01
"""Where less was found, or nothing, as much is missed as where the smallest hole was: 1.5 mm wide, 6 mm deep."""
MISSED_ALONE_ML = 8.0
"""The same where no photo from another place helped to find the voids and the outline. (One photo of each of those
slabs is fitted best by 5.5; with two readings, which narrow what was found and not what was missed, 43 totals of 48 lie
inside with 8 and with 12, 41 with 3.8.)"""
TAILS = np.linspace(0.001, 0.049, 49)
"""Parts of the draws that may lie below the total's interval, of the 0.05 that lie outside; of less than a thousandth
(20 draws) no end is told."""
CHANCE_THAT_COUNTS = 0.02
"""Below this chance of being a void, a flat thing does not touch the total's interval."""
IF_VOID = {Kind.SOUND_KNOT: Kind.KNOT_HOLE, Kind.STAIN: Kind.BARK_VOID}
"""What a flat thing is where it is a void after all."""
_ML = 1e-3  # 1 ml = 1000 mm3


def volumes(
    defects: Sequence[Defect],
    *,
    scale_rel: float,
    edge_shared: float = EDGE_SHARED,
    missed_ml: float | None = None,
    seed: int = 0,
) -> tuple[tuple[Defect, ...], Totals]:
    """Give every void its volume, and the slab its total, each with a 95 % interval.

    Parameters
    ----------
    defects
        Voids with ``depth`` (flat things have none).
    scale_rel
        Half-width of the 95 % interval of a length, as a share of it: shared by all areas.
    edge_shared
        Share of the areas' other variance that is common to all voids.
    missed_ml
        Volume that is missed on average where ``MISSED_FOUND_ML`` were found; 0 when none can be, None for what is
        usual (more where no defect was measured from several photos).
    seed
        Of the random draws.

    Returns
    -------
    defects
        The same, with ``volume_ml`` and ``volume_interval_ml``, given that it is a void; what is expected of it under
        a board is counted, for that wants resin too.
    totals
        Sums over the voids. The interval counts the chance that a void is none, that a flat thing is one, and that
        voids were missed; it is the shortest that holds 95 % of the draws (JCGM 101:2008, 5.3.4), for they are skewed.
    """
    rng = np.random.default_rng(seed)
    found, total = found_draws(defects, rng, scale_rel=scale_rel, edge_shared=edge_shared)
    voids = [d for d in found if d.is_void]
    volume = sum(d.volume_ml for d in voids)
    usual_ml = MISSED_ML if any(_seen_from_two_places(d) for d in defects) else MISSED_ALONE_ML
    missed = rng.exponential(missed_mean_ml(volume, usual_ml if missed_ml is None else missed_ml), DRAWS)
    lo, hi = _shortest(total + missed)
    totals = Totals(
        void_count=len(voids),
        void_area_mm2=sum(d.area_mm2 for d in voids),
        volume_ml=volume,
        volume_interval_ml=Interval(min(lo, volume), max(hi, volume)),
    )
    return found, totals


def _seen_from_two_places(defect: Defect) -> bool:
    return defect.depth is not None and any(e.source == "parallax" for e in defect.depth.estimates)


def missed_mean_ml(found_ml: float, missed_ml: float) -> float:
    """Return the mean of what is missed where so much was found, ml; see ``MISSED_ML``."""
    return missed_ml * (max(found_ml, LEAST_FOUND_ML) / MISSED_FOUND_ML) ** MISSED_POWER


def found_draws(
    defects: Sequence[Defect], rng: np.random.Generator, *, scale_rel: float, edge_shared: float = EDGE_SHARED
) -> tuple[tuple[Defect, ...], Floats]:
    """Return the defects with their volumes, and draws of the sum over what was found, ml, (DRAWS,).

    The parameters are those of :func:`volumes`.
    """
    causes: dict[str, Floats] = {}
    found: list[Defect] = []
    total = np.zeros(DRAWS)
    for defect in defects:
        fused = _depth_of(defect)
        if fused is None or (not defect.is_void and defect.void_probability < CHANCE_THAT_COUNTS):
            found.append(replace(defect, volume_ml=0.0, volume_interval_ml=Interval(0.0, 0.0)))
            continue
        drawn = _draw(defect, fused, causes, rng, scale_rel=scale_rel, edge_shared=edge_shared)
        if defect.is_void:
            hidden, more = _hidden(defect, fused, drawn, rng)
            drawn = drawn + more
            middle = defect.area_mm2 * fused.mean_mm * _ML + (hidden.volume_ml if hidden is not None else 0.0)
            found.append(replace(defect, volume_ml=middle, volume_interval_ml=_interval(drawn), hidden=hidden))
        else:
            found.append(replace(defect, volume_ml=0.0, volume_interval_ml=Interval(0.0, 0.0)))
        sure = defect.void_probability >= 1.0
        total += drawn if sure else drawn * (rng.random(DRAWS) < defect.void_probability)
    return tuple(found), total


def _depth_of(defect: Defect) -> Fused | None:
    """Return a void's fused depth, or what a flat thing's would be if it were a void after all."""
    if defect.depth is not None and defect.depth.estimates:
        return combine(defect.depth.estimates)
    if defect.depth is not None:
        known = defect.depth
        lo, hi = known.mean_interval_mm
        sd = float(np.log(max(hi, 1e-4) / max(lo, 1e-4))) / (2 * Z95)
        return Fused(float(np.log(max(known.mean_mm, 1e-4))) - sd**2 / 2, sd, {}, known.max_mm, known.source)
    if defect.area_mm2 <= 0:
        return None
    kind, edge = IF_VOID.get(defect.kind, defect.kind), defect.opens_on_edge
    return combine([prior_estimate(kind, area_mm2=defect.area_mm2, thickness_mm=None, opens_on_edge=edge)])


def _draw(
    defect: Defect,
    fused: Fused,
    causes: dict[str, Floats],
    rng: np.random.Generator,
    *,
    scale_rel: float,
    edge_shared: float,
) -> Floats:
    """Draw the void's volume, ml, (DRAWS,)."""

    def shared(cause: str) -> Floats:
        if cause not in causes:
            causes[cause] = rng.standard_normal(DRAWS)
        return causes[cause]

    by_scale = 2 * scale_rel / Z95
    edge = max(area_rel(defect) ** 2 - by_scale**2, 0.0)
    spread = {SCALE: by_scale, "edge": (edge * edge_shared) ** 0.5}
    for cause, s in fused.shared.items():
        spread[cause] = spread.get(cause, 0.0) + s
    own = (edge * (1 - edge_shared) + fused.own**2) ** 0.5
    log = own * rng.standard_normal(DRAWS)
    variance = own**2
    for cause, s in spread.items():
        if s:
            log = log + s * shared(cause)
            variance += s**2
    middle = defect.area_mm2 * fused.mean_mm * _ML
    return np.asarray(middle * np.exp(log - variance / 2), dtype=np.float64)


def _hidden(
    defect: Defect, fused: Fused, bare_ml: Floats, rng: np.random.Generator
) -> tuple[Hidden | None, Floats | float]:
    """Return what of a void lies under a board, and draws of it, ml, (DRAWS,); ``bare_ml`` are draws of the rest."""
    if defect.hidden is None:
        return None, 0.0
    known = defect.hidden
    more = np.asarray(bare_ml * known.share * np.exp(known.share_log_sd * rng.standard_normal(DRAWS)))
    most = float(np.quantile(more, 0.95))
    volume = defect.area_mm2 * fused.mean_mm * _ML * known.share
    return replace(known, volume_ml=volume, volume_interval_ml=Interval(0.0, max(most, volume))), more


def area_rel(defect: Defect) -> float:
    """Return the relative standard error of a defect's area, from its 95 % interval."""
    if defect.area_mm2 <= 0:
        return 0.0
    lo, hi = defect.area_interval_mm2
    return max(hi - lo, 0.0) / (2 * Z95 * defect.area_mm2)


def _interval(drawn: Floats) -> Interval:
    lo, hi = np.percentile(drawn, [2.5, 97.5])
    return Interval(float(lo), float(hi))


def _shortest(drawn: Floats) -> Interval:
    lows, highs = np.quantile(drawn, TAILS), np.quantile(drawn, TAILS + 0.95)
    best = int(np.argmin(highs - lows))
    return Interval(float(lows[best]), float(highs[best]))
