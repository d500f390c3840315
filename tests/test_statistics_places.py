"""Nearest neighbours and K against values of spatstat.explore 3.0.6 on point patterns that R's spatstat carries."""

from pathlib import Path

import numpy as np
import pytest

from voidmap.statistics import clark_evans, ripley_k

DATA = Path(__file__).parents[2] / "shared" / "data"


def pattern(name):
    path = DATA / f"pts_{name}.csv"
    if not path.is_file():
        pytest.skip("the point patterns are not here")
    return np.loadtxt(path, delimiter=",", skiprows=1)


@pytest.mark.parametrize(
    ("name", "n", "ratio"),
    [("cells", 42, 1.560425606), ("redwood", 62, 0.5849906266), ("japanesepines", 65, 1.007507243)],
)
def test_clark_evans_with_donnelly_s_edge(name, n, ratio):
    points = pattern(name)
    assert len(points) == n
    # Donnelly's constants are printed to three digits there and four here.
    assert clark_evans(points, 1.0, 4.0)[0] == pytest.approx(ratio, rel=1e-4)


@pytest.mark.parametrize(
    ("name", "radius", "k"),
    [
        ("cells", 0.1, 0.00116144),
        ("cells", 0.2, 0.10801394),
        ("redwood", 0.05, 0.02644104),
        ("redwood", 0.2, 0.14542570),
        ("japanesepines", 0.05, 0.00769231),
        ("japanesepines", 0.1, 0.02451923),
        ("japanesepines", 0.2, 0.09663462),
    ],
)
def test_k_without_edge_correction(name, radius, k):
    assert ripley_k(pattern(name), 1.0, radius) == pytest.approx(k, rel=1e-5)


def test_k_of_chance_is_the_circle_s_area():
    rng = np.random.default_rng(2)
    points = rng.uniform(size=(4000, 2))
    # In the unit square to first order: pi r2 - 8 r3 / 3.
    r = 0.02
    expected = np.pi * r**2 * (1 - 4 * r * 2 / (3 * np.pi))
    assert ripley_k(points, 1.0, r) == pytest.approx(expected, rel=0.03)


def test_pairs_counted_by_hand():
    points = np.array([[0.0, 0.0], [3.0, 0.0], [0.0, 4.0]])
    # Distances 3, 4, 5: two pairs within 4.5, of three.
    assert ripley_k(points, 60.0, 4.5) == pytest.approx(2 * 2 * 60.0 / 6)
