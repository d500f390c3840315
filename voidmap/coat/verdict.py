"""The call after a coat: seal again, spot-fill, flood, or take the photo again.

The rule, in words that a finisher can argue with:

* *Flood* when it is likely enough that no more pinholes are left than the agreed finish allows.
* *Spot-fill* when what is left can be touched in by hand, and one more whole coat is not the smaller job.
* *Seal again* when more is left than can be touched in by hand.
* *Photograph again* when the answer hangs on pinholes that this photo can't show.

All chances come from one simulation of what is truly there, given what was seen, what the photo misses and
what it calls falsely.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voidmap.coat.again import why_again
from voidmap.coat.pattern import pattern_of
from voidmap.errors import JobError, ValueRefused
from voidmap.records import CoatRecord, Defect, Expected, SiteAdvice, Verdict
from voidmap.statistics import equal_tailed


@dataclass(frozen=True)
class Finish:
    """What was agreed beforehand: no standard limits pinholes on clear-coated wood.

    ``allowed`` pinholes of at least ``smallest_mm`` may be left in the area photographed before the flood coat;
    more than ``by_hand`` are too many to be touched in one by one.
    """

    name: str
    smallest_mm: float
    allowed: int
    by_hand: int = 24
    """An hour's work at two to three minutes a site (common practice, no source)."""

    def __post_init__(self) -> None:
        """Refuse what can't be right."""
        if self.smallest_mm <= 0 or self.allowed < 0 or self.by_hand < self.allowed:
            raise ValueRefused(
                f"{self.allowed} allowed of {self.smallest_mm:g} mm and {self.by_hand} by hand contradict each other",
                "allow 0 or more of a size over 0 mm, and no more than can be touched in by hand",
            )


FINISHES = {
    "client": Finish("client", smallest_mm=0.5, allowed=0),
    "shop": Finish("shop", smallest_mm=0.5, allowed=3),
    "own": Finish("own", smallest_mm=1.0, allowed=5),
}

SURE_ENOUGH_TO_FLOOD = 0.95
"""A flood coat can't be taken back: it is advised only when the finish is met with this probability."""
CLOSURE_PRIOR = (3.2, 0.8)
"""Beta prior of a site's chance to close under one seal coat, worth four sites: mean 0.8, between the 0.73 and
0.86 a coat that "two or three seal coats remove about 98 %" comes to (common practice, no source)."""
NEW_PRIOR = (0.5, 0.1)
"""Gamma prior (count, weight in coats) of new pinholes from one more coat; weak, so that this slab's own decide."""
DRAWS = 4000
MOST_HIDDEN = 0.5
"""With more than this share of the top in view hidden, the photo speaks for less than half of it."""


def verdict(
    records: Sequence[CoatRecord],
    *,
    finish: Finish,
    defects: Sequence[Defect] = (),
    coat_price: float | None = None,
    defect_price: float | None = None,
    seed: int = 0,
) -> Verdict:
    """Decide what to do after the newest coat.

    Parameters
    ----------
    records
        The coats, in order.
    finish
        What was agreed.
    defects
        The slab's defects from intake, for the pattern at rims; may be empty.
    coat_price, defect_price
        What one more seal coat costs, and what a pinhole under the flood coat costs; both or neither.
    seed
        Of the simulation.

    Raises
    ------
    JobError
        When there is no coat.
    """
    if not records:
        raise JobError("the job has no coat yet", "photograph the sealed slab and run voidmap coat first")
    rng = np.random.default_rng(seed)
    newest = records[-1]
    left = _truly_left(newest, finish.smallest_mm, rng)
    closure, hits_misses = _closure(records, rng)
    after = _after_next(records, left, closure, rng)
    met = float(np.mean(left <= finish.allowed))
    many = float(np.mean(left > finish.by_hand))
    blind = _blind(newest, finish)
    found = any(p.diameter_mm >= finish.smallest_mm for p in newest.pinholes)
    decision, confidence = _decide(met, many, found, bool(blind))
    pattern = pattern_of(records, defects, seed=seed)
    reasons = (
        *_reasons(newest, finish, left, met, many, decision),
        *blind,
        *_price_reasons(left, after, finish, coat_price, defect_price),
        *pattern.words,
    )
    return Verdict(
        decision=decision,
        confidence=confidence,
        reasons=reasons,
        sites=_sites(records, decision),
        expected_after_next=Expected(float(after.mean()), equal_tailed(after)),
        closure_rate=hits_misses[0] / sum(hits_misses) if sum(hits_misses) else None,
        closure_interval=equal_tailed(closure),
        pattern=pattern,
        coat=newest.number,
        finish=finish.name,
        would_change=_would_change(decision, finish, met),
    )


