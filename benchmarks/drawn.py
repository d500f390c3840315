"""Scenes drawn without optics, for training: wood, fills, lint, scratches, pencil, glare, haze, planted pinholes.

They show what the simulated coats do not: straight scratches and pencil lines, fills of any colour, wood at any turn.
"""

from __future__ import annotations

import cv2
import numpy as np

from voidmap.coat.blur import SIGMA_BY_MTF50
from voidmap.coat.pit import RIM_RADII
from voidmap.coat.plant import Plant, places_apart, plant
from voidmap.simulate.faint import detectability
from voidmap.simulate.grid import Grid
from voidmap.simulate.wood import SPECIES, Knot, paint_knot, wood_albedo

SIDE = 900
LARGEST_PX = 30.0
LAMP_SETTINGS = 8
"""Settings of lamps and haze in one scene."""


def wood_picture(rng):
    """Return bare wood, (SIDE, SIDE, 3) uint8, at a random turn and scale."""
    wide = int(SIDE * 1.45)
    cell = float(np.exp(rng.uniform(np.log(0.06), np.log(0.3))))
    grid = Grid(0.0, 0.0, cell, wide, wide)
    species = SPECIES[rng.integers(len(SPECIES))]
    knots = ()
    if rng.random() < 0.4:
        knots = (Knot(rng.uniform(0.2, 0.8) * wide * cell, rng.uniform(0.2, 0.8) * wide * cell, rng.uniform(4, 18)),)
    live = np.full(grid.shape, rng.uniform(0, 80), np.float32)
    albedo = wood_albedo(rng, grid, species, knots, live)
    for knot in knots:
        paint_knot(rng, grid, albedo, knot, species, rng.uniform(0.5, 1))
    light = albedo[..., ::-1] * np.float32(rng.uniform(0.5, 1.15))
    turned = cv2.warpAffine(
        light,
        cv2.getRotationMatrix2D((wide / 2, wide / 2), rng.uniform(0, 360), 1.0),
        (wide, wide),
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REFLECT_101,
    )
    cut = (wide - SIDE) // 2
    tile = np.clip(turned[cut : cut + SIDE, cut : cut + SIDE], 0, 1)
    return (255 * tile ** (1 / 2.2)).astype(np.uint8)


def blob_outline(rng, middle, length, width, turn):
    t = np.linspace(0, 2 * np.pi, 90)
    ragged = 1 + sum(rng.normal(0, 0.12) * np.sin(k * t + rng.uniform(0, 6.3)) for k in range(2, 9))
    x, y = length * np.cos(t) * ragged, width * np.sin(t) * ragged
    return np.column_stack(
        [middle[0] + x * np.cos(turn) - y * np.sin(turn), middle[1] + x * np.sin(turn) + y * np.cos(turn)]
    )


def fill_over(picture, outline, colour, opacity):
    mask = np.zeros((picture.shape[0] * 2, picture.shape[1] * 2), np.uint8)
    cv2.fillPoly(mask, [np.round(outline * 2).astype(np.int32)], 255)
    share = cv2.resize(mask, picture.shape[1::-1], interpolation=cv2.INTER_AREA).astype(np.float32)[..., None] / 255
    return picture * (1 - share * opacity) + np.asarray(colour, np.float32) * share * opacity


def stroke(picture, points, width, colour, strength):
    """Blend a thread-like stroke along points (N, 2) px into a float picture, in place."""
    low = np.maximum(np.floor(points.min(axis=0)).astype(int) - 4, 0)
    high = np.minimum(np.ceil(points.max(axis=0)).astype(int) + 5, picture.shape[1::-1])
    if np.any(high <= low):
        return picture
    part = picture[low[1] : high[1], low[0] : high[0]]
    part[:] = _stroked(part, points - low, width, colour, strength)
    return picture


def _stroked(picture, points, width, colour, strength):
    fine = np.zeros((picture.shape[0] * 2, picture.shape[1] * 2), np.uint8)
    cv2.polylines(fine, [np.round(points * 32).astype(np.int32)], False, 255, max(1, round(2 * width)), cv2.LINE_AA, 4)
    share = cv2.resize(fine, picture.shape[1::-1], interpolation=cv2.INTER_AREA).astype(np.float32)[..., None] / 255
    return picture * (1 - share * strength) + np.asarray(colour, np.float32) * share * strength


