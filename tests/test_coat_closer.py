"""The closer look: its arithmetic against a reference, and what the rings alone take for pinholes."""

import cv2
import numpy as np
import pytest
from scipy.signal import correlate
from scipy.spatial import KDTree
from test_coat_spots import PX_PER_MM, SIDE, planted, wood

from voidmap.coat import closer, closeup, convolution
from voidmap.coat.candidates import Candidates, pyramid
from voidmap.coat.spots import find_spots, search


def one_candidate(x_px, y_px, sigma_px=2.0, level=0):
    at = (np.array([x_px], float), np.array([y_px], float))
    return Candidates(*at, np.array([level]), np.array([sigma_px]), np.array([-1]), np.array([9.0]))


def by_rings_alone(monkeypatch):
    monkeypatch.setattr(closer, "GATE", 1.0)


def test_convolutions_are_those_of_scipy():
    rng = np.random.default_rng(1)
    net = closer._net()
    square = rng.normal(0, 1, (3, closeup.SIDE, closeup.SIDE, 2)).astype(np.float32)
    found = convolution.tower(square, net.towers[1])
    for one, told in zip(np.moveaxis(square, 3, 0), found.T, strict=True):
        values = one.astype(np.float64)
        for (flat, bias), stride in zip(net.towers[1], convolution.STRIDES, strict=True):
            weight = flat.reshape(len(bias), -1, 3, 3)
            made = [sum(correlate(values[c], w[c], mode="valid") for c in range(len(values))) for w in weight]
            values = np.maximum(np.stack(made)[:, ::stride, ::stride] + bias[:, :, None], 0)
        assert told == pytest.approx(values.ravel(), abs=1e-4)


def test_squares_lie_along_the_grain_and_are_of_the_spots_size():
    rng = np.random.default_rng(2)
    picture = wood(rng, turn_deg=30.0)
    grey = cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)
    levels = pyramid(grey, 20.0)
    angle = levels[0].grain.at(0.5, 0.5)
    step = 8.0 * np.array([np.cos(angle), np.sin(angle)])
    for k in (-1, 1):
        centre = np.round((SIDE / 2 + k * step) * 16).astype(int)
        cv2.circle(picture, tuple(int(v) for v in centre), 2 * 16, (10, 10, 10), -1, cv2.LINE_AA, 4)
    pictures = closeup.halved(picture, 1)
    _, near, _ = closeup.squares(pictures, levels[0].grain, one_candidate(SIDE / 2, SIDE / 2), 0)
    dark = near[0].min(axis=2) < 70
    rows, columns = np.nonzero(dark)
    middle = (closeup.SIDE - 1) / 2
    assert np.abs(rows - middle).max() <= 2.5
    assert np.abs(np.abs(columns - middle).mean() * 2.0 * closeup.NEAR_STEP - 8.0) < 0.8


def test_the_grounds_colour_is_told_beside_the_squares():
    blue, green, red = 40, 80, 160
    square = np.full((1, closeup.SIDE, closeup.SIDE, 3), (blue, green, red), np.uint8)
    square[:, 10:14, 10:14] = 20
    parts, ground = closeup.scaled((square, square, square), np.array([1.0], np.float32))
    over_green = np.log((np.array([red, blue]) + closeup.COLOUR_FLOOR) / (green + closeup.COLOUR_FLOOR))
    assert ground[0] == pytest.approx(closeup.COLOUR_GAIN * over_green, abs=1e-5)
    # what has no colour lies as far from the ground as the ground from grey
    assert parts[1][1:, 12, 12, 0] == pytest.approx(-ground[0], abs=1e-5)
    assert parts[1][:, 0, 0, 0] == pytest.approx([0, 0, 0], abs=1e-6)


def test_a_grey_picture_is_left_to_the_rings(monkeypatch):
    picture, _ = planted(np.random.default_rng(3))
    grey = cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)
    look = np.full(grey.shape, 255, np.uint8)
    seen = search(grey, look, px_per_mm=PX_PER_MM, blur_px=0.7).seen
    by_rings_alone(monkeypatch)
    rings = search(picture, look, px_per_mm=PX_PER_MM, blur_px=0.7).seen
    assert np.array_equal(seen.probability, rings.probability)


