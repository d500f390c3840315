"""Depth by shadow: closed forms, photographed boxes of known depth, near lamps, and what is refused."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from shadow_scenes import HOLLOW, PIT, Shot, hollow_mean_mm, pit_outline, seen, shadow_tip, to_board, write_shot
from typer.testing import CliRunner

from voidmap import depth, scale, surface
from voidmap.cli import app
from voidmap.depth.falloff import nearness_by_light
from voidmap.depth.floor import fit_floor
from voidmap.depth.lamp import Lamp, refuse_near, solve_lamp
from voidmap.depth.lamplight import LampLight, add_shadow, lamp_light, shadow_estimate
from voidmap.depth.peg import PegShadow, find_pegs
from voidmap.depth.shadow import shadow_edge
from voidmap.errors import CantTell, ValueRefused
from voidmap.files import load_photo
from voidmap.job.lamp import parse_peg
from voidmap.model import Ortho, Plane, Region
from voidmap.records import DepthEstimate, Intake, Interval, Kind, Lens
from voidmap.schemas import from_json
from voidmap.simulate.light import Light

NEAR = replace(Shot().light, distance_mm=900.0, radius_mm=8.0)


def peg_at(foot: tuple[float, float], lamp_mm: tuple[float, float, float], height: float = 40.0) -> PegShadow:
    """A peg's shadow by similar triangles; the lamp is (x, y, height over the top)."""
    at = np.array(foot)
    tip = at + (at - np.array(lamp_mm[:2])) * height / (lamp_mm[2] - height)
    return PegShadow(height, at, tip, 0.2, 0.2)


def lamp(azimuth_deg: float, elevation_deg: float, spread: float = 0.01) -> Lamp:
    azimuth, tangent = np.radians(azimuth_deg), float(np.tan(np.radians(elevation_deg)))
    rng = np.random.default_rng(1)
    draws = np.column_stack(
        [
            azimuth + spread * rng.standard_normal(300),
            tangent * np.exp(spread * rng.standard_normal(300)),
            np.zeros(300),
        ]
    )
    return Lamp(np.zeros(2), float(azimuth), tangent, 0.0, draws, ())


def above(camera_mm: tuple[float, float, float]) -> Plane:
    """A camera that looks straight down from (x, y, -height)."""
    x, y, z = camera_mm
    return Plane((800, 600), Lens(800, 800, 400, 300), np.eye(3), np.array([-x, -y, -z]), np.zeros((0, 15)), "boards")


