"""Closed forms and standards: sharpness, height error, sheet sizes, depth of field, given scales."""

import cv2
import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import erf

from voidmap.errors import ScaleError, ValueRefused
from voidmap.model import Photo, Plane
from voidmap.records import Lens, LensFile
from voidmap.scale import (
    length_interval_rel,
    lens_for_photo,
    plane_from_mm_per_px,
    plane_from_points,
    solve_planes,
)
from voidmap.scale.boards import SQUARE_MM, draw_board
from voidmap.scale.mtf import edge_mtf50
from voidmap.scale.quality import board_sharpness
from voidmap.scale.references import RECTANGLES
from voidmap.scale.shots import depth_of_field_mm, plan_shots
from voidmap.schemas import to_json

BLANK = Photo("blank.png", "", np.zeros((1500, 2000, 3), np.uint8), camera="Some Camera", focal_35mm_mm=26)


@pytest.mark.parametrize(
    ("sigma", "mtf50"), [(0.5, 0.32311), (0.7, 0.24711), (1, 0.17996), (1.5, 0.12267), (2, 0.09273), (3, 0.06218)]
)
def test_mtf50_of_gaussian_times_pixel(sigma, mtf50):
    # Closed form: exp(-2 pi² s² f²) sinc(f) = 1/2 (the method is ISO 12233's, the numbers are solved exactly).
    turn = np.radians(5)
    normal, along = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    row, column = np.mgrid[0:160, 0:160]
    steps = (np.arange(7) - 3) / 7
    light = sum(
        0.5 * (1 + erf(((column + i - 80) * normal[0] + (row + j - 80) * normal[1]) / sigma / 2**0.5))
        for i in steps
        for j in steps
    )
    middle = np.array([80.0, 80.0])
    found = edge_mtf50(0.1 + 0.8 * light / 49, middle - 60 * along + [0.4, 0], middle + 60 * along, 13)
    assert found == pytest.approx(mtf50, rel=0.016)


def test_edge_that_lies_out_of_reach_has_no_sharpness():
    # A glare between two greys that hardly differ: the middle of the step comes out far beyond what was read.
    picture = np.full((80, 80), 0.1)
    picture[:, 36:44], picture[:, 44:] = 0.9, 0.2
    assert edge_mtf50(picture, np.array([37.0, 15.0]), np.array([43.0, 65.0]), 13) is None


def test_reference_below_the_top_reads_long():
    # (1200 / 1150): a scale 50 mm below the top, camera 1200 mm above the scale, reads lengths 4.348 % long.
    plane = plane_from_mm_per_px(BLANK, 0.5)
    from dataclasses import replace

    near = replace(
        plane,
        lens=Lens(1000.0, 1000.0, 1000.0, 750.0),
        translation_mm=np.array([0.0, 0.0, 1200.0]),
    )
    on_top = near.to_px([[0, 0], [300, 0]], depth_mm=-50.0)
    read = np.linalg.norm(np.diff(near.to_mm(on_top), axis=0))
    assert read / 300 - 1 == pytest.approx(0.04348, abs=1e-5)


def test_standard_sizes():
    assert RECTANGLES["a4"].sides_mm == (297.0, 210.0)  # ISO 216
    assert RECTANGLES["letter"].sides_mm == pytest.approx((11 * 25.4, 8.5 * 25.4))  # US Letter
    assert RECTANGLES["id1"].sides_mm == (85.60, 53.98)  # ISO/IEC 7810
    # ISO 216: ±2 mm on the 297 mm side, even over its width: u = 0.389 %.
    assert RECTANGLES["a4"].side_sd_mm[0] / 297 == pytest.approx(0.00389, abs=1e-5)


def test_depth_of_field_by_hyperfocal_distance():
    # 50 mm f/8, c 0.03 mm, 2 m: 1684.64 to 2460.63 mm; 4.25 mm f/1.8, c 0.0028, 1 m: 782.6 to 1384.7 mm.
    assert depth_of_field_mm(50, 8, 0.03, 2000) == pytest.approx((1684.64, 2460.63), abs=0.01)
    assert depth_of_field_mm(4.25, 1.8, 0.0028, 1000) == pytest.approx((782.6, 1384.7), abs=0.1)


def test_given_scale():
    plane = plane_from_mm_per_px(BLANK, 0.07)
    assert plane.to_mm([[0, 0], [100, 0]]) == pytest.approx(np.array([[0, 0], [7, 0]]), abs=1e-6)
    assert 0.001 < length_interval_rel(plane, [[0, 0], [100, 0], [100, 50]]) < 0.003
    with pytest.raises(ValueRefused):
        plane_from_mm_per_px(BLANK, -1)


def test_picked_points_give_their_length():
    plane = plane_from_points(BLANK, "200,300 1700,300 500mm")
    ground = plane.to_mm([[200, 300], [1700, 300]])
    assert ground == pytest.approx(np.array([[0, 0], [500, 0]]), abs=1e-6)
    # Two points can't show how square-on the camera was.
    assert length_interval_rel(plane, [[0, 0], [500, 0], [500, 300], [0, 300]]) > 0.005


