"""The slab's outline: drawn slabs of exactly known area come back within the interval.

Areas are exact: the shoelace formula for polygons, pi r^2 for the disc (checked apart from the drawing).
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from slab_scenes import Look, Scene, disc, draw_scene, live_slab, pattern_at, rectangle, turned

from voidmap.errors import CantTell
from voidmap.model import Floats, Ortho, Plane, SlabFound
from voidmap.records import Lens, SlabRecord
from voidmap.surface import find_slab, slab_record, whole_slab
from voidmap.surface.covered import fill_polygons, find_sheets, rim_at_cover
from voidmap.surface.edges import EDGE_SCALE_MM, edge_length_mm
from voidmap.surface.tongues import without_tongues
from voidmap.surface.tops_end import BEYOND_MM, bench_beyond

SCALE_REL = 0.001


def exact_plane(scene: Scene, scale_rel: float = SCALE_REL) -> Plane:
    """A camera 1 m above the slab that looks straight down; its draws differ in height by ``scale_rel``."""
    focal, height = 1000.0, 1000.0
    base = np.array([0, 0, 0, 0, 0, height, focal, focal, 500.0, 380.0, 0, 0, 0, 0, 0])
    draws = np.tile(base, (200, 1))
    draws[:, 5] *= 1 + np.random.default_rng(5).normal(0, scale_rel, 200)
    return Plane((1000, 760), Lens(focal, focal, 500.0, 380.0), np.eye(3), np.array([0, 0, height]), draws, "boards")


def measured(scene: Scene) -> tuple[SlabFound, SlabRecord]:
    found = find_slab(scene.ortho, scene.patterns_mm)
    return found, slab_record(found, exact_plane(scene), thickness_mm=45.0)


def overlap(scene: Scene, found: SlabFound) -> float:
    truth = fill_polygons(scene.ortho, [scene.outline_mm]) & scene.ortho.valid
    return float((truth & found.mask).sum() / (truth | found.mask).sum())


def within(value: float, interval: tuple[float, float]) -> bool:
    return interval[0] <= value <= interval[1]


@pytest.mark.parametrize("bench", ["plain", "speckle", "stripes", "planks"])
def test_rectangle_of_known_area_comes_back(bench: str) -> None:
    scene = draw_scene(
        rectangle(700, 420, 6), (pattern_at(-120, 30, 12),), np.random.default_rng(1),
        look=Look(bench=(70, 65, 60), bench_kind=bench, sap_mm=30), grain_deg=6,
    )  # fmt: skip
    found, record = measured(scene)
    assert overlap(scene, found) >= 0.99
    assert within(700 * 420, record.area_interval_mm2)
    assert record.area_interval_mm2.hi - record.area_interval_mm2.lo < 0.02 * record.area_mm2
    assert record.edge_mm == pytest.approx(2 * (700 + 420), rel=0.01)
    assert not record.leaves_frame
    assert {run.kind for run in record.edge_runs} >= {"sawn"}
    assert sum(run.length_mm for run in record.edge_runs if run.kind == "sawn") > 0.9 * 2 * (700 + 420)


def test_disc_of_known_area_comes_back_live() -> None:
    scene = draw_scene(disc(290), (pattern_at(0, 20, -8),), np.random.default_rng(2), look=Look(bench=(60, 60, 70)))
    found, record = measured(scene)
    assert overlap(scene, found) >= 0.99
    assert within(np.pi * 290**2, record.area_interval_mm2)
    assert record.edge_mm == pytest.approx(2 * np.pi * 290, rel=0.01)
    assert {run.kind for run in record.edge_runs} == {"live"}


@pytest.mark.parametrize("soft_mm", [1.0, 12.0])
def test_shadow_on_the_bench_is_no_slab(soft_mm: float) -> None:
    rng = np.random.default_rng(3)
    outline = live_slab(rng, 720, 400, 4)
    look = Look(bench=(190, 195, 200), shadow_mm=30, shadow_soft_mm=soft_mm, shadow_depth=0.55)
    scene = draw_scene(outline, (pattern_at(-150, 10, 5),), rng, look=look, grain_deg=4)
    found, record = measured(scene)
    assert overlap(scene, found) >= 0.985
    assert within(scene.area_mm2, record.area_interval_mm2) or overlap(scene, found) >= 0.995


@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize("heart", [(70, 90, 125), (150, 180, 205)])
def test_slab_far_from_the_window_is_all_found(heart: tuple[int, int, int], way: int) -> None:
    """Light that falls off to a tenth over the photo, with the board at the window's end."""
    look = Look(heart=heart, sap=(165, 195, 215))
    scene = draw_scene(
        rectangle(800, 380, 3), (pattern_at(-230 * way, 20, 8),), np.random.default_rng(17), look=look, grain_deg=3
    )
    # The 8-bit code goes with about the 2.2nd root of the light.
    light = np.linspace(1.0, 0.1, scene.ortho.pixels.shape[1])[::way] ** (1 / 2.2)
    lit = np.round(scene.ortho.pixels * light[None, :, None]).astype(np.uint8)
    found, record = measured(replace(scene, ortho=replace(scene.ortho, pixels=lit)))
    assert overlap(scene, found) >= 0.99
    assert within(800 * 380, record.area_interval_mm2)


