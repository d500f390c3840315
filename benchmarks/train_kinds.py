"""Train the small model that names what was found (voidmap/surface/kinds.json) on simulated slabs.

    python benchmarks/train_kinds.py --whole 1:146 --both 2000:2017 --cache DIR --out voidmap/surface/kinds.json

Slabs, benches, lights and cameras are random (voidmap.simulate); a scene's seed says all. ``--whole`` seeds give
one photo of the whole slab, ``--both`` seeds a close view as well. Photos come also as another camera may have
developed them (see ``redeveloped``). Each candidate is labelled by what truly lies there. The model is a sum of
shallow decision trees with one value a label in each leaf (gradient boosting, J. H. Friedman, 2001); its chances are
calibrated on scenes held out from the trees. ``--cache`` keeps each scene's figures, so that another fit takes
minutes. Use seeds below 10000 here: the benchmarks judge on seeds from 100000.

The model as it is was fitted to 38,301 candidates of 174 photos made by earlier states of the simulator, a part of them
with their contrasts scaled in the figures instead, as the mean of fits of 80, 80 and 110 rounds with weights of 2.4, 6
and 4 on knot holes: the command makes one of the same kind, not the same to the last bit.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from scenes import THIN, laid_out, overlap, raster, simulated

from voidmap.model import Ortho, Plane, SlabFound
from voidmap.records import Kind
from voidmap.surface.candidates import find_candidates
from voidmap.surface.features import Candidate
from voidmap.surface.kinds import NOTHING

LABELS = [*(str(kind) for kind in Kind), NOTHING]
BINS, DEPTH, ROUNDS, RATE, FOLDS = 32, 4, 90, 0.12, 3
# The model is the mean of so many fits, each with its own draws: single fits differ at the border.
BAGS = 3
LEAST_LEAF, SHRINK = 15, 4.0
# Figures that say more of the simulator's paint than of voids: never offered to the trees.
PAINT = ("blue", "red", "black", "odd")
# Weights of rare labels: a wide void lost to a sound knot or a stain costs more than the reverse.
WEIGHTS = {"knot_hole": 4.0, "bark_void": 1.5, "seam_gap": 2.0}
# Knots of the map from raw to held-out chances of being a void.
MAP_KNOTS = 12

Row = tuple[dict[str, float], str]


def redeveloped(ortho: Ortho, slab: SlabFound, rng: np.random.Generator) -> tuple[Ortho, SlabFound]:
    """Return the picture as another lens, light and camera may have made it.

    Coarser scale, more blur, stray light that lifts the voids, another tone curve, colour, white balance, sharpening,
    noise and JPEG quality.
    """
    shrink = float(rng.uniform(0.6, 1.0)) if rng.random() < 0.5 and ortho.mm_per_px < 0.4 else 1.0
    picture = ortho.pixels.astype(np.float32)
    if rng.random() < 0.5:
        picture = cv2.GaussianBlur(picture, (0, 0), float(rng.uniform(0.3, 1.3)))
    bright = float(np.percentile(picture[::8, ::8][ortho.valid[::8, ::8]], 90))
    stray = float(rng.uniform(0, 0.22)) if rng.random() < 0.7 else 0.0
    picture = picture * (1 - stray) + stray * bright * np.exp(rng.normal(0, 0.05, 3)).astype(np.float32)
    curve = float(np.exp(rng.uniform(np.log(0.75), np.log(1.35))))
    picture = 255 * np.clip(picture / 255, 0, 1) ** curve
    grey = (picture @ np.array([0.114, 0.587, 0.299], np.float32))[..., None]
    picture = grey + (picture - grey) * float(rng.uniform(0.2, 1.4))
    picture = picture * np.exp(rng.normal(0, 0.08, 3)).astype(np.float32)
    if rng.random() < 0.5:
        soft = cv2.GaussianBlur(picture, (0, 0), float(rng.uniform(0.7, 1.5)))
        picture = picture + float(rng.uniform(0.2, 1.4)) * (picture - soft)
    picture = picture + rng.normal(0, float(rng.uniform(0, 4)), picture.shape[:2]).astype(np.float32)[..., None]
    coded = cv2.imencode(".jpg", np.clip(picture, 0, 255).astype(np.uint8), [1, int(rng.integers(55, 95))])[1]
    pixels = cv2.imdecode(coded, cv2.IMREAD_COLOR)
    return shrunk(replace(ortho, pixels=pixels), slab, shrink)


def shrunk(ortho: Ortho, slab: SlabFound, factor: float) -> tuple[Ortho, SlabFound]:
    """Return a picture and its slab at a coarser scale."""
    if factor == 1.0:
        return ortho, slab
    height, width = ortho.valid.shape
    size = (round(width * factor), round(height * factor))

    def small(mask: np.ndarray) -> np.ndarray:
        return cv2.resize(mask.astype(np.uint8) * 255, size, interpolation=cv2.INTER_AREA) > 127

    mm = ortho.mm_per_px * width / size[0]
    shift = (mm - ortho.mm_per_px) / 2
    pixels = cv2.resize(ortho.pixels, size, interpolation=cv2.INTER_AREA)
    ortho = Ortho(pixels, small(ortho.valid), ortho.x0_mm + shift, ortho.y0_mm + shift, mm)
    return ortho, replace(slab, mask=small(slab.mask), covered=small(slab.covered))


def label(truths: list[tuple], found: Candidate) -> str | None:
    """Say what truly lies where a candidate is; None where the truth is neither one thing nor another."""
    mask, corner = found.cover.mask, found.cover.corner
    best, name = 0.0, NOTHING
    for feature, true, wide, at in truths:
        near = overlap(mask, corner, wide, at)
        if not near:
            continue
        both = overlap(mask, corner, true, at)
        inside, iou = near / mask.sum(), both / (mask.sum() + true.sum() - both)
        fits = (inside > 0.6 or iou > 0.4) if feature["kind"] in THIN else iou > 0.5
        if fits and 1.0 + iou > best:
            best, name = 1.0 + iou, feature["kind"]
        elif best < 1.0 and feature["is_void"] and (inside > 0.3 or iou > 0.15):
            best, name = 0.5, ""
        elif best < 0.4 and feature["kind"] == "stain" and found.source == "patch" and inside > 0.6:
            best, name = 0.4, "stain"
    return name or None


def labelled(ortho: Ortho, slab: SlabFound, plane: Plane, truth: dict) -> list[Row]:
    """Return figures and label of each candidate that the truth speaks of."""
    truths = []
    for feature in truth["features"]:
        if len(feature["outline_px"]) > 2:
            true, at = raster(ortho, plane.to_mm(np.array(feature["outline_px"])))
            truths.append((feature, true, cv2.dilate(true.astype(np.uint8), np.ones((9, 9))).astype(bool), at))
    rows = [(found.features, label(truths, found)) for found in find_candidates(ortho, slab)]
    return [(figures, name) for figures, name in rows if name is not None]


def scene_rows(seed: int, close: bool, cache: Path | None) -> list[Row]:
    """Return the labelled candidates of one scene, as it is and redeveloped."""
    kept = cache / f"{seed}{'c' if close else 'w'}.json" if cache else None
    if kept and kept.exists():
        return [(dict(figures), name) for figures, name in json.loads(kept.read_text())]
    pixels, truth = simulated(seed, close=close)
    ortho, slab, plane = laid_out(pixels, truth)
    again = redeveloped(ortho, slab, np.random.default_rng([seed, 99, close]))
    rows = labelled(ortho, slab, plane, truth) + labelled(*again, plane, truth)
    if kept:
        kept.parent.mkdir(parents=True, exist_ok=True)
        kept.write_text(json.dumps(rows))
    return rows


def cuts_of(figures: np.ndarray) -> list[np.ndarray]:
    """Return the cut points of each feature: quantiles of what occurs."""
    shares = np.linspace(0, 1, BINS + 1)[1:-1]
    return [np.unique(np.round(np.quantile(column, shares), 4)) for column in figures.T]


def binned(figures: np.ndarray, cuts: list[np.ndarray]) -> np.ndarray:
    """Return the bin of each figure, (N, F)."""
    return np.column_stack([np.searchsorted(c, figures[:, f], side="left") for f, c in enumerate(cuts)])


def grow(bins: np.ndarray, slope: np.ndarray, bend: np.ndarray, rows: np.ndarray, depth: int, usable: np.ndarray):
    """Grow one tree that fits the slopes (N, K) of the likelihood by second-order steps: a leaf, or a split."""
    g, h = slope[rows].sum(axis=0), bend[rows].sum(axis=0)
    leaf = g / (h + SHRINK)
    if depth == 0 or len(rows) < 2 * LEAST_LEAF:
        return leaf
    kinds = slope.shape[1]
    flat_g, flat_h, each = slope[rows].ravel(), bend[rows].ravel(), np.arange(kinds)
    best, choice = 1e-2, None
    for f in usable:
        column = bins[rows, f]
        place = (column[:, None] * kinds + each).ravel()
        left_g = np.bincount(place, flat_g, BINS * kinds).reshape(BINS, kinds).cumsum(axis=0)
        left_h = np.bincount(place, flat_h, BINS * kinds).reshape(BINS, kinds).cumsum(axis=0)
        counts = np.bincount(column, minlength=BINS).cumsum()
        gain = left_g**2 / (left_h + SHRINK) + (g - left_g) ** 2 / (h - left_h + SHRINK) - g * g / (h + SHRINK)
        gain = np.where((counts < LEAST_LEAF) | (len(rows) - counts < LEAST_LEAF), 0.0, gain.sum(axis=1))
        k = int(np.argmax(gain))
        if gain[k] > best:
            best, choice = float(gain[k]), (int(f), k)
    if choice is None:
        return leaf
    low = bins[rows, choice[0]] <= choice[1]
    sides = (grow(bins, slope, bend, part, depth - 1, usable) for part in (rows[low], rows[~low]))
    return (*choice, *sides)


def values_of(tree, bins: np.ndarray) -> np.ndarray:
    """Return a tree's values (N, K) for rows of binned features."""
    if not isinstance(tree, tuple):
        return np.tile(tree, (len(bins), 1))
    low = bins[:, tree[0]] <= tree[1]
    out = np.empty((len(bins), len(LABELS)))
    out[low], out[~low] = values_of(tree[2], bins[low]), values_of(tree[3], bins[~low])
    return out