def drawn_box(
    depth_mm: float, side_mm: float, light: Lamp, plane: Plane, *, step: float = 0.25, floor: float = 1.0
) -> tuple[Ortho, np.ndarray]:
    """Draw, by ray optics alone, a box-shaped pit as a camera sees it: floor lit or in the rim's shadow, and walls."""
    half, reach = side_mm / 2, side_mm / 2 + 12
    n = round(2 * reach / step) + 1
    x, y = np.meshgrid(-reach + step * np.arange(n), -reach + step * np.arange(n))
    eye = plane.camera_mm
    height = -eye[2]
    # The line of sight through (x, y) on the top goes on to the floor.
    fx, fy = (v + (v - c) * depth_mm / height for v, c in ((x, eye[0]), (y, eye[1])))
    opening = (np.abs(x) < half) & (np.abs(y) < half)
    on_floor = opening & (np.abs(fx) < half) & (np.abs(fy) < half)
    way, tangent = light.level_way(np.zeros((1, 2)))
    throw = depth_mm / tangent[0]
    # A place on the floor sees the lamp when its ray leaves through the opening.
    lit = (np.abs(fx + way[0, 0] * throw) < half) & (np.abs(fy + way[0, 1] * throw) < half)
    tone = np.full(x.shape, 0.45)
    tone[opening] = 0.05
    tone[on_floor] = np.where(lit[on_floor], 0.4 * floor, 0.04 * floor)
    grey = np.where(tone <= 0.0031308, 12.92 * tone, 1.055 * tone ** (1 / 2.4) - 0.055) * 255
    soft = cv2.GaussianBlur(grey, (0, 0), 1.2) + np.random.default_rng(2).normal(0, 1.5, grey.shape)
    pixels = np.repeat(np.clip(soft, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    outline = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
    return Ortho(pixels, np.ones(x.shape, bool), -reach, -reach, step), outline


@pytest.mark.parametrize("elevation_deg", [20.0, 30.0])
@pytest.mark.parametrize("depth_mm", [5.0, 9.0])
@pytest.mark.parametrize("eye", [(0.0, 0.0, -900.0), (250.0, -180.0, -900.0)])
def test_box_under_parallel_light_is_as_deep_as_its_shadow_says(elevation_deg, depth_mm, eye):
    # closed form: depth = length of the shadow times tan(elevation), seen through the top's plane
    light, plane = lamp(200.0, elevation_deg), above(eye)
    ortho, outline = drawn_box(depth_mm, 60.0, light, plane)
    edge = shadow_edge(outline, ortho, plane, light, deepest_mm=40.0)
    assert edge is not None
    assert len(edge.depth_mm) > 60
    assert np.median(edge.depth_mm) == pytest.approx(depth_mm, rel=0.03, abs=0.12)
    known = (DepthEstimate("prior", 6.0, 12.0, 0.7, {}),)
    found = shadow_estimate(edge, outline, light, known, deepest_mm=40.0)
    assert found.source == "shadow"
    assert abs(np.log(found.mean_mm / depth_mm)) < 2 * np.hypot(found.own_rel, found.shared_rel["lamp"])


def test_shadow_that_reaches_the_far_wall_is_a_lower_bound():
    light, plane = lamp(180.0, 20.0), above((0.0, 0.0, -900.0))
    ortho, outline = drawn_box(30.0, 30.0, light, plane)
    edge = shadow_edge(outline, ortho, plane, light, deepest_mm=45.0)
    assert edge is None or len(edge.depth_mm) == 0
    # a strip of lit wall at the far rim tells shadow from a dark floor
    ortho.pixels[:, 149:166] = np.where((ortho.pixels[:, 149:166] < 60), 190, ortho.pixels[:, 149:166])
    edge = shadow_edge(outline, ortho, plane, light, deepest_mm=45.0)
    assert edge is not None
    bound = np.tan(np.radians(20.0)) * 25.25**2 / 2 / 30.0  # a wedge from the rim to the strip, over the opening
    assert edge.at_least_mm == pytest.approx(bound, rel=0.1)
    raised = depth.prior_estimate(Kind.BARK_VOID, area_mm2=900.0, thickness_mm=45.0, at_least_mm=edge.at_least_mm)
    free = depth.prior_estimate(Kind.BARK_VOID, area_mm2=900.0, thickness_mm=45.0)
    assert raised.mean_mm > free.mean_mm
    assert edge.at_least_mm < 30.0


def region(outline: np.ndarray, kind: Kind = Kind.BARK_VOID) -> Region:
    area = float(np.prod(np.ptp(outline, axis=0)))
    return Region(
        np.ones((4, 4), bool), (0, 0), outline, kind, 0.95, {kind: 1.0}, area, Interval(area, area), 60.0, 60.0, 60.0,
        240.0, False, 0.0, 0.0, {},
    )  # fmt: skip


def test_measured_shadow_joins_the_prior_and_a_dark_floor_does_not():
    light, plane = lamp(200.0, 25.0), above((0.0, 0.0, -900.0))
    prior = (DepthEstimate("prior", 6.0, 12.0, 0.7, {}),)
    for floor, sources in ((1.0, ["prior", "shadow"]), (0.08, ["prior"])):
        ortho, outline = drawn_box(7.0, 60.0, light, plane, floor=floor)
        (known,) = add_shadow([region(outline)], [prior], LampLight(ortho, plane, light), thickness_mm=45.0)
        assert [e.source for e in known] == sources
    again = depth.fuse((DepthEstimate("probe", 30.0, 30.0, 0.03, {}), *known[1:]), thickness_mm=45.0)
    assert again.disagreement is None


def test_a_shadow_in_a_dish_allows_for_a_pit_and_for_a_mouth():
    light, plane = lamp(200.0, 25.0), above((0.0, 0.0, -900.0))
    ortho, outline = drawn_box(7.0, 60.0, light, plane)
    prior = (DepthEstimate("prior", 6.0, 12.0, 0.7, {}),)

    def seen(kind: Kind, thickness_mm: float, *, at_edge: bool = False) -> DepthEstimate:
        void = replace(region(outline, kind), opens_on_edge=at_edge)
        return add_shadow([void], [prior], LampLight(ortho, plane, light), thickness_mm=thickness_mm)[0][-1]

    shaft, dish, thin = seen(Kind.KNOT_HOLE, 40.0), seen(Kind.BARK_VOID, 40.0), seen(Kind.BARK_VOID, 8.0)
    assert dish.source == shaft.source == "shadow"
    assert dish.mean_mm == pytest.approx(shaft.mean_mm)
    assert dish.own_rel > shaft.own_rel
    assert seen(Kind.BARK_VOID, 40.0, at_edge=True).own_rel > dish.own_rel
    # Met near the underside it goes through.
    assert thin.max_mm == 8.0
    assert thin.mean_mm <= 8.0


def test_disagreement_with_a_probe_is_told():
    light, plane = lamp(200.0, 25.0), above((0.0, 0.0, -900.0))
    ortho, outline = drawn_box(4.0, 60.0, light, plane)
    prior = (DepthEstimate("prior", 6.0, 12.0, 0.7, {}),)
    (known,) = add_shadow([region(outline)], [prior], LampLight(ortho, plane, light), thickness_mm=45.0)
    fused = depth.fuse((*known, DepthEstimate("probe", 33.0, 40.0, 0.03, {})), thickness_mm=45.0)
    assert fused.disagreement is not None
    assert "shadow" in fused.disagreement


@pytest.mark.parametrize("power", [1.0, 2.5, 8.0])
def test_floor_of_known_shape_is_recovered(power):
    # a round hollow, depth = 12 (1 - (1 - s)^p): rays met in closed form by stepping
    angle = np.linspace(0, 2 * np.pi, 240, endpoint=False)
    radius, deep, tangent = 25.0, 12.0, 0.3
    outline = radius * np.column_stack([np.cos(angle), np.sin(angle)])
    rim = outline[np.abs(angle - np.pi) > 1.9]
    way = np.tile([1.0, 0.0], (len(rim), 1))
    steps = np.arange(0.3, 60.0, 0.02)
    met = []
    for start in rim:
        at = start - steps[:, None] * way[0]
        s = np.clip(1 - np.hypot(*at.T) / radius, 0, None)
        floor, ray = deep * (1 - (1 - s) ** power), steps * tangent
        below = np.maximum.accumulate(floor > ray)
        hit = np.flatnonzero(below & (floor <= ray))
        met.append(ray[hit[0]] if len(hit) else np.nan)
    met_mm = np.array(met)
    good = np.isfinite(met_mm) & (met_mm > 1.0)
    fit = fit_floor(outline, rim[good], way[good], np.full(good.sum(), tangent), met_mm[good], deepest_mm=40.0)
    ratio = 1 - 2 / (power + 2)  # the mean of (1 - s)^p over a disc is 2 / (p + 2)
    assert abs(fit.mean_log - np.log(deep * ratio)) < 2 * fit.mean_sd
    assert fit.mean_sd < 0.8


def test_one_peg_gives_the_direction_of_parallel_light():
    far = (3e6, 4e6, 2.5e6)  # 5 to 2.5: tan = 0.5
    found = solve_lamp([peg_at((10.0, 20.0), far)], by_light=(0.0, 0.02e-3))
    assert found.tan_elevation == pytest.approx(0.5, rel=0.01)
    assert np.degrees(found.azimuth_rad) == pytest.approx(np.degrees(np.arctan2(4, 3)), abs=0.3)
    lo, hi = found.elevation_interval_deg
    assert lo < np.degrees(np.arctan(0.5)) < hi
    assert hi - lo < 3.0


def test_two_pegs_give_a_near_lamps_place():
    place = (700.0, -300.0, 500.0)
    found = solve_lamp([peg_at((-200.0, 80.0), place), peg_at((250.0, 60.0), place)])
    away = np.hypot(700 + 200, -300 - 80)
    assert 1 / found.nearness_per_mm == pytest.approx(away, rel=0.05)
    points = np.array([[0.0, 0.0], [300.0, 200.0], [-250.0, -150.0]])
    way, tangent = found.level_way(points)
    true = np.array(place[:2]) - points
    assert tangent == pytest.approx(500 / np.hypot(*true.T), rel=0.02)
    assert (way * true).sum(axis=1) == pytest.approx(np.hypot(*true.T), rel=1e-3)
    refuse_near(found, np.array([[-300.0, -200.0], [300.0, -200.0], [300.0, 200.0], [-300.0, 200.0]]))


def test_pegs_of_two_lamps_are_refused():
    with pytest.raises(ValueRefused, match="one lamp"):
        solve_lamp([peg_at((-200.0, 80.0), (700.0, -300.0, 500.0)), peg_at((250.0, 60.0), (-900.0, 400.0, 500.0))])


def test_lamp_too_near_for_one_peg_is_refused():
    outline = np.array([[-450.0, -300.0], [450.0, -300.0], [450.0, 300.0], [-450.0, 300.0]])
    near = solve_lamp([peg_at((0.0, 0.0), (-500.0, 200.0, 300.0))], by_light=(1.8e-3, 0.6e-3))
    with pytest.raises(CantTell, match="lamp is too near"):
        refuse_near(near, outline)


def test_light_that_falls_off_tells_how_near_the_lamp_is():
    # irradiance of a small lamp on level ground: sin(elevation) / distance^2
    step, rng = 2.0, np.random.default_rng(4)
    x, y = np.meshgrid(np.arange(-400, 400, step), np.arange(-200, 200, step))
    plane = above((0.0, 0.0, -900.0))
    for place in ((1200.0, 900.0, 700.0), (3600.0, 2700.0, 2100.0)):
        fall = place[2] / ((x - place[0]) ** 2 + (y - place[1]) ** 2 + place[2] ** 2) ** 1.5
        light = 0.4 * (0.85 * fall / fall[100, 200] + 0.15) * np.exp(0.05 * rng.standard_normal(x.shape))
        grey = np.clip((1.055 * np.clip(light, 0.004, 1) ** (1 / 2.4) - 0.055) * 255, 0, 255).astype(np.uint8)
        ortho = Ortho(np.repeat(grey[..., None], 3, axis=2), np.ones(x.shape, bool), -400.0, -200.0, step)
        got = nearness_by_light(
            ortho, plane, ortho.valid, ~ortho.valid, at_mm=np.zeros(2), azimuth_rad=float(np.arctan2(3, 4)),
            tan_elevation=place[2] / np.hypot(*place[:2]), lamp_share=0.85,
        )  # fmt: skip
        assert got is not None
        assert abs(got[0] - 1 / np.hypot(*place[:2])) < 2 * got[1]
        assert got[1] < 0.25e-3


@pytest.mark.parametrize(("text", "height"), [("40mm", 40.0), ("1 1/2 in", 38.1), ("40mm 310,905.5 472,678", 40.0)])
def test_peg_is_read(text, height):
    peg = parse_peg(text)
    assert peg.height_mm == pytest.approx(height)
    assert (peg.foot_px is None) == ("," not in text)
    if peg.foot_px is not None:
        assert peg.foot_px == (310.0, 905.5)
        assert peg.tip_px == (472.0, 678.0)


@pytest.mark.parametrize("text", ["40", "40mm 3,4", "40mm 3,4 3,4", "40mm a,b c,d", "2mm", "3m", "40mm 1 2 3 4"])
def test_peg_that_cannot_be_right_is_refused(text):
    with pytest.raises(ValueRefused):
        parse_peg(text)


def laid(path: Path):
    photo = load_photo(path)
    plane = scale.solve_planes([photo])[0]
    ortho = scale.rectify(photo, plane)
    return plane, ortho, surface.find_slab(ortho, plane.patterns_mm)


def test_near_lamp_is_found_from_two_photographed_pegs(tmp_path):
    shot = Shot(pegs=((120.0, 110.0, 40.0), (-180.0, 140.0, 40.0)), light=NEAR)
    plane, ortho, slab = laid(write_shot(tmp_path / "near.jpg", shot))
    pegs = find_pegs(ortho, slab.mask & ~slab.covered, 40.0, plane.camera_mm)
    assert len(pegs) == 2
    light = lamp_light(pegs, ortho, plane, slab)
    middle = np.array([[sum(PIT[:2]) / 2, sum(PIT[2:]) / 2]])
    lx, ly, lz = NEAR.position()
    tangent = -lz / np.hypot(lx - middle[0, 0], ly - middle[0, 1])
    assert light.lamp.level_way(to_board(middle))[1][0] == pytest.approx(tangent, rel=0.05)
    edge = shadow_edge(to_board(pit_outline()), ortho, plane, light.lamp, deepest_mm=40.0)
    assert edge is not None
    assert np.median(edge.depth_mm) == pytest.approx(shot.pit_mm, rel=0.05)


@pytest.fixture(scope="module")
def raked(tmp_path_factory):
    return write_shot(tmp_path_factory.mktemp("rake") / "rake.jpg", Shot())


def test_peg_is_found_to_a_percent_and_the_pit_is_as_deep_as_it_is(raked):
    shot = Shot()
    plane, ortho, slab = laid(raked)
    (peg,) = find_pegs(ortho, slab.mask & ~slab.covered, 40.0, plane.camera_mm)
    assert peg.length_mm == pytest.approx(np.hypot(*shadow_tip(shot.pegs[0], shot.light)), rel=0.015)
    assert peg.along_mm < 0.5
    light = lamp_light([peg], ortho, plane, slab)
    lo, hi = light.lamp.elevation_interval_deg
    assert lo < shot.light.elevation_deg < hi
    edge = shadow_edge(to_board(pit_outline()), ortho, plane, light.lamp, deepest_mm=40.0)
    assert edge is not None
    assert np.median(edge.depth_mm) == pytest.approx(shot.pit_mm, rel=0.04)


def drawn_peg(
    wood: np.ndarray, peg: tuple[float, float, float], *, turn_deg: float = 25.0, gone: float = 0.85, step: float = 0.3
) -> tuple[Ortho, np.ndarray, np.ndarray]:
    """Draw a square peg of 12 mm seen from above and its shadow 70 mm long, on wood of given light (h, w, 3; B, G, R).

    Returns the picture, and the shadow's foot and tip (mm).
    """
    y, x = np.indices(wood.shape[:2]) * step
    foot = np.array([wood.shape[1] * step / 2 - 35.0, wood.shape[0] * step / 2 - 35.0 * np.tan(np.radians(turn_deg))])
    along = np.array([np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))])
    u = (x - foot[0]) * along[0] + (y - foot[1]) * along[1]
    v = np.abs((y - foot[1]) * along[0] - (x - foot[0]) * along[1])
    shade = (u > 0) & (u < 70.0) & (v < 6.0)
    light = np.where(shade[..., None], (1 - gone) * wood, wood)
    light[(u > -12.0) & (u <= 0) & (v < 6.0)] = peg
    light = cv2.GaussianBlur(light, (0, 0), 1.0)
    tone = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055) * 255
    tone += np.random.default_rng(3).normal(0, 1.0, tone.shape)
    pixels = np.clip(np.round(tone), 0, 255).astype(np.uint8)
    return Ortho(pixels, np.ones(wood.shape[:2], bool), 0.0, 0.0, step), foot, foot + 70.0 * along


