"""Train the small model that names what was found (voidmap/surface/kinds.json) on simulated slabs.

    python benchmarks/train_kinds.py --cache DIR --out voidmap/surface/kinds.json

Slabs, benches, lights and cameras are random (voidmap.simulate); a scene's seed says all (``kind_rows.FAMILIES``).
Every scene gives one photo of the whole slab, some a close view as well, each also as other cameras may have developed
it. Each candidate is labelled by what truly lies there. The model is a sum of shallow decision trees for each label
(gradient boosting, J. H. Friedman, 2001; scikit-learn does it, ``pip install scikit-learn``), the mean of ``BAGS``
fits. It is calibrated on scenes that its trees have not seen: the same mean is fitted without each fold of scenes, the
fold's finds are chosen as the program chooses them, and the chance of a void is mapped to the share of true voids
among them.

``--cache`` keeps photos and candidates (delete its ``rows`` when the code that makes candidates has changed). With the
photos there, candidates take about 5 s of one core a photo and the fits some minutes. Use seeds below 10000 here: the
benchmarks judge on seeds from 100000.

The model as it is was made by this command with its usual seeds. How lines run (``surface.wander``) was worked out for
candidates that a cache had kept, and is what they have when they are found anew; the cache was made before outlines
that show no edge were refused or gave way to all of the photo, which changes a third of the close views.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from drawn_kinds import drawn_rows
from kind_rows import FAMILIES, Rows, kept_rows, scene_rows

from voidmap.records import Kind
from voidmap.surface.kinds import NOTHING, judged_by, softmax
from voidmap.surface.regions import select

LABELS = [*(str(kind) for kind in Kind), NOTHING]
FOLDS = 3
# The model is the mean of so many fits, each with its own draws: single fits differ at the border.
BAGS = 2
TREES = {
    "learning_rate": 0.15,
    "max_iter": 100,
    "max_depth": 5,
    "max_leaf_nodes": 24,
    "min_samples_leaf": 15,
    "l2_regularization": 4.0,
    "max_features": 0.5,
    "max_bins": 64,
    "early_stopping": False,
}
# Figures that say more of the simulator than of voids, never offered to the trees: its paint, and how large its things
# are (a void twice as large as any here is one all the same).
PAINT = ("blue", "red", "black", "odd", "log_area", "log_area_px", "log_length")
# Weights of rare labels: a wide void lost to a sound knot or a stain costs more than the reverse.
WEIGHTS = {"knot_hole": 2.0, "bark_void": 1.5, "seam_gap": 2.0}
# Boards drawn with lone holes and knots (``drawn_kinds``) have these numbers; nothing is calibrated on them.
FIRST_DRAWN = 9000
# They are few and stand for all that the simulator does not show: each of their candidates counts for so many.
DRAWN_COUNT = 5.0
# Knots of the map from raw to held-out chances of being a void, and the finds that a knot's share counts as known
# beforehand (half of them voids at a chance of one half, and so on).
MAP_KNOTS, KNOWN_BEFORE = 12, 4.0
VOIDS = np.array([name != NOTHING and Kind(name).is_void for name in LABELS])


@dataclass(frozen=True)
class Fit:
    """The mean of ``BAGS`` fits: the scores that it starts from (K,), and each label's trees as nested lists.

    A tree is a value, or ``[column, cut, low, high]``; low is taken where the figure is at most the cut. ``shape`` says
    how well a void's candidate fits it.
    """

    start: np.ndarray
    trees: list[list]
    models: list
    shape: object


def fit(figures: np.ndarray, labels: np.ndarray, fits: np.ndarray, counts: np.ndarray, seed: int) -> Fit:
    """Fit to figures (N, F), labels (N,), how well each fits its void (N,), and how much each counts (N,)."""
    from sklearn.ensemble import HistGradientBoostingClassifier, HistGradientBoostingRegressor

    weight = np.array([WEIGHTS.get(name, 1.0) for name in LABELS])[labels]
    rng = np.random.default_rng(seed)
    models = []
    for bag in range(BAGS):
        model = HistGradientBoostingClassifier(**TREES, random_state=100 * seed + bag)
        drawn = rng.poisson(1.0, len(labels))
        drawn[np.unique(labels, return_index=True)[1]] += 1
        models.append(model.fit(figures, labels, sample_weight=weight * counts * drawn + 1e-9))
    start = np.mean([m._baseline_prediction.ravel() for m in models], axis=0)
    trees: list[list] = [[] for _ in LABELS]
    for model in models:
        for grown in model._predictors:
            for k, tree in enumerate(grown):
                trees[k].append(plain(tree.nodes, 0, BAGS))
    void = VOIDS[labels]
    shape = HistGradientBoostingRegressor(**TREES, random_state=seed).fit(figures[void], fits[void])
    return Fit(start, trees, models, shape)


def scores_of(fitted: Fit, figures: np.ndarray) -> np.ndarray:
    """Return the scores (N, K)."""
    return np.mean([m._raw_predict(figures) for m in fitted.models], axis=0)


def plain(nodes: np.ndarray, at: int, share: int) -> list | float:
    """Write a tree as nested lists, its values divided by ``share``."""
    node = nodes[at]
    if node["is_leaf"]:
        return round(float(node["value"]) / share, 4)
    low, high = (plain(nodes, int(node[side]), share) for side in ("left", "right"))
    return [int(node["feature_idx"]), float(f"{node['num_threshold']:.6g}"), low, high]


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


def void_map(chance: np.ndarray, is_void: np.ndarray) -> list[list[float]]:
    """Return knots [chances, held-out shares of voids] of a rising map."""
    knots = np.linspace(0.0, 1.0, MAP_KNOTS)
    # Each find counts at the two knots beside it, the more the nearer.
    weight = np.clip(1.0 - np.abs(chance[:, None] - knots) * (MAP_KNOTS - 1), 0.0, 1.0)
    shares = (weight.T @ is_void + KNOWN_BEFORE * knots) / (weight.sum(axis=0) + KNOWN_BEFORE)
    return [[round(float(k), 4) for k in knots], [round(float(v), 4) for v in rising(shares)]]


def chosen(pictures: Sequence[Rows], chances: Sequence[tuple], through: list[list[float]]) -> np.ndarray:
    """Choose finds as the program does; return each one's chance of a void, and whether it is one, (N, 2)."""
    finds = []
    for rows, (chance, fits) in zip(pictures, chances, strict=True):
        figures = [c.features for c in rows.candidates]
        place = {id(c.features): k for k, c in enumerate(rows.candidates)}
        judged = judged_by(figures, chance, fits, LABELS, through)
        for found, judgement in select(rows.candidates, judged, rows.mm_per_px):
            finds.append((judgement.void_probability, rows.on_void[place[id(found.features)]] > 0.5))
    return np.array(finds, dtype=float)