def test_end_of_the_slab_in_a_hard_shadow_is_found() -> None:
    """A shadow that falls across an end, down to a quarter of the light, and goes on over the bench."""
    look = Look(heart=(105, 130, 160), sap=(105, 130, 160), bench=(170, 185, 205))
    scene = draw_scene(
        rectangle(800, 380, 3), (pattern_at(-200, 20, 8),), np.random.default_rng(17), look=look, grain_deg=3
    )
    height, width = scene.ortho.valid.shape
    shadow = np.zeros((height, width), np.float32)
    shadow[:, round(0.72 * width) :] = 1.0
    light = 1.0 - 0.75 * cv2.GaussianBlur(shadow, (0, 0), 12.0)
    pixels = np.round(scene.ortho.pixels * light[..., None] ** (1 / 2.2)).astype(np.uint8)
    found, _ = measured(replace(scene, ortho=replace(scene.ortho, pixels=pixels)))
    assert overlap(scene, found) >= 0.98


@pytest.mark.parametrize("wide_mm", [15.0, 35.0])
def test_a_straightedge_over_the_edge_is_no_slab(wide_mm: float) -> None:
    # A straightedge of the slab's own wood lies with half of it on the top; shop rules are 15 to 40 mm wide (common
    # practice, no source).
    look = Look(bench=(70, 65, 60), sap_mm=0)
    scene = draw_scene(rectangle(700, 420), (pattern_at(-120, 30, 12),), np.random.default_rng(11), look=look)
    bar = turned(np.array([[150.0, 0.0], [150.0, 320.0], [150.0 + wide_mm, 320.0], [150.0 + wide_mm, 0.0]]), -8)
    pixels = scene.ortho.pixels.copy()
    on = fill_polygons(scene.ortho, [bar])
    pixels[on] = np.array(look.heart) + np.random.default_rng(12).normal(0, 4, (int(on.sum()), 3))
    found, record = measured(replace(scene, ortho=replace(scene.ortho, pixels=pixels)))
    assert overlap(scene, found) >= 0.99
    assert within(700 * 420, record.area_interval_mm2)


def test_what_the_photo_cuts_off_sharply_stays() -> None:
    # A slab whose edge leaves the photo at 14 degrees ends there in a wedge, and is slab up to its tip.
    slab = np.zeros((300, 400), np.uint8)
    cv2.fillPoly(slab, [np.array([[0, 199], [400, 99], [400, 199]])], 1)
    seen, cut_off = slab > 0, np.ones((300, 400), bool)
    cut_off[200:] = False
    assert (without_tongues(seen, cut_off, 20, 30) == seen).all()
    assert (without_tongues(seen[:200], cut_off[:200], 20, 30) == seen[:200]).all()
    # The same wedge in full view is something else.
    assert without_tongues(seen, np.ones_like(cut_off), 20, 30).sum() < 0.95 * seen.sum()


def test_sheet_that_hangs_over_the_edge_is_covered_and_bench_is_not() -> None:
    scene = draw_scene(
        rectangle(700, 420), (pattern_at(-120, 0), pattern_at(215, 125, 0)), np.random.default_rng(4),
        look=Look(bench=(60, 70, 60)), margin_mm=30,
    )  # fmt: skip
    found, _ = measured(scene)
    assert overlap(scene, found) >= 0.97
    assert (found.covered & ~found.mask).sum() == 0
    truth = fill_polygons(scene.ortho, find_sheets(scene.ortho, scene.patterns_mm))
    assert found.covered.sum() > 0.85 * truth.sum()


def test_void_that_runs_under_a_sheet_is_told() -> None:
    scene = draw_scene(rectangle(700, 420), (pattern_at(-120, 30),), np.random.default_rng(6))
    covered = fill_polygons(scene.ortho, find_sheets(scene.ortho, scene.patterns_mm))
    edge_mm = scene.ortho.to_mm(np.argwhere(covered)[:, ::-1].astype(float))[:, 0].max()
    cut_off, free = (rectangle(60, 1.2) + np.array([edge_mm + gap + 30.0, 30.0]) for gap in (0.0, 4.0))
    assert len(rim_at_cover(scene.ortho, covered, cut_off))
    assert not len(rim_at_cover(scene.ortho, covered, free))


