"""Counting statistics against published values and other people's programs."""

import numpy as np
import pytest

from voidmap.errors import ValueRefused
from voidmap.statistics import (
    beta_binomial_chances,
    binomial_interval,
    chapman,
    clark_evans,
    equal_tailed,
    poisson_interval,
    zero_seen_upper,
)


@pytest.mark.parametrize(
    ("hits", "trials", "lo", "hi"),
    [
        (7, 50, 0.05819170033997342, 0.26739600249700846),  # scipy.stats.binomtest documentation
        (20, 100, 0.1266555521019559, 0.2918426890886281),  # SciPy's tests, values from R 3.6.2
        (0, 10, 0.0, 0.3084971),  # SciPy's tests, values from R
        (10, 10, 0.6915029, 1.0),  # SciPy's tests, values from R
        (18, 20, 0.6830172859809176, 0.9876514728297052),  # statsmodels' tests, values from R package binom
        (4, 200, 0.005475565879556443, 0.05041360908989634),  # statsmodels' tests, values from R package binom
        (81, 263, 0.252737, 0.367622),  # R 4.2.2 binom.test; the case of Newcombe, Stat. Med. 17 (1998), Table I
        (15, 148, 0.057844, 0.161650),  # as above
        (1, 29, 0.000873, 0.177644),  # as above
    ],
)
def test_binomial_interval(hits, trials, lo, hi):
    assert binomial_interval(hits, trials) == pytest.approx((lo, hi), abs=6e-7)


def test_binomial_demonstration_29_of_29():
    # MIL-HDBK-1823A: 29 of 29 found demonstrates 90 % with 95 % confidence, 28 of 28 does not.
    assert binomial_interval(29, 29, level=0.90).lo == pytest.approx(0.901855, abs=1e-6)
    assert binomial_interval(28, 28, level=0.90).lo == pytest.approx(0.898534, abs=1e-6)


@pytest.mark.parametrize(
    ("count", "lo", "hi"),
    [
        # R 4.2.2 poisson.test
        (0, 0.0, 3.688879),
        (1, 0.025318, 5.571643),
        (5, 1.623486, 11.668332),
        (10, 4.795389, 18.390356),
        (50, 37.110964, 65.918767),
        (100, 81.363991, 121.626794),
    ],
)
def test_poisson_interval(count, lo, hi):
    assert poisson_interval(count) == pytest.approx((lo, hi), abs=1e-6)


def test_intervals_against_statsmodels():
    from statsmodels.stats.proportion import proportion_confint

    for hits, trials in [(0, 3), (2, 7), (40, 41), (500, 5000)]:
        assert binomial_interval(hits, trials) == pytest.approx(
            proportion_confint(hits, trials, method="beta"), abs=1e-9
        )


def test_rule_of_three():
    # -ln 0.05 = 2.995732 (closed form); the exact binomial bounds are a little lower.
    assert zero_seen_upper(1.0) == pytest.approx(2.995732, abs=1e-6)
    assert zero_seen_upper(100.0) == pytest.approx(0.03, rel=2e-3)


@pytest.mark.parametrize(
    ("first", "second", "both", "total", "error"),
    [
        (948, 421, 167, 2382.80, 129.06),  # Krebs 1989, Box 2.1 (tests of the R package FSA)
        (109, 177, 57, 336.59, 24.81),  # Ricker 1975: 337 (FSA)
        (421, 332, 88, 1577.94, 126.56),  # Pine et al. 2013, Box 11.2: 1578 (FSA)
        (500, 149, 7, 9392.75, 3022.2),  # Seber 2002, Tables 3.7 and 3.8: 9393, SE 3022 (FSA)
        (1000, 243, 21, 11101.0, 2183.7),  # Seber 2002: 11101, SE 2184 (FSA)
    ],
)
def test_chapman(first, second, both, total, error):
    n, se = chapman(first, second, both)
    assert n == pytest.approx(total, abs=0.6)
    assert se == pytest.approx(error, rel=1e-3)


def test_beta_binomial_prediction():
    # Uniform prior, 3 of 10 seen, next 10 (closed form).
    chances = beta_binomial_chances(4, 8, 10)
    assert chances[:4] == pytest.approx([0.055138, 0.129736, 0.182441, 0.194604], abs=1e-6)
    assert beta_binomial_chances(1, 11, 10)[0] == pytest.approx(11 / 21)


def test_clark_evans_tells_grid_from_clusters():
    rng = np.random.default_rng(3)
    grid = np.stack(np.meshgrid(np.arange(8), np.arange(8)), -1).reshape(-1, 2) / 8 + 1 / 16
    tight = rng.normal(0.5, 0.02, (60, 2))
    even = clark_evans(grid, 1.0, 4.0)
    clumped = clark_evans(tight, 1.0, 4.0)
    assert even[0] > 1.5
    assert even[1] > 5
    assert clumped[0] < 0.3
    assert clumped[1] < -5


def test_clark_evans_is_one_for_chance():
    rng = np.random.default_rng(5)
    z = [clark_evans(rng.uniform(size=(80, 2)), 1.0, 4.0)[1] for _ in range(300)]
    assert np.mean(z) == pytest.approx(0, abs=0.2)
    assert np.std(z) == pytest.approx(1, abs=0.15)


def test_equal_tailed():
    assert equal_tailed(np.linspace(0, 1, 10001)) == pytest.approx((0.025, 0.975))


def test_impossible_counts_are_refused():
    with pytest.raises(ValueRefused, match="5 of 3"):
        binomial_interval(5, 3)
    with pytest.raises(ValueRefused, match="shared"):
        chapman(3, 4, 5)
