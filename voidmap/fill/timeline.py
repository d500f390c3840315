"""When each batch is stirred and each coat goes on, in hours after the first stir."""

from __future__ import annotations

from collections.abc import Sequence

from voidmap.fill.bench import Bench
from voidmap.fill.cups import Cup, minutes_of
from voidmap.fill.resin import Product
from voidmap.records import TimeStep

MIN_PER_H = 60.0
SANDING_H = 2.0
"""Set aside for levelling and sanding the fills flush; common practice, no source."""


def start_times_h(cups: Sequence[Cup], bench: Bench) -> list[float]:
    """Return when each cup may be stirred: after the one before, and each lift after the wait for it."""
    ready: dict[tuple[str, int, int], float] = {}
    clock = 0.0
    starts = []
    for cup in cups:
        wait, _ = cup.product.window_at(bench.temperature_c)
        for item in cup.items:
            if item.lift > 1:
                clock = max(clock, ready[(cup.product.name, item.column, item.lift - 1)] + wait)
        starts.append(clock)
        end = clock + minutes_of(cup, bench) / MIN_PER_H
        for item in cup.items:
            key = (cup.product.name, item.column, item.lift)
            ready[key] = max(ready.get(key, 0.0), end)
        clock = end + bench.turnaround_min / MIN_PER_H
    return starts


def late_lifts(cups: Sequence[Cup], starts_h: Sequence[float], bench: Bench) -> list[str]:
    """Return the defects whose next lift comes after the recoat window has closed."""
    poured: dict[tuple[str, int, int], float] = {}
    late = []
    for cup, start in zip(cups, starts_h, strict=True):
        _, latest = cup.product.window_at(bench.temperature_c)
        for item in cup.items:
            before = poured.get((cup.product.name, item.column, item.lift - 1))
            if before is not None and start - before > latest and item.defect not in late:
                late.append(item.defect)
            poured[(cup.product.name, item.column, item.lift)] = start
    return late


def schedule(
    cups: Sequence[Cup],
    starts_h: Sequence[float],
    bench: Bench,
    coat: Product,
    *,
    seal_coats: int,
    coat_every_h: float | None,
) -> tuple[TimeStep, ...]:
    """Return the time line: batches, waits, sanding, seal coats with their photo, flood coat."""
    steps = []
    end = 0.0
    for number, (cup, start) in enumerate(zip(cups, starts_h, strict=True), start=1):
        if start - end > bench.turnaround_min / MIN_PER_H + 1e-6:
            steps.append(TimeStep(end, start, f"wait before lift {cup.round}", "wait"))
        end = start + minutes_of(cup, bench) / MIN_PER_H
        steps.append(TimeStep(start, end, f"batch {number}", "pour"))
    if cups:
        cure = max(cup.product.cure_before_sanding_h for cup in cups)
        cure *= max(1.0, _slower(cups[-1].product, bench))
        steps.append(TimeStep(end, end + cure, "cure", "wait"))
        steps.append(TimeStep(end + cure, end + cure + SANDING_H, "sand the fills flush, clean", "work"))
        end += cure + SANDING_H
    every = coat.cure_before_sanding_h * max(1.0, _slower(coat, bench)) if coat_every_h is None else coat_every_h
    for number in range(1, seal_coats + 1):
        steps.append(TimeStep(end, end + every, f"seal coat {number}, cure, photograph, sand", "coat"))
        end += every
    flood_cure = coat.cure_before_sanding_h * max(1.0, _slower(coat, bench))
    steps.append(TimeStep(end, end + flood_cure, "flood coat, cure", "coat"))
    return tuple(steps)


def _slower(product: Product, bench: Bench) -> float:
    return product.working_time_at(bench.temperature_c) / product.working_time_min
