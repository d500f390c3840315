"""Packing into cups: against brute force where that is possible, against a published bound where it is not."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from voidmap.fill.packing import Load, l2_bound, lower_bound, pack


def fits(loads, chosen):
    return sum(loads[i].volume for i in chosen) <= 1 + 1e-9 and sum(loads[i].minutes for i in chosen) <= 1 + 1e-9


def partitions(items):
    if not items:
        yield []
        return
    head, *rest = items
    for smaller in partitions(rest):
        for k in range(len(smaller)):
            yield [*smaller[:k], [head, *smaller[k]], *smaller[k + 1 :]]
        yield [[head], *smaller]


def fewest_in_one_round(loads):
    return min(len(p) for p in partitions(list(range(len(loads)))) if all(fits(loads, c) for c in p))


def fewest_over_rounds(loads, rounds):
    """Try every assignment of loads to rounds that keeps each void's lifts in rising rounds."""
    best = 10**9
    choices = [range(load.link, rounds - load.links + load.link + 1) for load in loads]
    for where in itertools.product(*choices):
        placed = {}
        for load, r in zip(loads, where, strict=True):
            placed.setdefault((load.chain, load.link), set()).add(r)
        if any(len(found) > 1 for found in placed.values()):
            continue
        if any(min(placed[k]) <= max(placed[k[0], k[1] - 1]) for k in placed if k[1] > 1):
            continue
        count = 0
        for r in set(where):
            count += fewest_in_one_round([load for load, at in zip(loads, where, strict=True) if at == r])
        best = min(best, count)
    return best


def check(loads, packing, rounds):
    assert sorted(i for _, inside in packing.cups for i in inside) == list(range(len(loads)))
    where = {}
    for r, inside in packing.cups:
        assert 1 <= r <= rounds
        assert fits(loads, inside)
        for i in inside:
            where.setdefault((loads[i].chain, loads[i].link), set()).add(r)
    assert all(len(found) == 1 for found in where.values())
    assert all(min(where[k]) > min(where[k[0], k[1] - 1]) for k in where if k[1] > 1)


@pytest.mark.parametrize("seed", range(40))
def test_small_cases_are_optimal_against_brute_force(seed):
    rng = np.random.default_rng(seed)
    loads = [Load(i, 1, 1, *rng.uniform(0.05, 0.8, 2)) for i in range(7)]
    packing = pack(loads, 1)
    check(loads, packing, 1)
    assert packing.exact
    assert len(packing.cups) == fewest_in_one_round(loads)
    assert packing.bound <= len(packing.cups)


@pytest.mark.parametrize("seed", range(15))
def test_small_cases_with_lifts_are_optimal_against_brute_force(seed):
    rng = np.random.default_rng(100 + seed)
    lifts = [3, 2, 1, 1]
    loads = [
        Load(chain, link, links, *rng.uniform(0.1, 0.7, 2))
        for chain, links in enumerate(lifts)
        for link in range(1, links + 1)
    ]
    packing = pack(loads, 3)
    check(loads, packing, 3)
    assert packing.exact
    assert len(packing.cups) == fewest_over_rounds(loads, 3)


def test_l2_on_known_cases():
    # Martello & Toth, Discrete Applied Mathematics 28 (1990) 59-70, define L2; worked by hand from the definition:
    # four items of 0.6 can't share a bin; three of 0.5 need two; the sum bound alone says 2 for [0.7, 0.7, 0.4].
    assert l2_bound([0.6] * 4) == 4
    assert l2_bound([0.5] * 3) == 2
    assert l2_bound([0.7, 0.7, 0.4]) == 3
    assert l2_bound([]) == 0


def l2_by_definition(sizes, capacity):
    """L2 in whole numbers as printed, for every alpha from 0 to half the capacity."""
    best = 0
    for alpha in range(capacity // 2 + 1):
        one = [w for w in sizes if w > capacity - alpha]
        two = [w for w in sizes if capacity - alpha >= w > capacity / 2]
        three = [w for w in sizes if capacity / 2 >= w >= alpha]
        room = len(two) * capacity - sum(two)
        best = max(best, len(one) + len(two) + max(0, -(-(sum(three) - room) // capacity)))
    return best


@pytest.mark.parametrize("seed", range(10))
def test_large_cases_stay_close_to_the_published_bound(seed):
    # Uniform sizes of 1 to 100 in bins of 100: a class of Martello & Toth's own experiments.
    rng = np.random.default_rng(seed)
    sizes = rng.integers(1, 101, 150).tolist()
    loads = [Load(i, 1, 1, w / 100, 0.001) for i, w in enumerate(sizes)]
    packing = pack(loads, 1)
    check(loads, packing, 1)
    bound = l2_by_definition(sizes, 100)
    assert packing.bound == bound
    assert len(packing.cups) <= bound * 1.05 + 1


def test_the_bound_holds_for_each_round():
    # Two voids of two lifts of 0.6: each round needs two cups, though the sum alone would allow three.
    loads = [Load(c, k, 2, 0.6, 0.1) for c in range(2) for k in (1, 2)]
    assert lower_bound(loads, 2) == 4
    assert len(pack(loads, 2).cups) == 4


def test_many_loads_do_not_exhaust_the_stack():
    loads = [Load(i, 1, 1, 0.01, 0.01) for i in range(3000)]
    packing = pack(loads, 1)
    assert len(packing.cups) == packing.bound == 30
