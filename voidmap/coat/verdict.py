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

from voidmap import shown
from voidmap.coat.again import why_again
from voidmap.coat.left import Closure, after_next, closure_of, left_elsewhere, truly_left
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

SURE_ENOUGH_TO_FLOOD = 0.98
"""A flood coat can't be taken back: it is advised only when the finish is met with this probability, so that where it
is not met, flood is said in at most two coats of a hundred."""
MANY_WHEN_BLIND = 0.2
"""With a photo that can't show all, the whole top is sealed again from this chance on that more is left than the hand
can touch in: a seal coat too many costs little beside a day of picking."""
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
    call = call_of(records, finish, rng)
    left, decision, confidence, closure = call.left, call.decision, call.confidence, call.closure
    after = after_next(records, left, closure, rng)
    pattern = pattern_of(records, defects, seed=seed)
    reasons = (
        *_reasons(newest, finish, call),
        *call.blind,
        *_price_reasons(left, after, finish, coat_price, defect_price),
        *pattern.words,
    )
    return Verdict(
        decision=decision,
        confidence=confidence,
        reasons=reasons,
        sites=_sites(records, decision),
        expected_after_next=Expected(float(after.mean()), equal_tailed(after)),
        closure_rate=closure.rate,
        closure_interval=equal_tailed(closure.all_sites),
        pattern=pattern,
        coat=newest.number,
        finish=finish.name,
        would_change=_would_change(call, finish, newest),
    )


@dataclass(frozen=True, eq=False)
class Call:
    """The bare call: decision, its probability, what is truly there (draws), and the chances behind it.

    ``elsewhere`` (draws) of that is at ``unseen`` sites of earlier coats, where the newest was not inspected. ``met``
    is the chance that the finish is met, ``many`` that more is left than can be touched in by hand; ``blind`` says why
    the photo can't show what is asked, in sentences.
    """

    decision: str
    confidence: float
    left: NDArray[np.int64]
    unseen: int
    elsewhere: NDArray[np.int64]
    closure: Closure
    met: float
    many: float
    blind: tuple[str, ...]


def call_of(records: Sequence[CoatRecord], finish: Finish, rng: np.random.Generator) -> Call:
    """Decide by the counts alone."""
    newest = records[-1]
    left = truly_left(records, finish.smallest_mm, rng)
    closure = closure_of(records, rng)
    unseen, elsewhere = left_elsewhere(records, closure, finish.smallest_mm, rng)
    left = left + elsewhere
    met = float(np.mean(left <= finish.allowed))
    many = float(np.mean(left > finish.by_hand))
    blind = _blind(newest, finish)
    found = any(p.diameter_interval_mm.hi >= finish.smallest_mm for p in newest.pinholes)
    decision, confidence = _decide(met, many, found, bool(blind))
    return Call(decision, confidence, left, unseen, elsewhere, closure, met, many, blind)


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
    another photo. It is never enough to flood on, and sealing the whole top is the safer of the two.
    """
    if many >= (MANY_WHEN_BLIND if blind else 0.5):
        return "seal_again", many
    if met >= SURE_ENOUGH_TO_FLOOD and not blind:
        return "flood", met
    if not found:
        return "reshoot", 1 - max(met, many)
    return "spot_fill", 1 - many


def _reasons(record: CoatRecord, finish: Finish, call: Call) -> tuple[str, ...]:
    span = equal_tailed(call.left.astype(np.float64))
    first = (
        f"After coat {record.number}: {record.count} pinholes seen; of {finish.smallest_mm:g} mm and over, "
        f"{span.lo:.0f} to {span.hi:.0f} are there."
    )
    agreed = (
        f"The {finish.name} finish allows {finish.allowed} of {finish.smallest_mm:g} mm and over in what was "
        f"photographed; up to {finish.by_hand} can be touched in by hand."
    )
    many, few, over = (shown.chance(share) for share in (call.many, 1 - call.many, 1 - call.met))
    why = {
        "seal_again": f"More than can be touched in by hand (chance {many}): seal the whole top again."
        if call.many >= 0.5
        else f"More may be left than can be touched in by hand (chance {many}), and the photo can't show all: one more "
        "seal coat over the whole top costs less than a day of picking.",
        "spot_fill": f"Few enough for the hand (chance {few}), too many to flood over ({over}).",
        "flood": f"The finish is met with a chance of {call.met:.1%}; flooding asks for {SURE_ENOUGH_TO_FLOOD:.0%}.",
        "reshoot": "The answer hangs on what this photo can't show: the finish may be met, with a chance of "
        f"{shown.chance(call.met)}, where flooding asks for {SURE_ENOUGH_TO_FLOOD:.0%}.",
    }
    return (first, *_elsewhere(call), agreed, why[call.decision])


def _elsewhere(call: Call) -> tuple[str, ...]:
    """Say what of that is where this coat was not inspected, but an earlier one was."""
    if call.unseen == 0:
        return ()
    span = equal_tailed(call.elsewhere.astype(np.float64))
    return (
        f"{span.lo:.0f} to {span.hi:.0f} of them where this coat was not seen: at {_sites_of(call.unseen)} and about "
        "them, less what a coat closes.",
    )


def _sites_of(count: int) -> str:
    return "1 site of an earlier coat" if count == 1 else f"{count} sites of earlier coats"


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


def _would_change(call: Call, finish: Finish, record: CoatRecord) -> tuple[str, ...]:
    unseen: tuple[str, ...] = ()
    if record.hidden_area_mm2 > 0.02 * record.inspected_area_mm2:
        unseen = (
            f"What lies in the {shown.area(record.hidden_area_mm2)} that no photo showed: move board and lamp, and "
            "give both photos of the coat together.",
        )
    before = (
        (f"A photo that shows the {_sites_of(call.unseen)} too, given together with this one.",) if call.unseen else ()
    )
    if call.decision == "flood":
        return (f"A finish that asks for pinholes under {finish.smallest_mm:g} mm to be gone too.", *before, *unseen)
    if call.decision == "seal_again":
        return (f"{finish.by_hand} or fewer left, or more hands for touching in (--by-hand).", *before)
    if call.decision == "spot_fill":
        limit = f"A limit above {finish.allowed} (--allowed; now met with a chance of {shown.chance(call.met)})."
        return ("The sites touched in and photographed again.", limit, *before, *unseen)
    return (
        "A nearer, sharper photo, or two of this coat with the lamp moved between them, given together.",
        *before,
        *unseen,
    )
