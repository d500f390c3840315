"""What a found thing is: a chance for each kind, and whether it is a void at all.

The chances come from a small model (``kinds.json``): a sum of shallow decision trees over the figures of
``features.describe``, trained on simulated slabs by ``benchmarks/train_kinds.py`` and calibrated on slabs held
out from the trees. A tree is ``[value]``, or ``[figure, cut, low, high]`` where ``low`` is taken when the figure
is at most the cut.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np

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
FLAT_SLENDER, FLAT_SOLIDITY = 8.0, 0.6


@dataclass(frozen=True)
class Judgement:
    """A candidate's kind (None: nothing at all), its chance to be a void, and the chance of each kind."""

    kind: Kind | None
    void_probability: float
    kind_chances: Mapping[Kind, float]

    @property
    def is_void(self) -> bool:
        """Whether the likeliest reading is a void."""
        return self.kind is not None and self.kind.is_void


@cache
def _model() -> dict[str, Any]:
    text = files("voidmap.surface").joinpath("kinds.json").read_text(encoding="utf-8")
    return dict(json.loads(text))


def judge(figures: Mapping[str, float]) -> Judgement:
    """Judge a candidate by its figures (see ``features.describe``).

    The candidate is a void, a flat thing or nothing, whichever has the greatest chance as a group; within the
    group it is the likeliest kind. ``kind_chances`` are those of the kinds, given that it is something.
    """
    model = _model()
    labels: list[str] = model["labels"]
    chances = dict(zip(labels, _chances(model, figures), strict=True))
    kinds = {kind: float(chances[kind]) for kind in Kind}
    void = sum(p for kind, p in kinds.items() if kind.is_void)
    flat = sum(p for kind, p in kinds.items() if not kind.is_void)
    given = {kind: p / (void + flat) for kind, p in kinds.items()}
    if chances[NOTHING] > max(void, flat):
        if not _dark_and_compact(figures):
            return Judgement(None, void, given)
        void, flat = min(void, 0.49), 1.0
    best = max((k for k in given if k.is_void == (void >= flat)), key=lambda k: given[k])
    return Judgement(best, void, given)


def _dark_and_compact(figures: Mapping[str, float]) -> bool:
    return (
        not figures["is_line"]
        and not figures["is_dot"]
        and figures["dark_middle"] < -FLAT_DARK
        and figures["step"] > FLAT_STEP
        and figures["log_slender"] < np.log(FLAT_SLENDER)
        and figures["solidity"] > FLAT_SOLIDITY
    )


def _chances(model: Mapping[str, Any], figures: Mapping[str, float]) -> Floats:
    scores = np.array(model["start"], dtype=np.float64)
    for trees in model["rounds"]:
        scores += [_leaf(tree, figures) for tree in trees]
    scores = scores / model["temperature"]
    chances = np.exp(scores - scores.max())
    chances = chances / chances.sum()
    return np.asarray((1.0 - UNKNOWN_SHARE) * chances + UNKNOWN_SHARE / len(chances), dtype=np.float64)


def _leaf(tree: list[Any], figures: Mapping[str, float]) -> float:
    while len(tree) > 1:
        tree = tree[2] if figures[tree[0]] <= tree[1] else tree[3]
    return float(tree[0])