def softmax(scores: np.ndarray) -> np.ndarray:
    """Turn scores (N, K) into chances."""
    shifted = np.exp(scores - scores.max(axis=1, keepdims=True))
    return shifted / shifted.sum(axis=1, keepdims=True)


def boost(bins: np.ndarray, labels: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, list]:
    """Fit trees; return the starting scores and the trees."""
    target = np.eye(len(LABELS))[labels]
    weight = np.array([WEIGHTS.get(name, 1.0) for name in LABELS])[labels][:, None]
    start = np.log((target * weight).sum(axis=0) / weight.sum() + 1e-3)
    scores = np.tile(start, (len(labels), 1))
    trees = []
    for _ in range(ROUNDS):
        chance = softmax(scores)
        rows = np.flatnonzero(rng.random(len(labels)) < 0.6)
        usable = np.sort(rng.permutation(bins.shape[1])[: bins.shape[1] // 2])
        slope, bend = (target - chance) * weight, chance * (1 - chance) * weight
        trees.append(grow(bins, slope, bend, rows, DEPTH, usable))
        scores += RATE * values_of(trees[-1], bins)
    return start, trees


def scores_of(start: np.ndarray, trees: list, bins: np.ndarray) -> np.ndarray:
    """Return the scores (N, K) of a fitted model."""
    return start + RATE * sum(values_of(tree, bins) for tree in trees)


def temperature(scores: np.ndarray, labels: np.ndarray) -> float:
    """Return the divisor of held-out scores that makes their chances likeliest."""
    options = np.geomspace(0.5, 4.0, 60)
    losses = [-np.log(softmax(scores / t)[np.arange(len(labels)), labels] + 1e-12).mean() for t in options]
    return float(options[int(np.argmin(losses))])


def rising(values: np.ndarray) -> np.ndarray:
    """Return the nearest rising sequence (pool adjacent violators, R. E. Barlow and others, 1972)."""
    blocks: list[list[float]] = []
    for value in values:
        blocks.append([float(value), 1.0])
        while len(blocks) > 1 and blocks[-2][0] >= blocks[-1][0]:
            (a, n), (b, m) = blocks[-2:]
            blocks[-2:] = [[(a * n + b * m) / (n + m), n + m]]
    return np.concatenate([np.full(int(n), a) for a, n in blocks])


def void_map(raw: np.ndarray, is_void: np.ndarray) -> list[list[float]]:
    """Return knots [raw chances, held-out shares of voids] of a rising map."""
    order = np.argsort(raw)
    fitted = rising(is_void[order].astype(float))
    knots = np.linspace(0.0, 1.0, MAP_KNOTS)
    near = [np.abs(raw[order] - k) <= 0.5 / (MAP_KNOTS - 1) for k in knots]
    shares = [float(fitted[n].mean()) if n.sum() >= 10 else float(k) for n, k in zip(near, knots, strict=True)]
    return [[round(float(k), 4) for k in knots], [round(float(v), 4) for v in rising(np.array(shares))]]


def plain(tree, names: list[str], cuts: list[np.ndarray]) -> list:
    """Write a tree as nested lists: a leaf's values, or [feature, cut, low, high]; low is figure <= cut."""
    if not isinstance(tree, tuple):
        return [round(float(RATE * v / BAGS), 3) for v in tree]
    return [names[tree[0]], float(cuts[tree[0]][tree[1]]), *(plain(side, names, cuts) for side in tree[2:])]


def train(names: list[str], figures: np.ndarray, labels: np.ndarray, groups: np.ndarray) -> dict:
    """Fit the model, and its calibration by cross-validation over scenes."""
    rng = np.random.default_rng(4)
    cuts = cuts_of(figures)
    bins = binned(figures, cuts)
    held = np.empty((len(labels), len(LABELS)))
    for fold in range(FOLDS):
        out = groups % FOLDS == fold
        held[out] = scores_of(*boost(bins[~out], labels[~out], rng), bins[out])
    warmth = temperature(held, labels)
    chances = softmax(held / warmth)
    voids = np.array([name != NOTHING and Kind(name).is_void for name in LABELS])
    raw = chances[:, voids].sum(axis=1)
    right = chances.argmax(axis=1) == labels
    print(f"candidates {len(labels)}  held-out label right {right.mean():.3f}  temperature {warmth:.2f}")
    for k, name in enumerate(LABELS):
        own = labels == k
        print(f"  {name:12s} {own.sum():5d}  right {right[own].mean() if own.any() else 0:.3f}")
    called = raw > 0.5
    true = voids[labels]
    print(f"  void or not: recall {called[true].mean():.3f}  precision {true[called].mean():.3f}")
    fits = [boost(bins, labels, rng) for _ in range(BAGS)]
    start = fits[0][0]
    trees = [tree for _, grown in fits for tree in grown]
    return {
        "labels": LABELS,
        "temperature": round(warmth, 3),
        "void_map": void_map(raw, true),
        "start": [round(float(v), 4) for v in start],
        "trees": [plain(tree, names, cuts) for tree in trees],
    }


def seeds_of(text: str) -> range:
    """Read FIRST:END."""
    first, end = (int(part) for part in text.split(":"))
    return range(first, end)


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--whole", type=seeds_of, default=range(1, 146))
    ask.add_argument("--both", type=seeds_of, default=range(2000, 2017))
    ask.add_argument("--cache", type=Path)
    ask.add_argument("--out", type=Path, default=Path("voidmap/surface/kinds.json"))
    given = ask.parse_args()
    views = [(s, False) for s in (*given.whole, *given.both)] + [(s, True) for s in given.both]
    rows: list[Row] = []
    groups: list[int] = []
    for seed, close in views:
        found = scene_rows(seed, close, given.cache)
        rows += found
        groups += [seed] * len(found)
        print(seed, len(rows), flush=True)
    names = sorted(set(rows[0][0]) - set(PAINT))
    figures = np.array([[figures[n] for n in names] for figures, _ in rows])
    labels = np.array([LABELS.index(name) for _, name in rows])
    given.out.write_text(json.dumps(train(names, figures, labels, np.array(groups)), separators=(",", ":")))


if __name__ == "__main__":
    main()
