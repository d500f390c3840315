"""Fusion and volumes against worked figures; readings refused; dots and advice."""

from dataclasses import replace

import numpy as np
import pytest

from voidmap import depth
from voidmap.depth.prior import CRACK_RANGE_WIDTHS
from voidmap.depth.shape import profile
from voidmap.depth.volume import MISSED_ALONE_ML, MISSED_FOUND_ML, MISSED_ML, MISSED_POWER, volumes
from voidmap.errors import ValueRefused
from voidmap.job.probe import parse_reading
from voidmap.records import Defect, Depth, DepthEstimate, Interval, Kind


def void(ident, area_mm2, estimates, *, area_rel=0.0, kind=Kind.BARK_VOID, thickness_mm=45.0):
    half = 1.96 * area_rel * area_mm2
    side = area_mm2**0.5
    square = ((0.0, 0.0), (side, 0.0), (side, side), (0.0, side))
    return Defect(
        id=ident, kind=kind, is_void=True, void_probability=1.0, area_mm2=area_mm2,
        area_interval_mm2=Interval(area_mm2 - half, area_mm2 + half), length_mm=side, width_mean_mm=side,
        width_max_mm=side, outline_mm=square, outline_px=square, opens_on_edge=False, edge_opening_mm=0.0,
        through=False, depth=depth.fuse(estimates, thickness_mm=thickness_mm), volume_ml=0.0,
        volume_interval_ml=Interval(0.0, 0.0),
    )  # fmt: skip


def test_shared_causes_add_up_in_the_total():
    # Closed form: forty voids, scale 0.5 % and depth model 10 % shared, depth 20 % and area 3 % own. The total's
    # standard deviation is sqrt((V 0.1005)^2 + 0.2022^2 sum v^2); in quadrature it would be far less.
    rng = np.random.default_rng(5)
    sizes = rng.lognormal(0, 1, 40) * 100
    known = [DepthEstimate("parallax", 10.0, 20.0, 0.20, {"model": 0.10})]
    area_rel = float(np.hypot(0.03, 2 * 0.005))
    found = [void(f"D{n}", a, known, area_rel=area_rel) for n, a in enumerate(sizes)]
    done, totals = volumes(found, scale_rel=0.005 * 1.959964, edge_shared=0.0, missed_ml=0.0)
    v = np.array([d.volume_ml for d in done])
    assert v == pytest.approx(sizes * 10 / 1000, rel=1e-6)
    sigma = np.hypot(v.sum() * np.hypot(0.10, 0.01), np.hypot(0.20, 0.03) * np.sqrt((v**2).sum()))
    lo, hi = totals.volume_interval_ml
    assert (hi - lo) / (2 * 1.96) == pytest.approx(sigma, rel=0.04)
    quadrature = np.sqrt((v**2).sum() * (0.2**2 + 0.03**2 + 0.1**2 + 0.01**2))
    assert sigma > 1.5 * quadrature
    assert totals.volume_ml == pytest.approx(v.sum())


def test_forty_voids_as_worked():
    # Worked by hand: forty voids of 71.31 ml together, sum of squares 193.9 ml2, the causes of the test above:
    # sigma 7.70 ml; everything in quadrature would give 3.14 ml, 2.5 times too confident.
    v = np.r_[np.full(10, 4.0206), np.full(30, 1.0368)]
    known = [DepthEstimate("parallax", 10.0, 20.0, 0.20, {"model": 0.10})]
    found = [void(f"D{n}", a * 100, known, area_rel=float(np.hypot(0.03, 0.01))) for n, a in enumerate(v)]
    _, totals = volumes(found, scale_rel=0.005 * 1.959964, edge_shared=0.0, missed_ml=0.0)
    assert totals.volume_ml == pytest.approx(71.31, rel=1e-4)
    lo, hi = totals.volume_interval_ml
    assert (hi - lo) / (2 * 1.96) == pytest.approx(7.70, rel=0.03)