def thread(rng, length):
    """Return the points of a curved thread about the origin."""
    n = 40
    bend = rng.normal(0, 1.5) / n + np.cumsum(rng.normal(0, 0.6 / n, n))
    heading = rng.uniform(0, 2 * np.pi) + np.cumsum(bend)
    step = length / n
    return np.column_stack([np.cumsum(np.cos(heading)), np.cumsum(np.sin(heading))]) * step


def dress(rng, picture):
    """Add to a float picture what is on and under a coat but no pinhole; returns it and the fills' outlines."""
    outlines = []
    for _ in range(rng.integers(0, 4)):
        tint = rng.choice([(110, 160, 225), (40, 40, 40), (230, 230, 230), (160, 90, 40), (60, 120, 180)])
        outline = blob_outline(
            rng, rng.uniform(0, SIDE, 2), rng.uniform(30, 260), rng.uniform(4, 60), rng.uniform(0, np.pi)
        )
        outlines.append(outline)
        picture = fill_over(picture, outline, np.asarray(tint) * rng.uniform(0.7, 1.05), rng.uniform(0.75, 1))
    for _ in range(rng.integers(3, 22)):
        points = rng.uniform(0, SIDE, 2) + thread(rng, rng.uniform(6, 110))
        light = rng.random() < 0.8
        colour = rng.uniform(200, 255) if light else rng.uniform(0, 80)
        picture = stroke(picture, points, rng.uniform(0.5, 2.2), (colour,) * 3, rng.uniform(0.15, 0.8))
    grain = rng.uniform(0, np.pi)
    for _ in range(rng.integers(0, 140)):
        length, start = rng.uniform(4, 30), rng.uniform(0, SIDE, 2)
        turn = grain + rng.normal(0, 0.04)
        ends = np.array([[0, 0], [np.cos(turn), np.sin(turn)]]) * length + start
        width, strength = rng.uniform(0.6, 2.2), rng.uniform(0.05, 0.35)
        picture = stroke(picture, ends, width, (40, 45, 55), strength)
        middle = ends.mean(axis=0)
        picture = stroke(picture, middle + 0.55 * (ends - middle), width, (40, 45, 55), strength)
    for _ in range(rng.integers(0, 5)):
        turn, start = rng.uniform(0, np.pi), rng.uniform(0, SIDE, 2)
        ends = np.array([[-1, -1], [1, 1]]) * [np.cos(turn), np.sin(turn)] * rng.uniform(20, 300) + start
        colour = rng.choice([60.0, 235.0])
        picture = stroke(picture, ends, rng.uniform(0.5, 3), (colour,) * 3, rng.uniform(0.05, 0.6))
    return picture, outlines


def lit(rng, picture, sanded):
    """Add a lamp's fall-off, reflections and haze to a float picture."""
    y, x = np.mgrid[0:SIDE, 0:SIDE].astype(np.float32) / SIDE - 0.5
    turn = rng.uniform(0, 2 * np.pi)
    picture = picture * (1 + rng.uniform(0, 0.5) * (x * np.cos(turn) + y * np.sin(turn)))[..., None]
    if sanded:
        cloud = cv2.GaussianBlur(rng.standard_normal((SIDE, SIDE)).astype(np.float32), (0, 0), rng.uniform(20, 90))
        cloud = cloud / cloud.std()
        haze = np.clip(rng.uniform(0.15, 0.5) * (1 + 0.6 * np.tanh(2 * cloud)), 0, 0.8)[..., None]
        picture = picture * (1 - haze) + 205 * haze
        for _ in range(rng.integers(0, 60)):
            r, middle = rng.uniform(10, 120), rng.uniform(0, SIDE, 2)
            t = np.linspace(0, rng.uniform(0.3, 3), 30) + rng.uniform(0, 6.3)
            arc = middle + r * np.column_stack([np.cos(t), np.sin(t)])
            picture = stroke(picture, arc, rng.uniform(0.5, 1.5), (225,) * 3, rng.uniform(0.02, 0.15))
    for _ in range(rng.integers(0, 3)):
        turn, at = rng.uniform(0, np.pi), rng.uniform(-0.4, 0.4)
        across = np.abs(x * np.cos(turn) + y * np.sin(turn) - at)
        along = np.abs(-x * np.sin(turn) + y * np.cos(turn) - rng.uniform(-0.3, 0.3))
        soft = rng.uniform(0.002, 0.03)
        bar = 1 / (1 + np.exp((across - rng.uniform(0.01, 0.08)) / soft))
        bar = bar / (1 + np.exp((along - rng.uniform(0.1, 0.6)) / soft))
        picture = picture + bar[..., None] * rng.uniform(20, 60 if sanded else 220) * np.array([0.92, 0.97, 1.0])
    return picture


