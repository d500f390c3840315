"""Laws that the geometry keeps for every camera: there and back, scale, and depth by parallax."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from voidmap.model import Ortho, Plane
from voidmap.records import Lens


@st.composite
def planes(draw):
    """A phone held over a slab: up to 20 degrees off level, 0.4 to 1.8 m above it, with an ordinary lens."""
    turn = np.array([draw(st.floats(-0.35, 0.35)), draw(st.floats(-0.35, 0.35)), draw(st.floats(-3.1, 3.1))])
    rotation = np.asarray(cv2.Rodrigues(turn)[0])
    shift = np.array([draw(st.floats(-150, 150)), draw(st.floats(-150, 150)), draw(st.floats(400, 1800))])
    focal = draw(st.floats(2200, 3600))
    lens = Lens(focal, focal, 2016.0, 1512.0, draw(st.floats(-0.1, 0.1)), draw(st.floats(-0.02, 0.02)))
    values = np.concatenate([turn, shift, [focal, focal, 2016.0, 1512.0, lens.k1, lens.k2, 0.0, 0.0, 0.0]])
    return Plane((4032, 3024), lens, rotation, shift, values[None], "boards")


POINTS = st.lists(st.tuples(st.floats(-120, 120), st.floats(-120, 120)), min_size=1, max_size=20)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(planes(), POINTS, st.floats(0, 60))
def test_slab_to_photo_and_back(plane, points, depth_mm):
    there = plane.to_px(points, depth_mm)
    assert plane.to_mm(there, depth_mm) == pytest.approx(np.array(points), abs=1e-3)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(planes(), POINTS)
def test_a_draw_of_the_plane_itself_is_the_plane(plane, points):
    assert plane.drawn(0).to_px(points) == pytest.approx(plane.to_px(points), abs=1e-6)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(planes())
def test_local_scale_is_what_short_lengths_measure(plane):
    here = np.array([[10.0, -20.0]])
    square = here + np.array([[0, 0], [1, 0], [1, 1], [0, 1]])
    seen = plane.to_px(square)
    area_px = 0.5 * abs(np.sum(seen[:, 0] * np.roll(seen[:, 1], -1) - seen[:, 1] * np.roll(seen[:, 0], -1)))
    assert plane.mm_per_px_at(here + 0.5)[0] == pytest.approx(1 / np.sqrt(area_px), rel=1e-3)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(st.floats(400, 1800), st.floats(2200, 3600), st.floats(1, 60))
def test_a_deeper_point_shrinks_toward_the_axis(height_mm, focal, depth_mm):
    lens = Lens(focal, focal, 2016.0, 1512.0)
    plane = Plane((4032, 3024), lens, np.eye(3), np.array([0, 0, height_mm]), np.zeros((1, 15)), "boards")
    x = plane.to_px([[100.0, 0.0]], depth_mm)[0, 0] - 2016.0
    assert x == pytest.approx(focal * 100.0 / (height_mm + depth_mm))  # the pinhole camera
    assert plane.camera_mm == pytest.approx([0, 0, -height_mm])


def test_a_scale_50_mm_below_the_top_reads_4_348_per_cent_long():
    # Closed form: a plane taken to be 1200 mm away that is 1150 mm away, 1200 / 1150 = 1.04348.
    lens = Lens(3000.0, 3000.0, 2016.0, 1512.0)
    low = Plane((4032, 3024), lens, np.eye(3), np.array([0, 0, 1200.0]), np.zeros((1, 15)), "boards")
    top = Plane((4032, 3024), lens, np.eye(3), np.array([0, 0, 1150.0]), np.zeros((1, 15)), "boards")
    ends = low.to_mm(top.to_px([[0.0, 0.0], [300.0, 0.0]]))
    assert np.hypot(*(ends[1] - ends[0])) / 300.0 == pytest.approx(1.04348, abs=1e-5)


@given(st.floats(0.05, 2), st.floats(-500, 500), st.floats(-500, 500), POINTS)
def test_ortho_frame_there_and_back(mm_per_px, x0, y0, points):
    ortho = Ortho(np.zeros((4, 4, 3), np.uint8), np.ones((4, 4), bool), x0, y0, mm_per_px)
    assert ortho.to_mm(ortho.to_px(points)) == pytest.approx(np.array(points), abs=1e-9)


def test_nothing_in_nothing_out():
    lens = Lens(3000.0, 3000.0, 2016.0, 1512.0)
    plane = Plane((4032, 3024), lens, np.eye(3), np.array([0, 0, 900.0]), np.zeros((1, 15)), "boards")
    assert plane.to_mm([]).shape == (0, 2)
    assert plane.to_px([]).shape == (0, 2)


def test_lines_of_sight_leave_the_plumb_by_the_way_from_below_the_eye():
    # A camera 300 mm over (40, -10) that looks askew; a place 150 mm beside is seen under a tangent of a half.
    turn = cv2.Rodrigues(np.array([0.05, -0.12, 0.4]))[0]
    eye = np.array([40.0, -10.0, -300.0])
    lens = Lens(3000.0, 3000.0, 2016.0, 1512.0)
    plane = Plane((4032, 3024), lens, np.asarray(turn), -turn @ eye, np.zeros((1, 15)), "boards")
    px = plane.to_px([[40.0, -10.0], [190.0, -10.0], [40.0, 50.0]])
    assert plane.sights(px) == pytest.approx(np.array([[0.0, 0.0], [-0.5, 0.0], [0.0, -0.2]]), abs=1e-6)
