"""Depth from several places: solids of known volume seen by drawn cameras, and a stereo pair with known depth."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from voidmap import depth
from voidmap.depth.flat import void_nats
from voidmap.depth.hidden import NOTHING_HIDDEN, Hidden, find_hidden, floor_seen, pierced_chance, with_hidden
from voidmap.depth.parallax import Relief, has_parallax, measurable
from voidmap.depth.stage import _deeper_at_edge
from voidmap.depth.sweep import STEP_PX, WINDOW_PX, DepthMap, seen_once, sweep, trial_depths, without_specks
from voidmap.depth.views import Grid, View
from voidmap.model import Ortho, Photo, Plane, Region
from voidmap.records import Interval, Kind, Lens

FOCAL_PX, HEIGHT_MM, SIZE_PX = 3000.0, 800.0, (560, 480)
EYES_MM = ((-20.0, 10.0), (210.0, -40.0), (-60.0, -220.0))
THICKNESS_MM = 45.0


def texture(seed: int) -> np.ndarray:
    """Wood-like noise of several sizes, 0.2 mm a cell."""
    rng = np.random.default_rng(seed)
    total = np.zeros((1200, 1200), np.float32)
    for sigma in (1.5, 4.0, 12.0):
        noise = cv2.GaussianBlur(rng.standard_normal(total.shape).astype(np.float32), (0, 0), sigma)
        total += noise / noise.std()
    return np.asarray(120 + 14 * total, np.float32)


TOP, FLOOR = texture(1), texture(2)


def sampled(picture: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return cv2.remap(picture, (x * 5 + 600).astype(np.float32), (y * 5 + 600).astype(np.float32), cv2.INTER_CUBIC)


def camera(eye: tuple[float, float], rng: np.random.Generator) -> Plane:
    """A camera that looks straight down, cropped to what lies around the origin; its place is good to 0.3 mm."""
    middle = np.array(SIZE_PX) / 2 + np.array(eye) * FOCAL_PX / HEIGHT_MM
    lens = Lens(FOCAL_PX, FOCAL_PX, middle[0], middle[1], 0.0, 0.0, 0.0, 0.0, 0.0)
    place = np.array([-eye[0], -eye[1], HEIGHT_MM])
    draws = np.tile(np.r_[np.zeros(3), place, FOCAL_PX, FOCAL_PX, middle, np.zeros(5)], (40, 1))
    draws[:, 3:6] += rng.normal(0, 0.3, (40, 3))
    return Plane(SIZE_PX, lens, np.eye(3), place, draws, "boards")


def photographed(plane: Plane, floor_mm, gain: float) -> Photo:
    """Trace each line of sight to the top, then down to the floor ``floor_mm(x, y)``."""
    u, v = np.meshgrid(np.arange(SIZE_PX[0], dtype=float), np.arange(SIZE_PX[1], dtype=float))
    eye = plane.camera_mm
    slope_x, slope_y = (u - plane.lens.cx) / FOCAL_PX, (v - plane.lens.cy) / FOCAL_PX
    top_x, top_y = eye[0] + slope_x * HEIGHT_MM, eye[1] + slope_y * HEIGHT_MM
    below = np.zeros_like(u)
    inside = floor_mm(top_x, top_y) > 0
    # March down in steps of 0.1 mm until the floor is met: walls hide what is behind them.
    for step in np.arange(0.1, THICKNESS_MM, 0.1):
        falls = inside & (below >= step - 0.15)
        falls[falls] = floor_mm((top_x + slope_x * step)[falls], (top_y + slope_y * step)[falls]) >= step
        if not falls.any():
            break
        below[falls] = step
    grey = sampled(TOP, top_x, top_y)
    grey[inside] = (0.7 * sampled(FLOOR, top_x + slope_x * below, top_y + slope_y * below))[inside]
    noise = np.random.default_rng(int(gain * 1000)).normal(0, 1.5, grey.shape)
    pixels = np.clip(grey * gain + noise, 0, 255).astype(np.uint8)
    return Photo("drawn", "", np.repeat(pixels[:, :, None], 3, axis=2))


def ortho_of(photo: Photo, plane: Plane) -> Ortho:
    step = HEIGHT_MM / FOCAL_PX
    corner = plane.to_mm([[0.0, 0.0]])[0]
    return Ortho(photo.pixels, np.ones(photo.pixels.shape[:2], bool), corner[0], corner[1], step)


def region_of(ortho: Ortho, floor_mm, *, chances: dict[Kind, float] | None = None) -> Region:
    rows, columns = np.indices(ortho.valid.shape)
    mask = floor_mm(ortho.x0_mm + columns * ortho.mm_per_px, ortho.y0_mm + rows * ortho.mm_per_px) != 0
    ys, xs = np.nonzero(mask)
    box = mask[ys.min() : ys.max() + 1, xs.min() : xs.max() + 1]
    area = float(mask.sum()) * ortho.mm_per_px**2
    around = max(cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0], key=len)
    given = chances or {Kind.BARK_VOID: 1.0}
    return Region(
        mask=box, corner=(int(xs.min()), int(ys.min())), outline_mm=ortho.to_mm(around[:, 0]),
        kind=max(given, key=lambda k: given[k]), void_probability=sum(p for k, p in given.items() if k.is_void),
        kind_chances=given, area_mm2=area, area_interval_mm2=Interval(0.98 * area, 1.02 * area),
        length_mm=float(max(box.shape)) * ortho.mm_per_px, width_mean_mm=20.0, width_max_mm=30.0, rim_mm=0.5,
        opens_on_edge=False, edge_opening_mm=0.0, through_probability=0.0, measures={},
    )  # fmt: skip


def measured(
    floor_mm,
    *,
    views: int = 3,
    chances: dict[Kind, float] | None = None,
    outline=None,
    tint=0.0,
    at_edge=False,
    width_mm=20.0,
):
    rng = np.random.default_rng(3)
    planes = [camera(eye, rng) for eye in EYES_MM[:views]]
    photos = [photographed(p, floor_mm, gain) for p, gain in zip(planes, (1.0, 0.75, 1.2), strict=False)]
    ortho = ortho_of(photos[0], planes[0])
    region = region_of(ortho, outline or floor_mm, chances=chances)
    region = replace(region, through_probability=tint, opens_on_edge=at_edge, width_mean_mm=width_mm)
    (known,) = depth.estimate_depths([region], ortho, photos, planes, thickness_mm=THICKNESS_MM)
    return region, known


def bowl(shape):
    """A floor whose depth is ``shape(r)`` at r = 0 in the middle, 1 at the rim of an ellipse of half axes 36, 24."""

    def floor(x, y):
        r = np.hypot(x / 36.0, y / 24.0)
        return np.where(r < 1, shape(np.minimum(r, 1)), 0.0)

    return floor


def test_box_with_sheer_walls():
    def box(x, y):
        return np.where((np.abs(x) < 22) & (np.abs(y) < 16), 12.0, 0.0)

    region, known = measured(box)
    parallax = known[-1]
    assert parallax.source == "parallax"
    assert parallax.mean_mm == pytest.approx(12.0, rel=0.04)
    lo, hi = depth.fuse(known, thickness_mm=THICKNESS_MM).mean_interval_mm
    assert lo < 12.0 < hi
    assert region.area_mm2 == pytest.approx(44 * 32, rel=0.02)


# Solid geometry, by the formulas of the handbooks, stretched to half axes 36 and 24 mm and 12 mm depth:
# elliptic paraboloid pi a b h / 2, half ellipsoid 2 pi a b h / 3, cone pi a b h / 3, frustum to 0.6 of the base
# pi a b h (1 + 0.6 + 0.36) / 3. The prismoidal formula h (A1 + 4 Am + A2) / 6 gives all four exactly.
SOLIDS = {
    "paraboloid": (lambda r: 12 * (1 - r**2), 1 / 2),
    "half ellipsoid": (lambda r: 12 * np.sqrt(1 - r**2), 2 / 3),
    "cone": (lambda r: 12 * (1 - r), 1 / 3),
    "frustum": (lambda r: np.minimum(12.0, 12 * (1 - r) / 0.4), 1.96 / 3),
    # A spherical cap of rim radius 36 and height 12 (its sphere has 60), pressed to 24 across: pi h (3 a^2 + h^2) / 6.
    "cap": (lambda r: np.sqrt(60.0**2 - (36.0 * r) ** 2) - 48.0, (3 * 36.0**2 + 12.0**2) / (6 * 36.0**2)),
}


@pytest.mark.parametrize("name", SOLIDS)
def test_solids_have_their_volume(name):
    shape, factor = SOLIDS[name]
    region, known = measured(bowl(shape))
    true_ml = np.pi * 36 * 24 * 12 * factor / 1000
    assert known[-1].source == "parallax"
    assert region.area_mm2 * known[-1].mean_mm / 1000 == pytest.approx(true_ml, rel=0.05)
    lo, hi = depth.fuse(known, thickness_mm=THICKNESS_MM).mean_interval_mm
    assert lo * region.area_mm2 / 1000 < true_ml < hi * region.area_mm2 / 1000


def test_wedge():
    # A V-groove 40 mm wide, 70 long, 12 deep holds w d L / 2.
    def wedge(x, y):
        return np.where((np.abs(x) < 35) & (np.abs(y) < 20), 12 * (1 - np.abs(y) / 20), 0.0)

    region, known = measured(wedge)
    assert region.area_mm2 * known[-1].mean_mm / 1000 == pytest.approx(40 * 12 * 70 / 2 / 1000, rel=0.06)


def test_what_cannot_be_seen_is_not_made_up():
    # A shaft 9 mm wide and 40 deep: no two of these lines of sight meet on its floor.
    def shaft(x, y):
        return np.where(np.hypot(x, y) < 4.5, 40.0, 0.0)

    _, known = measured(shaft, chances={Kind.KNOT_HOLE: 1.0})
    lo, hi = depth.fuse(known, thickness_mm=THICKNESS_MM).mean_interval_mm
    assert lo < 40.0 / 1.2
    assert hi / lo > 2.5


def test_a_pit_that_no_two_photos_see_into_is_allowed_for():
    # A dish with a pit through the slab: lines of sight meet the pit's wall, so that no depth is found in it.
    def pierced(x, y):
        dish = bowl(lambda r: 8 * (1 - r**4))(x, y)
        return np.where((np.hypot(x / 9.0, y / 6.0) < 1) & (dish > 0), THICKNESS_MM, dish)

    def blind(x, y):
        return bowl(lambda r: 8 * (1 - r**4))(x, y)

    _, known = measured(pierced)
    x, y = np.meshgrid(np.linspace(-36, 36, 721), np.linspace(-24, 24, 481))
    floor = pierced(x, y)
    true_mm = float(floor[floor > 0].mean())
    whole = measured(blind)[1][-1]
    # What is hidden is taken for deeper than what lies around it; that it is a pit is doubt here, and the interval's.
    assert known[-1].mean_mm > 1.03 * whole.mean_mm
    assert known[-1].own_rel > 1.5 * whole.own_rel
    lo, hi = depth.fuse(known, thickness_mm=THICKNESS_MM).mean_interval_mm
    assert lo < true_mm < hi


def test_what_is_hidden_is_deeper_than_the_floor_around_it():
    inside = np.zeros((80, 80), bool)
    inside[8:72, 8:72] = True
    patch = np.zeros_like(inside)
    patch[30:50, 30:50] = True
    depths = np.full(inside.shape, 5.0, np.float32)
    assert find_hidden(inside, inside, depths) == NOTHING_HIDDEN
    seen = find_hidden(inside & ~patch, inside, depths)
    assert (seen.share, seen.depth_mm) == (pytest.approx(400 / 64**2), pytest.approx(5.0))
    assert seen.largest == pytest.approx(400 / 64**2)
    known = {"matched_mm": 5.0, "sure": 0.9, "thickness_mm": 45.0, "views": 3}
    chances = (0.0, 0.1, 0.4, 0.9, 1.0)
    means = [with_hidden(5.0, seen, kind=Kind.BARK_VOID, pierced=p, **known) for p in chances]
    # Hardly pierced: only the doubt grows; in doubt: deeper, and so where it is pierced.
    assert 5.0 < means[0][0] == means[1][0] < means[2][0] < means[3][0] == means[4][0] < 45.0
    assert means[1][1] > means[0][1]
    # From two photos the mean of both, however sure.
    pair = [with_hidden(5.0, seen, kind=Kind.BARK_VOID, pierced=p, **(known | {"views": 2})) for p in chances]
    assert means[0][0] == pair[0][0] < pair[1][0] < pair[2][0] < pair[3][0] < pair[4][0] == means[4][0]
    # A shaft's floor is hidden whether it goes through or not.
    assert with_hidden(5.0, seen, kind=Kind.KNOT_HOLE, pierced=1.0, **known) == (5.0, 0.0)


def test_what_does_not_match_of_a_pierced_void_lies_toward_the_underside():
    known = {"kind": Kind.BARK_VOID, "pierced": 1.0, "thickness_mm": 40.0, "views": 3}
    whole = with_hidden(20.0, NOTHING_HIDDEN, matched_mm=20.0, sure=1.0, **known)
    half = with_hidden(20.0, NOTHING_HIDDEN, matched_mm=20.0, sure=0.5, **known)
    assert whole == (20.0, 0.0)
    assert 21.0 < half[0] < 25.0
    assert half[1] > 0


def test_a_dish_met_near_the_underside_goes_through():
    chances = [pierced_chance(share * 40.0, 40.0, NOTHING_HIDDEN) for share in (0.1, 0.5, 0.8, 1.0)]
    assert chances[0] < chances[1] < 0.2 < 0.5 < chances[2] < chances[3]
    assert chances[0] < 0.05
    assert chances[3] > 0.9
    # In a floor that was met shallow, a large patch that no two photos see may be a pit.
    assert pierced_chance(4.0, 40.0, Hidden(0.1, 4.0, 0.1)) > 3 * chances[0]


def test_a_floor_lies_at_one_depth_and_walls_at_all():
    at_one, at_all = floor_seen(0.3, 600, Kind.KNOT_HOLE), floor_seen(1.6, 600, Kind.KNOT_HOLE)
    assert at_one > 0.85
    assert at_all < at_one - 0.2
    # What matches by chance is small.
    assert floor_seen(0.3, 60, Kind.KNOT_HOLE) < 0.2
    assert floor_seen(1.6, 60, Kind.BARK_VOID) == 1.0


def test_a_small_part_of_a_shaft_will_do_where_it_is_floor():
    grid, inside = Grid(0.0, 0.0, 0.3, 80, 80), np.ones((80, 80), bool)
    flat = np.full((80, 80), 20.0, np.float32)
    shaft = Relief(flat, inside, grid, 0.1, 0.1, cells=640, spread=0.3)
    assert not shaft.measured
    assert shaft.measured_as(Kind.KNOT_HOLE)
    assert shaft.measured_as(Kind.BARK_VOID)
    assert not replace(shaft, views=2, sure=0.09).measured_as(Kind.BARK_VOID)
    assert not replace(shaft, sure=0.07).measured_as(Kind.BARK_VOID)
    assert not replace(shaft, spread=2.0, cells=300).measured_as(Kind.KNOT_HOLE)


@pytest.mark.parametrize(("depth_mm", "tint", "through"), [(6.0, 0.95, False), (43.0, 0.0, True)])
def test_a_measured_dish_is_through_by_its_depth_and_not_by_its_tint(depth_mm, tint, through):
    """A floor that was met is no bench, whatever its colour; one met at the underside is a hole."""
    _, known = measured(lambda x, y: np.where(np.hypot(x, y) < 30, depth_mm, 0.0), tint=tint)
    fused = depth.fuse(known, thickness_mm=THICKNESS_MM)
    assert (fused.source == "through") == through
    if not through:
        assert fused.mean_mm == pytest.approx(depth_mm, rel=0.1)


@pytest.mark.parametrize(
    ("kind", "tint", "source"),
    [(Kind.BARK_VOID, 0.95, "prior"), (Kind.BARK_VOID, 0.5, "prior"), (Kind.KNOT_HOLE, 0.95, "through")],
)
def test_a_floor_all_of_the_bench_s_tint_is_no_hole_in_a_dish(kind, tint, source):
    """One photo: a shaft shows the bench all over its bottom, a dish only at a pit."""
    _, known = measured(lambda x, y: np.where(np.hypot(x, y) < 30, 6.0, 0.0), views=1, tint=tint, chances={kind: 1.0})
    assert depth.fuse(known, thickness_mm=THICKNESS_MM).source == source


def test_a_ridged_floor_has_its_mean_depth():
    """Windows as wide as a ridge and the floor beside it see one of the two alone."""

    def ridged(x, y):
        return np.where(np.hypot(x, y) < 28, 12.0 - 6.0 * (np.cos(2 * np.pi * x / 9.0) > 0.8), 0.0)

    _, known = measured(ridged)
    x, y = np.meshgrid(np.linspace(-28, 28, 1401), np.linspace(-28, 28, 1401))
    floor = ridged(x, y)
    true_mm = float(floor[floor > 0].mean())
    assert known[-1].mean_mm == pytest.approx(true_mm, rel=0.05)


def test_two_photos_will_do():
    _, known = measured(bowl(SOLIDS["paraboloid"][0]), views=2)
    assert known[-1].mean_mm == pytest.approx(6.0, rel=0.06)


def test_a_stain_has_no_depth_and_is_told_as_flat():
    chances = {Kind.STAIN: 0.4, Kind.BARK_VOID: 0.6}
    flat = lambda x, y: np.zeros_like(x)  # noqa: E731
    region, known = measured(flat, chances=chances, outline=bowl(lambda r: 1.0 + 0 * r))
    assert known[-1].mean_mm < 0.4
    kind, chance = depth.revise_kind(region, known)
    assert kind is Kind.STAIN
    assert chance < 0.1


def test_what_matches_nowhere_is_likelier_a_shaft_than_a_dish():
    flat = lambda x, y: np.zeros_like(x)  # noqa: E731
    disc = bowl(lambda r: 1.0 + 0 * r)
    region, known = measured(flat, chances={Kind.STAIN: 0.5, Kind.BARK_VOID: 0.3, Kind.KNOT_HOLE: 0.2}, outline=disc)
    assert depth.revise_kind(region, known)[1] < 0.05
    # Noise matches a little better at the best of many depths than at the level.
    nats = void_nats(0.22, views=3)
    unmatched = replace(known[-1], mean_mm=0.3, own_rel=0.5, shared_rel={}, floor_seen=0.0, void_nats=nats)
    kind, chance = depth.revise_kind(region, (known[0], unmatched))
    assert kind is Kind.KNOT_HOLE
    assert chance > 0.7
    # Nothing is said of the depth then: the prior stays.
    before, after = (depth.fuse(k, thickness_mm=THICKNESS_MM) for k in (known[:1], (known[0], unmatched)))
    assert after.mean_mm == pytest.approx(before.mean_mm, rel=0.05)


def test_what_is_plainly_deep_is_called_but_no_narrow_strip_beside_the_edge():
    """Beside the edge the slab's own flank is deep, and so is the bench."""
    chances = {Kind.STAIN: 0.85, Kind.BARK_VOID: 0.15}
    region, known = measured(bowl(SOLIDS["paraboloid"][0]), chances=chances)
    kind, chance = depth.revise_kind(region, known)
    assert kind is Kind.BARK_VOID
    assert chance > 0.8
    wide, known = measured(bowl(SOLIDS["paraboloid"][0]), chances=chances, at_edge=True)
    assert depth.revise_kind(wide, known)[0] is Kind.BARK_VOID
    strip, known = measured(bowl(SOLIDS["paraboloid"][0]), chances=chances, at_edge=True, width_mm=8.0)
    assert depth.revise_kind(strip, known) == (Kind.STAIN, pytest.approx(0.15))


