"""From what the voids may need to cups in order: enough in each, none over its limits."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from voidmap.errors import ValueRefused
from voidmap.fill.bench import Bench, CupLimits, cup_limits, cup_minutes, item_minutes
from voidmap.fill.lifts import Item, amount, depth_to_fill, pours
from voidmap.fill.mixing import Portion, pigment_g, portion
from voidmap.fill.need import Floats, Need, NeedDraws
from voidmap.fill.neighbours import exchange, way_through
from voidmap.fill.packing import Load, pack
from voidmap.fill.resin import Product
from voidmap.records import Defect

LEVELS = (-4.0, 8.0)
"""Standard deviations: the range of levels to plan at; no chance that can be told from none or one lies beyond."""
LEVEL_STEPS = 121


@dataclass(frozen=True)
class Task:
    """What one product has to fill: its voids with their columns in the needs."""

    product: Product
    pigment_share: float
    voids: tuple[tuple[int, Defect], ...]
    in_lifts: bool
    """False where the resin is drawn in and no depth of pour matters."""
    narrow_mm: float = 0.0
    """Voids narrower than this are poured in one go."""


@dataclass(frozen=True)
class Cup:
    """One batch: its product, its round (lifts of a round lie one recoat time after the round before)."""

    product: Product
    pigment_share: float
    round: int
    items: tuple[Item, ...]
    limits: CupLimits

    def mix_ml(self, needs: Sequence[Need], z: float, cup_loss_ml: float) -> float:
        """Return the amount to mix at level ``z``, before rounding."""
        return cup_loss_ml + sum(amount(needs[i.column], z, i.of_volume, i.of_overfill, i.of_soak) for i in self.items)

    def portion(self, needs: Sequence[Need], z: float, bench: Bench) -> Portion:
        """Return the cup as it is measured out."""
        return portion(self.product, self.mix_ml(needs, z, bench.cup_loss_ml), bench.scale)

    def mass_g(self, cup: Portion) -> float:
        """Return the mass in the cup, pigment included."""
        return cup.g + pigment_g(cup.g, self.pigment_share)


def cups_for(
    task: Task,
    needs: Sequence[Need],
    bench: Bench,
    z: float,
    *,
    thickness_mm: float | None,
    span_mm: float,
) -> tuple[list[Cup], int, bool]:
    """Return a task's cups in order, a lower bound of their number, and whether it is proven least.

    Everything is planned for level ``z`` (standard deviations above the median of every quantity).

    Raises
    ------
    ValueRefused
        When the resin's limits can't be kept with this scale and at this temperature.
    """
    if not task.voids:
        return [], 0, True
    reserve_g = 0.0
    for _ in range(12):
        limits = cup_limits(task.product, bench, pigment_share=task.pigment_share, span_mm=span_mm, reserve_g=reserve_g)
        items = _items(task, needs, limits, z, thickness_mm)
        cups, bound, exact = _pack(task, items, bench, limits)
        over = max(cup.mass_g(cup.portion(needs, z, bench)) - limits.mass_g for cup in cups)
        if over <= 1e-9:
            return cups, bound, exact
        reserve_g += over + 0.01
    raise ValueRefused(
        f"steps of {bench.scale.words} can't keep both the ratio and {task.product.greatest_mass_g:g} g in one cup",
        "use a finer scale",
    )


def _items(task: Task, needs: Sequence[Need], limits: CupLimits, z: float, thickness_mm: float | None) -> list[Item]:
    greatest = task.product.greatest_pour_depth_mm if task.in_lifts else None
    return [
        item
        for column, defect in task.voids
        for item in pours(
            defect,
            needs[column],
            column,
            z=z,
            depth_mm=depth_to_fill(defect, z, thickness_mm=thickness_mm),
            greatest_depth_mm=None if defect.width_max_mm < task.narrow_mm else greatest,
            cup_ml=limits.one_void_ml,
        )
    ]


def _pack(task: Task, items: Sequence[Item], bench: Bench, limits: CupLimits) -> tuple[list[Cup], int, bool]:
    rounds = max(item.lifts for item in items)
    loads = [
        Load(
            chain=item.column,
            link=item.lift,
            links=item.lifts,
            volume=item.ml / limits.volume_ml,
            minutes=item_minutes(item, bench, limits) / limits.pour_min,
        )
        for item in items
    ]
    packing = pack(loads, rounds)
    together = exchange(packing.cups, loads, [item.place_mm for item in items])
    cups = [
        Cup(task.product, task.pigment_share, r, _walk([items[i] for i in inside]), limits) for r, inside in together
    ]
    return _in_order(cups), packing.bound, packing.exact


def _walk(items: list[Item]) -> tuple[Item, ...]:
    """Start at the void with the most lifts and, of those, the most to pour; then go to the nearest."""
    deepest = max(range(len(items)), key=lambda i: (items[i].lifts, items[i].ml))
    return tuple(items[i] for i in way_through([item.place_mm for item in items], deepest))


def _in_order(cups: list[Cup]) -> list[Cup]:
    """Order by rounds; within one, voids with the most lifts to come first, the cups of one lift in a row.

    Only the last cup of a lift is shared with other voids, so it comes last in its row.
    """
    row = _rows(cups)
    first = {r: max(_urgency(cups[c]) for c in range(len(cups)) if row[c] == r) for r in row}

    def key(c: int) -> tuple[object, ...]:
        urgency = tuple(-u for u in first[row[c]])
        last = all(item.piece == item.pieces for item in cups[c].items)
        ahead = min((item.column, item.piece) for item in cups[c].items)
        return (cups[c].round, urgency, row[c], last, ahead)

    return [cups[c] for c in sorted(range(len(cups)), key=key)]


def _urgency(cup: Cup) -> tuple[float, float]:
    return max((float(item.lifts - item.lift), item.depth_mm * item.lifts) for item in cup.items)


def _rows(cups: Sequence[Cup]) -> list[int]:
    """Return for each cup a number that cups pouring one lift share."""
    row = list(range(len(cups)))
    seen: dict[tuple[int, int], int] = {}
    for c, cup in enumerate(cups):
        for item in cup.items:
            if item.pieces > 1:
                other = row[seen.setdefault((item.column, item.lift), c)]
                row = [row[c] if r == other else r for r in row]
    return row


def minutes_of(cup: Cup, bench: Bench) -> float:
    """Return the minutes that a cup takes."""
    return cup_minutes(cup.items, bench)


def cup_needs(cups: Sequence[Cup], draws: NeedDraws, cup_loss_ml: float) -> Floats:
    """Return what each cup would have had to hold in each simulated job, (DRAWS, cups) ml."""
    shape = (len(draws.needs), len(cups))
    volume, overfill, soak = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    for c, cup in enumerate(cups):
        for item in cup.items:
            volume[item.column, c] += item.of_volume
            overfill[item.column, c] += item.of_overfill
            soak[item.column, c] += item.of_soak
    total = draws.volume_ml @ volume + draws.overfill_ml @ overfill + draws.soak_ml @ soak
    return np.asarray(total + cup_loss_ml, dtype=np.float64)


def chance_short(mixed_ml: Sequence[float], needed_ml: Floats) -> float:
    """Return the share of simulated jobs in which any cup runs short."""
    if not len(mixed_ml):
        return 0.0
    return float((needed_ml > np.asarray(mixed_ml) + 1e-9).any(axis=1).mean())


def levels_needed(cups: Sequence[Cup], needs: Sequence[Need], needed_ml: Floats, cup_loss_ml: float) -> Floats:
    """Return for each simulated job the least level z at which no cup would have run short, (DRAWS,)."""
    grid = np.linspace(LEVELS[0], LEVELS[1], LEVEL_STEPS)
    worst = np.full(len(needed_ml), LEVELS[0])
    for c, cup in enumerate(cups):
        mixed = [cup.mix_ml(needs, float(z), cup_loss_ml) for z in grid]
        worst = np.maximum(worst, np.interp(needed_ml[:, c], mixed, grid))
    return worst


def trimmed(cup: Cup, needs: Sequence[Need], z: float) -> Cup:
    """Return the cup with its pours' amounts at level ``z``."""
    return replace(
        cup,
        items=tuple(
            replace(i, ml=amount(needs[i.column], z, i.of_volume, i.of_overfill, i.of_soak)) for i in cup.items
        ),
    )


def normal_level(chance: float) -> float:
    """Return the standard normal deviate that is exceeded with this chance."""
    from statistics import NormalDist

    return NormalDist().inv_cdf(1 - chance) if 0 < chance < 1 else math.inf
