"""The power study: what it states against what is really found."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from test_coat_spots import PX_PER_MM, SIDE, wood

from voidmap.coat import power
from voidmap.coat.alike import Looks, weights
from voidmap.coat.inspected import SHRINK, View
from voidmap.coat.plant import Lamp, Plant, places_apart, plant, seen_along
from voidmap.coat.planting import Shot, all_places
from voidmap.coat.rims import ABOUT_MM, rim_strength
from voidmap.coat.spots import search

BLUR_PX = 0.7


def shrunk(pixels):
    return cv2.resize(pixels, (pixels.shape[1] // SHRINK, pixels.shape[0] // SHRINK), interpolation=cv2.INTER_AREA)


def view():
    cells = np.full((SIDE // SHRINK, SIDE // SHRINK), 255, np.uint8)
    return View(cells, cells, cells, np.full(cells.shape, (SHRINK / PX_PER_MM) ** 2), ())


def find(grey, look):
    return search(grey, look, px_per_mm=PX_PER_MM, blur_px=BLUR_PX)


def shot(pixels, seen=None):
    grey = cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY)
    found = find(grey, np.full(grey.shape, 255, np.uint8)).spots()
    here = seen or view()
    rims = rim_strength(shrunk(pixels), PX_PER_MM, SHRINK, here.seen)
    return Shot(
        pixels, here, found, find, PX_PER_MM, BLUR_PX, rims, lambda px: px / PX_PER_MM, lambda mm: mm * PX_PER_MM,
        np.zeros_like,
    )  # fmt: skip


def study(*pixels, seed=1, plants=120):
    shots = [p if isinstance(p, Shot) else shot(p) for p in pixels]
    return power.power_study(shots, np.random.default_rng(seed), smallest_mm=0.5, sanded=False, plants=plants)


def noisy(pixels, sigma, rng):
    return np.clip(pixels + rng.normal(0, sigma, pixels.shape[:2])[..., None], 0, 255).astype(np.uint8)


def test_noise_costs_power():
    base = wood(np.random.default_rng(3))
    seeds = (1, 2, 3)
    pictures = [noisy(base, s, np.random.default_rng(4)) for s in (0.5, 9.0)]
    (quiet, *more), (loud, *others) = ([study(p, seed=k, plants=240) for k in seeds] for p in pictures)
    assert sum(s.power.d50_mm for s in (quiet, *more)) < 0.8 * sum(s.power.d50_mm for s in (loud, *others))
    assert quiet.fit.chance(0.5) > loud.fit.chance(0.5)
    # A size is stated only where it was tried.
    largest = 0.5 * power.LARGEST_RATIO
    assert all(s.power.d90_mm is None or s.power.d90_mm <= largest for s in (quiet, loud))
    assert all((s.power.d90_mm is None) == (s.fit.size_at(0.9) > largest) for s in (quiet, loud))


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
        found = find(grey, np.full(grey.shape, 255, np.uint8)).spots()
        hit, _ = power._hits(places, sizes, found, PX_PER_MM)
        hits += hit.sum()
        expected += np.mean([f.chance(sizes).sum() for f in fits])
    assert expected == pytest.approx(hits, rel=0.15)


def test_easy_pinholes_in_the_photo_do_not_raise_its_power():
    # The photo's own finds are the easy ones; what it could show of the others must not be read from them.
    base = noisy(wood(np.random.default_rng(5)), 6.0, np.random.default_rng(6))
    marked = base.copy()
    for x, y in places_apart(np.pad(np.ones((SIDE - 80, SIDE - 80), np.uint8), 40), 40, 40,
                             np.random.default_rng(9), taken_px=np.zeros((0, 2))):  # fmt: skip
        cv2.circle(marked, (round(x), round(y)), 4, (5, 5, 5), -1, cv2.LINE_AA)
    plain, easy = study(base), study(marked)
    assert easy.power.planted >= 60
    assert easy.power.d50_mm > 0.8 * plain.power.d50_mm


def test_plants_count_by_how_plainly_the_photos_own_finds_show():
    # Half of the plants are plain and all found, half are doubtful and a third of them is found.
    rng = np.random.default_rng(2)
    chance = np.r_[rng.uniform(0.97, 0.999, 300), rng.uniform(0.3, 0.75, 300)]
    hit = np.r_[np.ones(300, bool), chance[300:] > 0.6]
    mm = rng.uniform(0.3, 1.2, 600)

    def share_of_doubtful(own, spread=0.7):
        anywhere = np.zeros(len(own)), np.zeros(600)
        own_looks = Looks(own, rng.uniform(0.3, 1.2, len(own)), anywhere[0])
        weight = weights(own_looks, Looks(chance, mm, anywhere[1]), hit, spread)
        return weight[300:].sum() / weight.sum()

    # Finds in the planted mixture, false ones among the doubtful: these stay half. Plain ones only: few are doubtful.
    doubtful = rng.choice(chance[300:][hit[300:]], round(hit[300:].sum() / chance[300:][hit[300:]].mean()))
    assert share_of_doubtful(np.r_[chance[:300], doubtful]) == pytest.approx(0.5, abs=0.05)
    assert share_of_doubtful(chance[:300]) < 0.25
    # Doubtful ones alone turn it round; two finds tell nothing yet; nor do many where all looks are known.
    assert share_of_doubtful(chance[300:][hit[300:]]) > 0.75
    assert share_of_doubtful(chance[:2]) == pytest.approx(0.5, abs=0.1)
    assert share_of_doubtful(chance[:300], spread=0.01) == pytest.approx(0.5, abs=0.05)


def test_plants_count_by_where_the_photos_own_finds_lie():
    # Half of the plants lie at rims; a third of those is found there, nine of ten elsewhere.
    rng = np.random.default_rng(2)
    at_rim = np.repeat([0.9, 0.1], 300)
    hit = rng.random(600) < np.repeat([0.33, 0.9], 300)
    planted = Looks(np.where(hit, 0.95, 0.2), rng.uniform(0.3, 1.2, 600), at_rim)

    def share_at_rims(at_rims, elsewhere):
        count = at_rims + elsewhere
        own = Looks(np.full(count, 0.95), rng.uniform(0.3, 1.2, count), np.repeat([0.9, 0.1], [at_rims, elsewhere]))
        weight = weights(own, planted, hit, 0.35)
        return weight[:300].sum() / weight.sum()

    # Finds as planted: a third as many at rims as elsewhere, and half of all lie there.
    assert share_at_rims(33, 90) == pytest.approx(0.5, abs=0.1)
    assert share_at_rims(0, 90) < 0.35
    assert share_at_rims(60, 10) > 0.7


def test_a_lamp_is_mirrored_where_the_normal_halves_the_angle_to_it():
    lamp = Lamp(0.11, -0.07, 0.1, 0.02, 0.3, 9.0)

    def outgoing(slope, sight):
        # a ray from the eye, mirrored at a facet of that slope (a mirror's law)
        normal = np.array([*slope, 1.0]) / np.hypot(1, np.hypot(*slope))
        toward = np.array([*sight, 1.0]) / np.hypot(1, np.hypot(*sight))
        return 2 * (toward @ normal) * normal - toward

    from_above = outgoing((lamp.slope_x, lamp.slope_y), (0.0, 0.0))
    for sight in ((0.0, 0.0), (0.5, 0.1), (-0.3, 0.45)):
        seen = seen_along(lamp, sight)
        assert outgoing((seen.slope_x, seen.slope_y), sight) == pytest.approx(from_above, abs=1e-9)
    assert (seen_along(lamp, (0.5, 0.0)).slope_x, lamp.slope_x) == (pytest.approx(0.34, abs=0.02), 0.11)


def test_where_the_eye_looks_aslant_other_rims_glint():
    # Seen from above a lamp overhead lights gentle slopes; from the corner of a photo only steep ones.
    grey = np.full((SIDE, SIDE, 3), 90, np.uint8)
    places = [(x, y) for x in range(60, SIDE - 59, 60) for y in range(60, SIDE - 59, 60)]

    def glints(sight):
        plants = [Plant(float(x), float(y), 12.0, sight=sight) for x, y in places]
        picture = plant(grey, plants, np.random.default_rng(4), sanded=False, blur_px=BLUR_PX, settings=24)
        return sum(picture[y - 16 : y + 17, x - 16 : x + 17].max() > 130 for x, y in places)

    assert glints((0.6, 0.0)) < 0.85 * glints((0.0, 0.0))


def test_edges_of_a_mirrored_lamp_are_no_rims():
    wood_light, fill_light = np.array([0.10, 0.20, 0.32]), np.array([0.03, 0.06, 0.09])
    rows, columns = np.mgrid[:SIDE, :SIDE]
    ground = np.where((columns < 200)[..., None], fill_light, wood_light)
    # a lamp's soft reflection below, in part too bright for the photo
    glare = 1.2 * np.clip((rows - 420) / 40 + 0.5, 0, 1)[..., None]
    light = np.clip(ground + glare, 0, 1)
    srgb = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    picture = noisy(np.round(255 * srgb), 1.0, np.random.default_rng(8))
    seen = np.full((SIDE // SHRINK, SIDE // SHRINK), 255, np.uint8)
    rim = rim_strength(shrunk(picture), PX_PER_MM, SHRINK, seen)
    reach = round(2.5 * ABOUT_MM * PX_PER_MM / SHRINK) + 2
    assert rim[:, 200 // SHRINK - reach : 200 // SHRINK + reach].sum() > 0.95 * rim.sum()


def test_rims_are_where_colours_part_along_a_line():
    picture = noisy(np.full((SIDE, SIDE, 3), (150, 180, 200), np.uint8), 3.0, np.random.default_rng(8))
    picture[:, 300:] = (60, 110, 190)
    cv2.circle(picture, (150, 150), 4, (20, 20, 20), -1, cv2.LINE_AA)
    seen = np.full((picture.shape[0] // SHRINK, picture.shape[1] // SHRINK), 255, np.uint8)
    rim = rim_strength(shrunk(picture), PX_PER_MM, SHRINK, seen)
    near = np.zeros(rim.shape, bool)
    reach = round(2.5 * ABOUT_MM * PX_PER_MM / SHRINK) + 2
    near[:, 300 // SHRINK - reach : 300 // SHRINK + reach] = True
    assert rim[near].sum() > 0.95 * rim.sum()
    assert rim[150 // SHRINK - 4 : 150 // SHRINK + 4, 150 // SHRINK - 4 : 150 // SHRINK + 4].max() < 0.02 * rim.max()
    assert not rim_strength(shrunk(picture), PX_PER_MM, SHRINK, np.zeros_like(seen)).any()


def test_two_photos_show_what_either_shows():
    base = wood(np.random.default_rng(3))
    first, second = (noisy(base, 6.0, np.random.default_rng(k)) for k in (4, 5))
    alone = [study(first, seed=k, plants=240) for k in (1, 2, 3)]
    both = [study(first, second, seed=k, plants=240) for k in (1, 2, 3)]
    # The same places and sizes, each photo under its own lamps: what one misses by chance the other may show.
    assert np.mean([b.hit.mean() - a.hit.mean() for a, b in zip(alone, both, strict=True)]) > 0.03
    assert np.mean([b.power.d50_mm for b in both]) < np.mean([a.power.d50_mm for a in alone])


def test_what_one_photo_hides_is_planted_in_the_other():
    base = noisy(wood(np.random.default_rng(3)), 2.0, np.random.default_rng(4))
    whole, middle = view(), SIDE // SHRINK // 2
    left, right = whole.seen.copy(), whole.seen.copy()
    left[:, middle:] = right[:, :middle] = 0
    # The second sees a quarter more than the first does, which must not be planted twice.
    right[:, middle // 2 : middle] = 255
    shots = [shot(base, replace(whole, seen=seen)) for seen in (left, right)]
    places, kinds = all_places(shots, 200, np.random.default_rng(1), sanded=False)
    x = places[:, 0] * PX_PER_MM / SHRINK
    assert len(kinds) == len(places) >= 150
    assert np.mean(x < middle) == pytest.approx(0.5, abs=0.05)
    assert np.mean((x > middle / 2) & (x < middle)) == pytest.approx(0.25, abs=0.1)
    halves, one = (
        power.power_study(shots, np.random.default_rng(1), smallest_mm=0.5, sanded=False, plants=200),
        study(base, plants=200),
    )
    assert halves.hit.mean() == pytest.approx(one.hit.mean(), abs=0.1)


def test_those_fed_by_a_rim_lie_at_the_fill_not_on_growth_rings():
    rng = np.random.default_rng(12)
    side = 960
    rows, columns = np.mgrid[:side, :side]
    rings = 130 + 14 * np.sign(np.sin(columns / 9.0))
    fill = (rows - side / 2) ** 2 / 120.0**2 + (columns - side / 2) ** 2 / 200.0**2
    grey = np.where(fill < 1, 40.0, rings)
    pixels = cv2.cvtColor(
        np.clip(cv2.GaussianBlur(grey, (0, 0), 1.0) + rng.normal(0, 1.5, grey.shape), 0, 255).astype(np.uint8),
        cv2.COLOR_GRAY2BGR,
    )
    cells = np.full((side // SHRINK, side // SHRINK), 255, np.uint8)
    seen = View(cells, cells, cells, np.full(cells.shape, (SHRINK / PX_PER_MM) ** 2), ())
    nothing = find(pixels, np.zeros(grey.shape, np.uint8)).spots()
    one = replace(shot(pixels, seen), spots=nothing)
    places, kinds = all_places([one], 60, np.random.default_rng(3), sanded=False)
    x, y = (places[np.array(kinds) == "rim"] * PX_PER_MM).T
    outline = np.abs(np.sqrt((y - side / 2) ** 2 / 120.0**2 + (x - side / 2) ** 2 / 200.0**2) - 1)
    # one radius of the fill's shorter half is 120 px; rims reach two sigma about it
    assert np.mean(outline * 120.0 <= 2.5 * ABOUT_MM * PX_PER_MM) > 0.85
