"""How often the call after a coat is right, and how often flood is said over too many pinholes.

    python benchmarks/verdict.py [--coats 2000] [--seed 1]

The decision layer alone: true counts, sizes, misses, false calls and a power study are drawn; no picture is made. For
each sharpness of the photo (size found nine times in ten, mm) and each finish the table gives the share of coats with
the truth's own call, and how often flood was said where more than the agreed number was there.
"""

import argparse
from dataclasses import replace

import numpy as np

from voidmap.coat.pod import fit_hit_miss, fit_values
from voidmap.coat.ratings import rate
from voidmap.coat.verdict import FINISHES, call_of
from voidmap.records import CoatRecord, Interval, PhotoRecord, Pinhole, Power, Quality

SIZES_MM = (0.62, 0.45)
"""Median and spread (log) of true diameters."""
D90_MM = (0.3, 0.4, 0.5, 0.8)
SLOPE = 6.0
"""Log odds of being found per unit of log size."""
SURE, DOUBTED = 0.99, 0.75
"""Probabilities that the classifier gives; it is taken to be calibrated."""
DOUBTED_SHARE = 0.1
STRAY = 0.1
"""False calls a coat beside those that go with pinholes."""


def chance_of(sizes_mm, d90_mm):
    return 1 / (1 + np.exp(-(np.log(9) + SLOPE * np.log(sizes_mm / d90_mm))))


def power_of(d90_mm, rng, plants=240):
    sizes = np.linspace(0.15, 1.3, plants)
    hit = rng.random(plants) < chance_of(sizes, d90_mm)
    fit = fit_hit_miss(sizes, hit)
    curve = tuple((float(d), float(p)) for d, p in zip(sizes[::10], fit.chance(sizes[::10]), strict=True))
    return Power(fit.size_at(0.5), fit.size_at(0.9), None, plants, int(hit.sum()), curve, fit_values(fit))


def coat_of(sizes_mm, d90_mm, rng):
    """Return the record of a coat whose true pinholes have these sizes."""
    found = sizes_mm[rng.random(len(sizes_mm)) < chance_of(sizes_mm, d90_mm)]
    doubted = rng.random(len(found)) < DOUBTED_SHARE
    false = rng.poisson(doubted.sum() * (1 - DOUBTED) / DOUBTED + STRAY)
    sure = np.where(doubted, DOUBTED, SURE)
    true = rng.random(len(found)) < 0.999
    sizes = np.concatenate([found[true], rng.lognormal(np.log(0.45), 0.3, false)])
    sure = np.concatenate([sure[true], np.full(false, DOUBTED)])
    seen = sizes * np.exp(rng.normal(0, 0.1, len(sizes)))
    holes = tuple(
        Pinhole(f"P{i}", f"S{i:03d}", float(rng.uniform(0, 400)), float(rng.uniform(0, 300)), 0.0, 0.0, float(d),
                Interval(float(d * 0.82), float(d * 1.22)), 9.0, "new", 0, float(p))
        for i, (d, p) in enumerate(zip(seen, sure, strict=True))
    )  # fmt: skip
    photo = PhotoRecord("a.jpg", "0" * 64, 4032, 3024, None, Quality(0.3, 0.0, 0.0, "good"))
    return CoatRecord(
        number=1, photo=photo, surface="gloss", inspected_area_mm2=120000.0, hidden_area_mm2=0.0, pinholes=holes,
        closed=(), count=len(holes), count_interval=Interval(0, 0), power=power_of(d90_mm, rng),
        false_calls_per_m2=float(sum(1 - p.probability for p in holes)) / 0.12, density_per_m2=len(holes) / 0.12,
        ratings=rate([p.diameter_mm for p in holes]), mm_per_px=0.1,
    )  # fmt: skip


def truth_call(big, finish):
    return "seal_again" if big > finish.by_hand else "flood" if big <= finish.allowed else "spot_fill"


def draw_count(rng):
    """Draw a true number: none in one coat of eight, else evenly in the logarithm up to 3,000."""
    return 0 if rng.random() < 0.125 else int(np.exp(rng.uniform(0, np.log(3000))))


def run(finish, d90_mm, coats, rng):
    """Return (agreeing, floods wrong, coats over the limit, reshoots, floods right, coats within the limit)."""
    agree = wrong = over = again = right = within = 0
    for _ in range(coats):
        sizes = np.clip(rng.lognormal(np.log(SIZES_MM[0]), SIZES_MM[1], draw_count(rng)), 0.2, 2.5)
        big = int((sizes >= finish.smallest_mm).sum())
        decision = call_of([coat_of(sizes, d90_mm, rng)], finish, rng).decision
        true = truth_call(big, finish)
        agree += decision == true
        again += decision == "reshoot"
        over += true != "flood"
        within += true == "flood"
        wrong += decision == "flood" and true != "flood"
        right += decision == "flood" and true == "flood"
    return agree, wrong, over, again, right, within


def just_over(finish, d90_mm, coats, rng):
    """Return how often flood is said when one pinhole more than agreed is there."""
    said = 0
    for _ in range(coats):
        sizes = np.clip(rng.lognormal(np.log(SIZES_MM[0]), SIZES_MM[1], 4000), 0.2, 2.5)
        sizes = sizes[sizes >= finish.smallest_mm][: finish.allowed + 1]
        said += call_of([coat_of(sizes, d90_mm, rng)], finish, rng).decision == "flood"
    return said


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--coats", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    rng = np.random.default_rng(chosen.seed)
    n = chosen.coats
    print("finish  d90 mm  truth's call  flood over the limit  one over the limit  photograph again  flood when right")
    for finish in (FINISHES["client"], FINISHES["shop"], replace(FINISHES["own"], smallest_mm=0.5)):
        for d90 in D90_MM:
            agree, wrong, over, again, right, within = run(finish, d90, n, rng)
            edge = just_over(finish, d90, n, rng)
            print(
                f"{finish.name:7s} {d90:5.2f}  {agree / n:11.1%}  {wrong:6d}/{over} ({wrong / over:.2%})  "
                f"{edge / n:14.1%}  {again / n:15.1%}  {right:8d}/{within}",
                flush=True,
            )


if __name__ == "__main__":
    main()