@pytest.mark.parametrize("text", ["1,2 3,4", "a,b c,d 10mm", "200,300 220,300 5mm", "-9,3 1700,300 5mm", ""])
def test_points_that_cannot_serve_are_refused(text):
    with pytest.raises(ValueRefused):
        plane_from_points(BLANK, text)


def test_picked_corners_must_make_the_rectangle_that_is_told():
    corners = "700,400 1200,400 1200,700 700,700"
    assert plane_from_points(BLANK, f"{corners} 500mm 300mm").reprojection_rms_px < 1
    with pytest.raises(ValueRefused, match="no rectangle of 300 by 500 mm"):
        plane_from_points(BLANK, f"{corners} 300mm 500mm")


def lens_file(**changes) -> LensFile:
    covariance = tuple(tuple(float(i == j) * 1e-6 for j in range(9)) for i in range(9))
    values = {"camera": "Some Camera", "width_px": 2000, "height_px": 1500, "focal_mm": 4.25, **changes}
    return LensFile(
        **values,
        focal_35mm_mm=26,
        lens=Lens(2900.0, 2900.0, 999.5, 749.5, source="file"),
        covariance=covariance,
        terms=("k1",),
        bic={"k1": 0.0},
        rms_px=0.05,
        corner_sigma_px=0.04,
        photos=("a.jpg",),
        coverage=((1,),),
        coverage_fraction=1.0,
    )


def test_lens_file_serves_its_own_camera_only():
    assert lens_for_photo(to_json(lens_file()), BLANK, "l.json").source == "file"
    for changes, word in (({"camera": "Another"}, "Another"), ({"width_px": 4000}, "4000 x 1500")):
        with pytest.raises(ScaleError, match=word):
            lens_for_photo(to_json(lens_file(**changes)), BLANK, "l.json")
    with pytest.raises(ScaleError, match="not a lens file"):
        lens_for_photo({}, BLANK, "l.json")


def test_shots_give_three_pixels_across_the_smallest_defect():
    lens = lens_file(width_px=4032, height_px=3024)
    plan = plan_shots(3200, 600, 0.5, lens)
    assert 0.5 / plan.mm_per_px == pytest.approx(3)
    assert plan.height_mm == pytest.approx(2900 * 0.5 / 3)
    assert all(shot.boards for shot in plan.shots)
    assert min(s.x_mm for s in plan.shots) - plan.frame_mm[0] / 2 <= 0
    assert max(s.x_mm for s in plan.shots) + plan.frame_mm[0] / 2 >= 3200


@pytest.mark.parametrize(("square_px", "sigma"), [(30, 1.0), (45, 1.6), (70, 2.5)])
def test_sharpness_of_small_boards_is_not_flattered(square_px, sigma):
    # A drawn board under a Gaussian blur: a marker's rim, 4 mm away, reaches into each profile.
    fine = 6
    drawn = draw_board(2, square_px / SQUARE_MM * fine).astype(np.float32) / 255
    size = (int((7 * square_px + 160) * fine), int((5 * square_px + 160) * fine))
    turn = np.radians(6)
    place = np.array([[np.cos(turn), -np.sin(turn), 90 * fine], [np.sin(turn), np.cos(turn), 60 * fine]])
    light = cv2.warpAffine(0.04 + 0.78 * drawn, place, size, flags=cv2.INTER_LINEAR, borderValue=0.82)
    light = cv2.GaussianBlur(light, (0, 0), sigma * fine)
    light = cv2.resize(light, (size[0] // fine, size[1] // fine), interpolation=cv2.INTER_AREA)
    # sRGB (IEC 61966-2-1).
    level = np.uint8(255 * (1.055 * light ** (1 / 2.4) - 0.055) + 0.5)
    photo = Photo("small.png", "", np.repeat(level[:, :, None], 3, axis=2), focal_35mm_mm=27.0)
    (plane,) = solve_planes([photo])
    true = brentq(lambda f: np.exp(-2 * (np.pi * sigma * f) ** 2) * np.sinc(f) - 0.5, 0.005, 0.6)
    for found in board_sharpness(photo.pixels[:, :, 0], plane):
        assert np.median(found) == pytest.approx(true, rel=0.03)


def test_places_in_a_photo_are_those_of_opencv():
    rng = np.random.default_rng(5)
    lens = Lens(2900.0, 2910.0, 1010.0, 740.0, -0.08, 0.03, 4e-4, -3e-4, 0.01)
    turn, shift = cv2.Rodrigues(np.array([0.2, -0.1, 0.4]))[0], np.array([-60.0, 40.0, 900.0])
    plane = Plane((2000, 1500), lens, turn, shift, np.zeros((2, 15)), "boards")
    points, depths = rng.uniform(-300, 300, (50, 2)), rng.uniform(-20, 60, 50)
    matrix = np.array([[lens.fx, 0, lens.cx], [0, lens.fy, lens.cy], [0, 0, 1.0]])
    terms = np.array([lens.k1, lens.k2, lens.p1, lens.p2, lens.k3])
    image, _ = cv2.projectPoints(np.column_stack([points, depths]), turn, shift, matrix, terms)
    assert plane.to_px(points, depths) == pytest.approx(image.reshape(-1, 2), abs=1e-8)
    assert plane.to_px(np.zeros((0, 2))).shape == (0, 2)
