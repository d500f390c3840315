"""Train the convolutional net that looks closer at what might be a pinhole (``voidmap.coat.closer``).

    python benchmarks/train_closer.py --work FOLDER [--scenes 30] [--few 120] [--drawn 60] [--epochs 7]
        [--voids 60] [--usual 60] [--rate 2e-3] [--start voidmap/coat/closer.json] [--out voidmap/coat/closer.json]

Needs PyTorch, which the project itself does not. Makes what it learns from into FOLDER (kept there, so that a second
run goes on): close-ups of simulated coats and drawn scenes, all of development seeds, the close-ups once more as other
phones and messengers hand them on. Every sixth slab is left out of the training; the log loss on these is printed
beside that of the rings' own net, which is looked at first. What is written is the mean of the weights over the last
steps.

The net that ships began from the net of two squares before it, the inner square's layers as the near one's, and
learned in turns (--start) of 4 and 6 epochs (rate 1.2e-3, without --usual, the ground's colour and what is handed on),
9 (1.6e-3) and 8 (1.2e-3). In it the first 60 slabs of --few were all glossy. Log loss on slabs left out, of what the
rings do not rule out: .148 -> .126 -> .117 in the last two turns, on those of --voids .219 -> .181 -> .170.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import closeups
import cv2
import nets
import numpy as np
import torch
from spot_rows import closeup_scene, drawn_scene, handed_on, looked, rows_of
from torch import nn
from torch.nn import functional as fn

from voidmap.coat.classify import _net as rings_net
from voidmap.coat.classify import judge
from voidmap.coat.closer import ODDS_SCALE, SQUARES
from voidmap.coat.closeup import COLOUR_GAIN, SIDE, halved, scaled, squares
from voidmap.coat.convolution import STRIDES, array_of, kept
from voidmap.coat.features import MOST_ROWS, PLAIN

GATE = 0.03
"""Candidates of less chance by their rings are not learned from: fewer than half of these are looked at at all."""
KEPT = 0.01
"""They are kept from this chance on."""
SIZE_SHARE = 0.3
"""The diameter's loss counts this much beside the call's."""
WIDTHS = (16, 32, 32)
HIDDEN = 64
DROPPED = 0.3
COLOURS = ("red", "blue")
"""What is told of the ground's colour: each over green."""
COLOURLESS = 0.3
"""Share of squares whose colour is taken away: a tint of the fill must not be the only cue."""
WHITE_DOUBT = 0.06
"""A phone's white balance is off by about this (1 sigma of the logarithm of one channel over another)."""
HELD_EVERY = 6
FIRST_DRAWN = 10_000
FEW_SEED, VOIDS_SEED, USUAL_SEED = 2, 3, 5
HANDED_ON_SEED = 77


class Net(nn.Module):
    """A tower of convolutions for each square, and a head that reads the figures too."""

    def __init__(self, figures):
        super().__init__()
        sizes = [3, *WIDTHS]
        self.towers = nn.ModuleList(
            nn.ModuleList(nn.Conv2d(a, b, 3, stride=s) for a, b, s in zip(sizes, WIDTHS, STRIDES, strict=False))
            for _ in SQUARES
        )
        flat = len(self.tower(torch.zeros(1, 3, SIDE, SIDE), self.towers[0])[0])
        self.head = nn.ModuleList([nn.Linear(len(SQUARES) * flat + figures, HIDDEN), nn.Linear(HIDDEN, 3)])

    @staticmethod
    def tower(values, layers):
        """Run squares (N, 3, SIDE, SIDE) through the convolutions."""
        for layer in layers:
            values = fn.relu(layer(values))
        return values.flatten(1)

    def forward(self, *inputs):
        """Return logit, log size and log spread (N, 3) by the squares and what is known beside them."""
        *looked_at, known = inputs
        towers = [self.tower(square, layers) for square, layers in zip(looked_at, self.towers, strict=True)]
        seen = torch.cat([*towers, known], 1)
        return self.head[1](fn.relu(self.head[0](fn.dropout(seen, DROPPED, self.training))))


def row_file(scene):
    """Return what is kept of a scene's candidates."""
    look = looked(scene)
    rows = rows_of(scene, look)
    chance = judge(rows.figures).probability
    keep = np.flatnonzero(chance > KEPT)
    chance = np.clip(chance[keep], 1e-7, 1 - 1e-7)
    cut = dict(zip(SQUARES, all_squares(scene.pixels, look.levels, look.found[keep]), strict=True))
    return {
        "known": np.column_stack([summed(rows.figures[keep]), np.log(chance / (1 - chance)) / ODDS_SCALE]),
        "noise": look.noise[keep], **cut,
        "label": rows.label[keep], "ratio": rows.ratio[keep], "weight": rows.weight[keep],
    }  # fmt: skip


