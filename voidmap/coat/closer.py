"""A closer look at what might be a pinhole: the pixels themselves, of the spot, near it and farther around.

Rings tell a round spot from a line; whether it lies in a row of dashes, is a fill's own colour, or has the glints of
a raised rim is told by the picture. A small convolutional net reads three squares about each likely candidate
(``closeup``) beside the figures of ``features``. It was trained on scenes of known truth
(``benchmarks/train_closer.py`` makes them and writes the weights beside this module).
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
from numpy.typing import NDArray

from voidmap.coat.apart import foremost, reach_px, rivals
from voidmap.coat.candidates import Candidates, Level, diameter_px
from voidmap.coat.classify import LEAST_LOG_SPREAD, MOST_LOG_SPREAD, Judged
from voidmap.coat.closeup import halved, scaled, squares
from voidmap.coat.convolution import Layer, array_of, head, head_of, tower, tower_of
from voidmap.coat.ground import Bytes, Floats32
from voidmap.coat.near import pairs_within
from voidmap.model import Floats

GATE = 0.05
"""Candidates whose rings give less chance than this are not looked at: nineteen of twenty of all."""
ROUNDS = 4
"""A spot has several candidates. The likeliest by its rings is looked at first, the next only when that leaves a
doubt, and so on."""
SURE = 0.8
"""From this chance on there is no doubt: the others about it are the same pinhole. On 165 simulated coats fewer than
half of the candidates are looked at for it, and F1 is the same (.857 on gloss) or higher (.964 to .965 on haze)."""
ODDS_SCALE = 3.0
"""The rings' own log odds are divided by this."""
SQUARES = ("inner", "near", "far")
"""Their names in the file of the weights."""
AT_ONCE, AT_A_TIME = 64, 2
"""Candidates are judged in lots of so many, so many lots at a time."""

Look = Callable[[NDArray[np.int64]], Floats32]


@dataclass(frozen=True, eq=False)
class Net:
    """Means and spreads of the figures; weights (out, in 3 3) and biases of each square's layers; the last layers."""

    mean: Floats32
    spread: Floats32
    towers: tuple[tuple[Layer, ...], ...]
    head: tuple[Layer, ...]


def look_closer(
    pixels: Bytes,
    levels: tuple[Level, ...],
    found: Candidates,
    figures: Floats32,
    noise: Floats,
    seen: Judged,
) -> Judged:
    """Judge candidates again by the picture itself.

    Parameters
    ----------
    pixels
        (H, W, 3) uint8 B, G, R. A grey picture (H, W) is left to the rings: the net learned from photos, with colour.
    levels, found, figures, noise
        The pyramid of its grey picture, the candidates (N,), their figures (N, F) and the noise (N,) around each.
    seen
        What the figures alone say.

    Returns
    -------
    Judged
        Of all candidates; those of little chance, and all of a grey picture, are as they were. Of several that mean
        one spot those that need no look any more have no chance.
    """
    likely = np.flatnonzero(seen.probability > GATE)
    if len(likely) == 0 or pixels.ndim == 2:
        return seen
    net = _net()
    odds = np.log(seen.probability[likely] / (1 - np.minimum(seen.probability[likely], 1 - 1e-7)))
    summed = (figures[likely, : len(net.mean)] - net.mean) / net.spread
    known = np.column_stack([summed, odds / ODDS_SCALE]).astype(np.float32)
    some, level = found[likely], noise[likely].astype(np.float32)
    unit = np.minimum(some.level, len(levels) - 1)
    pictures = halved(pixels, int(unit.max()) + 1)

    def judged(lot: NDArray[np.int64]) -> Floats32:
        cut = squares(pictures, levels[0].grain, some[lot], int(unit[lot[0]]))
        looked_at, ground = scaled(cut, level[lot])
        return _judged(net, looked_at, np.column_stack([known[lot], ground]))

    def looked(chosen: NDArray[np.int64]) -> Floats32:
        out = np.zeros((len(likely), 3), np.float32)
        lots = [
            same[first : first + AT_ONCE]
            for number in range(len(levels))
            for same in [chosen[unit[chosen] == number]]
            for first in range(0, len(same), AT_ONCE)
        ]
        for lot, rows in zip(lots, workers.map(judged, lots), strict=True):
            out[lot] = rows
        return out[chosen]

    with ThreadPoolExecutor(AT_A_TIME) as workers:
        done, rows = _in_rounds(some, seen.probability[likely], seen.log_size[likely], looked)
    logit, size, spread = rows.astype(np.float64).T
    chance, log_size, size_rel = seen.probability.copy(), seen.log_size.copy(), seen.size_rel.copy()
    chance[likely] = 0.0
    chance[likely[done]] = _chance(logit)
    log_size[likely[done]] = size
    size_rel[likely[done]] = np.exp(np.clip(spread, LEAST_LOG_SPREAD, MOST_LOG_SPREAD))
    return Judged(chance, log_size, size_rel)


def _in_rounds(found: Candidates, chance: Floats, log_size: Floats, look: Look) -> tuple[NDArray[np.int64], Floats32]:
    """Look at the likeliest candidate of each place first, and go on where that leaves a doubt.

    Returns the indices of those looked at, and logit, log size and log spread (N, 3) of each.
    """
    places = np.column_stack([found.x_px, found.y_px])
    pairs = rivals(places, diameter_px(found, log_size), chance)
    left = np.ones(len(found), bool)
    done, rows = [], []
    for _ in range(ROUNDS):
        now = foremost(left, pairs)
        if len(now) == 0:
            break
        told = look(now)
        done.append(now)
        rows.append(told)
        left[now] = False
        is_sure = _chance(told[:, 0].astype(np.float64)) >= SURE
        sure, rest = now[is_sure], np.flatnonzero(left)
        reach = reach_px(diameter_px(found[sure], told[is_sure, 1].astype(np.float64)))
        left[rest[pairs_within(places[sure], places[rest], reach)[1]]] = False
    return np.concatenate(done), np.concatenate(rows)


def _chance(logit: Floats) -> Floats:
    return np.asarray(1 / (1 + np.exp(-np.clip(logit, -60, 60))), dtype=np.float64)


def _judged(net: Net, squares: Sequence[Floats32], known: Floats32) -> Floats32:
    """Return logit, log size and log spread (N, 3)."""
    towers = [tower(square, layers) for square, layers in zip(squares, net.towers, strict=True)]
    return head(np.column_stack([np.concatenate(towers).T, known]), net.head)


@cache
def _net() -> Net:
    text = resources.files("voidmap.coat").joinpath("closer.json").read_text(encoding="utf-8")
    made = json.loads(text)
    towers = tuple(tower_of(made[name]) for name in SQUARES)
    return Net(array_of(made["mean"]), array_of(made["spread"]), towers, head_of(made["head"]))
