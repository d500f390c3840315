"""Pinholes planted in drawn wood are found, placed and counted."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.spatial import KDTree

from voidmap.coat.candidates import DISC_RADIUS_SIGMAS, find_candidates, pyramid
from voidmap.coat.count import count_interval
from voidmap.coat.plant import Plant, places_apart, plant
from voidmap.coat.prior import among_others
from voidmap.coat.spots import Spots, find_spots
from voidmap.coat.surround import SHRINK, surface_px
from voidmap.coat.twins import find_all
from voidmap.coat.width import HALF_LEVEL_GLOSS, with_half_level

SIDE = 640
PX_PER_MM = 8.0


def wood(rng, turn_deg=0.0):
    """Return streaky wood-like ground (SIDE, SIDE, 3), its grain turned."""
    wide = int(SIDE * 1.5)
    rings = cv2.GaussianBlur(rng.standard_normal((wide, 1)).astype(np.float32), (1, 0), sigmaX=1e-3, sigmaY=3)
    fibre = cv2.GaussianBlur(rng.standard_normal((wide, wide)).astype(np.float32), (0, 0), 12, sigmaY=0.8)
    grey = 150 + 25 * rings / rings.std() * 0.4 + 4 * fibre / fibre.std()
    matrix = cv2.getRotationMatrix2D((wide / 2, wide / 2), turn_deg, 1)
    grey = cv2.warpAffine(grey, matrix, (wide, wide), borderMode=cv2.BORDER_REFLECT_101)
    cut = (wide - SIDE) // 2
    grey = grey[cut : cut + SIDE, cut : cut + SIDE] + rng.normal(0, 1.5, (SIDE, SIDE))
    return np.clip(np.round(grey[..., None] * np.array([0.8, 0.95, 1.05])), 0, 255).astype(np.uint8)


def planted(rng, turn_deg=0.0, diameter_mm=0.9, count=40):
    free = np.zeros((SIDE, SIDE), np.uint8)
    free[20:-20, 20:-20] = 1
    places = places_apart(free, count, 40, rng, taken_px=np.zeros((0, 2)))
    plants = [Plant(float(x), float(y), diameter_mm * PX_PER_MM) for x, y in places]
    return plant(wood(rng, turn_deg), plants, rng, sanded=False, blur_px=0.7), places


def found_in(picture):
    return find_spots(picture, np.full(picture.shape[:2], 255, np.uint8), px_per_mm=PX_PER_MM, blur_px=0.7)


@pytest.mark.parametrize("turn_deg", [0.0, 37.0, 90.0])
def test_planted_pinholes_are_found_at_any_turn_of_the_grain(turn_deg):
    hits = places_in_all = called = 0
    for seed in (5, 6, 7, 8):
        picture, places = planted(np.random.default_rng(seed), turn_deg)
        spots = found_in(picture)
        away, _ = KDTree(spots.places_px).query(places)
        hits, places_in_all, called = hits + int(np.sum(away < 3)), places_in_all + len(places), called + len(spots)
    # Planted looks run down to a shade of 7 %, which wood of this contrast can hide.
    assert hits >= 0.84 * places_in_all
    assert called <= 1.03 * hits


def test_diameter_is_near_and_its_interval_mostly_holds():
    picture, places = planted(np.random.default_rng(6))
    spots = found_in(picture)
    away, which = KDTree(spots.places_px).query(places)
    size = spots.diameter_px[which[away < 3]]
    rel = spots.diameter_rel[which[away < 3]]
    error = np.log(size / (0.9 * PX_PER_MM))
    assert np.median(np.abs(error)) < 0.15
    assert np.mean(np.abs(error) < 1.96 * rel) >= 0.8


def test_bare_wood_has_next_to_none():
    assert len(found_in(wood(np.random.default_rng(7)))) <= 1


def test_nothing_is_looked_for_outside_the_mask():
    picture, _ = planted(np.random.default_rng(8))
    grey = cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)
    assert len(find_spots(grey, np.zeros(grey.shape, np.uint8), px_per_mm=PX_PER_MM, blur_px=0.7)) == 0


def test_count_interval_counts_misses_and_false_calls_in():
    rng = np.random.default_rng(1)
    chance = np.full(40, 0.9)
    lo, hi = count_interval(chance, np.full(40, 0.8), None, rng, smallest_mm=0.5)
    assert lo < 36 < hi <= 40
    assert count_interval(np.zeros(0), np.zeros(0), None, rng, smallest_mm=0.5) == (0, 0)


def test_two_glints_of_a_rim_make_a_candidate_between_them():
    # A rim of 11 px lit by one lamp: two glints 1.4 radii from its middle, and no shade in between.
    grey = np.full((SIDE, SIDE), 90, np.uint8)
    grey += np.random.default_rng(1).integers(0, 3, grey.shape, dtype=np.uint8)
    middle, reach = np.array([120.3, 131.8]), 1.4 * 5.5 * np.array([0.8, 0.6])
    y, x = np.mgrid[0:SIDE, 0:SIDE]
    for side in (-1, 1):
        at = middle + side * reach
        grey = np.maximum(grey, 90 + 150 * np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / 2.5)).astype(np.uint8)
    levels = pyramid(grey, 40.0)
    found = find_all(levels, np.full(grey.shape, 255, np.uint8))
    twins = found[found.polarity == 0]
    away = np.hypot(twins.x_px - middle[0], twins.y_px - middle[1])
    near = int(np.argmin(away))
    assert away[near] < 0.3
    assert 2 * DISC_RADIUS_SIGMAS * twins.sigma_px[near] == pytest.approx(11.0, rel=0.1)
    assert len(find_candidates(levels, np.full(grey.shape, 255, np.uint8))) == np.sum(found.polarity != 0)


def test_half_level_tells_a_dark_spots_width_whatever_the_blur():
    # Discs of known radius, drawn 8 times finer than the picture; the guesses are a third too small.
    radius, blurs = 3.0, (0.5, 0.8, 1.2)
    for blur_px in blurs:
        fine = np.full((8 * 60, 8 * 60), 180, np.uint8)
        cv2.circle(fine, (240, 240), round(8 * radius), 60, -1)
        grey = cv2.GaussianBlur(cv2.resize(fine, (60, 60), interpolation=cv2.INTER_AREA), (0, 0), blur_px)
        one, guess = np.ones(1), np.array([4.0])
        at = np.array([240 / 8 + 0.5 / 8 - 0.5])
        spot = Spots(at, at, guess, 0.1 * one, one, one, np.array([-1]))
        seen = with_half_level(grey, spot, sanded=False)
        half = seen.diameter_px[0] ** 2 / guess[0] / 2 * HALF_LEVEL_GLOSS
        assert half == pytest.approx(radius, rel=0.06)
        # The two differ by more than a third: the mean's doubt says so.
        assert seen.diameter_rel[0] > 0.3 > spot.diameter_rel[0]
        wide = with_half_level(grey, spot, sanded=True)
        assert wide.diameter_px[0] < seen.diameter_px[0]
        bright = replace(spot, polarity=np.array([1]))
        assert with_half_level(grey, bright, sanded=False).diameter_px[0] == guess[0]


def ringed(rng, step):
    """Return wood (600, 800, 3) with rings along x, each ``step`` grey lower on one side."""
    rows = np.arange(600)[:, None] + 6 * np.sin(np.arange(800) / 90)[None, :]
    grey = 170 - step * ((rows // 40) % 2) + rng.normal(0, 1.5, (600, 800))
    return np.clip(grey[..., None] * np.array([0.75, 0.9, 1.0]), 0, 255).astype(np.uint8)


def small(picture):
    return cv2.resize(picture, None, fx=1 / SHRINK, fy=1 / SHRINK, interpolation=cv2.INTER_AREA)


def test_a_bench_along_a_side_is_no_surface_but_a_ring_or_a_reflection_is_no_bench():
    rng = np.random.default_rng(4)
    wood_only = ringed(rng, 20)
    assert surface_px(small(wood_only), ()) is None
    bench = wood_only.copy()
    bench[:, :80] = (120, 118, 115)
    outline = surface_px(small(bench), ())
    assert outline is not None
    assert outline[:, 0].min() == pytest.approx(80, abs=8)
    lamp = wood_only.copy()
    lamp[:, 120:150] = 255
    assert surface_px(small(cv2.GaussianBlur(lamp, (0, 0), 2)), ()) is None


def test_a_spot_is_likelier_a_pinhole_among_many():
    def spots(count):
        each = np.full(count, 0.8)
        place = np.arange(count, dtype=np.float64)
        return Spots(place, place, each, each, each, each, np.full(count, -1))

    few, usual, many = (among_others(spots(n)).probability for n in (1, 37, 300))
    assert few[0] < 0.5 < usual[0] < many[0]
    # Bayes: odds of 4 to 1, four expected beside none found, against the 33 of learning.
    assert few[0] == pytest.approx(1 / (1 + 33 / (4 * 4)))
    assert usual[0] == pytest.approx(0.8, abs=0.01)
    assert len(among_others(spots(0))) == 0