def all_squares(pixels, levels, found):
    """Cut the squares about candidates of all levels."""
    number = np.minimum(found.level, len(levels) - 1)
    pictures = halved(pixels, len(levels))
    out = [np.zeros((len(found), SIDE, SIDE, 3), np.uint8) for _ in SQUARES]
    for level in range(len(levels)):
        mine = np.flatnonzero(number == level)
        for first in range(0, len(mine), MOST_ROWS):
            lot = mine[first : first + MOST_ROWS]
            for whole, part in zip(out, squares(pictures, levels[0].grain, found[lot], level), strict=True):
                whole[lot] = part
    return out


def summed(figures):
    """Return the figures less the samples themselves, at the scales of the rings' net."""
    net = rings_net()
    return (figures[:, :-PLAIN] - net.mean[:-PLAIN]) / net.spread[:-PLAIN]


def make(folder, chosen):
    """Make close-ups and rows that are not there yet; return (slab, file of rows) of each picture."""
    for n in range(chosen.scenes):
        if len(list((folder / "closeups").glob(f"{chosen.seed}-{n:04d}-*.json"))) < 2 * closeups.WINDOWS:
            closeups.write(folder / "closeups", chosen.seed, n)
    for n in range(chosen.few):
        if len(list((folder / "closeups").glob(f"{FEW_SEED}-{n:04d}-*.json"))) < closeups.FEW_WINDOWS:
            closeups.write(folder / "closeups", FEW_SEED, n, few=True)
    for n in range(chosen.voids):
        if len(list((folder / "closeups").glob(f"{VOIDS_SEED}-{n:04d}-*.json"))) < closeups.FEW_WINDOWS:
            closeups.write(folder / "closeups", VOIDS_SEED, n, few=True, voids=True)
    for n in range(chosen.usual):
        if len(list((folder / "closeups").glob(f"{USUAL_SEED}-{n:04d}-*.json"))) < closeups.USUAL_WINDOWS:
            closeups.write(folder / "closeups", USUAL_SEED, n, few=True, voids=n % 2 == 0, usual=True)
    jobs = [("-".join(f.stem.split("-")[:2]), f"c-{f.stem}", number, lambda rng, f=f: closeup_scene(f, rng))
            for number, f in enumerate(sorted((folder / "closeups").glob("*.jpg")))]  # fmt: skip
    jobs += [
        (slab, f"v{name[1:]}", HANDED_ON_SEED + number, lambda rng, work=work: handed_on(work(rng), rng))
        for slab, name, number, work in jobs
    ]
    jobs += [(f"d{k}", f"d-{k}", FIRST_DRAWN + k, drawn_scene) for k in range(chosen.drawn)]
    (folder / "closer").mkdir(parents=True, exist_ok=True)
    out = []
    for slab, name, number, work in jobs:
        file = folder / "closer" / f"{name}.npz"
        if not file.exists():
            np.savez(file, **row_file(work(np.random.default_rng([chosen.seed, number]))))
        out.append((slab, file))
    return out


def load(files):
    parts = [dict(np.load(f)) for f in files]
    chosen = [(p["known"][:, -1] * ODDS_SCALE > np.log(GATE / (1 - GATE))) & (p["weight"] > 0) for p in parts]
    return {k: np.concatenate([p[k][at] for p, at in zip(parts, chosen, strict=True)]) for k in parts[0]}


def inputs(rows, at, rng=None):
    """Return the net's inputs; with ``rng`` mirrored, and of altered colour, contrast and noise."""
    noise = rows["noise"][at].astype(np.float32)
    looked_at, ground = scaled([rows[name][at] for name in SQUARES], noise)
    looked_at = [np.ascontiguousarray(square.transpose(3, 0, 1, 2)) for square in looked_at]
    known = rows["known"][at].astype(np.float32)
    if rng is not None:
        n = len(at)
        gain = (rng.random(n) >= COLOURLESS) * np.exp(rng.normal(0, 0.25, n))
        ground = gain[:, None] * (ground + COLOUR_GAIN * rng.normal(0, WHITE_DOUBT, ground.shape))
        for square in looked_at:
            square[:, 1:] *= gain[:, None, None, None]
        contrast = np.exp(rng.normal(0, 0.08, n))[:, None, None, None].astype(np.float32)
        noisy = (rng.random(n) < 0.5)[:, None, None]
        for square in looked_at[:2]:
            square *= contrast
        near = looked_at[1]
        near[:, 0] += noisy * rng.normal(0, 0.03, near[:, 0].shape)
        for axis in (2, 3):
            turn = rng.random(n) < 0.5
            for square in looked_at:
                square[turn] = np.flip(square[turn], axis)
    parts = (*looked_at, np.column_stack([known, ground]))
    return tuple(torch.from_numpy(np.ascontiguousarray(part, dtype=np.float32)) for part in parts)


