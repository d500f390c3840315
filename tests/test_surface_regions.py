"""Regions on drawn slabs of known truth, and the measures against references from outside."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.spatial import cKDTree
from skimage import data
from skimage.filters import sato
from skimage.measure import find_contours, label, regionprops

from voidmap.model import Ortho, SlabFound
from voidmap.records import Kind
from voidmap.surface import find_regions, grain_direction_deg
from voidmap.surface.across import widths_px
from voidmap.surface.candidates import Looked, find_candidates
from voidmap.surface.features import Candidate
from voidmap.surface.follow import followed
from voidmap.surface.kinds import NOTHING, Judgement, judge, judged_by
from voidmap.surface.light import Evened
from voidmap.surface.measure import area_interval, greatest_width_px, rim_length, spine_length_px
from voidmap.surface.nested import related, shared
from voidmap.surface.odd import odd_patches
from voidmap.surface.reach import CALLED, past_ends, to_the_tips
from voidmap.surface.regions import select
from voidmap.surface.ridges import strengths
from voidmap.surface.rim import cover_of, polygon_area
from voidmap.surface.skeleton import longest_path

FINE = 8  # shapes are drawn this much finer, so that a pixel's covered share is exact to 1/64


def covered_share(size: tuple[int, int], polygon: np.ndarray, blur_px: float = 0.0) -> np.ndarray:
    """Share of each pixel that a polygon (N, 2) covers, pixel centres at whole numbers."""
    fine = np.zeros((size[0] * FINE, size[1] * FINE), np.uint8)
    points = (polygon + 0.5) * FINE - 0.5
    cv2.fillPoly(fine, [np.round(points * 16).astype(np.int32)], 255, shift=4)
    share = cv2.resize(fine, size[::-1], interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    return cv2.GaussianBlur(share, (0, 0), blur_px) if blur_px else share


def ellipse(a: float, b: float, x: float, y: float, turn: float = 0.0) -> np.ndarray:
    t = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    u, v = a * np.cos(t), b * np.sin(t)
    return np.column_stack([x + u * np.cos(turn) - v * np.sin(turn), y + u * np.sin(turn) + v * np.cos(turn)])


def wood(height: int, width: int, rng: np.random.Generator, grain_deg: float = 0.0) -> np.ndarray:
    """A calm board: rings along the grain, noise, vignetting; light 0 to 1."""
    y, x = np.mgrid[:height, :width].astype(np.float64)
    turn = np.deg2rad(grain_deg)
    across = -np.sin(turn) * x + np.cos(turn) * y
    rings = 0.03 * np.sin(across / 5.0 + 1.5 * np.sin(across / 47.0))
    fall = 1.0 - 0.1 * (((x - width / 2) / width) ** 2 + ((y - height / 2) / height) ** 2)
    return fall * (0.65 + rings) + rng.normal(0, 0.004, (height, width))


def slab_of(light: np.ndarray, mm_per_px: float) -> tuple[Ortho, SlabFound]:
    paint = np.array([0.62, 0.80, 1.0])
    pixels = np.clip(light[..., None] * paint * 255, 0, 255).astype(np.uint8)
    whole = np.ones(light.shape, bool)
    ortho = Ortho(pixels, whole, 0.0, 0.0, mm_per_px)
    h, w = light.shape
    outline = np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1]]) * mm_per_px
    return ortho, SlabFound(whole, np.zeros_like(whole), outline, ("sawn",) * 4, 0.1, False)


@pytest.mark.parametrize("radius", [5.0, 20.0, 100.0])
def test_area_of_a_disc_is_right(radius: float) -> None:
    # OpenCV's contourArea is 16 % low at r = 5 and the pixel count 3 % high (measured with OpenCV 5.0.0).
    size = int(2 * radius + 21)
    share = covered_share((size, size), ellipse(radius, radius, size / 2, size / 2), 0.8)
    cover = cover_of(share, (0, 0))
    assert cover is not None
    assert cover.area_px == pytest.approx(np.pi * radius**2, rel=0.02)


@pytest.mark.parametrize("radius", [20.0, 100.0])
def test_rim_of_a_disc_is_right(radius: float) -> None:
    # OpenCV's arcLength is 5.3 % long at r = 100 (measured with OpenCV 5.0.0).
    size = int(2 * radius + 21)
    cover = cover_of(covered_share((size, size), ellipse(radius, radius, size / 2, size / 2), 0.8), (0, 0))
    assert cover is not None
    assert rim_length(cover.outline_px, 3.0) == pytest.approx(2 * np.pi * radius, rel=0.01)


def test_outline_lies_where_the_shape_is() -> None:
    share = covered_share((90, 120), ellipse(30, 12, 60.3, 44.7, 0.4), 0.8)
    cover = cover_of(share, (7, 11))
    assert cover is not None
    points = cover.outline_px
    assert points.mean(axis=0) == pytest.approx([67.3, 55.7], abs=0.3)
    assert abs(polygon_area(points)) == pytest.approx(np.pi * 30 * 12, rel=0.02)


@pytest.mark.parametrize("width", [1.5, 2.5, 4.0, 6.0])
def test_width_is_finer_than_the_blur(width: float) -> None:
    blur = 1.0
    x = np.arange(-15, 15.25, 0.5)
    fine = np.linspace(-15, 15, 6001)
    box = (np.abs(fine) <= width / 2).astype(float)
    kernel = np.exp(-0.5 * (np.arange(-5, 5.0025, 0.005) / blur) ** 2)
    soft = np.convolve(box, kernel / kernel.sum(), "same") * 0.6
    rows = np.tile(np.interp(x, fine, soft), (20, 1))
    measured, _ = widths_px(rows, blur)
    assert measured.mean() == pytest.approx(width, abs=0.3)


def test_disc_ellipse_and_hole_through_the_whole_path() -> None:
    rng = np.random.default_rng(3)
    mm, size = 0.3, (700, 1500)
    light = wood(*size, rng)
    shapes = {"disc": ellipse(40, 40, 400, 300), "ellipse": ellipse(80, 35, 1000, 400, 0.3)}
    for outline in shapes.values():
        share = covered_share(size, outline, 0.9)
        light = light * (1 - share) + 0.08 * share
    regions = find_regions(*slab_of(light, mm))
    for name, outline in shapes.items():
        true = abs(polygon_area(outline)) * mm * mm
        middle = outline.mean(axis=0) * mm
        near = [r for r in regions if np.hypot(*(r.outline_mm.mean(axis=0) - middle)) < 5.0]
        assert near, name
        assert near[0].area_mm2 == pytest.approx(true, rel=0.02), name
        assert near[0].area_interval_mm2.lo < true < near[0].area_interval_mm2.hi


def test_polyline_crack_through_the_whole_path() -> None:
    rng = np.random.default_rng(5)
    mm, size, width = 0.3, (600, 1500), 6.0
    way = np.array([[250, 300], [500, 310], [760, 295], [1050, 318]], dtype=float)
    steps = np.diff(way, axis=0)
    normals = np.column_stack([-steps[:, 1], steps[:, 0]]) / np.hypot(*steps.T)[:, None]
    normals = np.vstack([normals, normals[-1:]])
    band = np.vstack([way + normals * width / 2, (way - normals * width / 2)[::-1]])
    share = covered_share(size, band, 0.9)
    light = wood(*size, rng) * (1 - share) + 0.1 * share
    regions = find_regions(*slab_of(light, mm))
    assert regions
    crack = max(regions, key=lambda r: r.length_mm)
    length = float(np.hypot(*steps.T).sum()) * mm
    assert crack.length_mm == pytest.approx(length, rel=0.05)
    assert crack.area_mm2 == pytest.approx(length * width * mm, rel=0.06)
    assert crack.width_mean_mm == pytest.approx(width * mm, rel=0.08)
    sizes = crack.size_intervals_mm
    assert sizes is not None
    true_sizes = (length, width * mm, width * mm)
    for (lo, hi), true in zip((sizes.length, sizes.width_mean, sizes.width_max), true_sizes, strict=True):
        assert lo < true < hi
    assert sizes.length.hi < 3 * length


def test_sound_wood_has_no_voids() -> None:
    regions = find_regions(*slab_of(wood(500, 900, np.random.default_rng(1)), 0.3))
    assert not [r for r in regions if r.kind.is_void]


@pytest.mark.parametrize("grain", [-60.0, -5.0, 0.0, 20.0, 80.0])
def test_grain_is_found_at_any_angle(grain: float) -> None:
    ortho, slab = slab_of(wood(500, 600, np.random.default_rng(2), grain), 0.3)
    found = grain_direction_deg(ortho, slab)
    assert abs((found - grain + 90) % 180 - 90) < 2.0


def test_ridges_agree_with_scikit_image() -> None:
    # Vessels of the retina picture that scikit-image ships (data.retina needs a download, so camera is used: its
    # tripod legs are the dark lines); reference: skimage.filters.sato at the pyramid's own scales.
    picture = data.camera().astype(np.float32) / 255
    line, _ = strengths(picture)
    reference = sato(picture, sigmas=[1.0, 2.0, 4.0], black_ridges=True)
    ours = line > np.quantile(line, 0.97)
    theirs = reference > np.quantile(reference, 0.97)
    near = cv2.dilate(theirs.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool)
    assert (ours & near).sum() / ours.sum() > 0.8


def test_outline_is_that_of_marching_squares() -> None:
    # Reference: skimage.measure.find_contours on the coins that scikit-image ships, and on noise.
    rng = np.random.default_rng(8)
    noise = cv2.GaussianBlur(rng.random((90, 120)).astype(np.float32), (0, 0), 2.0)
    pictures = [data.coins().astype(np.float32) / 255, (noise - noise.mean()) / (6 * noise.std()) + 0.5]
    for picture in pictures:
        share = cv2.GaussianBlur(picture, (0, 0), 1.5)
        cover = cover_of(share, (0, 0))
        assert cover is not None
        padded, solid = np.pad(share, 1), np.pad(cover.mask, 1)
        field = np.where(solid, np.maximum(padded, 0.51), np.minimum(padded, 0.49))
        lines = find_contours(field, 0.5, fully_connected="high")
        line = max(lines, key=lambda points: abs(polygon_area(points)))[:-1, ::-1] - 1.0
        assert len(line) == len(cover.outline_px)
        assert cover.area_px == pytest.approx(abs(polygon_area(line)), rel=1e-6)
        near = cKDTree(line).query(cover.outline_px)[0]
        assert near.max() < 1e-5


def test_lengths_and_widths_against_regionprops() -> None:
    # Reference: skimage.measure.regionprops on the coins that scikit-image ships.
    coins = data.coins()
    solid = cv2.morphologyEx((coins > 120).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((9, 9), np.uint8))
    checked = 0
    for one in regionprops(label(solid)):
        if one.area < 800 or one.solidity < 0.9:
            continue
        mask = np.asarray(one.image_filled)
        cover = cover_of(np.pad(mask, 3).astype(np.float32), (0, 0))
        assert cover is not None
        assert cover.area_px == pytest.approx(one.area_filled, rel=0.02)
        assert greatest_width_px(mask) == pytest.approx(one.axis_minor_length, rel=0.15)
        checked += 1
    assert checked >= 5


def test_length_of_a_straight_spine() -> None:
    mask = np.zeros((40, 300), bool)
    mask[15:22, 20:280] = True
    assert spine_length_px(mask) == pytest.approx(260, rel=0.03)


@pytest.mark.parametrize("turn", [0.0, 12.0, 22.5, 35.0, 45.0])
def test_length_of_a_spine_does_not_hang_on_its_direction(turn: float) -> None:
    # Steps from pixel to pixel would be 8 % too long at 22.5 degrees.
    across, along = 3.0, 130.0
    way = np.array([np.cos(np.deg2rad(turn)), np.sin(np.deg2rad(turn))])
    corners = [
        150 + s * along * way + t * across * way[::-1] * [-1, 1] for s, t in ((-1, -1), (1, -1), (1, 1), (-1, 1))
    ]
    mask = covered_share((300, 300), np.array(corners)) > 0.5
    assert spine_length_px(mask) == pytest.approx(2 * along, rel=0.02)


def test_longest_path_leaves_out_a_branch() -> None:
    bones = np.zeros((30, 100), bool)
    bones[15, 5:95] = True
    bones[5:15, 50] = True
    assert len(longest_path(bones)) == 90


def test_interval_grows_with_the_scale_doubt() -> None:
    narrow, wide = area_interval(100.0, 40.0, (-0.1, 0.2), 0.0), area_interval(100.0, 40.0, (-0.1, 0.2), 0.02)
    assert narrow.lo < 100.0 < narrow.hi
    assert wide.hi - wide.lo > narrow.hi - narrow.lo


def test_interval_of_a_rim_that_may_lie_outside() -> None:
    # A disc of radius 10 whose rim may lie 0.5 inside or 1 outside, to first order in the offset.
    area, rim = np.pi * 100.0, 2 * np.pi * 10.0
    interval = area_interval(area, rim, (-0.5, 1.0), 0.0)
    assert interval.hi == pytest.approx(area + rim)
    assert interval.lo == pytest.approx(area - 0.5 * rim, rel=0.01)
    assert area_interval(1.0, 3.6, (-5.0, 5.0), 0.0).lo > 0.0


def test_a_line_is_followed_to_its_faint_tip() -> None:
    # A crack that fades from half to none over 60 px, traced over its first half only.
    rng = np.random.default_rng(6)
    dark = rng.normal(0, 0.01, (80, 300)).astype(np.float32)
    columns = np.arange(300)
    dark[39:42] -= np.clip(0.5 * (200 - columns) / 60, 0.0, 0.5).astype(np.float32)[None, :]
    dark[:, :20] = 0.0
    seen = np.ones(dark.shape, bool)
    evened = Evened(dark, seen, ~seen, np.zeros((1, 1, 3), np.float32), np.ones((1, 1), bool), 1, 0.0, 0.5)
    traced = np.column_stack([np.arange(60.0, 151.0), np.full(91, 40.0)])
    (path,) = to_the_tips([traced], evened)
    assert 185 <= path[:, 0].max() <= 205
    assert 10 <= path[:, 0].min() <= 22
    assert np.abs(path[:, 1] - 40.0).max() <= 4.0


def test_a_line_that_ends_is_not_drawn_on() -> None:
    rng = np.random.default_rng(7)
    dark = rng.normal(0, 0.02, (80, 300)).astype(np.float32)
    dark[39:42, 60:150] -= 0.5
    seen = np.ones(dark.shape, bool)
    evened = Evened(dark, seen, ~seen, np.zeros((1, 1, 3), np.float32), np.ones((1, 1), bool), 1, 0.0, 0.5)
    (path,) = to_the_tips([np.column_stack([np.arange(60.0, 150.0), np.full(90, 40.0)])], evened)
    assert path[:, 0].min() >= 50
    assert path[:, 0].max() <= 160


def _interrupted(gap_to: int) -> tuple[Evened, np.ndarray]:
    """Return a crack from column 60 on with a gap from 150 to ``gap_to``, faint from there to 230; and its path."""
    rng = np.random.default_rng(8)
    dark = rng.normal(0, 0.02, (80, 320)).astype(np.float32)
    dark[39:42, 60:150] -= 0.5
    dark[39:42, gap_to:230] -= 0.15
    seen = np.ones(dark.shape, bool)
    evened = Evened(dark, seen, ~seen, np.zeros((1, 1, 3), np.float32), np.ones((1, 1), bool), 1, 0.0, 0.5)
    return evened, np.column_stack([np.arange(60.0, 150.0), np.full(90, 40.0)])


def test_a_crack_is_followed_over_a_gap_that_ends_a_mere_line() -> None:
    evened, path = _interrupted(165)
    ((_, tip),) = past_ends([path], evened)
    assert len(tip) <= 10
    ((before, after),) = past_ends([path], evened, CALLED)
    assert 222 <= after[:, 0].max() <= 240
    assert len(before) <= 10
    evened, path = _interrupted(230)
    ((_, after),) = past_ends([path], evened, CALLED)
    assert len(after) <= 10


@pytest.mark.parametrize(("kind", "hole", "ends"), [
    (Kind.CRACK, False, (222, 240)), (Kind.CRACK, True, (180, 190)), (None, False, (149, 149)),
])  # fmt: skip
def test_called_cracks_alone_are_followed_and_not_into_a_hole(
    kind: Kind | None, hole: bool, ends: tuple[int, int]
) -> None:
    evened, path = _interrupted(165)
    spine = np.zeros((80, 320), np.float32)
    spine[39:42, 60:150] = 1.0
    # The evened picture is cut out of one that is 7 px wider on the left and the top.
    line, disc = cover_of(spine, (7, 7)), cover_of(covered_share((90, 330), ellipse(6.0, 6.0, 203, 47)), (0, 0))
    assert line is not None
    assert disc is not None
    figures = {"log_length": np.log(45.0)}
    found = [Candidate(line, "line", 9.0, path + 7.0, 3.0, bones_px=path + 7.0, features=figures)]
    judged = [Judgement(kind, 0.9, {})]
    if hole:
        found.append(Candidate(disc, "patch", 0.0, features={"log_length": np.log(6.0), "log_slender": np.log(1.3)}))
        judged.append(Judgement(Kind.HOLE, 0.9, {}))
    looked = Looked(tuple(found), evened, 0.8, (7, 7), slab_of(np.ones(evened.seen.shape), 0.5)[1])
    crack, _ = followed(looked, list(zip(found, judged, strict=True)))[0]
    assert crack.path_px is not None
    low, high = ends
    assert low <= crack.path_px[:, 0].max() - 7.0 <= high
    if kind is not None:
        assert np.exp(crack.features["log_length"]) == pytest.approx(0.5 * len(crack.path_px), rel=0.05)
        assert abs(crack.cover.outline_px[:, 1].mean() - 47.0) < 2.0


@pytest.mark.parametrize(("rows", "reached"), [((39, 42), True), ((36, 45), False)], ids=["slender", "compact"])
def test_a_short_slender_dark_place_is_a_start_of_the_faint_crack_around_it(
    rows: tuple[int, int], reached: bool
) -> None:
    rng = np.random.default_rng(8)
    dark = rng.normal(0, 0.02, (80, 320)).astype(np.float32)
    dark[39:42, 60:230] -= 0.15
    spot = np.zeros((80, 320), np.float32)
    spot[slice(*rows), 150:163] = 1.0
    dark -= spot
    seen = np.ones(dark.shape, bool)
    evened = Evened(dark, seen, ~seen, np.zeros((1, 1, 3), np.float32), np.ones((1, 1), bool), 1, 0.0, 0.5)
    cover = cover_of(spot, (0, 0))
    assert cover is not None
    area_mm2 = 0.25 * cover.area_px
    figures = {"log_length": np.log(6.5), "log_area": np.log(area_mm2), "log_slender": np.log(6.5**2 / area_mm2)}
    figures |= {"log_axes": 1.0, "off_grain": 0.0, "at_border": 0.0}
    item = (
        Candidate(cover, "dot", 0.0, features=figures),
        Judgement(Kind.BARK_VOID, 0.9, {Kind.BARK_VOID: 0.6, Kind.CRACK: 0.4}),
    )
    ((found, judgement),) = followed(Looked((item[0],), evened, 0.8, (0, 0), slab_of(seen, 0.5)[1]), [item])
    assert (judgement.kind is Kind.CRACK) is reached
    assert (np.ptp(found.cover.outline_px[:, 0]) > 120) == reached


def test_a_crack_drawn_at_its_rims_level_stays_in_one_piece() -> None:
    share = np.zeros((40, 240), np.float32)
    share[18:23, 20:220] = 0.95
    share[:, 90:100] = 0.0
    share[20, 90:100] = 0.52  # it shows through
    cover = cover_of(share, (0, 0))
    assert cover is not None
    path = np.column_stack([np.arange(20.0, 220.0), np.full(200, 20.0)])
    figures = {"log_slender": 4.0, "log_axes": 4.0, "log_length": np.log(60.0), "solidity": 0.9, "dark_middle": -0.5}
    figures["log_area"] = np.log(100.0)
    found = Candidate(cover, "line", 9.0, path, 5.0, 0.7, path, figures)
    ((crack, _),) = select([found], [Judgement(Kind.CRACK, 0.9, {})], 0.3)
    assert np.ptp(crack.cover.outline_px[:, 0]) > 195


def test_a_patch_that_falls_apart_is_looked_at_whole_too() -> None:
    # Two dark spots in a fainter one: three things to judge, nested as they lie.
    distance = np.zeros((120, 200), np.float32)
    cv2.ellipse(distance, ((100, 60), (150, 80), 0.0), 12.0, -1)
    for x in (65, 135):
        cv2.circle(distance, (x, 60), 16, 60.0, -1)
    colours = np.repeat(-distance[..., None] / 60, 3, axis=2)
    sizes = sorted(int(mask.sum()) for mask, _ in odd_patches(distance, colours, 0.5))
    assert len(sizes) == 3
    assert sizes[0] == pytest.approx(np.pi * 16**2, rel=0.1)
    assert sizes[2] == pytest.approx(np.pi * 75 * 40, rel=0.1)


def test_a_hole_knows_of_the_knot_around_it() -> None:
    def thing(radius: float, step: float) -> Candidate:
        cover = cover_of(covered_share((200, 200), ellipse(radius, radius, 100, 100)), (0, 0))
        assert cover is not None
        figures = {"step": step, "dark_middle": -step, "lean_x": 0.3, "lean_y": 0.0}
        figures |= {"log_area": 2 * np.log(radius), "log_length": np.log(2 * radius), "is_line": 0.0, "turning": 0.0}
        return Candidate(cover, "patch", 0.0, features=figures)

    knot, hole = related([thing(60, 0.5), thing(30, 1.0)], 0.3)
    assert hole.features["outer_share"] == pytest.approx(0.25, rel=0.05)
    assert [hole.features["outer_step"], hole.features["inner_share"]] == [0.5, 0.0]
    assert [knot.features["inner_step"], knot.features["outer_share"]] == [1.0, 0.0]
    assert knot.features["lean_along"] == pytest.approx(0.3)
    assert shared(hole.cover, knot.cover) == 1.0


def _chosen(*things: tuple[str, float, Kind, float]) -> list[tuple[Kind | None, float]]:
    """Return kind and radius (px) of what is chosen among discs, given as source, radius, kind, chance of a void."""
    found, judged = [], []
    for source, radius, kind, chance in things:
        cover = cover_of(covered_share((300, 300), ellipse(radius, radius, 150, 150)), (0, 0))
        assert cover is not None
        figures = {"log_slender": 0.3, "log_axes": 0.0, "solidity": 0.99, "dark_middle": -0.5, "step": 0.4}
        figures |= {"log_length": 3.0, "log_area": 4.0}
        found.append(Candidate(cover, source, 0.0, features=figures))
        judged.append(Judgement(kind, chance, {}, 0.7))
    kept = select(found, judged, 0.3)
    return [(j.kind, round(float(np.sqrt(c.cover.area_px / np.pi)))) for c, j in kept]


def test_a_sure_hole_is_chosen_before_the_doubtful_knot_around_it() -> None:
    knot, hole = ("patch", 100.0, Kind.KNOT_HOLE, 0.6), ("patch", 35.0, Kind.KNOT_HOLE, 0.95)
    assert _chosen(knot, hole) == [(Kind.KNOT_HOLE, 35)]
    # A floor that is surely a void is not cut for a spot in it that may be one.
    assert _chosen(("patch", 100.0, Kind.BARK_VOID, 0.95), ("patch", 35.0, Kind.KNOT_HOLE, 0.6)) == [
        (Kind.BARK_VOID, 100)
    ]


def test_a_line_around_a_knot_is_no_void_beside_the_knot_itself() -> None:
    ring, knot = ("line", 97.0, Kind.KNOT_HOLE, 0.55), ("patch", 100.0, Kind.SOUND_KNOT, 0.2)
    assert _chosen(ring, knot) == [(Kind.SOUND_KNOT, 100)]


def test_nothing_in_view_gives_nothing() -> None:
    ortho, slab = slab_of(wood(120, 160, np.random.default_rng(1)), 0.3)
    hidden = SlabFound(slab.mask, slab.mask, slab.outline_mm, slab.edge_kinds, 0.1, False)
    assert find_regions(ortho, hidden) == ()


def test_a_hole_within_a_dark_knot_is_looked_at_for_itself() -> None:
    rng = np.random.default_rng(11)
    mm, size = 0.3, (600, 900)
    light = wood(*size, rng)
    knot, hole = ellipse(75, 60, 450, 300), ellipse(40, 36, 455, 305)
    for outline, level in ((knot, 0.32), (hole, 0.05)):
        share = covered_share(size, outline, 0.9)
        light = light * (1 - share) + level * share
    patches = [c for c in find_candidates(*slab_of(light, mm)) if c.source == "patch"]
    areas = np.array([c.cover.area_px for c in patches])
    assert np.abs(areas / (np.pi * 40 * 36) - 1).min() < 0.05


def test_chances_rise_with_darkness_and_stay_chances() -> None:
    # The map from the model's chance to the share of voids held out must rise, and judging keeps chances within 0 to 1.
    disc = ellipse(30, 30, 300, 300)
    chances = []
    for level in (0.60, 0.05):
        share = covered_share((600, 600), disc, 0.9)
        light = wood(600, 600, np.random.default_rng(4)) * (1 - share) + level * share
        found = find_regions(*slab_of(light, 0.3))
        near = [r.void_probability for r in found if np.hypot(*(r.outline_mm.mean(axis=0) - 90.0)) < 5.0]
        chances.append(max(near, default=0.0))
    assert 0.0 <= chances[0] < 0.5 < chances[1] <= 1.0


@pytest.mark.parametrize(("level", "is_void"), [(0.03, True), (0.2, False)])
def test_what_is_blacker_than_any_wood_is_a_void_however_even_it_is(level: float, is_void: bool) -> None:
    # A hole of 36 mm whose shade a camera has drawn as one black; a fifth of the wood's value a dark knot has too.
    share = covered_share((600, 600), ellipse(60, 60, 300, 300), 0.9)
    light = wood(600, 600, np.random.default_rng(4)) * (1 - share) + level * share
    (found,) = find_regions(*slab_of(light, 0.3))
    assert found.kind.is_void is is_void


@pytest.mark.parametrize(("ink", "count"), [((190, 110, 70), 0), ((70, 90, 110), 1)])
def test_a_piece_of_blue_tape_is_no_knot_and_a_brown_spot_is_told(ink: tuple[int, int, int], count: int) -> None:
    spot = covered_share((600, 600), ellipse(30, 60, 300, 300), 0.9)[..., None]
    ortho, slab = slab_of(wood(600, 600, np.random.default_rng(4)), 0.3)
    pixels = (ortho.pixels * (1 - spot) + spot * np.array(ink)).astype(np.uint8)
    found = find_regions(replace(ortho, pixels=pixels), slab)
    assert len(found) == count
    assert not any(region.kind.is_void for region in found)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_strong_figure_is_not_told_as_stains(seed: int) -> None:
    # Streaks along the grain, 6 % darker and lighter (1 sigma) all over the slab, and one spot 30 % darker.
    rng, size = np.random.default_rng(seed), (700, 1000)
    streaks = cv2.GaussianBlur(rng.normal(size=size), (0, 0), 30.0, sigmaY=4.0)
    spot = covered_share(size, ellipse(26, 16, 500, 350), 0.9)
    light = wood(*size, rng) * np.exp(0.06 * streaks / streaks.std()) * (1 - 0.3 * spot)
    found = find_regions(*slab_of(light, 0.3))
    assert len(found) == 1
    assert not found[0].kind.is_void
    assert np.hypot(*(found[0].outline_mm.mean(axis=0) - [150.0, 105.0])) < 3.0


@pytest.mark.parametrize(
    ("is_line", "area_mm2", "length_mm", "called"),
    [
        (False, 60.0, 10.0, False),  # less than a centimetre across: a false call costs more than it could hold
        (False, 160.0, 16.0, True),
        (True, 12.0, 40.0, True),  # a long fine crack drains, however little of the top it takes
        (True, 12.0, 12.0, False),
    ],
)
def test_what_holds_little_must_be_surer_to_be_called(
    is_line: bool, area_mm2: float, length_mm: float, called: bool
) -> None:
    figures = {
        "is_line": float(is_line),
        "log_area": float(np.log(area_mm2)),
        "log_length": float(np.log(length_mm)),
        "dark_middle": 0.0,
        "step": 0.1,
    }
    (judgement,) = judged([figures], [0.57])
    assert 0.5 < judgement.void_probability < 0.6
    assert judgement.is_void is called


@pytest.mark.parametrize(
    ("dark", "step", "rim", "spread", "source", "called"),
    [
        (0.6, 0.4, 1.1, 0.5, "patch", True),  # bark: its darkness begins at its rim
        (0.6, 0.2, 1.1, 0.5, "patch", False),  # a stain: it is darker within
        (0.6, 0.4, 2.2, 0.5, "patch", False),  # a stain: its rim is twice as soft as the photo
        (0.6, 0.2, 1.1, 0.5, "line", True),
        (1.2, 1.0, 1.1, 0.3, "patch", False),  # a sound knot: as dark as a hole, and even
        (1.2, 1.0, 1.1, 0.9, "patch", True),  # a hole: its floor is shaded
        (0.1, 0.0, 1.1, 0.3, "patch", True),  # bark as pale as the wood has no such rim
    ],
)
def test_what_fades_or_is_evenly_dark_must_be_surer_to_be_called(
    dark: float, step: float, rim: float, spread: float, source: str, called: bool
) -> None:
    figures = {"is_line": float(source == "line"), "is_dot": 0.0, "log_area": np.log(600.0), "log_length": np.log(40.0)}
    figures |= {"dark_middle": -dark, "step": step, "rim_width": rim, "dark_spread": spread, "log_slender": 9.0}
    assert [judged([figures], [chance], Kind.BARK_VOID)[0].is_void for chance in (0.6, 0.9)] == [called, True]


def judged(found: list[dict[str, float]], own: list[float], kind: Kind = Kind.CRACK) -> list[Judgement]:
    """Judge things that are of a kind by these chances, and nothing else."""
    labels = [*Kind, NOTHING]
    chances = np.array([[{kind: p, NOTHING: 1 - p}.get(name, 0.0) for name in labels] for p in own])
    as_it_is = [[0.0, 1.0], [0.0, 1.0]]
    return judged_by(found, chances, np.ones(len(found)), [str(name) for name in labels], as_it_is)


@pytest.mark.parametrize(
    ("others", "their_step", "their_size", "called"),
    [
        (40, 0.1, 1.0, False),  # one of forty that look alike
        (40, 0.05, 1.0, True),  # the others are half as dark at their rims
        (40, 0.1, 5.0, True),  # the others are other things: five times its size
        (10, 0.1, 1.0, True),
    ],
)
def test_one_of_many_that_look_alike_must_be_surer_to_be_called(
    others: int, their_step: float, their_size: float, called: bool
) -> None:
    own = {"is_line": 0.0, "log_area": np.log(20.0), "log_length": np.log(9.0), "dark_middle": 0.0, "step": 0.1}
    other = {**own, "step": their_step, "log_area": np.log(20.0 * their_size)}
    assert judged([own, *[other] * others], [0.73, *[0.1] * others])[0].is_void is called
    assert judged([own, *[other] * others], [0.9, *[0.1] * others])[0].is_void


@pytest.mark.parametrize(("nothing", "alike", "told"), [(0.9, 3, True), (0.9, 60, False), (0.7, 60, True)])
def test_a_dark_spot_that_is_probably_nothing_is_told_where_few_are_like_it(
    nothing: float, alike: int, told: bool
) -> None:
    figures = {"is_line": 0.0, "is_dot": 0.0, "log_area": np.log(80.0), "log_length": np.log(12.0), "step": 0.2}
    figures |= {"dark_middle": -0.2, "dark_spread": 0.1, "rim_width": 1.0, "log_slender": np.log(2.0)}
    figures |= {"solidity": 0.9, "odd": np.log1p(9.0), "alike": np.log(alike)}
    (judgement,) = judged([figures], [1 - nothing], Kind.SOUND_KNOT)
    assert judgement.kind is (Kind.SOUND_KNOT if told else None)


def test_nothing_to_judge_gives_nothing() -> None:
    assert judge([]) == []
