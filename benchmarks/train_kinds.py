"""Train the small model that names what was found (voidmap/surface/kinds.json) on simulated slabs.

    python benchmarks/train_kinds.py --first 1 --count 120 --out voidmap/surface/kinds.json

Slabs, benches, lights and cameras are random (voidmap.simulate); a scene's seed says all. Each candidate of each
scene is labelled by what truly lies there. The model is a sum of shallow decision trees (gradient boosting, J. H.
Friedman, 2001) with one score a label; its chances are calibrated on scenes held out from the trees. Use seeds
below 10000 here: the benchmarks judge on seeds from 100000.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import cv2
import numpy as np

from voidmap.model import Lens, Ortho, Photo, Plane, SlabFound
from voidmap.records import Kind
from voidmap.scale import rectify
from voidmap.simulate.photograph import photograph
from voidmap.simulate.scene import illuminate, photo_truth, random_scene, scene_truth
from voidmap.surface import find_slab
from voidmap.surface.candidates import find_candidates
from voidmap.surface.features import Candidate
from voidmap.surface.kinds import NOTHING

LABELS = [*(str(kind) for kind in Kind), NOTHING]
THIN = ("crack", "seam_gap", "hole")
BINS, DEPTH, ROUNDS, RATE = 32, 3, 70, 0.15
LEAST_LEAF, SHRINK = 20.0, 6.0
# Figures that say more of the simulator's paint than of voids: never offered to the trees.
PAINT = ("blue", "red", "black", "odd")
# Real voids are lit less or more than simulated ones: each scene comes a second time with its contrasts scaled by a
# random factor in this range.
LEAST_CONTRAST, MOST_CONTRAST = 0.3, 1.1
CONTRASTS = ("dark_low", "dark_middle", "dark_high", "dark_spread", "step", "collar", "score")
ROUGHNESSES = ("rough_along", "rough_across", "rough_fine")


def simulated(seed: int) -> tuple[np.ndarray, dict]:
    """Return the photo and the truth of one random scene."""
    chance = np.random.default_rng([seed, 77])
    megapixels, busy = float(chance.choice([6, 8, 10, 12])), float(chance.uniform(0.7, 1.5))
    scene = random_scene(seed, views=1, megapixels=megapixels, busy=busy)
    lit = illuminate(scene.slab, scene.light)
    pixels = photograph(lit, scene.cameras[0], np.random.default_rng([seed, 1000]), scene.sheets)
    return pixels, photo_truth(scene_truth(scene.slab, scene.sheets, scene.light), scene.cameras[0])


def true_plane(truth: dict) -> Plane:
    """Return the plane that the truth file states (slab frame of the truth, depth away from the camera)."""
    camera = truth["camera"]
    k, dist = np.array(camera["K"]), np.array(camera["dist"], dtype=float)
    turn, shift = np.array(camera["R"]), np.array(camera["t"], dtype=float)
    lens = Lens(k[0, 0], k[1, 1], k[0, 2], k[1, 2], *(float(v) for v in dist[:5]), source="file")
    row = np.concatenate([cv2.Rodrigues(turn)[0].ravel(), shift, [k[0, 0], k[1, 1], k[0, 2], k[1, 2]], dist[:5]])
    patterns = []
    for board in truth["boards"]:
        a = np.deg2rad(board["angle_deg"])
        spin = np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
        corners = np.array([[0, 0], [210, 0], [210, 150], [0, 150]]) @ spin
        patterns.append(corners + np.array([board["x_mm"], board["y_mm"]]))
    return Plane(tuple(camera["size"]), lens, turn, shift, row[None], "boards", patterns_mm=tuple(patterns))


def laid_out(pixels: np.ndarray, truth: dict) -> tuple[Ortho, SlabFound, Plane]:
    """Rectify a photo by its true plane and find the slab."""
    plane = true_plane(truth)
    ortho = rectify(Photo("simulated", "", pixels), plane)
    return ortho, find_slab(ortho, plane.patterns_mm, camera_mm=plane.camera_mm), plane


def raster(ortho: Ortho, outline_mm: np.ndarray) -> tuple[np.ndarray, tuple[int, int]]:
    """Return an outline's mask on a box of the ortho picture and the box's corner."""
    points = ortho.to_px(outline_mm)
    low = np.floor(points.min(axis=0)).astype(int) - 12
    size = np.ceil(points.max(axis=0)).astype(int) + 13 - low
    mask = np.zeros((size[1], size[0]), np.uint8)
    cv2.fillPoly(mask, [np.round((points - low) * 16).astype(np.int32)], 1, shift=4)
    return mask.astype(bool), (int(low[0]), int(low[1]))


def overlap(a: np.ndarray, at: tuple[int, int], b: np.ndarray, bt: tuple[int, int]) -> float:
    """Count of pixels that two boxed masks share."""
    left, top = max(at[0], bt[0]), max(at[1], bt[1])
    right, bottom = min(at[0] + a.shape[1], bt[0] + b.shape[1]), min(at[1] + a.shape[0], bt[1] + b.shape[0])
    if right <= left or bottom <= top:
        return 0.0
    one = a[top - at[1] : bottom - at[1], left - at[0] : right - at[0]]
    return float((one & b[top - bt[1] : bottom - bt[1], left - bt[0] : right - bt[0]]).sum())


def label(ortho: Ortho, features: list[dict], outlines_mm: list[np.ndarray], found: Candidate) -> str | None:
    """Say what truly lies where a candidate is; None where the truth is neither one thing nor another."""
    mask, corner = found.cover.mask, found.cover.corner
    best, name = 0.0, NOTHING
    for feature, outline in zip(features, outlines_mm, strict=True):
        true, at = raster(ortho, outline)
        wide = cv2.dilate(true.astype(np.uint8), np.ones((9, 9), np.uint8)).astype(bool)
        near = overlap(mask, corner, wide, at)
        if not near:
            continue
        both = overlap(mask, corner, true, at)
        inside, iou = near / mask.sum(), both / (mask.sum() + true.sum() - both)
        if feature["kind"] in THIN:
            fits = inside > 0.6 or iou > 0.4
        else:
            fits = iou > 0.5
        if fits and 1.0 + iou > best:
            best, name = 1.0 + iou, feature["kind"]
        elif best < 1.0 and feature["is_void"] and (inside > 0.3 or iou > 0.15):
            best, name = 0.5, ""
        elif best < 0.4 and feature["kind"] == "stain" and found.source == "patch" and inside > 0.6:
            best, name = 0.4, "stain"
    return name or None


def table(seeds: range) -> tuple[list[str], np.ndarray, np.ndarray, np.ndarray]:
    """Return feature names, figures (N, F), labels (N,) and the seed (N,) of all candidates of some scenes."""
    rows, labels, groups = [], [], []
    names: list[str] = []
    for seed in seeds:
        pixels, truth = simulated(seed)
        ortho, slab, plane = laid_out(pixels, truth)
        seen = [f for f in truth["features"] if len(f["outline_px"]) > 2]
        outlines = [plane.to_mm(np.array(f["outline_px"])) for f in seen]
        for found in find_candidates(ortho, slab):
            name = label(ortho, seen, outlines, found)
            if name is not None:
                names = sorted(found.features)
                rows.append([found.features[n] for n in names])
                labels.append(LABELS.index(name))
                groups.append(seed)
        print(seed, len(rows), flush=True)
    return names, np.array(rows), np.array(labels), np.array(groups)


def cuts_of(figures: np.ndarray) -> list[np.ndarray]:
    """Return the cut points of each feature: quantiles of what occurs."""
    shares = np.linspace(0, 1, BINS + 1)[1:-1]
    return [np.unique(np.round(np.quantile(column, shares), 4)) for column in figures.T]


def grow(
    bins: np.ndarray, gradient: np.ndarray, weight: np.ndarray, rows: np.ndarray, depth: int, usable: np.ndarray
) -> dict:
    """Grow one tree that fits a gradient by second-order steps."""
    g, h = gradient[rows].sum(), weight[rows].sum()
    leaf = {"value": float(g / (h + SHRINK))}
    if depth == 0 or h < 2 * LEAST_LEAF * 0.1 or len(rows) < 2 * LEAST_LEAF:
        return leaf
    best, choice = 1e-3, None
    for f in usable:
        column = bins[rows, f]
        counts = np.cumsum(np.bincount(column, minlength=BINS))
        left_g = np.cumsum(np.bincount(column, gradient[rows], minlength=BINS))
        left_h = np.cumsum(np.bincount(column, weight[rows], minlength=BINS))
        gain = left_g**2 / (left_h + SHRINK) + (g - left_g) ** 2 / (h - left_h + SHRINK) - g * g / (h + SHRINK)
        gain[(counts < LEAST_LEAF) | (len(rows) - counts < LEAST_LEAF)] = 0.0
        k = int(np.argmax(gain))
        if gain[k] > best:
            best, choice = float(gain[k]), (int(f), k)
    if choice is None:
        return leaf
    f, k = choice
    low = bins[rows, f] <= k
    return {
        "feature": f,
        "bin": k,
        "low": grow(bins, gradient, weight, rows[low], depth - 1, usable),
        "high": grow(bins, gradient, weight, rows[~low], depth - 1, usable),
    }


def values_of(tree: dict, bins: np.ndarray) -> np.ndarray:
    """Return a tree's value for each row of binned features."""
    if "value" in tree:
        return np.full(len(bins), tree["value"])
    low = bins[:, tree["feature"]] <= tree["bin"]
    out = np.empty(len(bins))
    out[low], out[~low] = values_of(tree["low"], bins[low]), values_of(tree["high"], bins[~low])
    return out