def test_interval_of_one_void_is_skewed_and_log_normal():
    done, _ = volumes([void("D1", 1000.0, [DepthEstimate("prior", 10.0, 20.0, 0.6)])], scale_rel=0.0, missed_ml=0.0)
    lo, hi = done[0].volume_interval_ml
    mu = np.log(10.0) - 0.18
    assert lo == pytest.approx(np.exp(mu - 1.96 * 0.6), rel=0.05)
    assert hi == pytest.approx(np.exp(mu + 1.96 * 0.6), rel=0.05)
    assert hi - 10.0 > 2 * (10.0 - lo)


def test_a_prior_never_outvotes_a_measurement():
    prior = DepthEstimate("prior", 30.0, 45.0, 0.05)
    probe = DepthEstimate("probe", 10.0, 20.0, 0.5)
    fused = depth.fuse([prior, probe], thickness_mm=45.0)
    assert fused.source == "probe"
    assert fused.mean_mm < 20.0


def test_disagreement_is_said_and_widens():
    far = [DepthEstimate("parallax", 5.0, 8.0, 0.05), DepthEstimate("probe", 15.0, 20.0, 0.05)]
    fused = depth.fuse(far, thickness_mm=45.0)
    assert fused.disagreement is not None
    lo, hi = fused.mean_interval_mm
    assert lo < 5.0 and hi > 15.0  # noqa: PT018
    near = [DepthEstimate("parallax", 10.0, 18.0, 0.05), DepthEstimate("probe", 10.5, 20.0, 0.05)]
    assert depth.fuse(near, thickness_mm=45.0).disagreement is None


def test_a_parallax_that_cannot_be_is_doubted():
    # A dark hole: the rim's shade matches and says next to nothing, with a small error of its own.
    prior = depth.prior_estimate(Kind.KNOT_HOLE, area_mm2=235.0, thickness_mm=45.0)
    astray = DepthEstimate("parallax", 0.35, 2.0, 0.2)
    lo, hi = depth.fuse([prior, astray], thickness_mm=45.0).mean_interval_mm
    assert lo < 10.0 < hi
    sound = DepthEstimate("parallax", 0.8 * prior.mean_mm, prior.max_mm, 0.1)
    lo, hi = depth.fuse([prior, sound], thickness_mm=45.0).mean_interval_mm
    assert hi / lo < 2.5


def test_walls_of_a_shaft_are_a_bound_not_a_depth():
    prior = depth.prior_estimate(Kind.KNOT_HOLE, area_mm2=300.0, thickness_mm=45.0)
    met = DepthEstimate("parallax", 4.0, 6.0, 0.3)
    floor, walls = (depth.fuse([prior, replace(met, floor_seen=p)], thickness_mm=45.0) for p in (1.0, 0.5))
    assert floor.mean_mm < walls.mean_mm
    assert walls.mean_interval_mm.hi > prior.mean_mm > floor.mean_interval_mm.hi
    assert walls.mean_interval_mm.lo < 4.0
    # A reading that is deeper does not contradict walls.
    probe = DepthEstimate("probe", 15.0, 20.0, 0.1)
    read = depth.fuse([prior, replace(met, floor_seen=0.5), probe], thickness_mm=45.0)
    assert read.disagreement is None
    assert read.mean_mm == pytest.approx(15.0, rel=0.1)


def test_a_check_gapes_with_its_depth():
    # The mouth of an edge crack of depth a under a strain e opens by 5.8 e a (Tada, Paris and Irwin: 4 V1 s a / E' with
    # V1 = 1.454 for a shallow crack; from memory).
    strains = 1 / (4 * 1.454 * np.array(CRACK_RANGE_WIDTHS))
    assert strains == pytest.approx([0.09, 0.003], rel=0.02)
    thin, wide, unknown = (
        depth.prior_estimate(Kind.CRACK, area_mm2=200.0, width_mean_mm=w, thickness_mm=45.0) for w in (0.3, 3.0, 0.0)
    )
    assert thin.mean_mm < wide.mean_mm
    assert max(thin.own_rel, wide.own_rel) < unknown.own_rel


