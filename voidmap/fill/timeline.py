"""When each batch is stirred and each coat goes on, in hours after the first stir."""

from __future__ import annotations

from collections.abc import Sequence

from voidmap.fill.bench import Bench
from voidmap.fill.cups import Cup, minutes_of
from voidmap.fill.resin import Product
from voidmap.records import TimeStep

MIN_PER_H = 60.0
DAY_H = 24.0
SANDING_H = 2.0
"""Set aside for levelling and sanding the fills flush; common practice, no source."""
COATING_H = 1.0
"""Set aside for mixing and spreading a coat; common practice, no source."""
BETWEEN_COATS_H = 1.0
"""Set aside for photographing a cured coat, sanding and wiping it; common practice, no source."""


def in_workday(clock_h: float, lasting_h: float, workday_h: float) -> float:
    """Return when work that takes so long may begin: now, or next morning when it would outlast the day."""
    day, hour = divmod(clock_h, DAY_H)
    if hour == 0 or hour + lasting_h <= workday_h:
        return clock_h
    return (day + 1) * DAY_H


def start_times_h(cups: Sequence[Cup], bench: Bench) -> list[float]:
    """Return when each cup may be stirred: after the one before, each lift after the wait for it, by day."""
    ready: dict[tuple[str, int, int], float] = {}
    clock = 0.0
    starts = []
    for cup in cups:
        wait, _ = cup.product.window_at(bench.temperature_c)
        for item in cup.items:
            if item.lift > 1:
                clock = max(clock, ready[(cup.product.name, item.column, item.lift - 1)] + wait)
        lasting = minutes_of(cup, bench) / MIN_PER_H
        if all(item.piece == 1 for item in cup.items):  # the further cups of a lift can't wait for the morning
            clock = in_workday(clock, lasting, bench.workday_h)
        starts.append(clock)
        for item in cup.items:
            key = (cup.product.name, item.column, item.lift)
            ready[key] = max(ready.get(key, 0.0), clock + lasting)
        clock += lasting + bench.turnaround_min / MIN_PER_H
    return starts


def late_lifts(cups: Sequence[Cup], starts_h: Sequence[float], bench: Bench) -> list[str]:
    """Return the defects whose next lift comes after the recoat window has closed."""
    poured: dict[tuple[str, int, int], float] = {}
    late: list[str] = []
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
    steps: list[TimeStep] = []
    end = 0.0
    for number, (cup, start) in enumerate(zip(cups, starts_h, strict=True), start=1):
        if start - end > bench.turnaround_min / MIN_PER_H + 1e-6:
            steps.append(TimeStep(end, start, f"wait for lift {cup.round}", "wait"))
        end = start + minutes_of(cup, bench) / MIN_PER_H
        steps.append(TimeStep(start, end, f"batch {number}", "pour"))
    if cups:
        end = _wait(steps, end, max(_cure_h(cup.product, bench) for cup in cups), SANDING_H, bench)
        end = _work(steps, end, SANDING_H, "sand the fills flush, clean", "work")
    return tuple(steps + _coats(end, bench, coat, seal_coats, coat_every_h))


def _coats(end: float, bench: Bench, coat: Product, seal_coats: int, every_h: float | None) -> list[TimeStep]:
    steps: list[TimeStep] = []
    for number in range(1, seal_coats + 1):
        begun = end
        end = _work(steps, end, COATING_H, f"seal coat {number}", "coat")
        cure = _cure_h(coat, bench) if every_h is None else max(0.0, begun + every_h - BETWEEN_COATS_H - end)
        end = _wait(steps, end, cure, BETWEEN_COATS_H + COATING_H, bench)
        end = _work(steps, end, BETWEEN_COATS_H, f"photograph coat {number}, sand, wipe", "work")
    end = _work(steps, end, COATING_H, "flood coat", "coat")
    steps.append(TimeStep(end, end + _cure_h(coat, bench), "cure", "wait"))
    return steps


def _wait(steps: list[TimeStep], start: float, hours: float, next_work_h: float, bench: Bench) -> float:
    """Add a wait that ends when the next work fits into a day; return its end."""
    end = in_workday(start + hours, next_work_h, bench.workday_h)
    steps.append(TimeStep(start, end, "cure", "wait"))
    return end


def _work(steps: list[TimeStep], start: float, hours: float, what: str, kind: str) -> float:
    steps.append(TimeStep(start, start + hours, what, kind))
    return start + hours


def _cure_h(product: Product, bench: Bench) -> float:
    slower = product.working_time_at(bench.temperature_c) / product.working_time_min
    return product.cure_before_sanding_h * max(1.0, slower)