def softmax(scores: np.ndarray) -> np.ndarray:
    """Turn scores (N, K) into chances."""
    shifted = np.exp(scores - scores.max(axis=1, keepdims=True))
    return shifted / shifted.sum(axis=1, keepdims=True)


def boost(
    figures: np.ndarray, labels: np.ndarray, cuts: list[np.ndarray], rng: np.random.Generator
) -> tuple[np.ndarray, list[list[dict]]]:
    """Fit trees; return the starting scores and, round by round, one tree a label."""
    bins = np.column_stack([np.searchsorted(c, figures[:, f], side="left") for f, c in enumerate(cuts)])
    target = np.eye(len(LABELS))[labels]
    start = np.log(target.mean(axis=0) + 1e-3)
    scores = np.tile(start, (len(labels), 1))
    rounds = []
    for _ in range(ROUNDS):
        chance = softmax(scores)
        rows = np.nonzero(rng.random(len(labels)) < 0.7)[0]
        usable = np.sort(rng.permutation(figures.shape[1])[: max(4, figures.shape[1] // 2)])
        trees = []
        for k in range(len(LABELS)):
            tree = grow(bins, target[:, k] - chance[:, k], chance[:, k] * (1 - chance[:, k]), rows, DEPTH, usable)
            scores[:, k] += RATE * values_of(tree, bins)
            trees.append(tree)
        rounds.append(trees)
    return start, rounds


def scores_of(start: np.ndarray, rounds: list[list[dict]], cuts: list[np.ndarray], figures: np.ndarray) -> np.ndarray:
    """Return the scores (N, K) of a fitted model."""
    bins = np.column_stack([np.searchsorted(c, figures[:, f], side="left") for f, c in enumerate(cuts)])
    scores = np.tile(start, (len(figures), 1))
    for trees in rounds:
        for k, tree in enumerate(trees):
            scores[:, k] += RATE * values_of(tree, bins)
    return scores


def temperature(scores: np.ndarray, labels: np.ndarray) -> float:
    """Return the divisor of held-out scores that makes their chances likeliest."""
    options = np.geomspace(0.5, 4.0, 60)
    losses = [-np.log(softmax(scores / t)[np.arange(len(labels)), labels] + 1e-12).mean() for t in options]
    return float(options[int(np.argmin(losses))])


def plain(tree: dict, names: list[str], cuts: list[np.ndarray]) -> list:
    """Write a tree as nested lists: [value] or [feature, cut, low, high]; low is figure <= cut."""
    if "value" in tree:
        return [round(RATE * tree["value"], 4)]
    cut = float(cuts[tree["feature"]][tree["bin"]])
    low, high = (plain(tree[side], names, cuts) for side in ("low", "high"))
    return [names[tree["feature"]], cut, low, high]


def varied(
    names: list[str], figures: np.ndarray, groups: np.ndarray, rng: np.random.Generator
) -> tuple[list[str], np.ndarray]:
    """Drop the paint, and append each scene once more with scaled contrasts."""
    kept = [n for n in names if n not in PAINT]
    plain_figures = figures[:, [names.index(n) for n in kept]]
    factors = np.exp(rng.uniform(np.log(LEAST_CONTRAST), np.log(MOST_CONTRAST), int(groups.max()) + 1))[groups]
    scaled = plain_figures.copy()
    for name in CONTRASTS:
        scaled[:, kept.index(name)] *= factors
    for name in ROUGHNESSES:
        # A roughness of exactly zero says that the thing is too small to tell.
        column = scaled[:, kept.index(name)]
        column[column != 0.0] += np.broadcast_to(np.log(factors), column.shape)[column != 0.0]
    return kept, np.vstack([plain_figures, scaled])


def train(names: list[str], figures: np.ndarray, labels: np.ndarray, groups: np.ndarray) -> dict:
    """Fit the model, and its calibration by five-fold cross-validation over scenes."""
    rng = np.random.default_rng(4)
    names, figures = varied(names, figures, groups, rng)
    labels, groups = np.tile(labels, 2), np.tile(groups, 2)
    cuts = cuts_of(figures)
    held = np.empty((len(labels), len(LABELS)))
    for fold in range(5):
        out = groups % 5 == fold
        held[out] = scores_of(*boost(figures[~out], labels[~out], cuts, rng), cuts, figures[out])
    warmth = temperature(held, labels)
    right = softmax(held).argmax(axis=1) == labels
    print(f"candidates {len(labels)}  held-out label right {right.mean():.3f}  temperature {warmth:.2f}")
    for k, name in enumerate(LABELS):
        own = labels == k
        print(f"  {name:12s} {own.sum():5d}  right {right[own].mean() if own.any() else 0:.3f}")
    start, rounds = boost(figures, labels, cuts, rng)
    return {
        "labels": LABELS,
        "temperature": round(warmth, 3),
        "start": [round(float(v), 4) for v in start],
        "rounds": [[plain(tree, names, cuts) for tree in trees] for trees in rounds],
    }


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--first", type=int, default=1)
    ask.add_argument("--count", type=int, default=120)
    ask.add_argument("--out", type=Path, default=Path("voidmap/surface/kinds.json"))
    given = ask.parse_args()
    model = train(*table(range(given.first, given.first + given.count)))
    given.out.write_text(json.dumps(model, separators=(",", ":")))


if __name__ == "__main__":
    main()