@pytest.mark.parametrize("margin_mm", [10.0, 25.0, 43.0])
def test_sheets_are_found_whatever_their_margin(margin_mm: float) -> None:
    scene = draw_scene(
        rectangle(900, 600), (pattern_at(0, 0, 9),), np.random.default_rng(6), margin_mm=margin_mm
    )  # fmt: skip
    (sheet,) = find_sheets(scene.ortho, scene.patterns_mm)
    sides = np.hypot(*(np.roll(sheet, -1, axis=0) - sheet).T)
    assert sides[0] == pytest.approx(210 + 2 * margin_mm, abs=1.5)
    assert sides[1] == pytest.approx(150 + 2 * margin_mm, abs=1.5)


def test_slab_that_leaves_the_photo_says_so() -> None:
    rng = np.random.default_rng(7)
    scene = draw_scene(
        rectangle(1400, 400) + np.array([300.0, 0.0]), (pattern_at(50, 0),), rng, look=Look(bench=(95, 75, 60))
    )
    found, record = measured(scene)
    assert record.leaves_frame
    assert "cut" in found.edge_kinds
    assert overlap(scene, found) >= 0.985
    border = scene.ortho.to_mm(np.array([[scene.ortho.valid.shape[1] - 0.5, 0.0]]))[0, 0]
    assert max(x for (x, _) in record.outline_mm) == pytest.approx(border, abs=2.0)
    assert record.edge_mm == pytest.approx(2 * (border + 400) + 400, rel=0.01)


def test_slab_that_fills_the_photo_has_no_edge() -> None:
    scene = draw_scene(
        rectangle(1600, 1400), (pattern_at(-100, 50, 8),), np.random.default_rng(8), look=Look(sap_mm=0)
    )  # fmt: skip
    found, record = measured(scene)
    assert found.mask.sum() > 0.99 * scene.ortho.valid.sum()
    assert record.leaves_frame
    assert record.edge_mm < 0.05 * 2 * (1000 + 760)


@pytest.mark.parametrize("seed", range(4))
def test_cracks_and_stains_of_a_slab_that_fills_the_photo_are_no_edge(seed: int) -> None:
    """Two long cracks, a stain and the lens's own fall-off: closed around the board they would pass for an edge."""
    rng = np.random.default_rng(20 + seed)
    scene = draw_scene(rectangle(1800, 1500), (pattern_at(-100, 50, 8),), rng, look=Look(sap_mm=0))
    height, width = scene.ortho.valid.shape
    marks = np.zeros((height, width), np.float32)
    for row in (0.2, 0.8):
        ends = [(0, round(height * (row + rng.uniform(-0.08, 0.08)))), (width, round(height * row))]
        cv2.line(marks, *ends, 1.2, 4)
    cv2.ellipse(marks, (round(0.8 * width), round(0.5 * height)), (60, 130), 20.0, 0, 360, 0.35, -1)
    y, x = np.mgrid[-1 : 1 : height * 1j, -1 : 1 : width * 1j]
    lit = np.exp(-cv2.GaussianBlur(marks, (0, 0), 2.0) - 0.12 * (x**2 + y**2))
    pixels = np.round(scene.ortho.pixels * lit[..., None]).astype(np.uint8)
    found, record = measured(replace(scene, ortho=replace(scene.ortho, pixels=pixels)))
    assert found.mask.sum() > 0.99 * scene.ortho.valid.sum()
    assert record.leaves_frame


def test_board_between_dark_strips_of_bench_ends_where_they_begin() -> None:
    # On the dark, texture is the 8-bit picture's own noise: the strips are known by their tone, along a side each.
    rng = np.random.default_rng(12)
    height, width, strip = 400, 1100, 60
    across = np.linspace(0, 40, width) + 0.6 * rng.normal(size=(height, 1)).cumsum(axis=0) / np.sqrt(height)
    tone = 150.0 + 22.0 * np.sin(2 * np.pi * across) + rng.normal(0.0, 5.0, (height, width))
    tone[:, :strip] = tone[:, -strip:] = 14.0
    pixels = tone[..., None] * np.array([0.65, 0.9, 1.0]) + rng.normal(0.0, 0.7, (height, width, 3))
    shown = Ortho(np.clip(np.round(pixels), 0, 255).astype(np.uint8), np.ones((height, width), bool), 0.0, 0.0, 1.0)
    found = find_slab(shown, [])
    assert found.mask[:, strip : width - strip].mean() > 0.98
    assert found.mask[:, : strip - 2].mean() < 0.02
    assert found.mask[:, width - strip + 2 :].mean() < 0.02