def test_a_flat_thing_is_refuted_whatever_kind_of_void_it_would_be():
    """Chances of kinds are given that it is something: they don't say how likely it is a void at all."""
    flat = lambda x, y: np.zeros_like(x)  # noqa: E731
    chances = {Kind.BARK_VOID: 0.97, Kind.STAIN: 0.03}
    region, known = measured(flat, chances=chances, outline=bowl(lambda r: 1.0 + 0 * r))
    doubtful = replace(region, void_probability=0.5)
    kind, chance = depth.revise_kind(doubtful, known)
    assert kind is Kind.STAIN
    assert chance < 0.05


def test_a_void_at_the_edge_is_deeper_where_what_matched_is_not_all_floor():
    inside = np.ones((40, 40), bool)
    whole = Relief(np.full(inside.shape, 8.0, np.float32), inside, Grid(0.0, 0.0, 0.5, 40, 40), 0.4, 0.1, cells=640)
    assert _deeper_at_edge(replace(whole, spread=0.5)) == 0.0
    assert 0.1 < _deeper_at_edge(replace(whole, spread=1.0)) < _deeper_at_edge(replace(whole, spread=1.5))
    assert _deeper_at_edge(replace(whole, spread=9.0)) == _deeper_at_edge(replace(whole, spread=2.0)) < 0.7
    # A floor that matched nearly all over slopes so by itself.
    assert _deeper_at_edge(replace(whole, spread=1.5, sure=0.9)) == 0.0
    assert _deeper_at_edge(replace(whole, spread=1.5, views=2)) > _deeper_at_edge(replace(whole, spread=1.5))


