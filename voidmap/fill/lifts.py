"""From a void to the pours that fill it: lifts within the pour depth, cups within the cup's limits."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from voidmap.fill.need import LogNormal, Need
from voidmap.records import Defect, Point

DEEPEST_SHAPE = 3.0
"""Greatest over mean depth: 1 has upright walls, 2 is a V, 3 a cone; nothing natural is sharper."""


@dataclass(frozen=True)
class Item:
    """One pour: a void's lift (or a cup's worth of it) with what it takes.

    The need in ml is ``of_volume`` times the void's volume, ``of_overfill`` times its overfill and ``of_soak``
    times its soak. ``ml`` is the amount planned for.
    """

    column: int
    """The void's place in the needs."""
    defect: str
    lift: int
    lifts: int
    depth_mm: float
    of_volume: float
    of_overfill: float
    of_soak: float
    ml: float
    place_mm: Point
    piece: int = 1
    pieces: int = 1


def depth_to_fill(defect: Defect, z: float, *, thickness_mm: float | None) -> float:
    """Return the depth to plan lifts for, mm: the one that is exceeded as seldom as the mix runs short."""
    depth = defect.depth
    if depth is None:
        return 0.0
    law = LogNormal.from_interval(depth.mean_mm, depth.mean_interval_mm)
    factor = max(1.0, law.at(z) / depth.mean_mm) if depth.mean_mm > 0 else 1.0
    deepest = depth.max_mm * factor
    if thickness_mm is not None:
        deepest = thickness_mm if defect.through else min(deepest, max(thickness_mm, depth.max_mm))
    return deepest


def lifts_for(depth_mm: float, greatest_mm: float) -> int:
    """Return how many pours a resin depth needs."""
    return max(1, math.ceil(depth_mm / greatest_mm - 1e-9))


def lift_shares(depth_mm: float, overfill_mm: float, shape: float, count: int) -> list[tuple[float, float]]:
    """Return each lift's share of the volume and of the overfill, bottom to top.

    A void whose greatest depth is ``shape`` times its mean one holds (y / depth) ** shape of its volume below
    height y. All lifts are equally high.
    """
    height = (depth_mm + overfill_mm) / count

    def below(y: float) -> tuple[float, float]:
        inside = min(1.0, y / depth_mm) if depth_mm > 0 else 1.0
        over = max(0.0, y - depth_mm) / overfill_mm if overfill_mm > 0 else 1.0
        return inside**shape, min(1.0, over)

    levels = [below(k * height) for k in range(count)] + [(1.0, 1.0)]
    if overfill_mm <= 0:
        levels = [(v, float(k == count)) for k, (v, _) in enumerate(levels)]
    return [(hi[0] - lo[0], hi[1] - lo[1]) for lo, hi in pairwise(levels)]


def pours(
    defect: Defect,
    need: Need,
    column: int,
    *,
    z: float,
    depth_mm: float,
    greatest_depth_mm: float | None,
    cup_ml: float,
) -> list[Item]:
    """Return a void's pours, lift by lift; a lift that exceeds a cup is poured from several.

    Parameters
    ----------
    z
        Level to plan the amounts for, in standard deviations.
    depth_mm
        Depth to fill.
    greatest_depth_mm
        Of one pour; None where resin is drawn in, not poured.
    cup_ml
        The most that one cup delivers into one void.
    """
    over = need.overfill_mm
    count = 1 if greatest_depth_mm is None else lifts_for(depth_mm + over, greatest_depth_mm)
    mean = defect.depth.mean_mm if defect.depth is not None else 0.0
    peak = defect.depth.max_mm if defect.depth is not None else 0.0
    shape = min(max(peak / mean, 1.0), DEEPEST_SHAPE) if mean > 0 else 1.0
    at = tuple(sum(p[k] for p in defect.outline_mm) / max(len(defect.outline_mm), 1) for k in (0, 1))
    items = []
    for lift, (of_volume, of_overfill) in enumerate(lift_shares(depth_mm, over, shape, count), start=1):
        ml = amount(need, z, of_volume, of_overfill, 1 / count)
        pieces = max(1, math.ceil(ml / cup_ml - 1e-9))
        for piece in range(1, pieces + 1):
            part = cup_ml / ml if piece < pieces else 1 - (pieces - 1) * cup_ml / ml
            items.append(
                Item(
                    column=column,
                    defect=defect.id,
                    lift=lift,
                    lifts=count,
                    depth_mm=(depth_mm + over) / count,
                    of_volume=of_volume * part,
                    of_overfill=of_overfill * part,
                    of_soak=part / count,
                    ml=ml * part,
                    place_mm=(at[0], at[1]),
                    piece=piece,
                    pieces=pieces,
                )
            )
    return items


def amount(need: Need, z: float, of_volume: float, of_overfill: float, of_soak: float) -> float:
    """Return a pour's amount at level ``z``, ml."""
    overfill = need.area.at(z) * need.overfill_mm / 1000
    return of_volume * need.volume.at(z) + of_overfill * overfill + of_soak * need.soak.at(z)
