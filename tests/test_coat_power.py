"""The power study: what it states against what is really found, and how it learns from the photo's own pinholes."""

import cv2
import numpy as np
import pytest
from test_coat_spots import PX_PER_MM, SIDE, wood

from voidmap.coat import power
from voidmap.coat.inspected import SHRINK, View
from voidmap.coat.plant import Plant, places_apart, plant
from voidmap.coat.pod import fit_hit_miss, size_bound
from voidmap.coat.spots import find_spots

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


def test_bolder_own_pinholes_make_bolder_plants_count_more():
    rng = np.random.default_rng(8)
    size = rng.uniform(0.3, 1.2, 300)
    drawn = 10 * size * np.exp(rng.normal(0, 0.7, 300))
    hit = drawn > 6
    bold = power._weights(size, drawn, hit, np.full(60, 0.8), np.full(60, 40.0), np.ones(60))
    assert np.corrcoef(bold, np.log(drawn / size))[0, 1] > 0.5
    assert bold.mean() == pytest.approx(1.0)
    own_size = rng.uniform(0.3, 1.2, 4000)
    own = 10 * own_size * np.exp(rng.normal(0, 0.7, 4000))
    seen = own > 6
    alike = power._weights(size, drawn, hit, own_size[seen], own[seen], np.ones(int(seen.sum())))
    assert alike.std() < 0.25


def test_weights_count_as_a_sample_of_their_own_size():
    # Weights that are all alike change nothing; targets that count nothing are as if left out (L. Kish, 1965).
    rng = np.random.default_rng(9)
    size = rng.uniform(0.2, 1.2, 150)
    hit = rng.random(150) < 1 / (1 + np.exp(-6 * np.log(size / 0.5)))
    plain, alike = fit_hit_miss(size, hit), fit_hit_miss(size, hit, weights=np.full(150, 3.0))
    assert (alike.intercept, alike.slope) == pytest.approx((plain.intercept, plain.slope))
    assert np.asarray(alike.covariance) == pytest.approx(np.asarray(plain.covariance))
    kept = np.arange(150) < 100
    some = fit_hit_miss(size, hit, weights=np.where(kept, 2.0, 0.0))
    cut = fit_hit_miss(size[kept], hit[kept])
    assert (some.intercept, some.slope) == pytest.approx((cut.intercept, cut.slope), rel=1e-6)
    assert np.asarray(some.covariance) == pytest.approx(np.asarray(cut.covariance), rel=1e-6)
    bound = size_bound(size, hit, some, weights=np.where(kept, 2.0, 0.0))
    assert bound == pytest.approx(size_bound(size[kept], hit[kept], cut), rel=1e-5)