def calibrated(pictures: Sequence[Rows], chances: Sequence[tuple]) -> list[list[float]]:
    """Return the map from the model's chance of a void to the share of voids among what is reported.

    What is chosen hangs on the map, so it is made twice, the second time from the first one's choice.
    """
    knots = np.linspace(0.0, 1.0, MAP_KNOTS)
    through = [knots.tolist(), knots.tolist()]
    for _ in range(2):
        chance, is_void = chosen(pictures, chances, through).T
        again = void_map(chance, is_void)
        through = [through[0], [round(float(v), 4) for v in np.interp(through[1], *again)]]
    chance, is_void = chosen(pictures, chances, through).T
    print("held-out finds: void_probability given, true, things")
    for low in np.arange(0.0, 1.0, 0.1):
        own = (chance >= low) & (chance < low + 0.1 + (low > 0.85))
        if own.any():
            print(f"  {chance[own].mean():.2f}  {is_void[own].mean():.2f}  {own.sum()}")
    return through


def train(names: list[str], pictures: Sequence[Rows]) -> dict:
    """Fit the model, and its calibration by cross-validation over scenes."""
    every = np.array([[c.features[n] for n in names] for rows in pictures for c in rows.candidates])
    said = np.array([name for rows in pictures for name in rows.labels])
    groups = np.repeat([rows.group for rows in pictures], [len(rows.labels) for rows in pictures])
    told = said != ""
    labels = np.array([LABELS.index(name or NOTHING) for name in said])
    fits = np.concatenate([rows.fits for rows in pictures])
    counts = np.where(groups < FIRST_DRAWN, 1.0, DRAWN_COUNT)
    held, shapes = np.empty((len(said), len(LABELS))), np.empty(len(said))
    for fold in range(FOLDS):
        out = groups % FOLDS == fold
        own = told & ~out
        fitted = fit(every[own], labels[own], fits[own], counts[own], fold)
        held[out], shapes[out] = scores_of(fitted, every[out]), fitted.shape.predict(every[out])
    real = told & (groups < FIRST_DRAWN)
    warmth = temperature(held[real], labels[real])
    chances = softmax(held / warmth)
    report(chances[real], labels[real], warmth)
    ends = np.cumsum([len(rows.labels) for rows in pictures])[:-1]
    judged = zip(pictures, np.split(chances, ends), np.split(shapes, ends), strict=True)
    slabs = [(rows, (chance, shape)) for rows, chance, shape in judged if rows.group < FIRST_DRAWN]
    through = calibrated([rows for rows, _ in slabs], [known for _, known in slabs])
    whole = fit(every[told], labels[told], fits[told], counts[told], FOLDS)
    return {
        "labels": LABELS,
        "temperature": round(warmth, 3),
        "void_map": through,
        "start": [round(float(v), 4) for v in whole.start],
        "figures": names,
        "trees": whole.trees,
        "fit_start": round(float(whole.shape._baseline_prediction.item()), 4),
        "fit_trees": [plain(grown[0].nodes, 0, 1) for grown in whole.shape._predictors],
    }


def report(chances: np.ndarray, labels: np.ndarray, warmth: float) -> None:
    """Print how often held-out candidates are named right."""
    right = chances.argmax(axis=1) == labels
    print(f"candidates {len(labels)}  held-out label right {right.mean():.3f}  temperature {warmth:.2f}")
    for k, name in enumerate(LABELS):
        own = labels == k
        print(f"  {name:12s} {own.sum():5d}  right {right[own].mean() if own.any() else 0:.3f}")
    called, true = chances[:, VOIDS].sum(axis=1) > 0.5, VOIDS[labels]
    print(f"  void or not: recall {called[true].mean():.3f}  precision {true[called].mean():.3f}")


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--drawn", type=int, default=40, help="number of drawn boards")
    ask.add_argument("--cache", type=Path, required=True)
    ask.add_argument("--out", type=Path, default=Path("voidmap/surface/kinds.json"))
    given = ask.parse_args()
    pictures: list[Rows] = []
    for family in FAMILIES:
        for seed in family.seeds:
            pictures += scene_rows(seed, family, given.cache)
            print(seed, sum(len(rows.labels) for rows in pictures), flush=True)
    for seed in range(FIRST_DRAWN, FIRST_DRAWN + given.drawn):
        pictures += kept_rows(given.cache / "rows" / f"{seed}.pickle", lambda seed=seed: [drawn_rows(seed)])
    pictures = [rows for rows in pictures if rows.candidates]
    names = sorted(set(pictures[0].candidates[0].features) - set(PAINT))
    model = train(names, pictures)
    given.out.write_text(json.dumps(model, separators=(",", ":")))


if __name__ == "__main__":
    main()