PALE = np.array([0.35, 0.5, 0.62])


def plain() -> np.ndarray:
    return np.ones((500, 700, 1)) * PALE


def strong_figure() -> np.ndarray:
    rows = np.arange(500)[:, None, None]
    return np.exp(0.6 * np.sin(2 * np.pi * rows / 10.0)) * np.ones((1, 700, 1)) * PALE * 0.6


@pytest.mark.parametrize(
    ("wood", "peg"),
    [
        pytest.param(plain(), (0.5, 0.5, 0.5), id="as bright as the wood, of another colour"),
        pytest.param(strong_figure(), (0.6, 0.6, 0.6), id="figure goes on in the shadow"),
    ],
)
def test_a_peg_is_found_on_wood_that_is_hard_to_read(wood, peg):
    ortho, foot, tip = drawn_peg(wood, peg)
    (found,) = find_pegs(ortho, np.ones(wood.shape[:2], bool), 40.0, np.array([105.0, 75.0, -1000.0]))
    assert np.hypot(*(found.foot_mm - foot)) < 1.0
    assert np.hypot(*(found.tip_mm - tip)) < 1.0


def test_a_shadow_that_goes_on_over_paler_wood_does_not_end_there():
    # The wood's boundary lies across the shadow, two thirds of the way to its tip.
    wood = np.where(np.arange(700)[None, :, None] < 385, 0.22, 1.0) * np.ones((500, 1, 1)) * PALE
    ortho, foot, tip = drawn_peg(wood, (0.7, 0.7, 0.7))
    (found,) = find_pegs(ortho, np.ones(wood.shape[:2], bool), 40.0, np.array([105.0, 75.0, -1000.0]))
    assert np.hypot(*(found.foot_mm - foot)) < 1.0
    assert np.hypot(*(found.tip_mm - tip)) < 1.0


