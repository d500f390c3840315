"""Tell pinholes from what only looks like them, and say how wide they are.

A small net of two hidden layers reads the figures of ``features``. It was trained on scenes of known truth
(``benchmarks/train_spots.py`` makes them and writes the weights beside this module).
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np

from voidmap.coat.ground import Floats32
from voidmap.coat.products import by_rows
from voidmap.model import Floats

LEAST_LOG_SPREAD, MOST_LOG_SPREAD = -3.5, 1.0
"""Bounds of the log of the diameter's own 1-sigma: 3 % and a factor of e."""


@dataclass(frozen=True, eq=False)
class Judged:
    """For each candidate (N,): probability of a pinhole, log of its diameter over the guess, 1-sigma of that log."""

    probability: Floats
    log_size: Floats
    size_rel: Floats


@dataclass(frozen=True, eq=False)
class Net:
    """Means and spreads of the figures; weights and biases of the layers, the first of which takes bare figures."""

    mean: Floats32
    spread: Floats32
    layers: tuple[tuple[Floats32, Floats32], ...]


def judge(figures: Floats32) -> Judged:
    """Judge candidates by their figures (N, F)."""
    net = _net()
    values = figures
    for weight, bias in net.layers[:-1]:
        values = by_rows(values, weight)
        values += bias
        np.maximum(values, 0, out=values)
    weight, bias = net.layers[-1]
    logit, size, spread = (by_rows(values, weight) + bias).astype(np.float64).T
    chance = 1 / (1 + np.exp(-np.clip(logit, -60, 60)))
    return Judged(chance, size, np.exp(np.clip(spread, LEAST_LOG_SPREAD, MOST_LOG_SPREAD)))


@cache
def _net() -> Net:
    text = resources.files("voidmap.coat").joinpath("classifier.json").read_text(encoding="utf-8")
    made = json.loads(text)
    layers = tuple(
        (np.asarray(layer["weight"], np.float32), np.asarray(layer["bias"], np.float32)) for layer in made["layers"]
    )
    mean, spread = (np.asarray(made[name], np.float32) for name in ("mean", "spread"))
    (weight, bias), *others = layers
    weight = weight / spread[:, None]
    return Net(mean, spread, ((weight, bias - mean @ weight), *others))
