"""The chance of running short: against an independent simulation, and against log-normals in closed form."""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
import pytest
from fill_jobs import a_defect, a_desk, an_intake

from voidmap.fill.lifts import lift_shares, lifts_for
from voidmap.fill.need import LogNormal, draw_needs, need_of, shared_part
from voidmap.fill.plan import plan
from voidmap.fill.resin import read_resin
from voidmap.records import Interval, Kind, Totals

SURE = "[bench]\ncup_loss_ml = 0\n[soak]\ncrack = [0, 0]\nknot_hole = [0, 0]\nbark_void = [0, 0]\nhole = [0, 0]\n"


def one_void(spread):
    return an_intake(
        [a_defect(1, Kind.KNOT_HOLE, at=(300, 300), length=60, width=50, mean=5, deepest=6, spread=spread)]
    )


@pytest.mark.parametrize("chance", [0.2, 0.1, 0.05, 0.01])
def test_one_void_is_mixed_to_the_quantile_of_its_log_normal(chance):
    intake = one_void(1.5)
    made = plan(intake, read_resin(SURE), overfill_mm=0.0, chance=chance, scale_step="0.001g")
    lo, hi = intake.defects[0].volume_interval_ml
    # 95 % interval = exp(mu +- 1.95996 sigma)
    sigma = math.log(hi / lo) / 2 / NormalDist().inv_cdf(0.975)
    quantile = math.sqrt(lo * hi) * math.exp(sigma * NormalDist().inv_cdf(1 - chance))
    assert made.mix_ml == pytest.approx(quantile, rel=0.03)
    law = NormalDist(math.log(math.sqrt(lo * hi)), sigma)
    assert 1 - law.cdf(math.log(made.mix_ml)) == pytest.approx(chance, abs=0.005)


def simulated_short(intake, resin, made, overfill_mm, draws, seed):
    """Simulate the job from the records alone, void by void, and see how often any cup runs short."""
    rng = np.random.default_rng(seed)
    wet = {m.defect: m.method for m in made.methods if m.method in ("tinted_resin", "thin_resin")}
    voids = [d for d in intake.defects if d.id in wet]
    r = shared_part(intake.defects, intake.totals)
    common, scale = rng.standard_normal(draws), rng.standard_normal(draws)
    thirst = {kind: rng.standard_normal(draws) for kind in Kind}
    need = {}
    for d in voids:
        z = math.sqrt(r) * common + math.sqrt(1 - r) * rng.standard_normal(draws)
        lo, hi = d.volume_interval_ml
        volume = math.sqrt(lo * hi) * (hi / lo) ** (z / 2 / 1.959964)
        lo, hi = d.area_interval_mm2
        over = math.sqrt(lo * hi) * (hi / lo) ** (scale / 2 / 1.959964) * overfill_mm / 1000
        lo, hi = (s * d.rim_mm / 1000 for s in resin.soak_ml_per_m(d.kind.value))
        soak = math.sqrt(lo * hi) * (hi / lo) ** (thirst[d.kind] / 2 / 1.959964)
        need[d.id] = (volume, over, soak)
    short = np.zeros(draws, dtype=bool)
    for batch in made.batches:
        takes = np.full(draws, resin.number("bench", "cup_loss_ml"))
        for pour in batch.pours:
            volume, over, soak = need[pour.defect]
            d = next(v for v in voids if v.id == pour.defect)
            depth = pour.depth_mm * pour.lifts - overfill_mm
            shape = min(max(d.depth.max_mm / d.depth.mean_mm, 1.0), 3.0)
            top, bottom = pour.depth_mm * pour.lift, pour.depth_mm * (pour.lift - 1)
            share = min(1, top / depth) ** shape - min(1, bottom / depth) ** shape
            above = (max(0, top - depth) - max(0, bottom - depth)) / overfill_mm
            takes += share * volume + above * over + soak / pour.lifts
        short |= takes > batch.mix_ml
    return short.mean()


@pytest.mark.parametrize("chance", [0.05, 0.2])
def test_the_stated_chance_holds_against_an_independent_simulation(chance):
    intake, resin = a_desk(), read_resin("")
    made = plan(intake, resin, overfill_mm=1.0, chance=chance, scale_step="0.1g")
    assert all(p.cups == 1 for b in made.batches for p in b.pours)
    found = simulated_short(intake, resin, made, 1.0, 200_000, seed=99)
    assert found == pytest.approx(made.chance_short, abs=0.005)
    assert made.chance_short <= chance


def test_the_table_falls_as_the_amount_rises():
    table = plan(a_desk(), read_resin("")).chance_table
    mixes, chances = [p.mix_ml for p in table], [p.chance_short for p in table]
    assert mixes == sorted(mixes)
    assert chances == sorted(chances, reverse=True)
    assert chances == pytest.approx([0.5, 0.2, 0.1, 0.05, 0.02, 0.01], abs=0.002)


def forty_voids(relative):
    # Forty voids; scale and depth model shared, the rest each void's own.
    voids = [
        a_defect(n, Kind.KNOT_HOLE, at=(n * 20.0, 50.0), length=15, width=15, mean=10, deepest=12, spread=1.45)
        for n in range(1, 41)
    ]
    ml = sum(v.volume_ml for v in voids)
    total = Totals(40, 0.0, ml, Interval(ml * math.exp(-1.96 * relative), ml * math.exp(1.96 * relative)))
    return voids, total


@pytest.mark.parametrize("relative", [0.05, 0.108, 0.16])
def test_voids_share_as_much_error_as_the_total_says(relative):
    voids, total = forty_voids(relative)
    needs = [need_of(v, read_resin(""), overfill_mm=0.0) for v in voids]
    drawn = draw_needs(needs, shared_part(voids, total), np.random.default_rng(1))
    assert np.log(drawn.volume_ml.sum(axis=1)).std() == pytest.approx(relative, rel=0.03)


def test_independent_and_identical_errors_are_the_two_ends():
    voids, _ = forty_voids(0.1)
    ml = sum(v.volume_ml for v in voids)
    assert shared_part(voids, Totals(40, 0.0, ml, Interval(ml * 0.99, ml * 1.01))) == 0.0
    assert shared_part(voids, Totals(40, 0.0, ml, Interval(ml * 0.2, ml * 5.0))) == 1.0


def test_lifts_of_known_solids():
    # A cone (greatest depth three times the mean) filled to half its height from the tip holds 1/8 of its volume;
    # a V-groove (twice) 1/4; a cylinder 1/2. Elementary geometry.
    for shape, share in ((3.0, 1 / 8), (2.0, 1 / 4), (1.0, 1 / 2)):
        assert lift_shares(20.0, 0.0, shape, 2)[0][0] == pytest.approx(share)
    for count in (1, 2, 5):
        shares = lift_shares(20.0, 1.5, 1.7, count)
        assert sum(v for v, _ in shares) == pytest.approx(1)
        assert sum(o for _, o in shares) == pytest.approx(1)
    assert lifts_for(24.0, 12.0) == 2
    assert lifts_for(24.1, 12.0) == 3


def test_a_log_normal_keeps_its_interval():
    law = LogNormal.from_interval(10.0, (5.0, 20.0))
    assert law.at(-1.959964) == pytest.approx(5.0)
    assert law.at(1.959964) == pytest.approx(20.0)
    assert LogNormal.from_interval(10.0, (0.0, 0.0)).at(3.0) == 10.0
