"""What is truly there after a coat, and what one more coat would leave: simulated from what was seen.

Three doubts come together: called spots may be none, pinholes may be missed, and a size may lie on either side of the
smallest that matters.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from voidmap.coat.again import USUAL_RATIO, chance_shown
from voidmap.coat.count import LEAST_CHANCE, STRANGE_SURFACE
from voidmap.coat.pod import fit_of_values
from voidmap.model import Floats
from voidmap.records import CoatRecord, Pinhole

DRAWS = 4000
CLOSURE_PRIOR = (3.2, 0.8)
"""Beta prior of a site's chance to close under one seal coat, worth four sites: mean 0.8, between the 0.73 and
0.86 a coat that "two or three seal coats remove about 98 %" comes to (common practice, no source)."""
NEW_PRIOR = (0.5, 0.1)
"""Gamma prior (count, weight in coats) of new pinholes from one more coat; weak, so that this slab's own decide."""
CLASSES = 30
"""Pinholes are taken in so many classes of size, each with one chance to be found."""
MOST_AT_ONCE = 1_000_000
LEVELS = 1000
"""Steps of the chance to close over which its posterior is worked out."""


def truly_left(records: Sequence[CoatRecord], smallest_mm: float, rng: np.random.Generator) -> NDArray[np.int64]:
    """Simulate how many pinholes of at least ``smallest_mm`` are in the newest coat's inspected area, (DRAWS,).

    For s pinholes found with chance p each, what is there has the posterior s + NB(s + 1, p): that of a uniform prior
    on the number. Its chance of "no more than a" equals the test's significance against "a + 1 or more" (exact
    binomial), so that a bound set on it holds whatever the truth is, not only on average.
    """
    usual = [p.diameter_mm for r in records for p in r.pinholes if p.diameter_mm >= smallest_mm]
    pool = np.array([*usual, USUAL_RATIO * smallest_mm])
    pool = np.quantile(pool, (np.arange(CLASSES) + 0.5) / CLASSES)
    there, shown = _stood_for(records[-1], records[-1].pinholes, pool, smallest_mm, rng)
    more = shown[np.arange(DRAWS), rng.integers(CLASSES, size=DRAWS)]
    return np.asarray(there + rng.negative_binomial(1, more), dtype=np.int64)


def left_elsewhere(
    records: Sequence[CoatRecord], closure: Closure, smallest_mm: float, rng: np.random.Generator
) -> tuple[int, NDArray[np.int64]]:
    """Simulate what sites of earlier coats still hold where the newest coat was not inspected.

    Returns how many such sites there are, and how many pinholes of at least ``smallest_mm`` are open at them or were
    missed beside them (DRAWS,). What is new there since is not in it: no photo tells.
    """
    newest = records[-1]
    hidden = {site.site for site in newest.closed if not site.in_view}
    times = Counter(p.site for r in records for p in r.pinholes)
    left = np.zeros(DRAWS, np.int64)
    counted: set[str] = set()
    for record in reversed(records[:-1]):
        here = [p for p in record.pinholes if p.site in hidden - counted]
        counted |= {p.site for p in here}
        for closes, old in ((closure.fresh, False), (closure.stubborn, True)):
            holes = [p for p in here if (times[p.site] > 1) == old]
            if holes:
                there, _ = _stood_for(record, holes, np.zeros(0), smallest_mm, rng)
                left += rng.binomial(there, (1 - closes) ** max(1, newest.number - record.number))
    return len(counted), left


