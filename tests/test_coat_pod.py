"""The hit/miss fit against MIL-HDBK-1823A (2009), appendix G, and against statsmodels."""

import csv
from pathlib import Path

import numpy as np
import pytest

from voidmap.coat.pod import CHI2_95, fit_hit_miss, fit_of_values, fit_values, fit_with_ceiling, size_bound
from voidmap.errors import ValueRefused

DATA = Path(__file__).parents[2] / "shared" / "data"


def handbook(name, size):
    """Read one of the handbook's own example files (public release); skip when they are not there."""
    file = DATA / name
    if not file.is_file():
        pytest.skip("the handbook's data files are not here")
    with file.open(encoding="utf-8-sig") as lines:
        rows = [r for r in csv.DictReader(lines) if r["hit.miss"] not in ("", "NA")]
    return np.array([float(r[size]) for r in rows]), np.array([float(r["hit.miss"]) for r in rows])


def test_handbook_example_3_with_plain_size():
    # MIL-HDBK-1823A, figures G-32 and G-42: b0 -4.5974, b1 39.765, a50 0.1156, a90 0.1709, a90/95 0.1974 in.
    size, hit = handbook("mil1823a_example3_hm.csv", "length.inch")
    fit = fit_hit_miss(size, hit, log_size=False)
    assert (len(size), hit.sum()) == (134, 92)
    assert fit.intercept == pytest.approx(-4.5974, rel=5e-4)
    assert fit.slope == pytest.approx(39.765, rel=5e-4)
    assert fit.covariance[1][1] == pytest.approx(48.34139, rel=5e-4)
    assert fit.size_at(0.5) == pytest.approx(0.1156, abs=5e-5)
    assert fit.size_at(0.9) == pytest.approx(0.1709, abs=5e-5)
    assert fit.deviance == pytest.approx(77.494, abs=1e-3)
    assert size_bound(size, hit, fit) == pytest.approx(0.1974, abs=1e-4)
    # With the chi-square at 0.90 the bound would be 0.1925: the handbook uses 0.95.
    assert size_bound(size, hit, fit, cut=2.7055) == pytest.approx(0.19250, abs=1e-4)


def test_handbook_example_3_with_log_size():
    # MIL-HDBK-1823A G.4.2.4: a90/95 0.2106 in.
    size, hit = handbook("mil1823a_example3_hm.csv", "length.inch")
    fit = fit_hit_miss(size, hit)
    assert size_bound(size, hit, fit) == pytest.approx(0.2106, abs=1e-4)


def test_handbook_example_6():
    # MIL-HDBK-1823A, figure G-47: b0 -3.9546, b1 1.5007, a50 13.95, a90 60.3, a90/95 132.4 mil (contoured).
    size, hit = handbook("mil1823a_example6_disks.csv", "size.mils")
    fit = fit_hit_miss(size, hit)
    assert fit.intercept == pytest.approx(-3.9546, abs=1e-4)
    assert fit.slope == pytest.approx(1.5007, abs=1e-4)
    assert fit.size_at(0.5) == pytest.approx(13.95, abs=0.01)
    assert fit.size_at(0.9) == pytest.approx(60.3, abs=0.05)
    assert size_bound(size, hit, fit) == pytest.approx(132.4, rel=3e-3)


def test_fit_agrees_with_statsmodels_on_its_spector_data():
    # L. Spector, M. Mazzeo (1980), carried by statsmodels: did the grade improve, over the grade average.
    sm = pytest.importorskip("statsmodels.api")
    data = sm.datasets.spector.load_pandas().data
    gpa, grade = data["GPA"].to_numpy(), data["GRADE"].to_numpy()
    theirs = sm.Logit(grade, sm.add_constant(gpa)).fit(disp=0)
    ours = fit_hit_miss(gpa, grade, log_size=False)
    assert (ours.intercept, ours.slope) == pytest.approx(tuple(theirs.params), rel=1e-6)
    assert np.asarray(ours.covariance) == pytest.approx(np.asarray(theirs.cov_params()), rel=1e-4)
    assert ours.deviance == pytest.approx(-2 * theirs.llf, rel=1e-9)


def test_cut_is_the_chi_square_quantile():
    from scipy.stats import chi2

    assert chi2.ppf(0.95, 1) == pytest.approx(CHI2_95, rel=1e-12)


