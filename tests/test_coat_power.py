"""The power study: what it states against what is really found, and how it takes the photo's own pinholes' looks."""

import cv2
import numpy as np
import pytest
from test_coat_spots import PX_PER_MM, SIDE, wood

from voidmap.coat import power
from voidmap.coat.donors import donors_of
from voidmap.coat.inspected import SHRINK, View
from voidmap.coat.plant import Plant, places_apart, plant
from voidmap.coat.spots import Spots, find_spots

BLUR_PX = 0.7


def view():
    cells = np.full((SIDE // SHRINK, SIDE // SHRINK), 255, np.uint8)
    return View(cells, cells, cells, np.full(cells.shape, (SHRINK / PX_PER_MM) ** 2), ())


def find(grey, look):
    return find_spots(grey, look, px_per_mm=PX_PER_MM, blur_px=BLUR_PX)


def study(pixels, seed=1, plants=120):
    grey = cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY)
    found = find(grey, np.full(grey.shape, 255, np.uint8))
    return power.power_study(
        pixels, view(), found, find, np.random.default_rng(seed), smallest_mm=0.5, px_per_mm=PX_PER_MM,
        blur_px=BLUR_PX, sanded=False, plants=plants,
    )  # fmt: skip


def noisy(pixels, sigma, rng):
    return np.clip(pixels + rng.normal(0, sigma, pixels.shape[:2])[..., None], 0, 255).astype(np.uint8)


def test_noise_costs_power():
    base = wood(np.random.default_rng(3))
    quiet, loud = (study(noisy(base, s, np.random.default_rng(4))).power for s in (0.5, 9.0))
    assert quiet.d50_mm is not None
    assert loud.d50_mm is not None
    assert quiet.d50_mm < 0.8 * loud.d50_mm
    assert quiet.d90_mm <= quiet.d90_95_mm


def test_stated_curve_tells_how_many_of_other_pinholes_are_found():
    # The curve comes from one set of plants; another set, with other lamps, is found as often as it says.
    base = noisy(wood(np.random.default_rng(5)), 4.0, np.random.default_rng(6))
    fits = [study(base, seed=k).fit for k in (11, 12, 13)]
    rng = np.random.default_rng(7)
    free = np.zeros((SIDE, SIDE), np.uint8)
    free[20:-20, 20:-20] = 1
    expected = hits = 0.0
    for _ in range(3):
        places = places_apart(free, 150, 26, rng, taken_px=np.zeros((0, 2)))
        sizes = rng.uniform(0.2, 1.0, len(places))
        plants = [Plant(float(x), float(y), float(d * PX_PER_MM)) for (x, y), d in zip(places, sizes, strict=True)]
        grey = cv2.cvtColor(plant(base, plants, rng, sanded=False, blur_px=BLUR_PX), cv2.COLOR_BGR2GRAY)
        found = find(grey, np.full(grey.shape, 255, np.uint8))
        hit, _ = power._hits(places, sizes, found, PX_PER_MM)
        hits += hit.sum()
        expected += np.mean([f.chance(sizes).sum() for f in fits])
    assert expected == pytest.approx(hits, rel=0.15)


def test_donors_keep_their_look_when_planted_smaller():
    # A pit 16 px wide that takes 40 % of the light away: at half its size, blurred to the same, it still does.
    y, x = np.mgrid[0:120, 0:120]
    pit = cv2.GaussianBlur((np.hypot(x - 60, y - 60) <= 8).astype(np.float32), (0, 0), 1.0)
    grey = np.round(150 * (1 - 0.4 * pit)).astype(np.uint8)
    one = np.array([60.0])
    spots = Spots(one, one, np.array([16.0]), one * 0, one, one * 0 + 1, np.array([-1]))
    donors = donors_of(grey, spots, 1.0)
    change = donors.planted(donors.all[0], 8.0, (0.3, -0.2), 12)
    there = cv2.GaussianBlur((np.hypot(x[:25, :25] - 12.3, y[:25, :25] - 11.8) <= 4).astype(np.float32), (0, 0), 1.0)
    assert np.abs(change + 0.4 * there).max() < 0.06
    assert change.sum() == pytest.approx(-0.4 * np.pi * 16, rel=0.05)
    drawn = [donors.draw(8.0, np.random.default_rng(k)) is None for k in range(400)]
    # One donor of its own against the drawn looks' weight of four: 4 in 5, 320 of 400 (1 sigma 8).
    assert 290 < sum(drawn) < 350


def test_what_may_be_lint_is_no_donor():
    grey = np.full((80, 80), 150, np.uint8)
    cv2.circle(grey, (40, 40), 5, 90, -1)
    one = np.array([40.0])
    sure, doubtful = (Spots(one, one, one / 4, one * 0, one, one * 0 + p, np.array([-1])) for p in (0.97, 0.7))
    assert len(donors_of(grey, sure, 1.0).all) == 1
    assert len(donors_of(grey, doubtful, 1.0).all) == 0
