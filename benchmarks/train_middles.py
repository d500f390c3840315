"""Train the convolutional net that tells where a pinhole's middle is (``voidmap.coat.middle``).

    python benchmarks/train_middles.py --work FOLDER [--scenes 200] [--seed 6] [--epochs 36] [--only-make]
        [--part 0/1] [--out voidmap/coat/middle.json]

Needs PyTorch, which the project itself does not. Makes what it learns from into FOLDER (kept there, so that a second
run goes on): close-ups of simulated coats with many pinholes, of development seeds, each also as another phone or a
messenger hands it on. What the program finds there and what is true make the rows; each is read twice, where it was
found and a little off. Every sixth slab is left out of the training, the errors of its pinholes are printed: found,
and told by the net. What is written is the mean of the weights over the last steps. With --part K/N and --only-make
the making is shared out over N processes.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import closeups
import cv2
import nets
import numpy as np
import torch
from scipy.spatial import KDTree
from spot_rows import closeup_scene, handed_on
from torch import nn
from torch.nn import functional as fn

from voidmap.coat.convolution import STRIDES
from voidmap.coat.middle import SIDE, USUAL_PX, pictures_for, scaled, squares
from voidmap.coat.spots import find_spots
from voidmap.coat.width import with_half_level

WIDTHS = (32, 64, 64)
HIDDEN = 128
DROPPED = 0.2
HELD_EVERY = 6
OFF_DIAMETERS, OFF_LOG_SIZE = 0.06, 0.08
"""How far off (1 sigma) squares are cut the second time, and the diameters that they are cut by."""
NOISE, CONTRAST = 0.02, 0.1
"""Added to the scaled squares (1 sigma), and the logarithm of what they are multiplied by."""
LEAST_SPREAD, MOST_SPREAD = -4.0, 1.0
SOFT_RADII = 0.01
"""Misses shorter than this count by their square."""


class Net(nn.Module):
    """Convolutions over a square, and a head that reads the diameter too: where the middle is, in radii, and spread."""

    def __init__(self):
        super().__init__()
        sizes = [1, *WIDTHS]
        self.tower = nn.ModuleList(
            nn.Conv2d(a, b, 3, stride=s) for a, b, s in zip(sizes, WIDTHS, STRIDES, strict=False)
        )
        self.head = nn.ModuleList([nn.Linear(len(self.seen(torch.zeros(1, 1, SIDE, SIDE))[0]) + 1, HIDDEN),
                                   nn.Linear(HIDDEN, 3)])  # fmt: skip

    def seen(self, values):
        """Run squares (N, 1, SIDE, SIDE) through the convolutions."""
        for layer in self.tower:
            values = fn.relu(layer(values))
        return values.flatten(1)

    def forward(self, square, size):
        """Return x and y of the middle, and the logarithm of how far off that is (N, 3), in radii."""
        values = torch.cat([self.seen(square), size], 1)
        return self.head[1](fn.relu(self.head[0](fn.dropout(values, DROPPED, self.training))))


def rows_of(scene, sanded, rng):
    """Return squares, diameters (px) and how far off the middle is (px) of what is found in a scene; cut twice."""
    grey = cv2.cvtColor(scene.pixels, cv2.COLOR_BGR2GRAY)
    look = np.full(grey.shape, 255, np.uint8)
    found = find_spots(scene.pixels, look, px_per_mm=scene.px_per_mm, blur_px=scene.blur_px)
    found = with_half_level(grey, found, sanded=sanded)
    if len(found) == 0 or len(scene.places) == 0:
        return [np.zeros((0, SIDE, SIDE), np.uint8), np.zeros(0), np.zeros((0, 2)), np.zeros(0)]
    away, which = KDTree(scene.places).query(found.places_px)
    true = scene.size_px[which]
    mine = (away <= np.maximum(2.5, 0.45 * true)) & (np.abs(np.log(true / found.diameter_px)) < 0.8)
    middles, size = scene.places[which[mine]], found.diameter_px[mine]
    parts = []
    for off in (0.0, 1.0):
        at = found.places_px[mine] + off * OFF_DIAMETERS * size[:, None] * rng.standard_normal((len(size), 2))
        by = size * np.exp(off * OFF_LOG_SIZE * rng.standard_normal(len(size)))
        parts.append(
            [
                np.round(squares(pictures_for(grey, by), at, by)).astype(np.uint8),
                by,
                middles - at,
                np.full(len(size), off),
            ]
        )
    return [np.concatenate(part) for part in zip(*parts, strict=True)]


def make(folder, chosen):
    """Make close-ups and rows that are not there yet; return (slab, file of rows) of each picture."""
    part, parts = (int(k) for k in chosen.part.split("/"))
    (folder / "rows").mkdir(parents=True, exist_ok=True)
    out = []
    for number in range(part, chosen.scenes, parts):
        slab = f"{chosen.seed}-{number:04d}"
        if len(list((folder / "closeups").glob(f"{slab}-*.json"))) < 2 * closeups.WINDOWS:
            closeups.write(folder / "closeups", chosen.seed, number, dense=True)
        for photo in sorted((folder / "closeups").glob(f"{slab}-*.jpg")):
            out.append((slab, row_file(photo, folder / "rows", chosen.seed)))
    return out


def row_file(photo, folder, seed):
    """Return the file of a close-up's rows, made when it is not there yet."""
    file = folder / f"{photo.stem}.npz"
    if not file.exists():
        rng = np.random.default_rng([seed, *photo.stem.encode()])
        scene, sanded = closeup_scene(photo, rng), photo.stem.endswith("sanded")
        rows = [rows_of(one, sanded, rng) for one in (scene, handed_on(scene, rng))]
        square, size, off, apart = (np.concatenate(part) for part in zip(*rows, strict=True))
        np.savez(file, square=square, size=size, off=off, apart=apart, plain=np.arange(len(size)) < len(rows[0][1]))
    return file