def _stood_for(
    record: CoatRecord, holes: Sequence[Pinhole], pool_mm: Floats, smallest_mm: float, rng: np.random.Generator
) -> tuple[NDArray[np.int64], Floats]:
    """Draw how many pinholes that matter the called ones stand for, those missed among them, (DRAWS,).

    Beside it the chances (DRAWS, N) that the photo shows pinholes of the sizes ``pool_mm`` (N,).
    """
    holes = sorted(holes, key=lambda p: p.diameter_mm)
    starts = np.linspace(0, len(holes), min(len(holes), CLASSES), endpoint=False).astype(int)
    real = _real(holes, starts, smallest_mm, rng)
    sizes = np.array([p.diameter_mm for p in holes])
    classes = sizes[(starts + np.append(starts[1:], len(sizes))) // 2] if len(sizes) else sizes
    chances = _shown(record, np.maximum(np.append(classes, pool_mm), smallest_mm), rng)
    shown = chances[:, : len(classes)]
    # A negative binomial is a Poisson count with a gamma mean; it stands for none where none was real.
    missed = rng.poisson(rng.gamma(real, (1 - shown) / shown)).sum(axis=1)
    return np.asarray(real.sum(axis=1) + missed, dtype=np.int64), chances[:, len(classes) :]


def _real(
    holes: Sequence[Pinhole], starts: NDArray[np.int64], smallest_mm: float, rng: np.random.Generator
) -> NDArray[np.int64]:
    """Draw how many of the called spots (in the order of their size) are pinholes that matter, (DRAWS, classes)."""
    from scipy.special import ndtr

    if not holes:
        return np.zeros((DRAWS, 0), np.int64)
    span = np.array([tuple(p.diameter_interval_mm) for p in holes])
    sigma = np.maximum((span[:, 1] - span[:, 0]) / (2 * 1.96), 1e-3)
    big = ndtr((np.array([p.diameter_mm for p in holes]) - smallest_mm) / sigma)
    chance = np.clip([p.probability for p in holes], 1e-6, 1.0)
    doubted = chance < 1.0
    logit = np.where(doubted, np.log(chance / np.where(doubted, 1 - chance, 1.0)), 0.0)
    shared = rng.normal(0.0, STRANGE_SURFACE, DRAWS)
    real = np.zeros((DRAWS, len(starts)), np.int64)
    rows = max(1, MOST_AT_ONCE // len(holes))
    for first in range(0, DRAWS, rows):
        part = shared[first : first + rows, None]
        is_one = np.where(doubted, 1 / (1 + np.exp(-(logit + part))), 1.0) * big
        real[first : first + rows] = np.add.reduceat(rng.random(is_one.shape) < is_one, starts, axis=1, dtype=np.int64)
    return real


def _shown(record: CoatRecord, sizes_mm: Floats, rng: np.random.Generator) -> Floats:
    """Draw the chances (DRAWS, N) that pinholes of these sizes are found, with the curve's own doubt."""
    fit = fit_of_values(record.power.fit)
    if fit is None:
        known = chance_shown(record.power.curve, [float(s) for s in sizes_mm])
        known = known if record.power.curve or _all_found(record) else np.full(len(sizes_mm), 0.5)
        return np.broadcast_to(np.clip(known, LEAST_CHANCE, 0.9999), (DRAWS, len(sizes_mm)))
    return np.asarray(np.clip(fit.drawn_chances(sizes_mm, rng, DRAWS), LEAST_CHANCE, 0.9999), dtype=np.float64)


def _all_found(record: CoatRecord) -> bool:
    return 0 < record.power.planted == record.power.found


@dataclass(frozen=True, eq=False)
class Closure:
    """The chance that a site closes under one coat.

    Draws (DRAWS,) for sites of one coat (``fresh``), for those that outlived a coat (``stubborn``), and for all alike;
    how many were gone and stayed so far, and the rate at which they closed, misses taken off (None with one coat).
    """

    fresh: Floats
    stubborn: Floats
    all_sites: Floats
    closed: int
    stayed: int
    rate: float | None


class _Told(NamedTuple):
    """What one coat told of a site: whether it was gone, had outlived a coat before, and over how many coats.

    ``shown`` is the chance that the photo would have shown it, had it stayed.
    """

    gone: bool
    stubborn: bool
    coats: int
    shown: float


def closure_of(records: Sequence[CoatRecord], rng: np.random.Generator) -> Closure:
    """Learn the closure from a job's sites; one that stayed over several coats between photos counts for each.

    A site that is gone has closed, or stayed and was missed: a poor photo makes few closures of many sites gone.
    """
    told: Counter[_Told] = Counter()
    times: Counter[str] = Counter()
    size_mm: dict[str, float] = {}
    for before, now in pairwise(records):
        _remember(before, times, size_mm)
        coats = max(1, now.number - before.number)
        gone = [site.site for site in now.closed if site.seen and times[site.site]]
        stayed = [p.site for p in now.pinholes if times[p.site]]
        sites = [(site, True) for site in gone] + [(site, False) for site in stayed]
        shown = chance_shown(now.power.curve, [size_mm[site] for site, _ in sites])
        # Rounded, so that sites which tell the same are counted together.
        for (site, is_gone), chance in zip(sites, shown, strict=True):
            told[_Told(is_gone, times[site] > 1, coats, round(float(chance), 2))] += 1
    closed = sum(n for site, n in told.items() if site.gone)
    stayed_in_all = told.total() - closed
    rate = None
    if any(site.coats > 1 for site in told):
        rate = float(np.median(_posterior(told, rng)))
    elif told:
        rate = max(0.0, 1.0 - stayed_in_all / max(sum(n * site.shown for site, n in told.items()), 1e-9))
    fresh, stubborn = (Counter({t: n for t, n in told.items() if t.stubborn == old}) for old in (False, True))
    return Closure(
        _posterior(fresh, rng), _posterior(stubborn, rng), _posterior(told, rng), closed, stayed_in_all, rate
    )


def _remember(record: CoatRecord, times: Counter[str], size_mm: dict[str, float]) -> None:
    """Count how often each site was found open, and keep its last size."""
    times.update(p.site for p in record.pinholes)
    size_mm.update({p.site: p.diameter_mm for p in record.pinholes})


def _posterior(told: Counter[_Told], rng: np.random.Generator) -> Floats:
    level = (np.arange(LEVELS) + 0.5) / LEVELS
    weight = (CLOSURE_PRIOR[0] - 1) * np.log(level) + (CLOSURE_PRIOR[1] - 1) * np.log(1 - level)
    for site, n in told.items():
        stays = (1 - level) ** site.coats
        weight += n * (np.log1p(-stays * site.shown) if site.gone else np.log(stays))
    chance = np.exp(weight - weight.max())
    drawn = rng.choice(LEVELS, size=DRAWS, p=chance / chance.sum())
    return np.asarray((drawn + rng.random(DRAWS)) / LEVELS, dtype=np.float64)


def after_next(
    records: Sequence[CoatRecord], left: NDArray[np.int64], closure: Closure, rng: np.random.Generator
) -> Floats:
    """Simulate how many are left after one more coat (beta-binomial): what stays open plus what is new, (DRAWS,)."""
    times = Counter(p.site for r in records for p in r.pinholes)
    old = sum(times[p.site] > 1 for p in records[-1].pinholes)
    share = old / max(1, len(records[-1].pinholes))
    stubborn = rng.binomial(left, share)
    stay = rng.binomial(stubborn, 1 - closure.stubborn) + rng.binomial(left - stubborn, 1 - closure.fresh)
    new_seen = [sum(p.state == "new" for p in r.pinholes) for r in records[1:]]
    # New ones thin out from coat to coat: the newest coat speaks for the next.
    count, weight = NEW_PRIOR
    fresh = rng.gamma(count + sum(new_seen[-1:]), 1 / (weight + len(new_seen[-1:])), DRAWS)
    return np.asarray(stay + rng.poisson(np.minimum(fresh, left + 1.0)), dtype=np.float64)