def photographed(rng, picture, bare):
    """Photograph a picture with pinholes, and the bare one: blur, noise, sharpening and JPEG.

    Returns the photo, its blur (1 sigma, px), the pinholes' grey signal free of noise, and the bare photo's grey.
    """
    blur = float(rng.uniform(0.35, 1.6))
    seen, plain = (cv2.GaussianBlur(p.astype(np.float32), (0, 0), blur) for p in (picture, bare))
    noise = rng.standard_normal(seen.shape).astype(np.float32)
    noise = cv2.GaussianBlur(noise, (0, 0), 0.6) * 2.0
    noise *= np.float32(rng.uniform(0.3, 3.0))
    sharpen = np.float32(rng.uniform(0, 0.9))
    quality = int(rng.integers(78, 97))
    photo, without = (developed(p + noise * np.sqrt(np.maximum(p, 8) / 128), sharpen) for p in (seen, plain))
    signal = grey_of(sharpened(seen, sharpen)) - grey_of(sharpened(plain, sharpen))
    _, data = cv2.imencode(".jpg", photo, [cv2.IMWRITE_JPEG_QUALITY, quality])
    return cv2.imdecode(data, cv2.IMREAD_COLOR), effective_blur(blur, float(sharpen)), signal, grey_of(without)


def sharpened(picture, sharpen):
    return picture + sharpen * (picture - cv2.GaussianBlur(picture, (0, 0), 1.1))


def developed(picture, sharpen):
    return np.clip(np.round(sharpened(picture, sharpen)), 0, 255).astype(np.uint8)


def grey_of(picture):
    return cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY).astype(np.float32)


def effective_blur(blur, sharpen):
    """Return the Gaussian blur, px, whose MTF50 is that of a blur sharpened by an unsharp mask of 1.1 px."""
    f = np.linspace(0.01, 1.0, 400)
    mtf = np.exp(-2 * (np.pi * blur * f) ** 2) * (1 + sharpen * (1 - np.exp(-2 * (np.pi * 1.1 * f) ** 2)))
    return SIGMA_BY_MTF50 / f[np.argmax(mtf < 0.5)]


def spread_out(places, least):
    """Return the indices of places (N, 2), none nearer than ``least`` to one before it."""
    kept = []
    for i, place in enumerate(places):
        if all(np.hypot(*(place - places[j])) >= least for j in kept):
            kept.append(i)
    return np.asarray(kept, dtype=int)


def scene(rng):
    """Return a photo, its planted pinholes with their indices of detectability, and its blur."""
    base = wood_picture(rng)
    sanded = bool(rng.random() < 0.45)
    dressed, outlines = dress(rng, base.astype(np.float32))
    picture = lit(rng, dressed, sanded)
    picture = np.clip(picture, 0, 255).astype(np.uint8)
    free = np.zeros((SIDE, SIDE), np.uint8)
    free[12:-12, 12:-12] = 1
    at_rims = np.concatenate([o + rng.normal(0, 6, o.shape) for o in outlines] or [np.zeros((0, 2))])
    at_rims = at_rims[np.all((at_rims > 15) & (at_rims < SIDE - 15), axis=1)]
    at_rims = at_rims[rng.random(len(at_rims)) < rng.uniform(0, 0.25)]
    apart = rng.uniform(14, 40)
    places = places_apart(free, int(rng.integers(30, 110)), apart, rng, taken_px=at_rims)
    places = np.concatenate([places, at_rims[spread_out(at_rims, 12.0)]])
    sizes = np.clip(np.exp(rng.normal(np.log(5.5), 0.62, len(places))), 1.6, LARGEST_PX)
    plants = [Plant(float(x), float(y), float(d)) for (x, y), d in zip(places, sizes, strict=True)]
    planted = plant(picture, plants, rng, sanded=sanded, blur_px=0.3, settings=LAMP_SETTINGS)
    photo, blur, signal, bare = photographed(rng, planted, picture)
    reach = [RIM_RADII * p.diameter_px / 2 + 2 * blur + 1 for p in plants]
    told = [detectability(signal, bare, None, (p.x_px, p.y_px), r) for p, r in zip(plants, reach, strict=True)]
    return photo, plants, told, blur
