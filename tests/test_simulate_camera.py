"""The simulated camera agrees with OpenCV's own projection, and a drawn board is found where it is."""

import cv2
import numpy as np
import pytest
from scipy.integrate import quad

from voidmap.simulate.camera import Camera, develop, look
from voidmap.simulate.grid import Grid, Slab
from voidmap.simulate.light import HORIZON_STEPS, Light, illuminate, lamp_share, openness
from voidmap.simulate.photograph import Rays, light_at_sensor, photograph
from voidmap.simulate.sheets import Sheet

DIST = (0.05, -0.02, 4e-4, -3e-4, 0.0)


def camera(size=(800, 600), focal=640.0, eye=(40.0, -30.0, -700.0), **rest) -> Camera:
    return look(eye, (10.0, 5.0), size=size, focal_px=focal, turn_deg=3.0, dist=DIST, centre_px=(4.0, -3.0), **rest)


def plain(tone=0.4, void_depth=0.0, cell=1.0) -> Slab:
    """A level board of one tone, 400 x 300 mm, with a square pit in its middle."""
    grid = Grid(-240, -190, cell, int(380 / cell), int(480 / cell))
    x, y = np.meshgrid(grid.x(), grid.y())
    top = (np.abs(x) < 200) & (np.abs(y) < 150)
    depth = np.where(top, 0, 40).astype(np.float32)
    depth[(np.abs(x) < 20) & (np.abs(y) < 20)] = void_depth
    edge = np.array([[-200, -150], [200, -150], [200, 150], [-200, 150.0]])
    albedo = np.full((*grid.shape, 3), tone, np.float32)
    bench = np.full((64, 64, 3), 0.1, np.float32)
    return Slab(grid, depth, albedo, top, edge, 40.0, (), bench, 1.0)


def test_rays_undo_projection():
    eye = camera()
    rng = np.random.default_rng(1)
    px = rng.uniform([0, 0], [799, 599], (200, 2))
    at, slope = eye.rays(px)
    for depth in (0.0, 17.0):
        points = np.c_[at + slope * depth, np.full(len(at), depth)]
        back, _ = cv2.projectPoints(points, cv2.Rodrigues(eye.rotation)[0], eye.translation, eye.matrix, eye.dist)
        assert np.abs(back.reshape(-1, 2) - px).max() < 1e-6


def test_interpolated_rays_stay_within_a_hundredth_pixel():
    eye = camera()
    columns, rows = np.arange(3.0, 790, 37), np.arange(2.0, 590, 41)
    at, _ = Rays(eye).at(columns, rows)
    px = np.array([(x, y) for y in rows for x in columns])
    assert np.abs(eye.project(at) - px).max() < 0.01


@pytest.mark.parametrize("number", [0, 5])
def test_drawn_board_is_found_at_its_true_place(number):
    sheet = Sheet(number, -90.0, -70.0, 11.0)
    eye = camera(size=(1200, 900), focal=1500.0)
    pixels = photograph(illuminate(plain(), Light()), eye, np.random.default_rng(2), [sheet])
    board = cv2.aruco.CharucoBoard(
        (7, 5),
        30,
        22,
        cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250),
        np.arange(17 * number, 17 * number + 17, dtype=np.int32),
    )
    corners, ids, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY))
    assert ids is not None
    assert len(ids) == 24
    truth = eye.project(sheet.chessboard())[ids.ravel()]
    error = corners.reshape(-1, 2) - truth
    assert np.sqrt((error**2).sum(1).mean()) < 0.1
    assert np.abs(error.mean(0)).max() < 0.05