def _truly_left(record: CoatRecord, smallest_mm: float, rng: np.random.Generator) -> NDArray[np.int64]:
    """Simulate how many pinholes of at least ``smallest_mm`` are in the inspected area, (DRAWS,)."""
    diameters = np.array([p.diameter_mm for p in record.pinholes])
    lo = np.array([p.diameter_interval_mm.lo for p in record.pinholes])
    hi = np.array([p.diameter_interval_mm.hi for p in record.pinholes])
    sigma = np.maximum((hi - lo) / (2 * 1.96), 1e-3)
    sizes = rng.normal(diameters, sigma, size=(DRAWS, len(diameters)))
    big = np.sum(sizes >= smallest_mm, axis=1)
    false = rng.poisson(record.false_calls_per_m2 * record.inspected_area_mm2 * 1e-6, DRAWS)
    share = big / max(1, len(diameters))
    real = np.maximum(0, big - rng.binomial(false, share))
    chance = float(np.clip(_detection(record, smallest_mm), 0.05, 0.999))
    # With a Jeffreys prior on their number, the missed ones of `real` seen are negative binomial.
    missed = rng.negative_binomial(real + 0.5, chance)
    return np.asarray(real + missed, dtype=np.int64)


def _detection(record: CoatRecord, diameter_mm: float) -> float:
    """Mean chance that a pinhole of at least this size is found, by the power study's curve."""
    if not record.power.curve:
        return 0.5
    curve = np.array(record.power.curve)
    sizes = np.array([p.diameter_mm for p in record.pinholes if p.diameter_mm >= diameter_mm])
    return float(np.interp(sizes if len(sizes) else [diameter_mm], curve[:, 0], curve[:, 1]).mean())


def _closure(records: Sequence[CoatRecord], rng: np.random.Generator) -> tuple[NDArray[np.float64], tuple[int, int]]:
    """Draws of the chance that a site closes under one coat, and how many closed and stayed so far."""
    closed = sum(site.seen for r in records[1:] for site in r.closed)
    stayed = sum(p.state == "kept" for r in records[1:] for p in r.pinholes)
    return rng.beta(CLOSURE_PRIOR[0] + closed, CLOSURE_PRIOR[1] + stayed, DRAWS), (closed, stayed)


def _after_next(
    records: Sequence[CoatRecord],
    left: NDArray[np.int64],
    closure: NDArray[np.float64],
    rng: np.random.Generator,
) -> NDArray[np.float64]:
    """Simulate how many are left after one more coat: what stays open plus what is new."""
    stay = rng.binomial(left, 1 - closure)
    new_seen = [sum(p.state == "new" for p in r.pinholes) for r in records[1:]]
    # New ones thin out from coat to coat: the newest coat speaks for the next.
    count, weight = NEW_PRIOR
    fresh = rng.gamma(count + sum(new_seen[-1:]), 1 / (weight + len(new_seen[-1:])), DRAWS)
    return np.asarray(stay + rng.poisson(np.minimum(fresh, left + 1.0)), dtype=np.float64)


def _blind(record: CoatRecord, finish: Finish) -> tuple[str, ...]:
    """Why this photo can't show what the finish asks for; empty when it can."""
    reasons = list(why_again(record, finish.smallest_mm))
    seen, hidden = record.inspected_area_mm2, record.hidden_area_mm2
    if hidden > MOST_HIDDEN * (seen + hidden):
        reasons.append(
            f"{hidden / (seen + hidden):.0%} of the top in view is hidden by glare, blur or things on it: "
            "move the lamp and photograph again."
        )
    return tuple(reasons)