@pytest.mark.parametrize(("hole", "off_mm2"), [(False, 2.0), (True, 15.0)])
def test_close_view_of_a_board_goes_to_its_edges_and_into_the_photo_s_corners(hole: bool, off_mm2: float) -> None:
    # A line camera's picture: 196 mm of a board and 11 mm of dark bench on both sides, 72 mm high. A knot has fallen
    # out a few mm from its end and from the photo's border.
    rng, mm, (height, width), bare = np.random.default_rng(2), 0.14, (512, 1400), 79
    grain = cv2.GaussianBlur(rng.normal(size=(height, width)), (0, 0), 2.0, sigmaY=60.0)
    light = 150.0 * np.exp(0.05 * grain / grain.std())
    if hole:
        cv2.ellipse(light, (width - bare - 70, 400), (55, 9), 0.0, 0.0, 360.0, 25.0, -1)
    light[:, :bare], light[:, width - bare :] = 28.0, 28.0
    light = cv2.GaussianBlur(light, (0, 0), 1.5) + rng.normal(0.0, 2.0, light.shape)
    pixels = np.clip(light[..., None] * np.array([0.6, 0.85, 1.0]), 0, 255).astype(np.uint8)
    slab = find_slab(Ortho(pixels, np.ones((height, width), bool), 0.0, 0.0, mm), ())
    truth = np.zeros((height, width), bool)
    truth[:, bare : width - bare] = True
    # More than half a millimetre off over hardly any area: of 12,800 mm2 a few, the most of them beside the hole.
    near = np.round(0.5 / mm).astype(int)
    inner, outer = (
        cv2.morphologyEx(truth.view(np.uint8), op, np.ones((1, 2 * near + 1), np.uint8)) > 0 for op in (0, 1)
    )
    assert (inner & ~slab.mask).sum() * mm**2 < off_mm2
    assert (slab.mask & ~outer).sum() * mm**2 < off_mm2
    assert slab.leaves_frame


def test_bench_is_what_lies_far_out_or_the_outer_half_of_what_the_photo_shows() -> None:
    far = np.tile(np.arange(60, dtype=np.float32), (20, 1))
    assert (bench_beyond(far, far < 60) == (far > BEYOND_MM)).all()
    # Only 12 mm are seen beside the slab.
    near = bench_beyond(far, far <= 12)
    assert (near == ((far > 6) & (far <= 12))).all()


def test_whole_slab_takes_all_of_the_photo() -> None:
    scene = draw_scene(rectangle(700, 420), (), np.random.default_rng(9))
    found = whole_slab(scene.ortho)
    assert found.mask.all()
    assert found.leaves_frame
    assert set(found.edge_kinds) == {"cut"}


def test_slab_without_a_visible_edge_is_refused() -> None:
    scene = draw_scene(
        disc(250), (pattern_at(0, 0),), np.random.default_rng(10), look=Look(bench=(60, 90, 60), sap_mm=0, blur_mm=0.5)
    )
    sheet = fill_polygons(scene.ortho, find_sheets(scene.ortho, scene.patterns_mm))
    hazy = cv2.GaussianBlur(scene.ortho.pixels, (0, 0), 60.0 / scene.ortho.mm_per_px)
    hazy[sheet] = scene.ortho.pixels[sheet]
    with pytest.raises(CantTell, match="photo again"):
        find_slab(replace(scene.ortho, pixels=hazy), scene.patterns_mm)


def test_area_interval_carries_the_scale() -> None:
    scene = draw_scene(
        rectangle(700, 420), (pattern_at(-120, 0),), np.random.default_rng(11), look=Look(bench=(60, 60, 60))
    )
    found = find_slab(scene.ortho, scene.patterns_mm)
    narrow = slab_record(found, exact_plane(scene, 1e-6), thickness_mm=None).area_interval_mm2
    wide = slab_record(found, exact_plane(scene, 0.01), thickness_mm=None).area_interval_mm2
    # 1 % of height is 2 % of area: 95 % of it is 2 x 1.96 x 2 % wide.
    assert (wide.hi - wide.lo) / (700 * 420) == pytest.approx(4 * 1.96 * 0.01, rel=0.2)
    assert narrow.hi - narrow.lo < 0.3 * (wide.hi - wide.lo)


def test_edge_length_of_a_rough_line_is_measured_at_its_stated_step() -> None:
    x = np.arange(0, 600, 1.0)
    rough = np.where(np.arange(600) % 2 == 0, 0.5, -0.5)
    outline: Floats = np.vstack([np.column_stack([x, rough]), np.column_stack([x[::-1], 300 + rough])])
    walked = np.hypot(*np.diff(outline, axis=0).T).sum()
    length = edge_length_mm(outline, np.zeros(len(outline), dtype=bool))
    assert walked > 1.3 * 2 * 600
    assert length < 1.1 * (2 * 600 + 2 * 300)
    assert EDGE_SCALE_MM == 5.0
