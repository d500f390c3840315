"""A wide dark spot that sends none of the ground's light back is a fill, not a pinhole in clear resin."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from test_coat_fills import BLACK, filled
from test_coat_spots import wood

from voidmap.coat.candidates import Candidates
from voidmap.coat.classify import Judged
from voidmap.coat.floor import LEAST_PX, RARER, doubting_black
from voidmap.coat.pit import Pit
from voidmap.coat.plant import Plant, plant
from voidmap.coat.spots import Search

SIDE = 600
CHANCE = 0.96


@pytest.fixture(scope="module")
def ground():
    return cv2.resize(wood(np.random.default_rng(8), turn_deg=20.0), (SIDE, SIDE), interpolation=cv2.INTER_CUBIC)


def searched(places, diameter_px, polarity=-1):
    x, y = np.array(places, dtype=float).T
    n = len(x)
    found = Candidates(x, y, np.zeros(n, int), np.full(n, 2.0), np.full(n, polarity), np.full(n, 9.0))
    seen = Judged(np.full(n, CHANCE), np.zeros(n), np.full(n, 0.1))
    return Search(found, seen, np.full(n, float(diameter_px)), np.full(n, 9.0))


def test_a_dot_of_black_resin_has_its_odds_divided(ground):
    picture = filled(ground, BLACK, (300, 300, 7))
    told = doubting_black(picture, searched([(300, 300), (100, 100)], 14.0)).seen.probability
    odds = CHANCE / (1 - CHANCE) / RARER
    assert told == pytest.approx([odds / (1 + odds), CHANCE])


@pytest.mark.parametrize("style", ["crater", "hole"])
def test_a_pit_in_clear_resin_stays_however_wide(ground, style):
    rng = np.random.default_rng(3)
    places = [(x, y) for x in (80, 200, 320, 440) for y in (90, 230, 370)]
    for diameter in (8.0, 14.0, 20.0):
        pit = Pit(0.0, 0.0, 1.0, style, tone=1.0)
        plants = [Plant(float(x), float(y), diameter, pit) for x, y in places]
        picture = plant(ground, plants, rng, sanded=False, blur_px=0.8, settings=4)
        search = searched(places, diameter)
        assert doubting_black(picture, search).seen.probability == pytest.approx(CHANCE)


def test_a_spot_beside_a_fill_of_its_own_darkness_stays(ground):
    picture = filled(ground, BLACK, (300, 300, 60), (300 + 62, 300, 7))
    search = searched([(300 + 62, 300), (300, 300)], 14.0)
    assert doubting_black(picture, search).seen.probability == pytest.approx(CHANCE)


def test_what_blur_may_have_made_or_is_bright_or_grey_is_not_asked(ground):
    picture = filled(ground, BLACK, (300, 300, 7))
    for search in (searched([(300, 300)], LEAST_PX - 0.1), searched([(300, 300)], 14.0, polarity=1)):
        assert doubting_black(picture, search) is search
    grey = cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)
    search = searched([(300, 300)], 14.0)
    assert doubting_black(grey, search) is search
    unlikely = replace(search, seen=replace(search.seen, probability=np.array([0.02])))
    assert doubting_black(picture, unlikely) is unlikely


def test_the_share_does_not_hang_on_the_exposure(ground):
    dim = filled(ground, BLACK, (300, 300, 7))
    dim = np.round(dim * 0.8).astype(np.uint8)
    assert doubting_black(dim, searched([(300, 300)], 14.0)).seen.probability[0] < 0.5