def test_unlikely_candidates_stay_as_the_rings_judged_them(monkeypatch):
    picture, _ = planted(np.random.default_rng(4))
    look = np.full(picture.shape[:2], 255, np.uint8)
    seen = search(picture, look, px_per_mm=PX_PER_MM, blur_px=0.7).seen
    gate = closer.GATE
    by_rings_alone(monkeypatch)
    rings = search(picture, look, px_per_mm=PX_PER_MM, blur_px=0.7).seen
    unlikely = rings.probability <= gate
    assert np.array_equal(seen.probability[unlikely], rings.probability[unlikely])
    assert (seen.probability[~unlikely] != rings.probability[~unlikely]).all()


def test_where_the_first_look_is_sure_no_second_is_needed(monkeypatch):
    picture, places = planted(np.random.default_rng(4))
    look = np.full(picture.shape[:2], 255, np.uint8)
    judged, plain = [], closer._judged

    def counted(net, squares, known):
        judged.append(len(known))
        return plain(net, squares, known)

    def called():
        judged.clear()
        spots = search(picture, look, px_per_mm=PX_PER_MM, blur_px=0.7).spots()
        return spots.places_px, sum(judged)

    monkeypatch.setattr(closer, "_judged", counted)
    some, few = called()
    # With nothing sure, and rounds for the longest row of rivals, each candidate is looked at.
    monkeypatch.setattr(closer, "SURE", 2.0)
    monkeypatch.setattr(closer, "ROUNDS", 99)
    every, most = called()
    assert few < 0.6 * most
    assert (KDTree(some).query(every)[0] > 3).sum() <= 0.05 * len(places)
    assert (KDTree(every).query(some)[0] > 3).sum() <= 0.05 * len(places)


def found_in(picture):
    look = np.full(picture.shape[:2], 255, np.uint8)
    return find_spots(picture, look, px_per_mm=PX_PER_MM, blur_px=0.7)


def worm_holes(rng, tint):
    """Wood with round holes that a tinted fill closes, and a wide fill of the same tint."""
    picture = wood(rng)
    cv2.ellipse(picture, (430, 150), (120, 45), 10.0, 0, 360, tint, -1, cv2.LINE_AA)
    places = [(x, y) for x in range(40, 620, 60) for y in range(260, 620, 60)]
    for place in places:
        x, y = np.round(16 * (np.array(place) + rng.uniform(-9, 9, 2))).astype(int)
        across = rng.uniform(3, 9)
        axes = (round(16 * across), round(16 * across * rng.uniform(0.8, 1)))
        cv2.ellipse(picture, (int(x), int(y)), axes, rng.uniform(0, 180), 0, 360, tint, -1, cv2.LINE_AA, 4)
    return cv2.GaussianBlur(picture, (0, 0), 0.7), len(places)


def test_round_holes_filled_with_a_strong_tint_are_told_by_their_colour(monkeypatch):
    blue = (110, 50, 25)
    scenes = [worm_holes(np.random.default_rng(seed), blue) for seed in (1, 2)]
    there = sum(count for _, count in scenes)
    assert sum(len(found_in(picture)) for picture, _ in scenes) <= 0.5 * there
    by_rings_alone(monkeypatch)
    assert sum(len(found_in(picture)) for picture, _ in scenes) > 0.9 * there


def test_a_closer_look_finds_more_and_calls_less(monkeypatch):
    scenes = [planted(np.random.default_rng(seed)) for seed in (11, 12, 13)]

    def figures():
        hits = false = 0
        for picture, places in scenes:
            spots = found_in(picture)
            near = KDTree(spots.places_px).query(places)[0] < 3
            hits, false = hits + int(near.sum()), false + len(spots) - int(near.sum())
        return hits, false

    hits, false = figures()
    by_rings_alone(monkeypatch)
    rings_hits, rings_false = figures()
    assert hits > rings_hits
    assert false < rings_false
