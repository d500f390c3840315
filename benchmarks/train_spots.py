"""Train the classifier that tells pinholes from what only looks like them.

    python benchmarks/train_spots.py [--scenes 240] [--wood FOLDER ...] [--out voidmap/coat/classifier.json]

Scenes are made on the fly: wood of many kinds at any turn and scale (or tiles of pictures of real bare wood, given
with --wood), tinted fills, lint, pores, scratches, pencil, glare, sanded haze; pinholes planted in them; then blur,
noise, sharpening and JPEG as a phone does. Prints the figures on scenes not trained on.
"""

from __future__ import annotations

import argparse
import json
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np

from voidmap.coat.blur import SIGMA_BY_MTF50
from voidmap.coat.candidates import DISC_RADIUS_SIGMAS, find_candidates, pyramid
from voidmap.coat.features import features, ground_noise, ring_samples
from voidmap.coat.plant import Plant, places_apart, plant
from voidmap.coat.spots import LEAST_NOISE
from voidmap.simulate.grid import Grid
from voidmap.simulate.wood import SPECIES, Knot, paint_knot, wood_albedo

SIDE = 900
LARGEST_PX = 30.0
HIDDEN = (48, 24)


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


def real_tile(rng, pictures):
    """Return a tile of a picture of real wood at a random turn and scale."""
    picture = pictures[rng.integers(len(pictures))]
    reach = min(picture.shape[:2])
    zoom = float(np.exp(rng.uniform(np.log(0.9), np.log(1.6)))) * SIDE / reach
    middle = (
        rng.uniform(reach / 2, picture.shape[1] - reach / 2 + 1e-3),
        rng.uniform(reach / 2, picture.shape[0] - reach / 2 + 1e-3),
    )
    matrix = cv2.getRotationMatrix2D(middle, rng.uniform(0, 360), zoom)
    matrix[:, 2] += SIDE / 2 - np.asarray(middle)
    return cv2.warpAffine(picture, matrix, (SIDE, SIDE), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101)


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


def photographed(rng, picture):
    """Blur, noise, sharpening and JPEG; returns the photo and its blur (1 sigma, px)."""
    blur = float(rng.uniform(0.35, 1.6))
    seen = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), blur)
    noise = rng.standard_normal(seen.shape).astype(np.float32)
    noise = cv2.GaussianBlur(noise, (0, 0), 0.6) * 2.0
    seen = seen + noise * np.float32(rng.uniform(0.3, 3.0)) * np.sqrt(np.maximum(seen, 8) / 128)
    sharpen = float(rng.uniform(0, 0.9))
    seen = seen + np.float32(sharpen) * (seen - cv2.GaussianBlur(seen, (0, 0), 1.1))
    photo = np.clip(np.round(seen), 0, 255).astype(np.uint8)
    _, data = cv2.imencode(".jpg", photo, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(78, 97))])
    return cv2.imdecode(data, cv2.IMREAD_COLOR), effective_blur(blur, sharpen)


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


def scene(rng, pictures):
    """Return a photo, its planted pinholes and its blur."""
    base = real_tile(rng, pictures) if pictures and rng.random() < 0.35 else wood_picture(rng)
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
    planted = plant(picture, plants, rng, sanded=sanded, blur_px=0.3)
    photo, blur = photographed(rng, planted)
    return photo, plants, blur


def rows(rng, pictures):
    """Return features, labels, log size ratios and weights of one scene's candidates."""
    photo, plants, blur = scene(rng, pictures)
    return rows_of(photo, plants, blur)


def rows_of(photo, plants, blur, look=None):
    """Return the same of a given photo with known pinholes; ``look`` limits it."""
    from scipy.spatial import KDTree

    grey = cv2.cvtColor(photo, cv2.COLOR_BGR2GRAY)
    levels = pyramid(grey, LARGEST_PX)
    found = find_candidates(levels, np.full(grey.shape, 255, np.uint8) if look is None else look)
    samples = ring_samples(levels, found)
    figures = features(samples, found, noise=ground_noise(samples, floor=LEAST_NOISE), blur_px=blur)
    truth = np.array([(p.x_px, p.y_px) for p in plants]).reshape(-1, 2)
    size = np.array([p.diameter_px for p in plants])
    if len(truth) == 0:
        return figures, np.zeros(len(found)), np.zeros(len(found)), np.ones(len(found))
    away, which = KDTree(truth).query(np.column_stack([found.x_px, found.y_px]))
    centre = np.maximum(1.5, 0.22 * size[which])
    label = (away <= centre).astype(float)
    doubtful = (away > centre) & (away <= np.maximum(2.5, 0.4 * size[which]))
    ratio = np.log(size[which] / (2 * DISC_RADIUS_SIGMAS * found.sigma_px))
    label[(label > 0) & (np.abs(ratio) > 1.2)] = 0
    return figures, label, ratio, np.where(doubtful, 0.0, 1.0)


def forward(x, net):
    hidden = [x]
    for w, b in net[:-1]:
        hidden.append(np.maximum(hidden[-1] @ w + b, 0))
    return hidden, hidden[-1] @ net[-1][0] + net[-1][1]


