"""What to buy: the cheapest set of containers that holds enough."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence

from voidmap.fill.resin import Container
from voidmap.records import Purchase

STEPS = 20
"""The smallest container counts as so many whole steps; larger ones are rounded down to steps."""
MOST_CONTAINERS = 200
"""Containers so small that more of them would be needed are left out."""


def choose_containers(need_ml: float, containers: Sequence[Container]) -> tuple[Container, ...]:
    """Return the containers that hold at least ``need_ml``: cheapest, then least left over, then fewest.

    Where any price is missing the least left over decides. An exact search over whole steps (a covering
    knapsack by dynamic programming); sizes rounded down to steps, so that it is never too little.
    """
    if need_ml <= 0 or not containers:
        return ()
    usable = [c for c in containers if c.ml * MOST_CONTAINERS >= need_ml] or [max(containers, key=lambda c: c.ml)]
    priced = all(c.price is not None for c in usable)
    step = min(c.ml for c in usable) / STEPS
    wanted = math.ceil(need_ml / step - 1e-9)

    def cost(container: Container) -> tuple[float, float, int]:
        return (container.price or 0.0 if priced else 0.0, container.ml, 1)

    best: list[tuple[tuple[float, float, int], tuple[int, ...]]] = [((0.0, 0.0, 0), ())]
    for filled in range(1, wanted + 1):
        options = []
        for k, container in enumerate(usable):
            whole = math.floor(container.ml / step + 1e-9)
            (price, ml, count), chosen = best[max(0, filled - whole)]
            extra = cost(container)
            options.append(((price + extra[0], ml + extra[1], count + extra[2]), (*chosen, k)))
        best.append(min(options))
    return tuple(usable[k] for k in sorted(best[wanted][1]))


def purchase(product: str, need_ml: float, margin: float, containers: Sequence[Container]) -> Purchase:
    """Return what to buy of a product for a need, with a margin (share of the need)."""
    buy_ml = need_ml * (1 + margin)
    chosen = choose_containers(buy_ml, containers)
    counted = Counter(c.label for c in chosen)
    prices = [c.price for c in chosen if c.price is not None]
    return Purchase(
        product=product,
        need_ml=need_ml,
        buy_ml=buy_ml,
        containers=tuple(f"{count} x {label}" for label, count in counted.items()),
        cost=sum(prices) if chosen and len(prices) == len(chosen) else None,
    )
