"""Known shapes come back from the height field: area and volume against closed forms (solid geometry)."""

import numpy as np
import pytest

from voidmap.simulate import flats, shapes, voids
from voidmap.simulate.grid import Grid
from voidmap.simulate.wood import SPECIES, Knot


@pytest.fixture
def grid():
    return Grid(-20.03, -20.07, 0.1, 400, 400)


def volume(depth, grid):
    return float(depth.astype(np.float64).sum()) * grid.cell_mm**2


def area(depth, grid):
    return float((depth > 0).sum()) * grid.cell_mm**2


@pytest.mark.parametrize(("radius", "height"), [(10.0, 4.0), (10.0, 10.0), (6.0, 2.5)])
def test_spherical_cap(grid, radius, height):
    # pi h (3 a^2 + h^2) / 6; a 10, h 4 gives 661.83, the hemisphere of 10 gives 2094.40
    found = shapes.cap(grid, 0.3, -0.2, radius, height)
    assert volume(found, grid) == pytest.approx(np.pi * height * (3 * radius**2 + height**2) / 6, rel=2e-3)
    assert area(found, grid) == pytest.approx(np.pi * radius**2, rel=3e-3)
    assert found.max() == pytest.approx(height, abs=0.01)


@pytest.mark.parametrize(("share", "expected"), [(0.0, 418.879020), (0.6, 821.002880), (1.0, 1256.637061)])
def test_cone_frustum_cylinder(grid, share, expected):
    # rim radius 10, height 4: pi h (R^2 + R r + r^2) / 3
    found = shapes.frustum(grid, (0.0, 0.0), (10.0, 10.0), share, 4.0)
    assert volume(found, grid) == pytest.approx(expected, rel=3e-3)


def test_elliptic_frustum_turned_keeps_its_volume(grid):
    straight = shapes.frustum(grid, (0.0, 0.0), (12.0, 8.0), 0.5, 5.0)
    turned = shapes.frustum(grid, (0.0, 0.0), (12.0, 8.0), 0.5, 5.0, turn_rad=0.7)
    assert volume(straight, grid) == pytest.approx(np.pi * 12 * 8 * 5 * (1 + 0.5 + 0.25) / 3, rel=3e-3)
    assert volume(turned, grid) == pytest.approx(volume(straight, grid), rel=3e-3)


def test_v_groove_is_a_wedge():
    # width 3, depth 5, length 100: 750 mm3
    grid = Grid(-2.03, -6.02, 0.05, 240, 2080)
    flat = np.zeros(101)
    found = shapes.groove(grid, (0.0, 0.0, 0.0, 100.0), flat, flat + 3.0, flat + 5.0, 1.0)
    assert volume(found, grid) == pytest.approx(750, rel=3e-3)


def test_crack_that_tapers_in_width_and_depth():
    # width 4 to 0 over 100 mm: at depth 10 throughout 2000 mm3; with the depth tapering too 1333.33
    grid = Grid(-2.03, -6.02, 0.05, 240, 2080)
    taper, flat = np.linspace(1, 0, 101), np.zeros(101)
    slot = 1e6  # so steep that it is a slot
    line = (0.0, 0.0, 0.0, 100.0)
    assert volume(shapes.groove(grid, line, flat, 4 * taper, flat + 10, slot), grid) == pytest.approx(2000, rel=5e-3)
    both = shapes.groove(grid, line, flat, 4 * taper, 10 * taper, slot)
    assert volume(both, grid) == pytest.approx(4000 / 3, rel=5e-3)


def test_wandering_crack_keeps_its_cross_section():
    grid = Grid(-2.03, -12.02, 0.05, 480, 2080)
    flat = np.zeros(101)
    bent = 3 * np.sin(np.linspace(0, 6, 101))
    straight = shapes.groove(grid, (0.0, 0.0, 0.0, 100.0), flat, flat + 2, flat + 5, 2.0)
    wandering = shapes.groove(grid, (0.0, 0.0, 0.0, 100.0), bent, flat + 2, flat + 5, 2.0)
    assert volume(wandering, grid) == pytest.approx(volume(straight, grid), rel=5e-3)


def test_ragged_void_is_deep_inside_and_none_outside():
    grid = Grid(-40, -30, 0.4, 150, 200)
    found = shapes.ragged(np.random.default_rng(3), grid, (0, 0), (20, 9), 12.0, wall_mm=2.0, rough=0.3)
    assert found[0].max() == 0
    assert found[:, 0].max() == 0
    middle = found[60:90, 80:120]
    assert (middle > 0).mean() > 0.6
    assert 3 < found.max() < 30


def workpiece(seed: int, **shares: float) -> voids.Workpiece:
    """Return a bare board 200 x 160 mm of an even colour."""
    grid = Grid(-100.0, -80.0, 0.5, 320, 400)
    albedo = np.full((*grid.shape, 3), 0.4, np.float32)
    top = np.ones(grid.shape, bool)
    species = SPECIES[seed % len(SPECIES)]
    blank = np.zeros(grid.shape, np.float32)
    variety = voids.Variety(**shares)
    return voids.Workpiece(grid, blank, albedo, top, np.zeros(grid.shape, bool), 40.0, species, (100.0, 80.0), variety)


def test_a_loose_knot_may_leave_bare_wood_and_a_hole_of_wood():
    piece = workpiece(1, bare=1.0, of_wood=1.0)
    hole = voids.add_knot_hole(np.random.default_rng(4), piece, Knot(0.0, 0.0, 20.0, 1.2))
    assert hole is not None
    inside = np.zeros(piece.grid.shape, bool)
    inside[hole.box.at] = hole.mask
    assert piece.albedo[~inside] == pytest.approx(0.4)
    shade = np.unique(piece.albedo[inside])
    assert len(shade) == 1
    assert 0.4 * voids.SHADED[0] <= shade[0] <= 0.4 * voids.SHADED[1]


def test_every_crack_inside_runs_off_the_grain_when_all_shall():
    steep = []
    for seed in range(12):
        crack = voids.add_crack(np.random.default_rng(seed), workpiece(seed, across=1.0), from_edge=False)
        if crack is not None and crack.extra["length_mm"] > 40.0:
            rows, columns = np.nonzero(crack.mask)
            steep.append(np.ptp(rows) / np.hypot(np.ptp(rows), np.ptp(columns)))
    assert min(steep) > np.sin(0.1)
    assert max(steep) > np.sin(0.5)


def test_pencil_on_rough_wood_catches_here_and_there_and_cuts_nothing():
    piece = workpiece(2, written=1.0)
    assert "writing" in flats.add_marks(np.random.default_rng(5), piece)
    assert not piece.depth.any()
    assert not piece.features
    assert 0 < (piece.albedo < 0.39).any(axis=-1).sum() < 0.1 * piece.top.sum()
