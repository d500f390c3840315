"""The middle of a wide dark pinhole is that of its edge."""

import cv2
import numpy as np
import pytest
from test_coat_spots import wood

from voidmap.coat.middle import LEAST_PX, with_middles
from voidmap.coat.spots import Spots

SIDE = 640


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


@pytest.mark.parametrize("diameter", [9.0, 14.0, 22.0])
def test_a_place_off_the_middle_comes_to_it(diameter):
    picture = disc(grey_wood(), 300.3, 250.8, diameter)
    for way in np.linspace(0, 2 * np.pi, 8, endpoint=False):
        off = 0.3 * diameter
        told = with_middles(picture, found(300.3 + off * np.cos(way), 250.8 + off * np.sin(way), diameter))
        assert np.hypot(told.x_px[0] - 300.3, told.y_px[0] - 250.8) < 0.3


def test_a_glint_on_the_rim_does_not_draw_the_middle():
    picture = disc(disc(grey_wood(), 300.0, 250.0, 16.0), 308.0, 250.0, 4.0, level=255)
    told = with_middles(picture, found(298.0, 250.0, 16.0))
    assert np.hypot(told.x_px[0] - 300.0, told.y_px[0] - 250.0) < 0.5


def test_what_has_no_round_edge_stays_where_it_was():
    plain = grey_wood()
    band = plain.copy()
    cv2.line(band, (0, 250), (SIDE, 250), 40, 12)
    for picture in (plain, band):
        assert with_middles(picture, found(300.0, 251.0, 14.0)).places_px == pytest.approx(np.array([[300.0, 251.0]]))


def test_narrow_and_bright_ones_are_not_asked_and_none_is_none():
    picture = disc(grey_wood(), 300.0, 250.0, 14.0)
    for spots in (found(303.0, 250.0, LEAST_PX - 0.1), found(303.0, 250.0, 14.0, polarity=0)):
        assert with_middles(picture, spots) is spots
    none = found(1.0, 1.0, 9.0)[np.zeros(1, bool)]
    assert len(with_middles(picture, none)) == 0


def test_one_at_the_frame_is_read_as_far_as_it_goes():
    picture = disc(grey_wood(), 4.0, 250.0, 14.0)
    told = with_middles(picture, found(3.0, 250.0, 14.0))
    assert np.all(np.isfinite(told.places_px))