def test_photos_say_no_more_than_they_ever_did():
    gains = [void_nats(gain, views=3) for gain in (-0.3, 0.0, 0.1, 0.2, 0.4, 0.9)]
    assert gains == sorted(gains)
    assert gains[2] < 0 < gains[3]
    assert gains[0] == -gains[-1]
    assert void_nats(0.25, views=2) < void_nats(0.25, views=3)
    assert void_nats(0.4, views=3, may_be_flank=True) == 0.0
    assert void_nats(0.05, views=3, may_be_flank=True) == void_nats(0.05, views=3)


def test_one_place_shows_no_depth():
    rng = np.random.default_rng(3)
    here, there = camera(EYES_MM[0], rng), camera((EYES_MM[0][0] + 15.0, 0.0), rng)
    assert not has_parallax([here])
    assert not has_parallax([here, there])
    assert has_parallax([here, camera(EYES_MM[1], rng)])


def test_thin_things_are_not_measured():
    rng = np.random.default_rng(3)
    plane = camera(EYES_MM[0], rng)
    ortho = ortho_of(photographed(plane, lambda x, y: np.zeros_like(x), 1.0), plane)
    crack = region_of(ortho, lambda x, y: ((np.abs(x) < 40) & (np.abs(y) < 0.8)).astype(float))
    assert not measurable(crack)


