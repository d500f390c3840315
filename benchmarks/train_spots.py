"""Train the net that tells pinholes from what only looks like them.

    python benchmarks/train_spots.py --work FOLDER [--scenes 90] [--drawn 240] [--out classifier.json]
        [--start voidmap/coat/classifier.json --epochs 6 --rate 3e-4]

Makes what it learns from into FOLDER (kept there, so that a second run goes on): close-ups of simulated coats
(``closeups``) and drawn scenes (``drawn``), all of development seeds; then fits the net and prints its figures on
slabs not trained on. With --start it goes on from a net that is there, at its scales, a little at a time: the net
that ships was made so, from one of an earlier simulator. One made afresh with these defaults (half an hour on one
core) finds more on gloss in our own simulated coats, and less on sanded haze in photos of another renderer.
"""

from __future__ import annotations

import argparse
import json
from itertools import pairwise
from pathlib import Path

import closeups
import cv2
import numpy as np
from spot_rows import Rows, closeup_rows, drawn_rows

from voidmap.coat.features import PLAIN, RINGS_SIGMAS, SPOKES

HIDDEN = (96, 40)
BATCH = 512
DECAY = 1e-4
SIZE_SHARE = 0.3
"""The diameter's loss counts this much beside the call's."""
PLAIN_SPREAD = 1 / 1.5
"""Samples are scaled by one figure, which keeps the rings' own proportions."""
HELD_EVERY = 6
FIRST_DRAWN = 10_000
"""Drawn scenes take their seeds from here on, whatever the number of close-ups."""


def make(folder, chosen):
    """Make photos and rows that are not there yet; return (slab, file of rows) of each picture."""
    rows = folder / "rows"
    rows.mkdir(parents=True, exist_ok=True)
    for n in range(chosen.scenes):
        if len(list((folder / "closeups").glob(f"{chosen.seed}-{n:04d}-*.json"))) < 2 * closeups.WINDOWS:
            closeups.write(folder / "closeups", chosen.seed, n)
    jobs = [(f.stem.split("-")[1], f"c-{f.stem}", number, lambda rng, f=f: closeup_rows(f, rng))
            for number, f in enumerate(sorted((folder / "closeups").glob("*.jpg")))]  # fmt: skip
    jobs += [(f"d{k}", f"d-{k}", FIRST_DRAWN + k, drawn_rows) for k in range(chosen.drawn)]
    out = []
    for slab, name, number, work in jobs:
        file = rows / f"{name}.npz"
        if not file.exists():
            np.savez(file, *work(np.random.default_rng([chosen.seed, number])))
        out.append((slab, file))
    return out


def load(files):
    parts = [[np.load(f)[k].astype(np.float32) for k in np.load(f).files] for f in files]
    return Rows(*(np.concatenate([p[i] for p in parts]) for i in range(4)))