def test_a_dish_that_the_edge_cuts_is_half_of_one():
    whole, cut, other = (
        depth.prior_estimate(kind, area_mm2=area, thickness_mm=45.0, opens_on_edge=at_edge)
        for kind, area, at_edge in (
            (Kind.BARK_VOID, 1600.0, False), (Kind.BARK_VOID, 800.0, True), (Kind.BARK_VOID, 800.0, False),
        )
    )  # fmt: skip
    assert cut == whole
    assert other.mean_mm < whole.mean_mm
    check = [
        depth.prior_estimate(Kind.CRACK, area_mm2=200.0, width_mean_mm=1.0, thickness_mm=45.0, opens_on_edge=at_edge)
        for at_edge in (False, True)
    ]
    assert check[0] == check[1]


def test_through_takes_the_thickness():
    fused = depth.fuse([depth.prior_estimate(Kind.KNOT_HOLE, area_mm2=500.0, thickness_mm=44.0),
                        depth.through_estimate(44.0)], thickness_mm=44.0)  # fmt: skip
    # Its greatest depth is the thickness; the mean lies between a cone's and a cylinder's.
    assert (fused.source, fused.max_mm) == ("through", pytest.approx(44.0))
    assert 44.0 / 3 < fused.mean_mm < 44.0
    assert fused.mean_interval_mm.hi <= 44.0


@pytest.mark.parametrize("kind", [k for k in Kind if k.is_void])
def test_prior_is_positive_wide_and_within_the_slab(kind):
    known = depth.fuse([depth.prior_estimate(kind, area_mm2=300.0, thickness_mm=45.0)], thickness_mm=45.0)
    lo, hi = known.mean_interval_mm
    assert 0 < lo < known.mean_mm < hi <= 45.0
    assert hi / lo > 4


def test_three_dots_of_a_paraboloid_give_its_mean_depth():
    # An elliptic paraboloid of depth h holds half of area times h (solid geometry: pi a b h / 2).
    t = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    outline = tuple(zip((20 * np.cos(t)).tolist(), (20 * np.sin(t)).tolist(), strict=True))
    shape = profile(outline)
    assert shape.share.max() == pytest.approx(2.0, rel=0.05)
    square = replace(void("D1", 1256.6, [DepthEstimate("prior", 5.0, 10.0, 0.6)]), outline_mm=outline)
    dots = depth.probe_dots(square)
    assert len(dots) == 3
    means = [depth.probe_estimate(square, 10.0 * (1 - (x**2 + y**2) / 400), dot_mm=(x, y)).mean_mm for x, y in dots]
    assert means == pytest.approx([5.0] * 3, rel=0.08)


def test_probe_advice_names_the_largest_doubt_and_keeps_its_promise():
    unsure = [DepthEstimate("prior", 10.0, 20.0, 0.6)]
    sure = [DepthEstimate("parallax", 10.0, 20.0, 0.03)]
    slab = [void("D01", 300.0, unsure), void("D02", 3000.0, unsure), void("D03", 9000.0, sure)]
    advice = depth.advise(slab, scale_rel=0.003, thickness_mm=45.0)
    assert advice.readings[0].defect == "D02"
    before = advice.total_interval_ml
    after = advice.readings[0].total_interval_ml
    assert after.hi - after.lo < before.hi - before.lo


def test_a_probed_void_is_not_named_again_whatever_weighs_most():
    measured = [DepthEstimate("prior", 10.0, 20.0, 0.6), DepthEstimate("parallax", 10.0, 20.0, 0.15)]
    probed = void("D01", 3000.0, measured)
    reading = depth.probe_estimate(probed, 18.0)
    both = depth.fuse((*measured, reading), thickness_mm=45.0)
    assert both.source == "parallax"
    other = void("D02", 1000.0, [DepthEstimate("prior", 10.0, 20.0, 0.4)])
    told = depth.advise([replace(probed, depth=both), other], scale_rel=0.0, thickness_mm=45.0)
    assert [r.defect for r in told.readings] == ["D02"]


def test_a_void_that_may_be_none_is_worth_a_look():
    known = [DepthEstimate("prior", 10.0, 20.0, 0.5)]
    sure, doubtful = void("D01", 1000.0, known), replace(void("D02", 1000.0, known), void_probability=0.5)
    told = depth.advise([sure, doubtful], scale_rel=0.0, thickness_mm=45.0)
    assert told.readings[0].defect == "D02"


