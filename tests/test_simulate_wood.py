"""Growth rings of the simulated wood: late wood of conifers stands out as lines, sharp where the year ends."""

from __future__ import annotations

import numpy as np
import pytest

from voidmap.simulate.grid import Grid
from voidmap.simulate.slab import random_slab
from voidmap.simulate.wood import CONIFERS, SPECIES, rings

GRID = Grid(-60.0, -100.0, 0.2, 1000, 12)


def profile(species, seed):
    """Return the share of late wood across the grain, (N,)."""
    return rings(np.random.default_rng(seed), GRID, species, ())[:, 5].astype(float)


@pytest.mark.parametrize("species", CONIFERS, ids=lambda s: s.name)
def test_late_wood_of_conifers_is_a_part_of_the_ring(species):
    # Late wood makes up some 10 to 40 % of a conifer's ring (common practice, no source); half as dark as its darkest
    # is what lies within it.
    low, high = species.late_share
    shares = [float((profile(species, seed) > 0.5).mean()) for seed in range(12)]
    assert low * 0.5 < min(shares)
    assert max(shares) < high
    assert np.ptp(shares) > 0.05


@pytest.mark.parametrize("species", CONIFERS, ids=lambda s: s.name)
def test_the_year_ends_abruptly_and_its_late_wood_comes_little_by_little(species):
    steeper = []
    for seed in range(8):
        # Which side is the bark's hangs on where the pith lies: the sharp side is the one with the steepest step.
        step = np.abs(np.diff(profile(species, seed)))
        steeper.append(step.max() / np.median(step[step > 1e-3]))
    assert np.median(steeper) > 3


def test_conifers_are_drawn_only_when_asked_for():
    names = {wood.name for wood in CONIFERS}
    assert not names & {wood.name for wood in SPECIES}
    pine = random_slab(np.random.default_rng(1), length_mm=120, width_mm=90, species="pine", busy=0.0)
    ash = random_slab(np.random.default_rng(1), length_mm=120, width_mm=90, species="ash", busy=0.0)
    assert pine.albedo.shape == ash.albedo.shape
    assert not np.array_equal(pine.albedo, ash.albedo)