def stereo(focal_px: float, base_mm: float, height_mm: float) -> tuple[list[View], Grid]:
    grid = Grid(0.0, 0.0, height_mm / focal_px, 8, 8)
    blank = np.zeros((8, 8), np.float32)
    return [View(blank, blank, grid, np.array([x, 0.0, -height_mm])) for x in (0.0, base_mm)], grid


def test_shift_and_depth_resolution_follow_stereo_geometry():
    # Normal case of photogrammetry: a point h below a plane at height H shifts by B f h / (H (H + h)) px, so that
    # one px of shift is about H^2 / (f B) of depth: 2.5 mm for 0.25 px at 1000 px, 100 mm, 1 m.
    views, grid = stereo(1000.0, 100.0, 1000.0)
    for h in (5.0, 20.0, 80.0):
        places = [v.lookup(grid, np.full(grid.shape, h, np.float32))[0] * grid.mm_per_px + v.grid.x0_mm for v in views]
        shift = float(np.mean(places[1] - places[0])) / grid.mm_per_px
        assert shift == pytest.approx(100.0 * 1000.0 * h / (1000.0 * (1000.0 + h)), rel=1e-3)
    depths = trial_depths(views, grid, -0.1, 30.0)
    assert np.diff(depths)[0] * 0.25 / STEP_PX == pytest.approx(2.5, rel=0.02)
    # The Middlebury motorcycle pair's lens and base (scikit-image: f 994.978 px, B 193.001 mm) at 2397.823 mm.
    views, grid = stereo(994.978, 193.001, 2397.823)
    steps = np.diff(trial_depths(views, grid, -40.0, 40.0))
    assert np.interp(0, [-0.5, 0.5], steps[:2]) / STEP_PX == pytest.approx(29.94, rel=0.02)


