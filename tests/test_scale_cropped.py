"""A cropped photo keeps its scale: the lens's axis is looked for where its sides or its boards show that it was cut."""

from dataclasses import replace

import numpy as np
import pytest
from scale_scenes import SIZE, View, board, photo

from voidmap.scale import length_interval_rel, plane_notes, solve_planes
from voidmap.scale.cropped import CENTRE_SD, FOCAL_LOG, FOCAL_SD, looks_cropped

A, B, C = board(0, -330, -230, 3), board(1, 130, -220, -8), board(2, -310, 80, 12)
LEANING = View(height=700, lean=(8, -6))
CORNERS = np.array([[0.1, 0.1], [0.9, 0.1], [0.9, 0.9], [0.1, 0.9]])
LEFT, LOCKED = (0, 0, 620, 600), (0, 0, 720, 540)
"""Columns and rows (from, from, to, to) that are kept: of odd sides, and of those of the whole photo, 4:3."""


@pytest.fixture(scope="module")
def whole():
    return photo(LEANING, A, B, C)


@pytest.fixture(scope="module")
def alone():
    return photo(LEANING, A)


def cut(shot, kept):
    left, top, right, bottom = kept
    return replace(shot, pixels=np.ascontiguousarray(shot.pixels[top:bottom, left:right]))


def lengths(plane, kept, view=LEANING):
    """Relative errors of the sides of a quadrilateral in a cropped photo, and what the plane says of them."""
    left, top, right, bottom = kept
    at = CORNERS * [right - left, bottom - top]
    told, true = plane.to_mm(at), view.ground(at + np.array([left, top]))
    sides = [np.linalg.norm(points - np.roll(points, -1, axis=0), axis=1) for points in (told, true)]
    return float(np.abs(sides[0] / sides[1] - 1).max()), length_interval_rel(plane, told)


@pytest.mark.parametrize("kept", [LEFT, LOCKED], ids=["odd sides", "sides of a whole photo"])
def test_cropped_photo_keeps_its_scale_and_is_told(whole, kept):
    shot = cut(whole, kept)
    (plane,) = solve_planes([shot])
    off, said = lengths(plane, kept)
    assert off < 0.002
    assert off < said
    true_axis = np.array(LEANING.lens[2:4]) - kept[:2]
    assert np.hypot(*(np.array([plane.lens.cx, plane.lens.cy]) - true_axis)) < 0.02 * SIZE[0]
    told = [note for note in plane_notes([shot], [plane]) if "cropped" in note]
    assert len(told) == 1
    assert "as the camera saved them" in told[0]


def test_one_board_in_a_cropped_photo_leaves_lengths_less_sure(alone):
    shot = cut(alone, LEFT)
    (plane,), (all_of_it,) = solve_planes([shot]), solve_planes([alone])
    off, said = lengths(plane, LEFT)
    assert off < said
    assert said > 1.2 * length_interval_rel(all_of_it, all_of_it.to_mm(CORNERS * LEFT[2:]))


def test_whole_photo_is_not_called_cropped(whole):
    (plane,) = solve_planes([whole])
    assert not any("cropped" in note for note in plane_notes([whole], [plane]))


def test_zoom_that_exif_does_not_tell_leaves_true_intervals():
    """Exif tells 27 mm, the picture is that of a lens 1.3 times as long: with 2.5 % of doubt lengths were 3 % off."""
    fx, fy, *others = LEANING.lens
    view = replace(LEANING, lens=(1.3 * fx, 1.3 * fy, *others), height=900, lean=(12, -9))
    (plane,) = solve_planes([photo(view, A)])
    off, said = lengths(plane, (0, 0, *SIZE), view)
    assert off < said < 0.02


@pytest.mark.parametrize(
    "size",
    [(4032, 3024), (3024, 4032), (6000, 4000), (4928, 3264), (3840, 2160), (4000, 1800), (1600, 1200), (4640, 3472)],
)
def test_sizes_that_cameras_save(size):
    """Sizes of phones' and cameras' photos, from memory."""
    assert not looks_cropped(*size)


@pytest.mark.parametrize("size", [(2822, 3024), (3024, 3024), (4032, 2400), (3000, 2400), (1500, 1090)])
def test_sizes_that_no_camera_saves(size):
    assert looks_cropped(*size)


def test_what_a_crop_leaves_open_is_that_of_crops_drawn_at_random():
    """Each side keeps half to all of it, any share alike and anywhere: by drawing them."""
    rng = np.random.default_rng(3)
    kept = rng.uniform(0.5, 1, 200_000)
    off = (1 - kept) * rng.uniform(-0.5, 0.5, kept.size) / kept
    assert off.std() == pytest.approx(CENTRE_SD, rel=0.03)
    assert np.mean(-np.log(kept)) == pytest.approx(FOCAL_LOG, rel=0.03)
    assert np.std(np.log(kept)) == pytest.approx(FOCAL_SD, rel=0.03)