def _decide(met: float, many: float, found: bool, blind: bool) -> tuple[str, float]:
    """Return the decision and the probability that it is the right one.

    A photo that can't show all is still enough to seal again on, and to touch in what it does show: both end in
    another photo. It is never enough to flood on.
    """
    if many >= 0.5:
        return "seal_again", many
    if met >= SURE_ENOUGH_TO_FLOOD and not blind:
        return "flood", met
    if blind and not (found and many <= 1 - SURE_ENOUGH_TO_FLOOD):
        return "reshoot", 1 - max(met, many)
    return "spot_fill", 1 - many


def _reasons(
    record: CoatRecord,
    finish: Finish,
    left: NDArray[np.int64],
    met: float,
    many: float,
    decision: str,
) -> tuple[str, ...]:
    span = equal_tailed(left.astype(np.float64))
    first = (
        f"After coat {record.number}: {record.count} pinholes seen; of {finish.smallest_mm:g} mm and over, "
        f"{span.lo:.0f} to {span.hi:.0f} are there."
    )
    agreed = f"The {finish.name} finish allows {finish.allowed} and {finish.by_hand} can be touched in by hand."
    why = {
        "seal_again": f"More than can be touched in by hand (chance {many:.0%}): seal the whole top again.",
        "spot_fill": f"Few enough for the hand (chance {1 - many:.0%}), too many to flood over (chance {1 - met:.0%}).",
        "flood": f"The finish is met with a chance of {met:.0%}.",
        "reshoot": "The answer hangs on what this photo can't show.",
    }
    return first, agreed, why[decision]


def _price_reasons(
    left: NDArray[np.int64],
    after: NDArray[np.float64],
    finish: Finish,
    coat_price: float | None,
    defect_price: float | None,
) -> tuple[str, ...]:
    if coat_price is None and defect_price is None:
        return ()
    if coat_price is None or defect_price is None or min(coat_price, defect_price) < 0:
        raise ValueRefused(
            "one price alone says nothing",
            "give what a coat costs and what a pinhole under the flood coat costs",
        )
    now = defect_price * float(np.maximum(0, left - finish.allowed).mean())
    later = coat_price + defect_price * float(np.maximum(0, after - finish.allowed).mean())
    cheaper = "one more coat is the cheaper way" if later < now else "one more coat costs more than it saves"
    return (f"Flooding now risks {now:.0f}; one more coat, its cost and its risk {later:.0f}: {cheaper}.",)


def _sites(records: Sequence[CoatRecord], decision: str) -> tuple[SiteAdvice, ...]:
    """Return the open sites that need the hand: those that outlived a coat, or all when spot-filling."""
    times = Counter(p.site for r in records for p in r.pinholes)
    chosen = [p for p in records[-1].pinholes if times[p.site] > 1 or decision == "spot_fill"]
    chosen.sort(key=lambda p: (-times[p.site], -p.diameter_mm))
    return tuple(
        SiteAdvice(
            site=p.site,
            x_mm=p.x_mm,
            y_mm=p.y_mm,
            coats_seen=times[p.site],
            advice="pick it open and refill it, or touch in with a hard wax stick: it keeps drawing resin"
            if times[p.site] > 1
            else "touch in with resin on a toothpick, or a hard wax stick",
        )
        for p in chosen
    )


def _would_change(decision: str, finish: Finish, met: float) -> tuple[str, ...]:
    if decision == "flood":
        return (f"A finish that asks for pinholes under {finish.smallest_mm:g} mm to be gone too.",)
    if decision == "seal_again":
        return (f"{finish.by_hand} or fewer left, or more hands for touching in (--by-hand).",)
    if decision == "spot_fill":
        return (
            f"The sites touched in and photographed again; a limit above {finish.allowed} (now met with {met:.0%}).",
        )
    return ("A nearer, sharper photo, or two with the lamp moved between them.",)