def flat(name, area_mm2, chance):
    stain = void(name, area_mm2, [DepthEstimate("prior", 10.0, 20.0, 0.5)])
    return replace(stain, kind=Kind.STAIN, is_void=False, depth=None, void_probability=chance)


def test_a_large_flat_thing_that_may_be_a_void_is_worth_a_look():
    sure = void("D01", 3000.0, [DepthEstimate("prior", 10.0, 20.0, 0.5)])
    told = depth.advise([sure, flat("D02", 15_000.0, 0.25)], scale_rel=0.0, thickness_mm=45.0)
    (first,) = told.looks
    assert (first.defect, first.void_probability, first.void_interval_ml) == ("D02", 0.25, Interval(0.0, 0.0))
    assert first.expected_mm > 5.0
    _, without = volumes([sure], scale_rel=0.0)
    assert first.total_interval_ml == without.volume_interval_ml
    assert [r.defect for r in told.readings] == ["D01"]


def test_a_flat_thing_that_is_surely_none_is_not_looked_at():
    sure = void("D01", 3000.0, [DepthEstimate("prior", 10.0, 20.0, 0.5)])
    told = depth.advise([sure, flat("D02", 15_000.0, 0.01)], scale_rel=0.0, thickness_mm=45.0)
    assert told.looks == ()


def test_what_was_missed_weighs_less_beside_much_that_was_found():
    known = [DepthEstimate("parallax", 10.0, 20.0, 0.001)]
    tops = []
    for area in (1000.0, 25_000.0):
        _, totals = volumes([void("D1", area, known)], scale_rel=0.0)
        _, whole = volumes([void("D1", area, known)], scale_rel=0.0, missed_ml=0.0)
        assert totals.volume_ml == whole.volume_ml
        tops.append((totals.volume_interval_ml.hi - whole.volume_interval_ml.hi) / totals.volume_ml)
    # Found 25 times as much: what may be missed grows as the fourth root.
    assert tops[0] / tops[1] == pytest.approx(25.0**0.75, rel=0.1)
    # An exponential's shortest interval starts at its least value: 95 of 100 lie below 3.00 of its mean.
    assert tops[1] == pytest.approx(3.0 * MISSED_ML * (250 / MISSED_FOUND_ML) ** MISSED_POWER / 250, rel=0.05)


def test_where_nothing_is_found_something_may_be_missed():
    _, none = volumes([], scale_rel=0.0)
    _, least = volumes([void("D1", 2.0, [DepthEstimate("probe", 5.0, 10.0, 0.001)])], scale_rel=0.0)
    assert (none.void_count, none.volume_ml) == (0, 0.0)
    assert none.volume_interval_ml.lo == pytest.approx(0.0, abs=0.01)
    assert none.volume_interval_ml.hi == pytest.approx(least.volume_interval_ml.hi, rel=0.05)
    assert volumes([], scale_rel=0.0, missed_ml=0.0)[1].volume_interval_ml == (0.0, 0.0)


def test_more_may_be_missed_where_one_photo_is_all():
    tops = []
    for source in ("parallax", "probe"):
        found = [void("D1", 1000.0, [DepthEstimate(source, 10.0, 20.0, 0.001)])]
        tops.append(volumes(found, scale_rel=0.0)[1].volume_interval_ml.hi - 10.0)
    assert tops[1] / tops[0] == pytest.approx(MISSED_ALONE_ML / MISSED_ML, rel=0.05)


def test_flat_thing_with_a_chance_widens_the_upper_end_and_the_lower_no_farther_than_the_void_reaches():
    sure = void("D01", 1000.0, [DepthEstimate("parallax", 10.0, 20.0, 0.03)])
    stain = replace(sure, id="D02", kind=Kind.STAIN, is_void=False, void_probability=0.2, depth=None)
    _, alone = volumes([sure], scale_rel=0.0, missed_ml=0.0)
    _, both = volumes([sure, stain], scale_rel=0.0, missed_ml=0.0)
    assert both.volume_ml == pytest.approx(alone.volume_ml)
    assert both.volume_interval_ml.hi > 1.2 * alone.volume_interval_ml.hi
    # The shortest interval leaves nearly all that it may leave out above: its lower end is the void's own 0.1 %.
    assert both.volume_interval_ml.lo == pytest.approx(10.0 * np.exp(-(0.03**2) / 2 - 3.09 * 0.03), rel=0.005)