def test_motorcycle_pair():
    # Middlebury 2014 stereo, Motorcycle at a quarter of its size, as scikit-image carries it: f 994.978 px,
    # cx 311.193, cy 254.877, offset 31.086 px, base 193.001 mm; Z = f B / (d + offset). Unknown pixels are inf.
    data = pytest.importorskip("skimage.data")
    try:
        left, right, truth = data.stereo_motorcycle()
    except (OSError, ModuleNotFoundError):
        pytest.skip("scikit-image carries no motorcycle pair here")
    focal, base, offset, cx, cy = 994.978, 193.001, 31.086, 311.193, 254.877
    height = 2400.0
    step = height / focal
    views = []
    for picture, eye_x, middle_x in ((left, 0.0, cx), (right, base, cx + offset)):
        grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY).astype(np.float32)
        grid = Grid(eye_x - middle_x * step, -cy * step, step, grey.shape[1], grey.shape[0])
        views.append(View(grey, np.ones_like(grey), grid, np.array([eye_x, 0.0, -height])))
    # The machine's engine: relief that the reference plane passes through, as a void's does. (The grid lies square
    # to the plane, not along the left camera's rays: the far wall, at twice the distance, folds on it.)
    crop = Grid((240 - cx) * step, (230 - cy) * step, step, 200, 160)
    found = sweep([v.whitened() for v in views], crop, -350.0, 600.0)
    # The grid's cells are where things are, not where the left camera sees them: look there.
    column, row, _, _ = views[0].lookup(crop, found.depth_mm)
    at = np.rint(row).astype(int), np.rint(column).astype(int)
    disparity = truth[at]
    known = np.isfinite(disparity)
    assert known.mean() > 0.85
    true_mm = focal * base / (disparity[known] + offset)
    error = np.abs(found.depth_mm[known] + height - true_mm) / true_mm
    assert np.median(error) < 0.01
    # OpenCV's semi-global matcher (blocks of 5, P1 200, P2 800) on the same pixels: 0.25 % against 0.18 %.
    matcher = cv2.StereoSGBM.create(numDisparities=80, blockSize=5, P1=8 * 25, P2=32 * 25)
    other = matcher.compute(*(cv2.cvtColor(p, cv2.COLOR_RGB2GRAY) for p in (left, right)))[at][known] / 16.0
    other_mm = focal * base / (np.maximum(other, 0.0) + offset)
    assert np.median(error) <= np.median(np.abs(other_mm - true_mm) / true_mm)