def loss_gradient(out, label, ratio, weight):
    """Gradient of the loss by the outputs: logit, log size, log spread of the log size."""
    p = 1 / (1 + np.exp(-np.clip(out[:, 0], -60, 60)))
    spread = np.clip(out[:, 2], -3.5, 1.0)
    miss = out[:, 1] - ratio
    inverse = np.exp(-2 * spread)
    mine = label * weight
    gradient = np.column_stack(
        [weight * (p - label), mine * np.clip(miss * inverse, -20, 20), mine * (1 - miss * miss * inverse)]
    )
    gradient[:, 2] = np.clip(gradient[:, 2], -10, 3)
    return gradient / len(out)


def train(x, label, ratio, weight, rng, epochs=24):
    """Fit the net by Adam."""
    sizes = [x.shape[1], *HIDDEN, 3]
    net = [
        [rng.normal(0, np.sqrt(2 / a), (a, b)).astype(np.float32), np.zeros(b, np.float32)] for a, b in pairwise(sizes)
    ]
    first = [[np.zeros_like(p) for p in layer] for layer in net]
    second = [[np.zeros_like(p) for p in layer] for layer in net]
    step = 0
    batch = 512
    total = epochs * (len(x) // batch)
    for _ in range(epochs):
        order = rng.permutation(len(x))
        for start in range(0, len(x) - batch + 1, batch):
            at = order[start : start + batch]
            hidden, out = forward(x[at], net)
            gradient = loss_gradient(out, label[at], ratio[at], weight[at]).astype(np.float32)
            step += 1
            rate = 3e-3 * 0.5 * (1 + np.cos(np.pi * step / total))
            for k in range(len(net) - 1, -1, -1):
                w = net[k][0]
                parts = [hidden[k].T @ gradient + 1e-4 * w, gradient.sum(axis=0)]
                if k:
                    gradient = (gradient @ w.T) * (hidden[k] > 0)
                for j in range(2):
                    first[k][j] += 0.1 * (parts[j] - first[k][j])
                    second[k][j] += 0.01 * (parts[j] ** 2 - second[k][j])
                    a = first[k][j] / (1 - 0.9**step)
                    b = second[k][j] / (1 - 0.99**step)
                    net[k][j] -= (rate * a / (np.sqrt(b) + 1e-8)).astype(np.float32)
    return net


def report(x, label, ratio, weight, net):
    _, out = forward(x, net)
    p = 1 / (1 + np.exp(-np.clip(out[:, 0], -60, 60)))
    use = weight > 0
    for cut in (0.3, 0.5, 0.7):
        called = use & (p > cut)
        true = called & (label > 0)
        print(f"  p > {cut}: precision {true.sum() / max(1, called.sum()):.3f}  recall {true.sum() / label.sum():.3f}")
    for low in np.arange(0, 1, 0.2):
        at = use & (p >= low) & (p < low + 0.2)
        print(f"  said {p[at].mean():.2f}  is {label[at].mean():.2f}  ({at.sum()})")
    mine = (label > 0) & (p > 0.5)
    miss = out[mine, 1] - ratio[mine]
    inside = np.abs(miss) < 1.96 * np.exp(np.clip(out[mine, 2], -3.5, 1))
    print(f"  diameter: median error {np.median(np.abs(np.expm1(miss))):.3f}, 95 % interval holds {inside.mean():.3f}")


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scenes", type=int, default=240)
    parser.add_argument("--wood", type=Path, nargs="*", default=[])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--extra", type=Path, nargs="*", default=[], help=".npz files of rows made elsewhere")
    parser.add_argument("--save", type=Path)
    chosen = parser.parse_args()
    pictures = [cv2.imread(str(f)) for folder in chosen.wood for f in sorted(folder.glob("*.jpg"))]
    rng = np.random.default_rng(chosen.seed)
    sets = [rows(np.random.default_rng((chosen.seed, k)), pictures) for k in range(chosen.scenes)]
    if chosen.save:
        np.savez_compressed(chosen.save, **{f"{k}_{i}": a for k, s in enumerate(sets) for i, a in enumerate(s)})
    held = max(1, chosen.scenes // 6)
    x, label, ratio, weight = (np.concatenate([s[i] for s in sets[held:]]).astype(np.float32) for i in range(4))
    for file in chosen.extra:
        data = np.load(file)
        more = [np.concatenate([data[n] for n in data.files if n.endswith(f"_{i}")]) for i in range(4)]
        x, label, ratio, weight = (
            np.concatenate([a, b.astype(np.float32)]) for a, b in zip((x, label, ratio, weight), more, strict=True)
        )
    print(f"{len(x)} candidates, {int(label.sum())} pinholes")
    mean, spread = x.mean(axis=0), x.std(axis=0) + 1e-3
    net = train((x - mean) / spread, label, ratio, weight, rng)
    test = [np.concatenate([s[i] for s in sets[:held]]).astype(np.float32) for i in range(4)]
    report((test[0] - mean) / spread, *test[1:], net)
    if chosen.out:
        layers = [{"weight": np.round(w, 4).tolist(), "bias": np.round(b, 4).tolist()} for w, b in net]
        made = {"mean": np.round(mean, 5).tolist(), "spread": np.round(spread, 5).tolist(), "layers": layers}
        chosen.out.write_text(json.dumps(made) + "\n")


if __name__ == "__main__":
    main()
