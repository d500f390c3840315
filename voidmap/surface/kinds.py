"""What a found thing is: a chance for each kind, and whether it is a void at all.

The chances come from a small model (``kinds.json``): a sum of shallow decision trees over the figures of
``features.describe``, trained on simulated slabs by ``benchmarks/train_kinds.py`` and calibrated on slabs held
out from the trees. A tree is a leaf, which has a value for each label, or ``[figure, cut, low, high]`` where ``low``
is taken when the figure is at most the cut. ``void_map`` turns the model's chance of a void into the share of voids
among slabs held out.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats
from voidmap.records import Kind

# The label of a candidate that is nothing: growth rings, pores, pencil, shadows.
NOTHING = "nothing"
# Real slabs hold what the simulator does not: this much of every chance is spread over all labels.
UNKNOWN_SHARE = 0.02
# A compact patch this much darker than the sound wood (natural log) inside, and across its rim, is told to the user
# as a flat thing even where the model takes it for nothing: a real knot that the simulator does not know.
FLAT_DARK, FLAT_STEP = 0.12, 0.08
# Compact: length squared over area at most this (a disc has 1.3), and this full against its convex hull.
FLAT_SLENDER, FLAT_SOLIDITY = 16.0, 0.5
# A false call costs a look and a strip of tape whatever its size, a missed void the resin that drains through it: what
# holds next to nothing must be the surer to be called (2 to 1), all else is called when likelier than not.
SMALL_MM2, CALL_SMALL = 20.0, 0.67
# Smaller flat things are pores and flecks.
LEAST_FLAT_MM2 = 4.0


@dataclass(frozen=True)
class Judgement:
    """A candidate's kind (None: nothing at all), its chance to be a void, and the chance of each kind."""

    kind: Kind | None
    void_probability: float
    kind_chances: Mapping[Kind, float]

    @property
    def is_void(self) -> bool:
        """Whether it is taken for a void."""
        return self.kind is not None and self.kind.is_void


@dataclass(frozen=True, eq=False)
class _Trees:
    """The model's trees as arrays: tree t asks figure ``ask[t, node]`` against ``cut[t, node]``.

    A tree of depth D has nodes 0 to 2**D - 2 (the children of n are 2n + 1 and 2n + 2) and 2**D leaves of K values.
    """

    names: tuple[str, ...]
    ask: NDArray[np.intp]
    cut: Floats
    leaf: Floats


@cache
def _model() -> tuple[dict[str, Any], _Trees]:
    text = files("voidmap.surface").joinpath("kinds.json").read_text(encoding="utf-8")
    model = dict(json.loads(text))
    trees = model["trees"]
    depth = max(_depth(tree) for tree in trees)
    names: dict[str, int] = {}
    ask = np.zeros((len(trees), 2**depth - 1), np.intp)
    cut = np.full(ask.shape, np.inf)
    leaf = np.zeros((len(trees), 2**depth, len(model["labels"])))

    def lay(row: int, tree: list[Any], node: int, level: int) -> None:
        if level == depth:
            leaf[row, node - ask.shape[1]] = tree
            return
        if not _is_leaf(tree):
            ask[row, node], cut[row, node] = names.setdefault(tree[0], len(names)), tree[1]
        for side in (1, 2):
            lay(row, tree if _is_leaf(tree) else tree[1 + side], 2 * node + side, level + 1)

    for row, tree in enumerate(trees):
        lay(row, tree, 0, 0)
    return model, _Trees(tuple(names), ask, cut, leaf)


def _is_leaf(tree: list[Any]) -> bool:
    return not isinstance(tree[0], str)


def _depth(tree: list[Any]) -> int:
    return 0 if _is_leaf(tree) else 1 + max(_depth(tree[2]), _depth(tree[3]))


def judge(found: Sequence[Mapping[str, float]]) -> list[Judgement]:
    """Judge candidates by their figures (see ``features.describe``).

    A candidate is a void when that is likelier than not (a small thing: twice as likely), else a flat thing or
    nothing, whichever is likelier; within the group it is the likeliest kind. ``kind_chances`` are those of the kinds,
    given that it is something.
    """
    if not found:
        return []
    labels: list[str] = _model()[0]["labels"]
    chances = _chances(found)
    return [_judged(f, dict(zip(labels, row, strict=True))) for f, row in zip(found, chances, strict=True)]


def _judged(figures: Mapping[str, float], chances: Mapping[str, float]) -> Judgement:
    kinds = {kind: float(chances[kind]) for kind in Kind}
    raw = sum(p for kind, p in kinds.items() if kind.is_void)
    flat = sum(p for kind, p in kinds.items() if not kind.is_void)
    given = {kind: p / (raw + flat) for kind, p in kinds.items()}
    void = float(np.interp(raw, *_model()[0]["void_map"]))
    is_void = void >= (CALL_SMALL if figures["log_area"] < np.log(SMALL_MM2) else 0.5)
    if not is_void and chances[NOTHING] > flat and not _dark_and_compact(figures):
        return Judgement(None, void, given)
    best = max((k for k in given if k.is_void == is_void), key=lambda k: given[k])
    return Judgement(best, void, given)


def _dark_and_compact(figures: Mapping[str, float]) -> bool:
    return (
        figures["log_area"] > np.log(LEAST_FLAT_MM2)
        and figures["dark_middle"] < -FLAT_DARK
        and figures["step"] > FLAT_STEP
        and figures["log_slender"] < np.log(FLAT_SLENDER)
        and figures["solidity"] > FLAT_SOLIDITY
    )


def _chances(found: Sequence[Mapping[str, float]]) -> Floats:
    """Return the chance of each label, (N, K)."""
    model, trees = _model()
    figures = np.array([[f[name] for name in trees.names] for f in found])
    rows, every = np.arange(len(found))[:, None], np.arange(len(trees.ask))
    node = np.zeros((len(found), len(trees.ask)), np.intp)
    while node[0, 0] < trees.ask.shape[1]:
        node = 2 * node + 1 + (figures[rows, trees.ask[every, node]] > trees.cut[every, node])
    values = trees.leaf[every, node - trees.ask.shape[1]]
    scores = (np.array(model["start"]) + values.sum(axis=1)) / model["temperature"]
    chances = np.exp(scores - scores.max(axis=1, keepdims=True))
    chances = chances / chances.sum(axis=1, keepdims=True)
    return np.asarray((1.0 - UNKNOWN_SHARE) * chances + UNKNOWN_SHARE / chances.shape[1], dtype=np.float64)