def load(files):
    parts = [np.load(f) for f in files]
    rows = {k: np.concatenate([p[k] for p in parts]) for k in ("square", "size", "off", "apart", "plain")}
    rows["seen"] = scaled(rows.pop("square").astype(np.float32))
    rows["radii"] = rows["off"] / rows["size"][:, None] * 2
    return rows


def inputs(rows, at, rng=None):
    """Return squares, sizes and where the middles are in radii; with ``rng`` turned, of altered contrast and noise."""
    square, radii = rows["seen"][at], rows["radii"][at]
    if rng is not None:
        square = square * np.exp(CONTRAST * rng.standard_normal((len(at), 1, 1))).astype(np.float32)
        square += NOISE * rng.standard_normal(square.shape).astype(np.float32)
        for flip in ((2, [-1, 1]), (1, [1, -1])):
            turn = rng.random(len(at)) < 0.5
            square[turn] = np.flip(square[turn], flip[0])
            radii[turn] *= flip[1]
        turn = rng.random(len(at)) < 0.5
        square[turn], radii[turn] = square[turn].transpose(0, 2, 1), radii[turn][:, ::-1]
    size = np.log(rows["size"][at] / USUAL_PX)[:, None]
    return (torch.from_numpy(np.ascontiguousarray(v, dtype=np.float32)) for v in (square[:, None], size, radii))


def told(net, rows):
    net.eval()
    out = []
    with torch.no_grad():
        for at in np.array_split(np.arange(len(rows["size"])), len(rows["size"]) // 2000 + 1):
            square, size, _ = inputs(rows, at)
            out.append(net(square, size).numpy())
    net.train()
    return np.concatenate(out)


def report(net, rows):
    radii = told(net, rows)[:, :2]
    left = np.hypot(*(rows["off"] - radii * rows["size"][:, None] / 2).T)
    was = np.hypot(*rows["off"].T)
    mine = (rows["apart"] == 0) & rows["plain"]
    lines = [f"all {np.median(was[mine]):.3f} -> {np.median(left[mine]):.3f}"]
    for low, high in ((0, 5), (5, 8), (8, 12), (12, np.inf)):
        at = mine & (rows["size"] >= low) & (rows["size"] < high)
        lines.append(f"from {low} px {np.median(was[at]):.3f} -> {np.median(left[at]):.3f}")
    return ", ".join(lines)


def train(rows, held, chosen):
    torch.manual_seed(chosen.seed)
    torch.set_num_threads(1)
    rng = np.random.default_rng(chosen.seed)
    net = Net()

    def loss_at(at):
        square, size, radii = inputs(rows, at, rng)
        out = net(square, size)
        spread = out[:, 2].clamp(LEAST_SPREAD, MOST_SPREAD)
        miss = torch.sqrt(((out[:, :2] - radii) ** 2).sum(1) + SOFT_RADII**2)
        # A miss falls off exponentially in the plane.
        return (2 * spread + miss * torch.exp(-spread)).mean()

    def told(epoch, mean):
        if epoch % 5 == 4 or epoch == chosen.epochs - 1:
            print(f"epoch {epoch}, px off on slabs left out: {report(mean, held)}", flush=True)

    count = len(rows["size"])
    return nets.trained(net, count, loss_at, told, epochs=chosen.epochs, rate=chosen.rate, rng=rng)


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--work", type=Path, required=True)
    parser.add_argument("--scenes", type=int, default=200)
    parser.add_argument("--seed", type=int, default=6)
    parser.add_argument("--epochs", type=int, default=36)
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--part", default="0/1")
    parser.add_argument("--only-make", action="store_true")
    parser.add_argument("--out", type=Path)
    chosen = parser.parse_args()
    cv2.setNumThreads(1)
    pictures = make(chosen.work, chosen)
    if chosen.only_make:
        return
    left_out = set(sorted({slab for slab, _ in pictures})[::HELD_EVERY])
    rows = load([f for slab, f in pictures if slab not in left_out])
    held = load([f for slab, f in pictures if slab in left_out])
    print(f"{len(rows['size'])} squares to learn from, {len(held['size'])} left out", flush=True)
    net = train(rows, held, chosen)
    if chosen.out:
        nets.write({"tower": nets.kept_tower(net.tower), "head": nets.kept_head(net.head)}, chosen.out)


if __name__ == "__main__":
    main()
