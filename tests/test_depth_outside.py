"""Volumes against solid geometry, and their uncertainty against worked examples of the GUM and its supplement 1."""

import numpy as np
import pytest
from scipy.optimize import minimize_scalar
from scipy.stats import lognorm

from voidmap import depth
from voidmap.depth.parallax import Relief, parallax_estimate
from voidmap.depth.shape import BRACKETS
from voidmap.depth.views import Grid
from voidmap.records import Defect, DepthEstimate, Interval, Kind

CELL_MM = 0.1


def cap(x, y):
    """A spherical cap of rim radius 10 and height 4: the sphere has (10^2 + 4^2) / 8 = 14.5."""
    return np.sqrt(np.maximum(14.5**2 - x**2 - y**2, 0)) - 10.5


def frustum(x, y):
    return np.minimum(4.0, (10.0 - np.hypot(x, y)))


def obelisk(x, y):
    """10 x 6 at the top, 6 x 2 at the floor, 3 deep: the sides slope 1.5 to 1."""
    return np.minimum(3.0, 1.5 * np.minimum(5.0 - np.abs(x), 3.0 - np.abs(y)))


def groove(x, y):
    return np.where(np.abs(x) < 50, 5.0 * (1 - np.abs(y) / 1.5), 0.0)


def tapering_crack(x, y):
    """4 mm wide at one end, nothing at the other 100 mm away, 10 mm deep throughout."""
    return np.where((np.abs(x) < 50) & (np.abs(y) < 2 * (50 - x) / 100), 10.0, 0.0)


# Exact formulae of the handbooks, mm3: cap pi h (3 a^2 + h^2) / 6; paraboloid pi a b h / 2; half ellipsoid
# 2 pi a b c / 3; cone pi r^2 h / 3; frustum pi h (R^2 + R r + r^2) / 3; the obelisk by the prismoidal formula
# h (A1 + 4 Am + A2) / 6 = 3 (60 + 4 x 32 + 12) / 6 = 100 (its end areas would give 108); a V-groove w d L / 2.
SOLIDS = {
    "cap": (cap, 661.828852),
    "paraboloid": (lambda x, y: 5 * (1 - (x / 12) ** 2 - (y / 8) ** 2), 753.982237),
    "half ellipsoid": (lambda x, y: 5 * np.sqrt(np.maximum(1 - (x / 12) ** 2 - (y / 8) ** 2, 0)), 1005.309649),
    "cone": (lambda x, y: 4 * (1 - np.hypot(x, y) / 10), 418.879020),
    "frustum": (frustum, 821.002880),
    "obelisk": (obelisk, 100.0),
    "V-groove": (groove, 750.0),
    "tapering crack": (tapering_crack, 2000.0),
}


@pytest.mark.parametrize("name", SOLIDS)
def test_a_depth_map_holds_the_volume_of_its_solid(name):
    solid, volume_mm3 = SOLIDS[name]
    axis_x, axis_y = np.arange(-52, 52, CELL_MM), np.arange(-15, 15, CELL_MM)
    x, y = np.meshgrid(axis_x + CELL_MM / 2, axis_y + CELL_MM / 2)
    depths = np.maximum(solid(x, y), 0).astype(np.float32)
    inside = depths > 0
    grid = Grid(-52.0, -15.0, CELL_MM, len(axis_x), len(axis_y))
    estimate = parallax_estimate(Relief(depths, inside, grid, 1.0, 0.0), [planeless()])
    area = float(inside.sum()) * CELL_MM**2
    assert area * estimate.mean_mm == pytest.approx(volume_mm3, rel=0.01)


def planeless():
    """Stand in for a plane of which nothing is drawn: a perfect camera."""

    class Perfect:
        draws = np.zeros((1, 15))

    return Perfect()


def test_shapes_are_bracketed_by_solids():
    # Mean over greatest depth of a cone 1/3, a paraboloid 1/2, a half ellipsoid 2/3, a cylinder 1 (exact geometry).
    lo, hi = BRACKETS[Kind.KNOT_HOLE]
    assert lo <= 1 / 3 + 0.01
    assert hi == pytest.approx(1.0)
    lo, hi = BRACKETS[Kind.BARK_VOID]
    assert lo < 1 / 2 < 2 / 3 <= hi + 0.01
    # A check: straight tapers both ways give 1/4, half ellipses both ways (pi / 4)^2 = 0.617.
    lo, hi = BRACKETS[Kind.CRACK]
    assert 1 / 4 < lo < 0.617 < hi