def test_a_line_of_sight_ends_once():
    """A strip that matched badly at the rim's depth lies where a camera sees the floor behind it."""
    grid, cells = Grid(0.0, 0.0, 0.5, 80, 40), np.ones((40, 80), np.float32)
    # Both cameras look in from the left; the farther one sees a floor 30 mm deep from 16.9 mm on.
    views = [View(cells, cells, grid, np.array([x, 10.0, -800.0])) for x in (-150.0, -450.0)]
    depth_mm, match = np.full((40, 80), 30.0, np.float32), np.full((40, 80), 0.9, np.float32)
    match[:, :34] = 0
    error_mm = np.full_like(depth_mm, 0.1)
    floor = DepthMap(depth_mm, error_mm, match)
    assert np.array_equal(seen_once(floor, views, grid).sure, floor.sure)
    # 5 to 8 mm from the rim, at 3 mm: there its lines of sight go on to the floor at 20.3 to 23.3 mm.
    ghost_mm, ghost = depth_mm.copy(), match.copy()
    ghost_mm[:, 10:16], ghost[:, 10:16] = 3.0, 0.5
    left = seen_once(DepthMap(ghost_mm, error_mm, ghost), views, grid).sure
    assert not left[5:35, 10:16].any()
    assert left[5:35, 34:].all()
    # What matches better stays, and what it hides goes.
    ghost[:, 10:16] = 0.95
    left = seen_once(DepthMap(ghost_mm, error_mm, ghost), views, grid).sure
    assert left[5:35, 10:16].all()
    assert not left[8:32, 42:46].any()