def loss_of(out, rows, at):
    label, ratio, weight = (torch.from_numpy(rows[k][at].astype(np.float32)) for k in ("label", "ratio", "weight"))
    spread, miss = out[:, 2].clamp(-3.5, 1), (out[:, 1] - ratio).clamp(-2, 2)
    call = (weight * fn.binary_cross_entropy_with_logits(out[:, 0], label, reduction="none")).mean()
    return call + SIZE_SHARE * (label * weight * (spread + 0.5 * miss**2 * torch.exp(-2 * spread))).mean()


def log_loss(logit, rows):
    side = np.where(rows["label"] > 0, -logit, logit)
    return float(np.logaddexp(0, side).mean())


def judged(net, rows):
    net.eval()
    parts = np.array_split(np.arange(len(rows["label"])), len(rows["label"]) // 2000 + 1)
    with torch.no_grad():
        out = np.concatenate([net(*inputs(rows, at)).numpy() for at in parts])
    net.train()
    return out


def begin(net, made):
    """Take over the weights of a file that was written before."""
    with torch.no_grad():
        for name, layers in zip(SQUARES, net.towers, strict=True):
            for layer, (weight, bias) in zip(layers, made[name], strict=True):
                layer.weight.copy_(torch.from_numpy(array_of(weight)))
                layer.bias.copy_(torch.from_numpy(array_of(bias)))
        for layer, (weight, bias) in zip(net.head, made["head"], strict=True):
            known = torch.from_numpy(array_of(weight).T.copy())
            layer.weight.zero_()
            layer.weight[:, : known.shape[1]].copy_(known)
            layer.bias.copy_(torch.from_numpy(array_of(bias)))


def train(rows, held, chosen):
    torch.manual_seed(chosen.seed)
    rng = np.random.default_rng(chosen.seed)
    net = Net(rows["known"].shape[1] + len(COLOURS))
    if chosen.start:
        begin(net, json.loads(chosen.start.read_text()))

    def loss_at(at):
        return loss_of(net(*inputs(rows, at, rng)), rows, at)

    def told(epoch, mean):
        left_out = log_loss(judged(mean, held)[:, 0], held)
        print(f"epoch {epoch}: log loss on slabs left out {left_out:.4f}", flush=True)

    count = len(rows["label"])
    return nets.trained(net, count, loss_at, told, epochs=chosen.epochs, rate=chosen.rate, rng=rng)


def report(net, held):
    out = judged(net, held)
    chance = 1 / (1 + np.exp(-out[:, 0]))
    for low in np.arange(0, 1, 0.2):
        at = (chance >= low) & (chance < low + 0.2)
        print(f"  said {chance[at].mean():.2f}  is {held['label'][at].mean():.2f}  ({at.sum()})")
    mine = (held["label"] > 0) & (chance > 0.5)
    miss = out[mine, 1] - held["ratio"][mine]
    inside = np.abs(miss) < 1.96 * np.exp(np.clip(out[mine, 2], -3.5, 1))
    print(f"  diameter: median error {np.median(np.abs(np.expm1(miss))):.3f}, 95 % interval holds {inside.mean():.3f}")


def write(net, file):
    rings = rings_net()
    made = {"mean": kept(rings.mean[:-PLAIN]), "spread": kept(rings.spread[:-PLAIN])}
    made |= {name: nets.kept_tower(layers) for name, layers in zip(SQUARES, net.towers, strict=True)}
    nets.write({**made, "head": nets.kept_head(net.head)}, file)


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--work", type=Path, required=True)
    parser.add_argument("--scenes", type=int, default=30)
    parser.add_argument("--few", type=int, default=120)
    parser.add_argument("--voids", type=int, default=60)
    parser.add_argument("--usual", type=int, default=60)
    parser.add_argument("--drawn", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--epochs", type=int, default=7)
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--start", type=Path)
    parser.add_argument("--out", type=Path)
    chosen = parser.parse_args()
    cv2.setNumThreads(1)
    torch.set_num_threads(1)
    pictures = make(chosen.work, chosen)
    left_out = set(sorted({slab for slab, _ in pictures})[::HELD_EVERY])
    rows = load([f for slab, f in pictures if slab not in left_out])
    held = load([f for slab, f in pictures if slab in left_out])
    print(f"{len(rows['label'])} candidates, {int(rows['label'].sum())} pinholes; on slabs left out the rings' net has "
          f"a log loss of {log_loss(held['known'][:, -1] * ODDS_SCALE, held):.4f}", flush=True)  # fmt: skip
    net = train(rows, held, chosen)
    report(net, held)
    if chosen.out:
        write(net, chosen.out)


if __name__ == "__main__":
    main()