def test_pit_hides_its_near_wall_and_shows_its_far_wall():
    # from the left the floor is seen shifted: a mark on the floor moves by depth times the ray's slope
    depth = 30.0
    slab = plain(void_depth=depth)
    row, column = 190, 240
    slab.albedo[row - 2 : row + 3, column - 2 : column + 3] = 4.0  # brighter than any white, to stand out
    eye = camera(eye=(-150.0, 0.0, -700.0))
    sky = Light(lamp=(0.0, 0.0, 0.0), sky=(1.0, 1.0, 1.0))
    light = light_at_sensor(illuminate(slab, sky), eye)[..., 1]
    at = eye.project([[0.0, 0.0, depth]])[0]
    flat = eye.project([[0.0, 0.0, 0.0]])[0]
    x0, y0 = np.round(at).astype(int)
    patch = light[y0 - 8 : y0 + 9, x0 - 8 : x0 + 9]
    bright = np.clip(patch - 2 * np.median(patch), 0, None)
    yy, xx = np.mgrid[-8:9, -8:9]
    found = np.array([(bright * xx).sum(), (bright * yy).sum()]) / bright.sum() + [x0, y0]
    assert np.hypot(*(at - flat)) > 4
    assert np.hypot(*(found - at)) < 1.0


def test_sky_in_a_slot_matches_the_closed_form():
    # middle of an endless slot, width w, depth d: the share of a uniform sky is sin(atan(w / 2 d))
    depth = np.zeros((200, 240), np.float32)
    depth[:, 100:140] = 20.0  # 40 cells wide
    seen = openness(depth, 1.0, 120.0)[100, 120]
    assert seen == pytest.approx(np.sin(np.arctan(20 / 20)), abs=0.06)
    assert openness(np.zeros((20, 20), np.float32), 1.0, 10.0) == pytest.approx(1.0)


@pytest.mark.parametrize("overhead", [1.0, 2.0, 5.0])
def test_sky_at_the_bottom_of_a_round_hole_is_the_integral_of_its_radiance(overhead):
    y, x = np.mgrid[-60:61, -60:61]
    depth = np.where(np.hypot(x, y) < 20.5, 30.0, 0.0).astype(np.float32)
    seen = openness(depth, 1.0, 120.0, overhead=overhead)[60, 60]

    def light(to: float) -> float:
        return quad(lambda a: np.cos(a) ** (2 * overhead - 2) * np.cos(a) * np.sin(a), 0.0, to)[0]

    # The rim is met at the first step beyond it.
    widest = 20.5 * 120.0 ** (1 / (HORIZON_STEPS - 1))
    low, high = (light(np.arctan(r / 30.0)) / light(np.pi / 2) for r in (20.5, widest))
    assert low - 0.01 < seen < high + 0.01


@pytest.mark.parametrize("elevation_deg", [25.0, 45.0, 60.0])
def test_shadow_tip_gives_the_depth(elevation_deg):
    # depth = length of the shadow times the tangent of the lamp's elevation
    grid = Grid(-60.25, -10.25, 0.5, 40, 400)
    depth = np.where(grid.x()[None, :] < 0, 0, 20).astype(np.float32) * np.ones((40, 1), np.float32)
    light = Light(azimuth_deg=180.0, elevation_deg=elevation_deg, distance_mm=50000.0, radius_mm=1.0)
    lit = lamp_share(depth, grid, light)[20]
    x = grid.x()
    tip = x[(x > 0) & (lit < 0.5)].max() + grid.cell_mm / 2
    tangent = np.tan(np.radians(elevation_deg))
    assert tip * tangent == pytest.approx(20.0, abs=1.5 * grid.cell_mm * max(1, tangent))


def test_noise_grows_like_the_root_of_light():
    eye = camera(size=(400, 300), blur_px=0.0, vignette=0.0, sharpen=0.0, full_well=2000.0, exposure=1.0)
    spreads = []
    for tone in (0.1, 0.4):
        pixels = develop(np.full((300, 400, 3), tone, np.float32), eye, np.random.default_rng(4))
        spreads.append(float(pixels[..., 1].std()))
    assert spreads[0] > spreads[1] > 0.3  # after the tone curve the dark is the noisier, as in a phone's photo
    again = develop(np.full((300, 400, 3), 0.4, np.float32), eye, np.random.default_rng(4))
    assert (again == pixels).all()
