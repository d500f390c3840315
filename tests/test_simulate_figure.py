"""What a board's face may have besides rings: it is painted on, and changes nothing that is cut into the slab."""

from __future__ import annotations

import numpy as np
import pytest

from voidmap.simulate.figure import FIGURES, paint_figures, random_figures
from voidmap.simulate.grid import Grid
from voidmap.simulate.slab import random_slab

GRID = Grid(-100.0, -60.0, 0.25, 480, 800)
WOOD = 0.4


def painted(name, seed):
    """Return the light that an even grey face gives back once a figure is on it, over what it gave, (R, C)."""
    albedo = np.full((*GRID.shape, 3), WOOD, np.float32)
    paint_figures(np.random.default_rng(seed), GRID, albedo, (name,))
    return albedo.mean(axis=2) / WOOD


def spread_of_means(face, axis):
    return float(np.std(face.mean(axis=axis)))


@pytest.mark.parametrize("name", sorted(FIGURES))
def test_a_figure_shows_and_most_of_the_face_stays_wood(name):
    faces = [painted(name, seed) for seed in range(6)]
    assert max(np.ptp(face) for face in faces) > 0.1
    assert all(0.5 < np.median(face) < 2.0 for face in faces)


def test_curl_runs_across_the_grain():
    # Fibres that wave along the board give bands across it (common practice, no source).
    ratios = [spread_of_means(f, 0) / spread_of_means(f, 1) for f in (painted("curl", seed) for seed in range(8))]
    assert np.median(ratios) > 1.5


def test_zone_lines_are_thin_and_dark():
    # Lines of about a millimetre, dark brown to black, between wood of two tones (common practice, no source).
    shares = [float((painted("zone_lines", seed) < 0.4).mean()) for seed in range(8)]
    assert max(shares) > 0.002
    assert max(shares) < 0.1


def test_the_same_slab_has_the_same_voids_with_and_without_its_figure():
    plain, figured = (
        random_slab(np.random.default_rng(7), cell_mm=1.0, figures=names) for names in ((), ("saw", "zone_lines"))
    )
    assert np.array_equal(plain.depth, figured.depth)
    assert [one.kind for one in plain.features] == [one.kind for one in figured.features]
    assert not np.array_equal(plain.albedo, figured.albedo)


def test_a_board_has_one_to_three_figures_and_none_twice():
    drawn = [random_figures(np.random.default_rng(seed)) for seed in range(40)]
    assert {len(names) for names in drawn} == {1, 2, 3}
    assert all(len(set(names)) == len(names) for names in drawn)
    assert {name for names in drawn for name in names} == set(FIGURES)