def test_bound_holds_as_often_as_it_says():
    rng = np.random.default_rng(3)
    size = np.linspace(0.2, 1.4, 120)
    true90 = 0.5 * np.exp(np.log(9) / 5)
    held = 0
    for _ in range(120):
        hit = rng.random(120) < 1 / (1 + np.exp(-5 * np.log(size / 0.5)))
        held += size_bound(size, hit, fit_hit_miss(size, hit)) >= true90
    # One-sided 97.5 %; fewer than 112 of 120 has a chance of 0.5 % then.
    assert held >= 112


def test_no_curve_from_hits_alone():
    with pytest.raises(ValueRefused):
        fit_hit_miss([0.1, 0.2, 0.3], [1, 1, 1])


def test_a_target_of_weight_two_counts_as_two():
    rng = np.random.default_rng(4)
    sizes = rng.uniform(0.2, 1.5, 80)
    hits = rng.random(80) < 1 / (1 + np.exp(-4 * np.log(sizes / 0.6)))
    times = rng.integers(1, 4, 80)
    weighted = fit_hit_miss(sizes, hits, weights=times)
    told = fit_hit_miss(np.repeat(sizes, times), np.repeat(hits, times))
    assert weighted.size_at(0.9) == pytest.approx(told.size_at(0.9), rel=1e-6)
    alike = fit_hit_miss(sizes, hits, weights=np.full(80, 7.0))
    assert alike.covariance == pytest.approx(np.array(fit_hit_miss(sizes, hits).covariance))
    assert size_bound(sizes, hits, alike, weights=np.ones(80)) == pytest.approx(size_bound(sizes, hits, alike))


def test_a_ceiling_is_found_and_without_one_the_curve_is_the_handbooks():
    rng = np.random.default_rng(6)
    size = np.linspace(0.15, 1.3, 480)
    for ceiling in (1.0, 0.8, 0.5):
        fits = []
        for _ in range(12):
            hit = rng.random(480) < ceiling / (1 + np.exp(-6 * np.log(size / 0.4)))
            fits.append(fit_with_ceiling(size, hit))
        assert np.mean([f.ceiling for f in fits]) == pytest.approx(ceiling, abs=0.03)
        assert np.median([f.size_at(ceiling / 2) for f in fits]) == pytest.approx(0.4, rel=0.05)
        assert (fits[0].size_at(0.9) == float("inf")) == (ceiling < 0.9)
        assert size_bound(size, hit, fits[-1], chance=0.45) > fits[-1].size_at(0.45)
    hit = rng.random(480) < 1 / (1 + np.exp(-6 * np.log(size / 0.4)))
    known = fit_hit_miss(size, hit)
    assert fit_with_ceiling(size, hit).deviance <= known.deviance
    assert fit_of_values(fit_values(known)).chance(size) == pytest.approx(known.chance(size))
    # Records written before curves had ceilings hold five numbers.
    assert fit_of_values(fit_values(known)[:5]).chance(size) == pytest.approx(known.chance(size))


def test_drawn_curves_spread_as_they_are_doubted():
    from dataclasses import replace

    rng = np.random.default_rng(7)
    size = np.linspace(0.15, 1.3, 480)
    fit = fit_hit_miss(size, rng.random(480) < 0.7 / (1 + np.exp(-6 * np.log(size / 0.4))), ceiling=0.7)
    at = np.array([0.3, 0.6, 1.2])
    plain, doubted = (replace(fit, doubt=d).drawn_chances(at, rng, 4000) for d in (0.0, 0.7))
    assert np.median(doubted, axis=0) == pytest.approx(fit.chance(at), abs=0.03)
    odds = np.log(doubted / (1 - doubted))
    assert odds[:, 2].std() == pytest.approx(0.7, abs=0.1)
    assert plain.max() <= 0.7 < doubted.max()


def test_hits_and_misses_parted_by_size_still_give_a_curve():
    sizes, hits = [0.45, 0.45, 0.45, 1.43, 1.90], [0, 0, 0, 1, 1]
    for fit in (fit_hit_miss(sizes, hits), fit_with_ceiling(sizes, hits)):
        assert fit.slope > 0
        assert 0.45 < fit.size_at(0.5) < 1.43