@pytest.mark.slow
def test_standing_peg_hides_its_foot_and_widens_the_interval(tmp_path):
    shot = Shot(solid=True)
    plane, ortho, slab = laid(write_shot(tmp_path / "solid.jpg", shot))
    (peg, *_) = find_pegs(ortho, slab.mask & ~slab.covered, 40.0, plane.camera_mm)
    lo, hi = lamp_light([peg], ortho, plane, slab).lamp.elevation_interval_deg
    assert lo < shot.light.elevation_deg < hi
    assert hi - lo > 3.0


def test_intake_reads_the_hollow_from_the_raking_photo(raked, tmp_path):
    shot = Shot()
    day = write_shot(
        tmp_path / "day.jpg", replace(shot, pegs=(), light=Light(40.0, 65.0, 2500.0, 200.0, (0.4,) * 3, (0.6,) * 3))
    )
    run = CliRunner().invoke(
        app,
        ["intake", str(tmp_path / "job"), str(day), str(raked), "--peg", "40mm", "--slab-thickness", "40mm", "--json"],
    )
    assert run.exit_code in (0, 3), run.output
    record = from_json(Intake, json.loads((tmp_path / "job" / "intake.json").read_text()), "intake.json")
    assert [p.file for p in record.photos] == ["day.jpg", "rake.jpg"]
    assert any("lamp stands" in note for note in record.notes)
    middle = to_board([HOLLOW[:2]])[0]
    hollow = next(
        d
        for d in record.defects
        if cv2.pointPolygonTest(np.array(d.outline_mm, np.float32), middle.tolist(), False) > 0
    )
    assert hollow.depth is not None
    assert "shadow" in [e.source for e in hollow.depth.estimates]
    lo, hi = hollow.depth.mean_interval_mm
    assert lo < hollow_mean_mm() < hi


def test_photo_without_a_peg_is_told_apart_and_points_by_hand_do(tmp_path, raked):
    bare = write_shot(tmp_path / "bare.jpg", Shot(pegs=()))
    run = CliRunner().invoke(app, ["intake", str(tmp_path / "job"), str(bare), "--peg", "40mm"])
    assert run.exit_code == 2
    assert "no peg's shadow was found" in run.output
    assert "bare.jpg" in run.output
    shot = Shot()
    foot = np.array(shot.pegs[0][:2])
    (fx, fy), (tx, ty) = seen(raked, [foot, foot + shadow_tip(shot.pegs[0], shot.light)], shot)
    spec = f"40mm {fx:.0f},{fy:.0f} {tx:.0f},{ty:.0f}"
    run = CliRunner().invoke(app, ["intake", str(tmp_path / "hand"), str(raked), "--peg", spec])
    assert run.exit_code in (0, 3), run.output
    assert "The lamp stands 2" in run.output