def void(number: int, own_rel: float, shared_rel: dict[str, float] | None = None) -> Defect:
    """100 ml: 10,000 mm2, known exactly, 10 mm deep on the average."""
    square = ((0.0, 0.0), (100.0, 0.0), (100.0, 100.0), (0.0, 100.0))
    known = [DepthEstimate("parallax", 10.0, 20.0, own_rel, shared_rel or {})]
    return Defect(
        id=f"D{number:02d}", kind=Kind.BARK_VOID, is_void=True, void_probability=1.0, area_mm2=1e4,
        area_interval_mm2=Interval(1e4, 1e4), length_mm=100.0, width_mean_mm=100.0, width_max_mm=100.0,
        outline_mm=square, outline_px=square, opens_on_edge=False, edge_opening_mm=0.0, through=False,
        depth=depth.fuse(known, thickness_mm=45.0), volume_ml=0.0, volume_interval_ml=Interval(0.0, 0.0),
    )  # fmt: skip


def half_width_ml(defects: list[Defect]) -> float:
    _, totals = depth.volumes(defects, scale_rel=0.0, missed_ml=0.0)
    lo, hi = totals.volume_interval_ml
    return (hi - lo) / 2


def test_sum_of_four_inputs_as_in_the_supplement():
    # JCGM 101:2008, 9.2.2: Y = X1 + X2 + X3 + X4, each N(0, 1): u(y) = 2.00, 95 % interval +/- 3.92. Here each void's
    # 1 % of 100 ml is the unit.
    assert half_width_ml([void(n, 0.01) for n in range(4)]) == pytest.approx(3.92, rel=0.03)


def test_fully_correlated_inputs_add_linearly():
    # JCGM 100:2008, 5.2.2, note 1: with correlation +1 u is the linear sum, as for ten resistors of 1 kilohm that were
    # calibrated with one standard: here four times 1 ml, +/- 7.84 ml.
    assert half_width_ml([void(n, 0.0, {"lamp": 0.01}) for n in range(4)]) == pytest.approx(7.84, rel=0.03)


def test_one_input_that_dominates():
    # JCGM 100:2008, 5.1.2 (law of propagation): three inputs of 1 and one of 10: u = sqrt(103) = 10.15.
    mixed = [void(n, 0.01) for n in range(3)] + [void(3, 0.10)]
    assert half_width_ml(mixed) == pytest.approx(1.96 * 10.15, rel=0.04)


def test_a_product_far_from_zero_is_skewed_and_near_zero_never_negative():
    # JCGM 101:2008, 9.4: near zero the first-order interval (value +/- 2 u) runs below what is possible; the drawn
    # one does not. A depth of 10 mm known to a factor of exp(1.96 x 0.8) either way:
    (one,), totals = depth.volumes([void(1, 0.8)], scale_rel=0.0, missed_ml=0.0)
    lo, hi = totals.volume_interval_ml
    assert lo > 0
    u = one.volume_ml * float(np.sqrt(np.exp(0.8**2) - 1))
    assert one.volume_ml - 1.96 * u < 0
    # The void's own: exact log-normal quantiles, 100 exp(-0.32 -/+ 1.96 x 0.8).
    assert one.volume_interval_ml.lo == pytest.approx(100 * np.exp(-0.32 - 1.96 * 0.8), rel=0.06)
    assert one.volume_interval_ml.hi == pytest.approx(100 * np.exp(-0.32 + 1.96 * 0.8), rel=0.06)
    # The total's: JCGM 101:2008, 5.3.4, the shortest coverage interval, from the exact quantile function; a thousandth
    # at least is left out on either side, for fewer draws tell no end.
    quantile = lognorm(0.8, scale=100 * np.exp(-0.32)).ppf
    below = minimize_scalar(lambda p: quantile(p + 0.95) - quantile(p), bounds=(0.001, 0.049), method="bounded").x
    assert lo == pytest.approx(quantile(below), rel=0.06)
    assert hi == pytest.approx(quantile(below + 0.95), rel=0.04)
    assert hi - lo < 0.95 * (one.volume_interval_ml.hi - one.volume_interval_ml.lo)
