"""Each fault of a scale is seen in a photo of the simulator and has its own sentence; honest photos are let through."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scale_scenes import THICK_MM, View, board, photo

from voidmap.errors import ScaleError, ValueRefused
from voidmap.model import Photo, SlabFound
from voidmap.records import PhotoRecord
from voidmap.report.tables import photo_line
from voidmap.scale import (
    assess_quality,
    beside_notes,
    length_interval_rel,
    plane_notes,
    refuse_beside,
    solve_planes,
)
from voidmap.scale.unsharp import is_blurred
from voidmap.simulate.camera import look
from voidmap.simulate.light import Light, illuminate
from voidmap.simulate.photograph import photograph
from voidmap.simulate.slab import random_slab

A, B, C = board(0, -330, -230, 3), board(1, 130, -220, -8), board(2, -310, 80, 12)
LEANING = View(height=560, lean=(8, -6))
CLOSE = View(height=215, lean=(3, 2))
NEAR = board(4, -105, -75, 4)
FAR = np.array([[50.0, 50.0], [750.0, 50.0], [750.0, 550.0], [50.0, 550.0]])


def lengths_off(view, plane):
    """Relative errors of the four sides of a large quadrilateral on the top."""
    sides = [
        np.linalg.norm(points - np.roll(points, -1, axis=0), axis=1) for points in (plane.to_mm(FAR), view.ground(FAR))
    ]
    return np.abs(sides[0] / sides[1] - 1).max()


@pytest.fixture(scope="module")
def honest():
    return photo(LEANING, A, B, C)


def test_honest_boards_pass_and_lengths_are_true(honest):
    (plane,) = solve_planes([honest])
    off = lengths_off(LEANING, plane)
    assert off < 0.001
    assert off < length_interval_rel(plane, plane.to_mm(FAR))
    quality = assess_quality(honest, plane)
    assert (quality.verdict, quality.reasons) == ("good", ())
    (bars,) = plane_notes([honest], [plane])
    assert "not measured" in bars
    assert plane_notes([honest], [plane], bars_read=True) == ()


def low(sheet, depth):
    return replace(sheet, shape_mm=(depth, 0.0, 0.0, 0.0, 0.0))


@pytest.mark.parametrize(
    ("boards", "words"),
    [
        ([A, B, replace(C, shape_mm=(0, 0, 0, 8, 0))], "board C is bent by [78] mm"),
        ([A, B, replace(C, shape_mm=(-5, 5, 0, 0, 0))], "board C is lifted on one side by (9|10|11) mm"),
        ([A, low(B, THICK_MM), C], "board B lies (39|40) mm below the plane of the other boards"),
        ([A, replace(B, stretch=(0.96, 0.96)), C], r"board B lies .* or is printed (3\.[89]|4\.[0-2])% smaller"),
        ([A, B, low(C, 30.0), low(board(3, 120, 80, 2), 30.0)], "another plane than the other boards, as on a second"),
        ([replace(b, stretch=(1.02, 1.0)) for b in (A, B, C)], "printed (1.9|2.0|2.1)% longer along x than along y"),
        ([replace(board(3, -110, -70, 35), shape_mm=(0, 0, 0, 8, 0))], "board D is bent by [78] mm"),
        ([A, replace(B, mirrored=True), C], "board B is mirrored in drawn.jpg"),
        ([replace(B, mirrored=True)], "board B is mirrored"),
        ([A, replace(B, number=0)], "board A is in view twice"),
        ([], "no scale board can be read"),
    ],
    ids=[
        "bent",
        "lifted",
        "on the bench",
        "another size",
        "two slabs",
        "stretched",
        "alone and bent",
        "one mirrored",
        "all mirrored",
        "twice",
        "none",
    ],
)
def test_boards_that_cannot_serve_are_refused(boards, words):
    with pytest.raises(ScaleError, match=words):
        solve_planes([photo(LEANING, *boards)])


def test_upside_down_board_serves():
    drawn = photo(LEANING, A, replace(B, x_mm=340.0, y_mm=-70.0, angle_deg=172.0), C)
    (plane,) = solve_planes([drawn])
    assert lengths_off(LEANING, plane) < 0.001


def test_stretched_print_serves_once_its_bars_are_measured():
    drawn = photo(LEANING, *[replace(b, stretch=(1.02, 0.99)) for b in (A, B, C)])
    (plane,) = solve_planes([drawn], bar_x_mm=102.0, bar_y_mm=99.0)
    assert lengths_off(LEANING, plane) < 0.001


@pytest.mark.parametrize(
    ("bars", "words"),
    [
        ((93.0, 100.0), "93 mm along x"),
        ((100.0, 107.0), "107 mm along y"),
        ((200.0, 162.0), "162 mm along y can't be right for one drawn 150 mm long"),
    ],
    ids=["x", "y", "long y"],
)
def test_wrong_print_size_is_told_by_the_bars(honest, bars, words):
    with pytest.raises(ValueRefused, match=words):
        solve_planes([honest], bar_x_mm=bars[0], bar_y_mm=bars[1])


def test_bars_of_two_prints_are_refused(honest):
    with pytest.raises(ValueRefused, match=r"99 and 99\.8 mm along x are not of one print"):
        solve_planes([honest], bar_x_mm=[99.0, 99.8])


def test_bars_of_every_board_narrow_the_interval(honest):
    widths = [
        length_interval_rel(plane, plane.to_mm(FAR))
        for x, y in (((), ()), ([100.0], [100.0]), ([100.0] * 8, [100.0] * 8), ([200.0] * 8, [150.0] * 8))
        for plane in solve_planes([honest], bar_x_mm=x, bar_y_mm=y)
    ]
    # By bars alone: 0.1 %, 0.05 %, what eight readings leave of it, and the same of longer bars.
    assert widths[0] > 1.3 * widths[1] > 1.4 * widths[2]
    assert widths[2] > widths[3]


def test_a_small_bow_is_allowed_for_and_named():
    drawn = photo(LEANING, A, B, replace(C, shape_mm=(0, 0, 0, 1.8, 0)))
    (plane,) = solve_planes([drawn])
    assert plane.boards[2].bow_mm == pytest.approx(-1.8, abs=0.5)
    assert any("board C is bowed by" in note for note in plane_notes([drawn], [plane]))
    assert lengths_off(LEANING, plane) < 0.0015


def test_board_cut_off_by_the_border_is_named():
    drawn = photo(LEANING, A, B, board(2, -500, 60, 0))
    (plane,) = solve_planes([drawn])
    notes = " ".join(plane_notes([drawn], [plane]))
    assert "board C shows only" in notes
    assert "cut off by the border" in notes


def test_board_covered_in_part_is_named(honest):
    pixels = honest.pixels.copy()
    at = np.round(LEANING.project(np.array([[-205.0, 160.0]]))[0]).astype(int)
    pixels[at[1] - 75 : at[1] + 75, at[0] : at[0] + 150] = 60
    hidden = replace(honest, pixels=pixels)
    (plane,) = solve_planes([hidden])
    assert "partly covered" in " ".join(plane_notes([hidden], [plane]))
    assert lengths_off(LEANING, plane) < 0.0015


def test_glare_on_a_board_is_named():
    drawn = photo(LEANING, A, B, C, glare=(230.0, -150.0, 40.0))
    (plane,) = solve_planes([drawn])
    quality = assess_quality(drawn, plane)
    assert quality.verdict != "good"
    assert any("Glare lies on board B" in reason for reason in quality.reasons)
    line = photo_line(PhotoRecord(drawn.file, "", 800, 600, None, quality))
    assert line.startswith("drawn.jpg: usable, shows what is ")
    assert "Glare lies on board B" in line
    assert lengths_off(LEANING, plane) < 0.0015


@pytest.mark.parametrize(
    ("view", "word"),
    [
        (replace(CLOSE, shake=(7.0, 0.0)), "moved"),
        (replace(CLOSE, shake=(0.0, 7.0)), "moved"),
        (replace(CLOSE, blur=2.6), "out of focus"),
    ],
    ids=["moved along x", "moved along y", "defocus"],
)
def test_unsharp_photos_are_told_apart(view, word):
    drawn = photo(view, NEAR)
    (plane,) = solve_planes([drawn])
    quality = assess_quality(drawn, plane)
    assert quality.verdict in ("usable", "reshoot")
    assert any(word in reason for reason in quality.reasons)


@pytest.mark.parametrize(
    ("view", "words"),
    [
        (View(height=560, blur=5.0), "sharpest edges are blurred"),
        (View(height=560, shake=(24.0, 0.0)), "as when the camera moves"),
        (View(height=560, shake=(0.0, 24.0)), "as when the camera moves"),
    ],
    ids=["defocus", "moved along x", "moved along y"],
)
def test_photo_too_blurred_for_any_board_says_so(view, words):
    with pytest.raises(ScaleError, match=words):
        solve_planes([photo(view, A)])


def test_blur_wider_than_the_reach_of_an_edge_is_told_in_a_smaller_picture():
    pale_bench = np.full((1800, 2400), 210, np.uint8)
    sharp = cv2.rectangle(pale_bench, (500, 400), (1900, 1400), 60, cv2.FILLED)
    seen = {"sharp": sharp, "defocus": cv2.GaussianBlur(sharp, (0, 0), 25), "moved": cv2.blur(sharp, (61, 1))}
    told = {name: (is_blurred(grey), is_blurred(np.ascontiguousarray(grey.T))) for name, grey in seen.items()}
    assert told == {"sharp": (False, False), "defocus": (True, True), "moved": (True, False)}


@pytest.mark.parametrize("species", ["ash", "walnut"])
def test_sharp_photo_of_wood_without_a_board_is_not_called_blurred(species):
    rng = np.random.default_rng(6)
    slab = random_slab(rng, length_mm=700, width_mm=360, cell_mm=0.8, species=species)
    camera = look((20, -30, -900), (10, 0), size=(1200, 900), focal_px=900, dist=(-0.03, 0.01, 0, 0, 0))
    pixels = photograph(illuminate(slab, Light()), camera, rng, [])
    with pytest.raises(ScaleError, match="no scale board can be read in bare"):
        solve_planes([Photo("bare.jpg", "", pixels)])


def test_noise_and_smallest_defect_are_measured():
    sharp = photo(CLOSE, NEAR)
    rng = np.random.default_rng(1)
    grain = 3.0 * rng.standard_normal(sharp.pixels.shape[:2])[..., None]
    noisy = replace(sharp, pixels=np.clip(sharp.pixels + grain + 0.5, 0, 255).astype(np.uint8))
    (plane,) = solve_planes([noisy])
    quality = assess_quality(noisy, plane)
    assert quality.noise == pytest.approx(3.0, rel=0.15)
    scale = plane.mm_per_px_at([[0.0, 0.0]])[0]
    assert quality.smallest_defect_mm == pytest.approx(3.0 * scale, rel=0.03)
    assert assess_quality(sharp, plane).verdict == "good"


def found(mask, covered, kinds=("sawn",)):
    return SlabFound(mask, covered, np.zeros((4, 2)), kinds, 0.5, "cut" in kinds)


def test_board_beside_the_slab_is_told_by_what_is_found_round_it():
    # Alone on the bench, the paper is all that is found; or the bench is, which leaves the photo.
    (plane,) = solve_planes([photo(CLOSE, NEAR)])
    paper = np.ones((10, 10), bool)
    with pytest.raises(ScaleError, match="board E: it lies beside the slab, on the bench"):
        refuse_beside(found(paper, paper), [plane])
    wide = np.ones((40, 40), bool)
    few = np.zeros((40, 40), bool)
    refuse_beside(found(wide, few), [plane])
    assert beside_notes(found(wide, few), [plane]) == ()
    (note,) = beside_notes(found(wide, few, ("cut", "sawn")), [plane])
    assert "board E leaves the photo on most sides" in note
