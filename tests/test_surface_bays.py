"""Voids that open on the slab's side lie within the outline; what leans against the slab does not."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from slab_scenes import Look, Scene, coverage, draw_scene, pattern_at, rectangle
from test_surface_outline import exact_plane

from voidmap import depth
from voidmap.job.intake import _defect
from voidmap.job.intake_notes import BESIDE_EDGE, _bay_notes
from voidmap.model import Bay, Floats, Ortho
from voidmap.surface import bay_regions, find_slab
from voidmap.surface.band import ACROSS_MM, ALONG_MM, lay_band
from voidmap.surface.bays import _take_likely
from voidmap.surface.beside import odd_beside
from voidmap.surface.chain import course_costs
from voidmap.surface.covered import fill_polygons
from voidmap.surface.edges import kinds_of_edge, resample
from voidmap.surface.outline import Heights
from voidmap.surface.runs_on import Mouth, as_mouth
from voidmap.surface.tops_end import EXTRA_NATS, PER_MM, ROUGH_MM, THING_GAP_MM, _readings, _with_things, disputed_mm2


def painted(scene: Scene, shape_mm: Floats, colour: tuple[float, float, float], rough: float = 0.15) -> Scene:
    """Paint a shape into a scene, with noise: that of bark when not said."""
    height, width = scene.ortho.valid.shape
    start = (scene.ortho.x0_mm, scene.ortho.y0_mm)
    share = cv2.GaussianBlur(coverage(shape_mm, (width, height), start, scene.ortho.mm_per_px), (0, 0), 0.6)[..., None]
    tone = np.exp(rough * np.random.default_rng(3).normal(size=(height, width, 1)))
    pixels = scene.ortho.pixels * (1 - share) + share * np.clip(np.array(colour) * tone, 0, 255)
    return replace(scene, ortho=replace(scene.ortho, pixels=np.round(pixels).astype(np.uint8)))


def slab(seed: int) -> Scene:
    look = Look(bench=(90, 90, 95))
    return draw_scene(rectangle(720, 420), (pattern_at(-120, 20, 8),), np.random.default_rng(seed), look=look)


@pytest.mark.parametrize("colour", [(35, 40, 50), (60, 80, 110)])
def test_void_that_opens_on_the_side_lies_within_the_outline(colour: tuple[float, float, float]) -> None:
    angle = np.linspace(0, np.pi, 200)
    void = np.array([150.0, 210.0]) + np.column_stack([55 * np.cos(angle), -26 * np.sin(angle)])
    scene = painted(slab(21), void, colour)
    found = find_slab(scene.ortho, scene.patterns_mm)
    inside = fill_polygons(scene.ortho, [void])
    truth = fill_polygons(scene.ortho, [scene.outline_mm])
    assert (inside & found.mask).sum() > 0.9 * inside.sum()
    assert (truth & found.mask).sum() / (truth | found.mask).sum() >= 0.99


def test_block_against_the_slab_is_no_slab() -> None:
    block = rectangle(70, 50) + np.array([40.0, 236.0])
    scene = painted(slab(22), block, (75, 100, 130))
    found = find_slab(scene.ortho, scene.patterns_mm)
    truth = fill_polygons(scene.ortho, [scene.outline_mm])
    assert (truth & found.mask).sum() / (truth | found.mask).sum() >= 0.99


def test_narrow_sapwood_on_one_side_is_top() -> None:
    # Sapwood is paler than the heartwood (common practice, no source); bark and shade are darker.
    look = Look(heart=(70, 95, 130), bench=(75, 65, 60), sap_mm=0.0)
    scene = draw_scene(rectangle(720, 420), (pattern_at(-120, 20, 8),), np.random.default_rng(23), look=look)
    scene = painted(scene, rectangle(720, 12) + np.array([0.0, 204.0]), (130, 170, 200), rough=0.05)
    found = find_slab(scene.ortho, scene.patterns_mm)
    truth = fill_polygons(scene.ortho, [scene.outline_mm])
    assert (truth & found.mask).sum() / (truth | found.mask).sum() >= 0.99


def test_rough_outline_that_lies_elsewhere_puts_the_area_in_doubt() -> None:
    slab = np.arange(40) < np.full((100, 1), 20)
    offsets_mm = (np.arange(40) - 20) * ACROSS_MM
    band = SimpleNamespace(slab=slab, offsets_mm=offsets_mm)
    edge_mm = -0.5 * ACROSS_MM
    assert disputed_mm2(band, np.full(100, edge_mm + ROUGH_MM - 0.1)) == 0.0  # type: ignore[arg-type]
    # 100 rows of 2 mm, 12 mm apart: the area is one or the other, 1 sigma is half of the difference.
    assert disputed_mm2(band, np.full(100, edge_mm + 12.0)) == pytest.approx(100 * ALONG_MM * 12.0 / 2)  # type: ignore[arg-type]


def test_bench_is_read_outward_with_at_most_one_thing_on_it() -> None:
    rng = np.random.default_rng(5)
    bench, thing = (np.cumsum(np.pad(rng.uniform(0, 2, (3, 14)), ((0, 0), (1, 0))), axis=1) for _ in range(2))
    got = _with_things(bench.astype(np.float32), thing.astype(np.float32))
    gap, last = round(THING_GAP_MM / ACROSS_MM), bench.shape[1] - 1
    for row in range(3):
        for start in range(last + 1):
            plain = bench[row, last] - bench[row, start]
            covered = [
                plain - (bench[row, b] - bench[row, a]) + thing[row, b] - thing[row, a] + EXTRA_NATS
                for a in range(start + gap, last + 1)
                for b in range(a, last + 1)
            ]
            assert got[row, start] == pytest.approx(min([plain, *covered]), rel=1e-5)


def test_pencil_on_the_bench_is_not_the_end_of_the_slab_s_side() -> None:
    # Nats by which wood, side, shadow and bench fit 40 mm of wood, 12 of bench in doubt, 7 of pencil, 41 of bench.
    stuffs = np.repeat([0, 1, 2, 1], [40, 12, 7, 41])
    fits = np.array([[0.0, -4.0, -4.0], [-1.9, -1.9, -1.9], [-4.0, -1.0, -4.0], [-4.0, -1.0, -4.0]])[:, stuffs]
    fits = np.repeat(fits[:, None], 4, axis=1).astype(np.float32) * np.float32(PER_MM * ACROSS_MM)
    step = np.zeros((4, 101), dtype=np.float32)
    step[:, [52, 59]] = 1.0
    band = SimpleNamespace(step=step)
    cost, side_ends = _readings(band, fits)  # type: ignore[arg-type]
    top = np.argmin(cost, axis=1)
    assert np.all(np.abs(top - 40) <= 1)
    assert np.all(side_ends[np.arange(4), top] == top)


def test_sawn_stays_sawn_where_cracks_open_on_it_and_live_wanders() -> None:
    x = np.arange(0.0, 700.0, 1.0)
    crack = np.where(np.abs(x - 300) < 3, 20.0, 0.0)
    live = 400 + 9 * np.sin(x / 31) + 5 * np.sin(x / 13 + 1)
    outline = resample(np.vstack([np.column_stack([x, crack]), np.column_stack([x[::-1], live[::-1]])]), 1.0)
    kinds = np.array(kinds_of_edge(outline, np.zeros(len(outline), dtype=bool)))
    assert (kinds[outline[:, 1] < 5] == "sawn").mean() > 0.95
    assert (kinds[outline[:, 1] > 385] == "live").mean() > 0.95


def test_course_is_the_cheapest_around_a_closed_line() -> None:
    rng = np.random.default_rng(4)
    rows, places, jog = 90, 7, 0.8
    own = rng.uniform(0, 3, (rows, places)).astype(np.float32)
    moves = jog * np.abs(np.subtract.outer(np.arange(places), np.arange(places)))
    cheapest = np.inf
    for start in range(places):
        cost = np.where(np.arange(places) == start, own[0], np.inf)
        for row in own[1:]:
            cost = (cost[:, None] + moves).min(axis=0) + row
        cheapest = min(cheapest, float((cost + moves[:, start]).min()))
    course = np.argmin(course_costs(own, jog), axis=1)
    steps = np.abs(np.diff(course, append=course[:1])).sum()
    assert own[np.arange(rows), course].sum() + jog * steps == pytest.approx(cheapest, rel=1e-4)


def even_band(rows: int, nats: NDArray[np.float32] | None = None) -> Any:
    """Return a band of one tone all over."""
    shape = (rows, 40)
    flat = {"tone": np.zeros(shape, np.float32), "tint": np.zeros((*shape, 2), np.float32)}
    return SimpleNamespace(nats=nats, offsets_mm=np.arange(40) - 20.0, seen=np.ones(shape, dtype=bool), **flat)


def test_bay_on_a_bent_edge_is_told_from_a_bend_by_the_line_that_runs_on() -> None:
    # A wood's end that breaks off by 12 mm over 80 mm where the bench's beginning runs on in an arc; and the reverse:
    # the wood's end runs on and something beside it bulges. A floor in shade is the likelier a void's; what looks as
    # the side does may be a bend that lays more of it bare.
    rows, ends = np.arange(60, 100), (59, 100)
    arc = 8.0 * np.sin(np.linspace(0, np.pi, 160))
    noise = np.random.default_rng(11).normal(0.0, 0.2, (2, 160))
    wider = np.zeros(160)
    wider[rows] = 12.0 * np.sqrt(1 - np.linspace(-1, 1, len(rows)) ** 2)
    band, shaded = even_band(160), even_band(160)
    shaded.tone[(shaded.offsets_mm > (arc - wider)[:, None]) & (shaded.offsets_mm < arc[:, None])] = -0.4
    void, alike = (as_mouth(arc - wider + noise[0], arc + 1.0 + noise[1], rows, ends, b) for b in (shaded, band))
    bulge = as_mouth(arc + noise[0], arc + 1.0 + wider + noise[1], rows, ends, band)
    assert void is not None
    assert alike is not None
    assert bulge is not None
    assert void.chance > 0.9 > alike.chance > 0.8
    assert bulge.chance < 0.1
    assert np.abs(void.natural_mm - arc[rows]).max() < 1.0
    assert as_mouth(arc, arc + 1.0, rows, ends, band) is None


def test_sapwood_that_follows_a_dip_of_the_edge_speaks_against_a_void() -> None:
    # Sapwood 8 mm wide along the edge: where the edge bends it bends along, a void cuts it off.
    rows, ends = np.arange(60, 100), (59, 100)
    wider = np.zeros(160)
    wider[rows] = 6.0 * np.sqrt(1 - np.linspace(-1, 1, len(rows)) ** 2)
    noise = np.random.default_rng(12).normal(0.0, 0.2, (2, 160))
    top, side = 8.0 + noise[0] - wider, 9.0 + noise[1]
    chances = []
    for edge in (top, top + wider):
        band = even_band(160)
        band.tone[:] = np.where(band.offsets_mm[None] > edge[:, None] - 8.0, 0.3, 0.0)
        mouth = as_mouth(top, side, rows, ends, band)
        assert mouth is not None
        chances.append(mouth.chance)
    odds = [chance / (1 - chance) for chance in chances]
    assert odds[0] < odds[1] / 3


def test_edge_runs_straight_over_a_mouth_in_a_sawn_side() -> None:
    # The strip dips where bench is seen past the floor: the saw's line runs on all the same.
    rows, ends = np.arange(60, 100), (59, 100)
    noise = np.random.default_rng(13).normal(0.0, 0.1, 160)
    line = 0.02 * np.arange(160)
    top, side = line + noise, line + noise + 1.0
    top[rows] -= 14.0
    side[rows[15:25]] -= 6.0
    mouth = as_mouth(top, side, rows, ends, even_band(160))
    assert mouth is not None
    assert np.abs(mouth.natural_mm - line[rows]).max() < 1.0


def test_mouth_that_may_be_a_void_puts_the_area_in_doubt_by_its_chance() -> None:
    out, bridged = np.zeros(200), np.zeros(200, dtype=bool)
    mouths = [Mouth(np.arange(a, a + 20), np.full(20, 5.0), chance) for a, chance in ((0, 0.9), (50, 0.4), (100, 0.1))]
    doubt_mm2, undecided = _take_likely([*mouths, Mouth(np.arange(10, 30), np.full(20, 4.0), 0.8)], out, bridged)
    # 20 rows of 2 mm, 5 mm deep, are a void's by a chance of .9 (taken) and of .4 (not): their variances add up.
    assert doubt_mm2 == pytest.approx(20 * ALONG_MM * 5.0 * np.sqrt(0.9 * 0.1 + 0.4 * 0.6))
    assert bridged.sum() == 20
    assert bridged[:20].all()
    assert out[:20] == pytest.approx(np.full(20, 5.0))
    assert not out[20:].any()
    assert [m.chance for m in undecided] == [0.4]
    assert undecided[0].chance_left < 0.4


def test_larger_mouth_is_not_cut_short_by_a_surer_piece_of_it() -> None:
    out, bridged = np.zeros(100), np.zeros(100, dtype=bool)
    whole, piece = Mouth(np.arange(10, 60), np.full(50, 8.0), 0.8), Mouth(np.arange(30, 36), np.full(6, 8.0), 0.99)
    _take_likely([piece, whole], out, bridged)
    assert out[10:60] == pytest.approx(np.full(50, 8.0))


@pytest.mark.parametrize(("chance", "taken"), [(0.35, 50), (0.25, 20)])
def test_likely_mouth_gives_way_to_a_longer_one_that_may_be_the_whole_of_it(chance: float, taken: int) -> None:
    # A void is there, by a chance of .5: the longer run is the whole of it by .35 / .5, or hardly by .25 / .5.
    out, bridged = np.zeros(100), np.zeros(100, dtype=bool)
    part, whole = Mouth(np.arange(20, 40), np.full(20, 8.0), 0.5), Mouth(np.arange(10, 60), np.full(50, 8.0), chance)
    _take_likely([part, whole], out, bridged)
    assert bridged.sum() == taken
    assert (out > 0).sum() == taken


def with_truth_as_heights(scene: Scene) -> Heights:
    """Nats as parallax gives them: 3 either way, nothing known within 4 mm of the edge."""

    def heights(small: Ortho) -> NDArray[np.float32]:
        inside = fill_polygons(small, [scene.outline_mm]).astype(np.uint8)
        return np.where(inside > 0, 3.0, -3.0).astype(np.float32)

    return heights


def test_sapwood_of_the_bench_s_own_colour_is_top_by_its_height() -> None:
    bench = (130, 170, 200)
    scene = draw_scene(
        rectangle(720, 420),
        (pattern_at(-120, -20, 8),),
        np.random.default_rng(31),
        look=Look(heart=(70, 95, 130), bench=bench, sap_mm=0.0),
    )
    scene = painted(scene, rectangle(720, 40) + np.array([0.0, 190.0]), bench, rough=0.05)
    truth = fill_polygons(scene.ortho, [scene.outline_mm])

    def overlap(heights: Heights | None) -> float:
        mask = find_slab(scene.ortho, scene.patterns_mm, heights).mask
        return float((truth & mask).sum() / (truth | mask).sum())

    assert overlap(None) < 0.95
    assert overlap(with_truth_as_heights(scene)) >= 0.985


def test_sapwood_that_one_photo_takes_for_bench_has_not_the_bench_s_tint() -> None:
    look = Look(heart=(70, 95, 130), bench=(150, 150, 150), sap_mm=0.0)
    scene = draw_scene(rectangle(720, 420), (pattern_at(-120, -20, 8),), np.random.default_rng(32), look=look)
    scene = painted(scene, rectangle(720, 34) + np.array([0.0, 193.0]), (125, 165, 195), rough=0.05)
    small = scene.ortho

    def strip_mm2(read_as_top: Floats) -> float:
        mask = fill_polygons(small, [read_as_top])
        band = lay_band(small, mask, np.zeros_like(mask))
        far = band.seen & (band.offsets_mm[None] > 25.0)
        return float(odd_beside(band, np.zeros(len(band.middle_px)), far).sum() * ALONG_MM)

    assert strip_mm2(rectangle(720, 386) + np.array([0.0, -17.0])) == pytest.approx(720 * 34, rel=0.15)
    assert strip_mm2(scene.outline_mm) == 0.0


def test_strip_at_the_bench_s_height_is_less_likely_a_mouth() -> None:
    rows, ends = np.arange(60, 100), (59, 100)
    wider = np.zeros(160)
    wider[rows] = 12.0 * np.sqrt(1 - np.linspace(-1, 1, len(rows)) ** 2)
    noise = np.random.default_rng(11).normal(0.0, 0.2, (2, 160))
    top, side = noise[0] - wider, 1.0 + noise[1]

    def chance(nats: float | None) -> float:
        heights = None if nats is None else np.full((160, 40), nats, dtype=np.float32)
        mouth = as_mouth(top, side, rows, ends, even_band(160, heights))
        assert mouth is not None
        return mouth.chance

    assert chance(-3.0) < chance(None) < chance(3.0)


def test_undecided_bay_is_reported_with_its_chance_and_counts_as_no_void() -> None:
    scene = slab(24)
    found = find_slab(scene.ortho, scene.patterns_mm)
    bay = Bay(np.array([[100.0, 208.0], [160.0, 208.0], [160.0, 222.0], [100.0, 222.0]]), 60.0, 0.4)
    (region,) = bay_regions(scene.ortho, replace(found, bays=(bay,)))
    assert not region.kind.is_void
    assert region.void_probability == pytest.approx(0.4)
    assert region.area_mm2 == pytest.approx(60 * 12, rel=0.1)
    rows, columns = region.mask.shape
    left, top = region.corner
    assert not (region.mask & found.mask[top : top + rows, left : left + columns]).any()
    (estimates,) = depth.estimate_depths([region], scene.ortho, (), (), thickness_mm=45.0)
    assert depth.revise_kind(region, estimates) == (region.kind, pytest.approx(0.4))
    defect = replace(_defect(region, estimates, exact_plane(scene), 45.0, None), id="D01")
    assert defect.note == BESIDE_EDGE
    assert not defect.is_void
    (note,) = _bay_notes([defect], 1)
    assert "D01 (40%)" in note
    _, totals = depth.volumes([defect], scale_rel=0.0, missed_ml=0.0)
    assert totals.volume_ml == 0.0
    assert totals.volume_interval_ml[1] > 1.0
    speck = replace(bay, outline_mm=bay.outline_mm[[0, 0, 1, 1]] + np.array([[0, 0], [0, 1], [0, 1], [0, 0]]))
    assert bay_regions(scene.ortho, replace(found, bays=(speck,))) == ()
