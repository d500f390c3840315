"""The middle of a pinhole is that of its opening, wherever it is darkest."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.spatial import KDTree
from skimage.measure import regionprops
from test_coat_spots import found_in, planted, wood

from voidmap.coat import middle
from voidmap.coat.middle import SIDE, STEP_DIAMETERS, pictures_for, squares, with_middles
from voidmap.coat.spots import Spots


def grey_wood(seed=4):
    return cv2.cvtColor(wood(np.random.default_rng(seed), turn_deg=30.0), cv2.COLOR_BGR2GRAY)


def disc(grey, x, y, diameter, level=40):
    """Draw a dark disc, its edge blurred as a photo's; returns the picture."""
    fine = np.repeat(np.repeat(grey, 4, axis=0), 4, axis=1)
    centre = (round((x * 4 + 1.5) * 16), round((y * 4 + 1.5) * 16))
    cv2.circle(fine, centre, round(diameter * 2 * 16), level, -1, cv2.LINE_AA, 4)
    return cv2.GaussianBlur(cv2.resize(fine, grey.shape[::-1], interpolation=cv2.INTER_AREA), (0, 0), 0.8)


def found(x, y, diameter, polarity=-1):
    def one(value):
        return np.array([float(value)])

    return Spots(one(x), one(y), one(diameter), one(0.1), one(9.0), one(0.9), np.array([polarity]))


@pytest.mark.parametrize("diameter", [4.0, 6.0, 9.0, 14.0, 22.0])
def test_a_place_off_the_middle_comes_to_it(diameter):
    picture = disc(grey_wood(), 300.3, 250.8, diameter)
    off = 0.12 * diameter
    left = []
    for way in np.linspace(0, 2 * np.pi, 8, endpoint=False):
        told = with_middles(picture, found(300.3 + off * np.cos(way), 250.8 + off * np.sin(way), diameter))
        left.append(np.hypot(told.x_px[0] - 300.3, told.y_px[0] - 250.8))
    assert np.median(left) < 0.4 * off
    assert max(left) < 0.6 * off


def test_the_middle_is_that_of_scikit_images_region():
    # The centroid of a drawn disc's own pixels (skimage.measure.regionprops), where nothing but the disc is seen.
    plain = np.full((120, 160), 170, np.uint8)
    picture = disc(plain, 81.0, 60.0, 15.0)
    row, column = regionprops((picture < 105).astype(int))[0].centroid
    told = with_middles(picture, found(82.0, 59.2, 15.0))
    assert np.hypot(told.x_px[0] - column, told.y_px[0] - row) < 0.3


def test_a_glint_on_the_rim_does_not_draw_the_middle():
    picture = disc(disc(grey_wood(), 300.0, 250.0, 16.0), 308.0, 250.0, 4.0, level=255)
    told = with_middles(picture, found(298.0, 250.0, 16.0))
    assert np.hypot(told.x_px[0] - 300.0, told.y_px[0] - 250.0) < 1.0


def test_planted_pinholes_are_placed_better_than_by_their_darkest_place():
    before, after = [], []
    for seed in (21, 22, 23, 24):
        picture, places = planted(np.random.default_rng(seed))
        spots = found_in(picture)
        moved = with_middles(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), spots)
        away, which = KDTree(places).query(spots.places_px)
        mine = away < 3
        before += away[mine].tolist()
        after += np.hypot(*(moved.places_px - places[which])[mine].T).tolist()
    assert len(before) >= 120
    assert np.median(after) < 0.85 * np.median(before)


def test_squares_are_of_the_spots_size_and_wide_ones_are_read_from_halved_pictures():
    for diameter in (4.0, 40.0):
        picture = np.zeros((400, 500), np.uint8)
        side = STEP_DIAMETERS * diameter
        x, y = round(250 + 8 * side), round(200 - 4 * side)
        cv2.circle(picture, (x, y), max(1, round(side)), 255, -1)
        across = np.array([diameter])
        seen = squares(pictures_for(picture, across), np.array([[250.0, 200.0]]), across)[0]
        rows, columns = np.nonzero(seen > 60)
        assert np.mean(columns) == pytest.approx(SIDE // 2 + 8, abs=1.0)
        assert np.mean(rows) == pytest.approx(SIDE // 2 - 4, abs=1.0)


def test_what_shows_no_opening_is_hardly_moved():
    moved = with_middles(grey_wood(), found(300.0, 251.0, 14.0))
    assert np.hypot(moved.x_px[0] - 300.0, moved.y_px[0] - 251.0) < 14.0 / 4


def test_many_are_told_as_each_alone_and_none_is_none(monkeypatch):
    picture, _ = planted(np.random.default_rng(25))
    grey = cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)
    spots = found_in(picture)
    together = with_middles(grey, spots)
    monkeypatch.setattr(middle, "AT_ONCE", 7)
    assert with_middles(grey, spots).places_px == pytest.approx(together.places_px, abs=1e-3)
    none = spots[np.zeros(len(spots), bool)]
    assert with_middles(grey, none) is none


def test_a_picture_turned_by_half_a_turn_gives_the_same_places():
    picture, _ = planted(np.random.default_rng(26))
    grey = cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)
    spots = found_in(picture)
    last = np.array(grey.shape[::-1]) - 1
    x_px, y_px = (last - spots.places_px).T
    turned = with_middles(np.ascontiguousarray(grey[::-1, ::-1]), replace(spots, x_px=x_px, y_px=y_px))
    assert last - turned.places_px == pytest.approx(with_middles(grey, spots).places_px, abs=0.1)


def test_one_at_the_frame_is_read_as_far_as_it_goes():
    picture = disc(grey_wood(), 4.0, 250.0, 14.0)
    told = with_middles(picture, found(3.0, 250.0, 14.0))
    assert np.all(np.isfinite(told.places_px))