def mirrored(figures, rng):
    """Return figures with their samples mirrored along or across the grain, or both, at random."""
    rings = figures[:, -PLAIN:].reshape(-1, len(RINGS_SIGMAS), SPOKES)
    if rng.random() < 0.5:
        rings = np.roll(rings, SPOKES // 2, axis=2)
    if rng.random() < 0.5:
        rings = np.roll(rings[:, :, ::-1], 1, axis=2)
    return np.concatenate([figures[:, :-PLAIN], rings.reshape(len(figures), -1)], axis=1)


def forward(x, net):
    hidden = [x]
    for w, b in net[:-1]:
        hidden.append(np.maximum(hidden[-1] @ w + b, 0))
    return hidden, hidden[-1] @ net[-1][0] + net[-1][1]


def gradient_of(out, label, ratio, weight):
    """Gradient of the loss by the outputs: logit, log size, log spread of the log size."""
    p = 1 / (1 + np.exp(-np.clip(out[:, 0], -60, 60)))
    miss = out[:, 1] - ratio
    inverse = np.exp(-2 * np.clip(out[:, 2], -3.5, 1.0))
    mine = SIZE_SHARE * label * weight
    parts = [weight * (p - label), mine * np.clip(miss * inverse, -10, 10)]
    parts.append(mine * np.clip(1 - miss * miss * inverse, -10, 3))
    return (np.column_stack(parts) / len(out)).astype(np.float32)


def fresh(figures, rng):
    """Return a net that has learned nothing."""
    sizes = [figures, *HIDDEN, 3]
    return [
        [rng.normal(0, np.sqrt(2 / a), (a, b)).astype(np.float32), np.zeros(b, np.float32)] for a, b in pairwise(sizes)
    ]


def train(net, rows, scale, rng, *, epochs, highest_rate):
    """Fit the net in place by Adam (D. Kingma, J. Ba, 2015), the rate falling to nothing."""
    first = [[np.zeros_like(p) for p in layer] for layer in net]
    second = [[np.zeros_like(p) for p in layer] for layer in net]
    step, total = 0, epochs * (len(rows.label) // BATCH)
    for _ in range(epochs):
        order = rng.permutation(len(rows.label))
        for start in range(0, len(order) - BATCH + 1, BATCH):
            at = order[start : start + BATCH]
            hidden, out = forward(scale(mirrored(rows.figures[at], rng)), net)
            gradient = gradient_of(out, rows.label[at], rows.ratio[at], rows.weight[at])
            step += 1
            rate = highest_rate * 0.5 * (1 + np.cos(np.pi * step / total))
            for k in range(len(net) - 1, -1, -1):
                parts = [hidden[k].T @ gradient + DECAY * net[k][0], gradient.sum(axis=0)]
                gradient = (gradient @ net[k][0].T) * (hidden[k] > 0)
                for j in range(2):
                    first[k][j] += 0.1 * (parts[j] - first[k][j])
                    second[k][j] += 0.002 * (parts[j] ** 2 - second[k][j])
                    a, b = first[k][j] / (1 - 0.9**step), second[k][j] / (1 - 0.998**step)
                    net[k][j] -= (rate * a / (np.sqrt(b) + 1e-8)).astype(np.float32)
    return net


def report(rows, scale, net):
    _, out = forward(scale(rows.figures), net)
    p = 1 / (1 + np.exp(-np.clip(out[:, 0], -60, 60)))
    use = rows.weight > 0
    for cut in (0.3, 0.5, 0.7):
        called = use & (p > cut)
        true = called & (rows.label > 0)
        recall = true.sum() / max(1, (use & (rows.label > 0)).sum())
        print(f"  p > {cut}: precision {true.sum() / max(1, called.sum()):.3f}  recall {recall:.3f}")
    for low in np.arange(0, 1, 0.2):
        at = use & (p >= low) & (p < low + 0.2)
        print(f"  said {p[at].mean():.2f}  is {rows.label[at].mean():.2f}  ({at.sum()})")
    mine = (rows.label > 0) & (p > 0.5)
    miss = out[mine, 1] - rows.ratio[mine]
    inside = np.abs(miss) < 1.96 * np.exp(np.clip(out[mine, 2], -3.5, 1))
    print(f"  diameter: median error {np.median(np.abs(np.expm1(miss))):.3f}, 95 % interval holds {inside.mean():.3f}")


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--work", type=Path, required=True)
    parser.add_argument("--scenes", type=int, default=90)
    parser.add_argument("--drawn", type=int, default=240)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--start", type=Path, help="a net to go on from")
    parser.add_argument("--epochs", type=int, default=20)
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--out", type=Path)
    chosen = parser.parse_args()
    cv2.setNumThreads(1)
    pictures = make(chosen.work, chosen)
    held = set(sorted({slab for slab, _ in pictures})[::HELD_EVERY])
    rows = load([f for slab, f in pictures if slab not in held])
    print(f"{len(rows.label)} candidates, {int(rows.label.sum())} pinholes")
    rng = np.random.default_rng(chosen.seed)
    if chosen.start:
        start = json.loads(chosen.start.read_text())
        mean, spread = (np.asarray(start[k], np.float32) for k in ("mean", "spread"))
        net = [[np.asarray(layer[k], np.float32) for k in ("weight", "bias")] for layer in start["layers"]]
    else:
        summed = rows.figures.shape[1] - PLAIN
        mean = np.r_[rows.figures[:, :summed].mean(axis=0), np.zeros(PLAIN)].astype(np.float32)
        spread = np.r_[rows.figures[:, :summed].std(axis=0) + 1e-3, np.full(PLAIN, PLAIN_SPREAD)].astype(np.float32)
        net = fresh(rows.figures.shape[1], rng)

    def scale(figures):
        return (figures - mean) / spread

    net = train(net, rows, scale, rng, epochs=chosen.epochs, highest_rate=chosen.rate)
    report(load([f for slab, f in pictures if slab in held]), scale, net)
    if chosen.out:
        layers = [{"weight": np.round(w.astype(float), 4).tolist(), "bias": np.round(b.astype(float), 4).tolist()}
                  for w, b in net]  # fmt: skip
        made = {"mean": np.round(mean, 5).tolist(), "spread": np.round(spread, 5).tolist(), "layers": layers}
        chosen.out.write_text(json.dumps(made) + "\n")


if __name__ == "__main__":
    main()