def test_a_patch_of_a_window_is_chance_from_two_photos():
    views, _ = stereo(1000.0, 190.0, 800.0)
    grid = Grid(0.0, 0.0, 0.5, 80, 50)
    depth_mm, match = np.full(grid.shape, 12.0, np.float32), np.zeros(grid.shape, np.float32)
    match[10:40, 20:50] = 0.7  # a floor
    match[5:12, 60:67] = 0.9  # one window, however well it matches
    match[30:40, 60:70] = 0.5  # two windows
    depth_mm[14:20, 22:28] = 3.0  # a ridge's worth of another depth within the floor
    found = DepthMap(depth_mm, np.full_like(depth_mm, 0.1), match)
    left = without_specks(found, views, grid).sure
    assert not left[5:12, 60:67].any()
    assert left[30:40, 60:70].all()
    assert not left[14:20, 22:28].any()
    assert left.sum() == found.sure.sum() - WINDOW_PX**2 - 36


def test_two_photos_allow_for_what_the_rim_hides_of_a_void_at_the_edge():
    floor = bowl(lambda r: 12.0 * (1 - r**2))
    pair, three = (
        [next(e for e in measured(floor, views=n, at_edge=at_edge)[1] if e.source == "parallax") for at_edge in (0, 1)]
        for n in (2, 3)
    )
    assert 1.0 < pair[1].mean_mm / pair[0].mean_mm < 1.3
    assert pair[1].own_rel > three[1].own_rel > three[0].own_rel
    assert three[1].mean_mm == pytest.approx(three[0].mean_mm)
