"""Cups with enough in them: the level to plan at, found so that the chance of running short is the one accepted."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from voidmap.fill.bench import Bench
from voidmap.fill.cups import Cup, Task, chance_short, cup_needs, cups_for, levels_needed, normal_level, trimmed
from voidmap.fill.mixing import Portion
from voidmap.fill.need import Floats, Need, NeedDraws, draw_needs, need_of, shared_part
from voidmap.fill.resin import Resin
from voidmap.records import ChancePoint, Intake, SlabRecord

SEED = 6
"""Of the simulated jobs, so that one job always gives one plan."""
CHANCES = (0.5, 0.2, 0.1, 0.05, 0.02, 0.01)
"""Rows of the table of chance against amount."""
TRIM_STEPS = 20
"""Levels tried from the least that may be enough up to the planned one."""


@dataclass(frozen=True)
class Filling:
    """Everything known of the cups, before it is put in words."""

    cups: tuple[Cup, ...]
    portions: tuple[Portion, ...]
    needed_ml: Floats
    draws: NeedDraws
    level: float
    chance: float
    bound: int
    exact: bool


def fill_cups(
    intake: Intake, resin: Resin, bench: Bench, used: Mapping[str, str], overfill_mm: float, chance: float
) -> Filling:
    """Return the cups for all defects that get resin.

    Parameters
    ----------
    used
        Defect id to method name.
    chance
        Accepted chance that any cup runs short.

    Raises
    ------
    ValueRefused
        When the resin's limits can't be kept.
    """
    thin = [d for d in intake.defects if used[d.id] == "thin_resin"]
    tinted = [d for d in intake.defects if used[d.id] == "tinted_resin"]
    needs = [need_of(d, resin, overfill_mm=overfill_mm) for d in [*thin, *tinted]]
    draws = draw_needs(needs, shared_part(intake.defects, intake.totals), np.random.default_rng(SEED))
    narrow = resin.number("bench", "narrow_in_one_pour_mm")
    tasks = (
        Task(resin.thin, 0.0, tuple(enumerate(thin)), in_lifts=False),
        Task(
            resin.fill, resin.pigment_share, tuple(enumerate(tinted, start=len(thin))), in_lifts=True, narrow_mm=narrow
        ),
    )
    filling = _enough(tasks, needs, draws, bench, chance, intake.slab)
    if not filling.cups:
        return filling
    enough = levels_needed(filling.cups, needs, filling.needed_ml, bench.cup_loss_ml)
    lowest = min(filling.level, float(np.quantile(enough, 1 - chance, method="higher")))
    fewer = _at_level(tasks, needs, draws, bench, lowest, intake.slab)
    if fewer.chance <= chance and len(fewer.cups) < len(filling.cups):
        return fewer
    # Levels are read off a grid: the lowest may be a few simulated jobs short.
    for level in np.linspace(lowest, filling.level, TRIM_STEPS):
        cups = tuple(trimmed(cup, needs, float(level)) for cup in filling.cups)
        less = _measured(cups, needs, draws, bench, float(level), filling.bound, filling.exact)
        if less.chance <= chance:
            return less
    return filling


def _enough(
    tasks: Sequence[Task],
    needs: Sequence[Need],
    draws: NeedDraws,
    bench: Bench,
    chance: float,
    slab: SlabRecord,
) -> Filling:
    """Plan at the level of the chance; where many cups together run short more often, at a higher one."""
    filling = _at_level(tasks, needs, draws, bench, normal_level(chance), slab)
    for part in (1.0, 2.0, 4.0):
        if filling.chance <= chance:
            break
        filling = _at_level(tasks, needs, draws, bench, normal_level(chance / len(filling.cups) / part), slab)
    return filling


def _at_level(
    tasks: Sequence[Task], needs: Sequence[Need], draws: NeedDraws, bench: Bench, level: float, slab: SlabRecord
) -> Filling:
    cups: list[Cup] = []
    bound, exact = 0, True
    for task in tasks:
        found, least, proven = cups_for(
            task, needs, bench, level, thickness_mm=slab.thickness_mm, span_mm=span_mm(slab)
        )
        cups += found
        bound += least
        exact = exact and proven
    return _measured(tuple(cups), needs, draws, bench, level, bound, exact)


def _measured(
    cups: tuple[Cup, ...],
    needs: Sequence[Need],
    draws: NeedDraws,
    bench: Bench,
    level: float,
    bound: int,
    exact: bool,
) -> Filling:
    portions = tuple(cup.portion(needs, level, bench) for cup in cups)
    needed = cup_needs(cups, draws, bench.cup_loss_ml)
    chance = chance_short([p.ml for p in portions], needed)
    return Filling(cups, portions, needed, draws, level, chance, bound, exact)


def span_mm(slab: SlabRecord) -> float:
    """Return the slab's longest extent, mm."""
    if not slab.outline_mm:
        return 0.0
    xs, ys = [p[0] for p in slab.outline_mm], [p[1] for p in slab.outline_mm]
    return math.hypot(max(xs) - min(xs), max(ys) - min(ys))


def chance_table(filling: Filling, bench: Bench) -> tuple[ChancePoint, ...]:
    """Return amounts to mix in all, with the chance that any cup runs short."""
    rows = []
    needs = filling.draws.needs
    if not filling.cups:
        return ()
    enough = levels_needed(filling.cups, needs, filling.needed_ml, bench.cup_loss_ml)
    for chance in CHANCES:
        level = float(np.quantile(enough, 1 - chance))
        mixed = [cup.mix_ml(needs, level, bench.cup_loss_ml) for cup in filling.cups]
        rows.append(ChancePoint(sum(mixed), chance_short(mixed, filling.needed_ml)))
    return tuple(rows)