@pytest.mark.parametrize("text", ["D03", "D03=-4mm", "D03=0mm", "D03@x=4mm", "=4mm", "D03=deep"])
def test_readings_that_cannot_be_are_refused(text):
    with pytest.raises(ValueRefused):
        parse_reading(text)


def test_readings_are_read():
    reading = parse_reading("d03@2=7mm")
    assert (reading.defect, reading.dot, reading.depth_mm) == ("D03", 2, pytest.approx(7.0))


def test_depth_without_estimates_keeps_its_interval():
    bare = replace(void("D01", 1000.0, [DepthEstimate("probe", 10.0, 20.0, 0.1)]),
                   depth=Depth(10.0, 20.0, Interval(8.0, 12.5), "probe"))  # fmt: skip
    done, _ = volumes([bare], scale_rel=0.0, missed_ml=0.0)
    assert done[0].volume_interval_ml.lo == pytest.approx(8.0, rel=0.05)
    assert done[0].volume_interval_ml.hi == pytest.approx(12.5, rel=0.05)


def test_a_reading_of_the_greatest_depth_bounds_the_void():
    # Photos and prior that think of a deeper void give way: nothing is deeper than its deepest place.
    deeper = [DepthEstimate("prior", 12.0, 25.0, 0.6), DepthEstimate("parallax", 9.0, 22.0, 0.3)]
    defect = void("D01", 900.0, deeper)
    fused = depth.fuse((*deeper, depth.probe_estimate(defect, 8.0)), thickness_mm=45.0)
    assert fused.max_mm == pytest.approx(8.0)
    assert fused.mean_mm <= 8.0
    # A reading at one dot is no such bound.
    middle = defect.outline_mm[0][0] + 5.0, defect.outline_mm[0][1] + 5.0
    at_dot = depth.fuse((*deeper, depth.probe_estimate(defect, 8.0, dot_mm=middle)), thickness_mm=45.0)
    assert at_dot.max_mm > 8.0


def test_two_readings_of_the_greatest_depth_keep_the_deeper():
    defect = void("D01", 900.0, [DepthEstimate("prior", 12.0, 25.0, 0.6)])
    readings = [depth.probe_estimate(defect, mm, error_mm=0.3) for mm in (8.0, 8.4)]
    assert depth.fuse(readings, thickness_mm=45.0).max_mm == pytest.approx(8.4)


def test_a_reading_that_meets_the_bench_tells_of_a_pit():
    dish = void("D01", 900.0, [DepthEstimate("prior", 8.0, 18.0, 0.6)])
    pit = depth.probe_estimate(dish, 45.0, thickness_mm=45.0)
    floor = depth.probe_estimate(dish, 30.0, thickness_mm=45.0)
    assert pit.max_mm == pytest.approx(45.0)
    assert pit.mean_mm < floor.max_mm
    assert pit.own_rel > floor.own_rel


def test_a_void_that_goes_through_has_a_pit_that_the_photos_did_not_see():
    seen = DepthEstimate("parallax", 6.0, 14.0, 0.08)
    through = depth.through_estimate(45.0, Kind.BARK_VOID)
    fused = depth.fuse([seen, through], thickness_mm=45.0)
    assert fused.max_mm == pytest.approx(45.0)
    assert fused.mean_mm > 6.0
    # 2 to 30 % of the area as a shaft to the bench: the mean depth lies between these.
    assert fused.mean_interval_mm.hi > 0.85 * 6.0 + 0.15 * 45.0
    # Photos that met the bench say all there is.
    met = DepthEstimate("parallax", 30.0, 44.0, 0.08)
    assert depth.fuse([met, through], thickness_mm=45.0).mean_mm == pytest.approx(30.0, rel=0.15)
