"""What a found thing is: a chance for each kind, and whether it is a void at all.

The chances come from a small model (``kinds.json``): a sum of shallow decision trees over the figures of
``features.describe`` and ``nested.related``, trained on simulated slabs by ``benchmarks/train_kinds.py`` and
calibrated on slabs held out from the trees. Each label has trees of its own; a tree is a value or ``[figure's number
in "figures", cut, low, high]`` where ``low`` is taken when the figure is at most the cut. ``void_map`` turns the
model's chance of a void into the share of voids among what is chosen on slabs held out.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats
from voidmap.records import Kind
from voidmap.surface.nested import LIKE_SIZE, LIKE_STEP

# The label of a candidate that is nothing: growth rings, pores, pencil, shadows.
NOTHING = "nothing"
# Real slabs hold what the simulator does not: this much of every chance is spread over all labels.
UNKNOWN_SHARE = 0.02
# A compact patch this much darker than the sound wood (natural log) inside, and across its rim, is told to the user
# as a flat thing even where the model takes it for nothing: a real knot that the simulator does not know.
FLAT_DARK, FLAT_STEP = 0.12, 0.08
# Compact: length squared over area at most this (a disc has 1.3), and this full against its convex hull.
FLAT_SLENDER, FLAT_SOLIDITY = 16.0, 0.5
# ... and its middle lies so far from the sound wood, in sigmas of this slab's own colours: rings that are as dark all
# over a slab of strong figure are its figure, and so is a stain that stands out by less. Of what this let through on 49
# photos 31 % is truly something, beside 19 % without; 18 of 185 flat things are lost.
FLAT_SIGMAS = 6.5
# ... and the model takes it for nothing by 4 to 1 at most, or few things of its size on the slab are as dark at their
# rims: rings and pores are many. Of what this let through on 133 photos of simulated slabs 46 % is truly something,
# beside 7 % without (3,900 rings, flecks and rows of pores told as stains); 29 of 299 flat things are lost.
MOST_NOTHING, FEW_ALIKE = 0.8, 12
# A false call costs a look and a strip of tape whatever its size, a missed void the resin that drains through it: what
# holds next to nothing must be the surer to be called (7 to 3), what would hold a cup is called at 1 to 2, all else
# when likelier than not. Next to nothing is a patch up to a centimetre across, and a line that is small and short as
# well: a long fine crack is where resin drains.
SMALL_MM2, SMALL_PATCH_MM2, SHORT_MM, CALL_SMALL = 20.0, 100.0, 25.0, 0.7
LARGE_MM2, CALL_LARGE = 400.0, 0.33
# A void's rim is abrupt and its floor lies in uneven shade. A patch that is dark in the middle (natural log) and whose
# step at the rim is less than a share of that, or whose rim is so many times as wide as the photo's own blur makes an
# edge, is no bark void but fades into the wood: a stain, the border of heartwood (a hole in a dark knot has such a rim
# too). One that is very dark and varies (from its 10 % to its 90 % quantile) by less than a share of that is as even as
# a sound knot. These are called at 3 to 1 only: when fading asked it of every kind, 16 patches on 99 simulated slabs
# were no longer called, all false.
FADING_DARK, FADING, SOFT = 0.3, 0.5, 1.75
EVEN_DARK, EVEN = 0.9, 0.33
CALL_UNLIKE = 0.75
# No wood, stain or ink of a bare top gives back as little light as a deep void does: what is darker in the middle than
# the first and by more than the second at the rim (natural logs of the picture's values), with hardly more than the
# third of what surrounds it not bare, is a void with this chance at least, however even it is. Of 2,009 such things on
# 376 simulated slabs, whatever a camera has made of them, 99 % are, and one is a sound knot.
BLACKEST, BLACKEST_STEP, BLACKEST_BORDER, BLACKEST_CHANCE = -2.5, 1.0, 0.05, 0.95
# Of many things that look alike one looks like a void by chance: what has this many others of up to three times its
# size or a third of it on the slab, with four fifths of its step or more at their rims, that are hardly voids, is
# called one at 3 to 1 only. Rings are such a family where a phone evens out the tones place by place.
MANY, HARDLY, CALL_OF_MANY = 30, 0.3, 0.75
# Smaller flat things are pores and flecks.
LEAST_FLAT_MM2 = 4.0


@dataclass(frozen=True)
class Judgement:
    """A candidate's kind (None: nothing at all), its chance to be a void, and the chance of each kind.

    ``fit`` is how well it is expected to fit the void if it is one (intersection over union): of a knot, the hole in
    it and a dark spot in that, the hole fits.
    """

    kind: Kind | None
    void_probability: float
    kind_chances: Mapping[Kind, float]
    fit: float = 1.0

    @property
    def is_void(self) -> bool:
        """Whether it is taken for a void."""
        return self.kind is not None and self.kind.is_void


@dataclass(frozen=True, eq=False)
class _Trees:
    """The model's trees as arrays: tree t asks figure ``ask[t, node]`` against ``cut[t, node]``.

    A tree of depth D has nodes 0 to 2**D - 2 (the children of n are 2n + 1 and 2n + 2) and 2**D leaves; its value
    counts for set ``label[t]``: a label, or last of all the fit.
    """

    ask: NDArray[np.intp]
    cut: Floats
    leaf: Floats
    label: NDArray[np.intp]


@cache
def _model() -> tuple[dict[str, Any], _Trees]:
    text = files("voidmap.surface").joinpath("kinds.json").read_text(encoding="utf-8")
    model = dict(json.loads(text))
    return model, _laid_out([*model["trees"], model["fit_trees"]])


def _laid_out(sets: Sequence[Sequence[Any]]) -> _Trees:
    """Write sets of nested trees as arrays; each tree counts for its set's number."""
    nodes = [tree for own in sets for tree in own]
    count = len(nodes)
    label = np.repeat(np.arange(len(sets)), [len(own) for own in sets])
    ask, cut = [], []
    while any(isinstance(node, list) for node in nodes):
        # A leaf before the last level is its own two children.
        asked = [node if isinstance(node, list) else (0, np.inf, node, node) for node in nodes]
        ask.append(np.array([node[0] for node in asked], np.intp).reshape(count, -1))
        cut.append(np.array([node[1] for node in asked], np.float64).reshape(count, -1))
        nodes = [child for node in asked for child in node[2:]]
    return _Trees(np.hstack(ask), np.hstack(cut), np.array(nodes, np.float64).reshape(count, -1), label)


def judge(found: Sequence[Mapping[str, float]]) -> list[Judgement]:
    """Judge candidates by their figures (see ``features.describe``).

    What is blacker than wood is a void (``BLACKEST``). Else a candidate is one when that is likelier than not (by
    ``CALL_SMALL`` and ``CALL_LARGE`` for small and large things, ``CALL_UNLIKE`` for what fades or is evenly dark), or
    else a flat thing or nothing, whichever is likelier; within the group it is the likeliest kind.
    ``kind_chances`` are those of the kinds, given that it is something.
    """
    if not found:
        return []
    model, trees = _model()
    sums = _sums(trees, np.array([[f[name] for name in model["figures"]] for f in found]))
    chances = softmax((np.array(model["start"]) + sums[:, :-1]) / model["temperature"])
    fits = model["fit_start"] + sums[:, -1]
    return judged_by(found, chances, fits, model["labels"], model["void_map"])


def judged_by(
    found: Sequence[Mapping[str, float]],
    chances: Floats,
    fits: Floats,
    labels: Sequence[str],
    void_map: Sequence[Sequence[float]],
) -> list[Judgement]:
    """Judge candidates by the chance of each label (N, K), how each would fit (N,), and the map of a void's chance."""
    rows = [dict(zip(labels, row, strict=True)) for row in spread(chances)]
    voids = np.interp([sum(row[kind] for kind in Kind if kind.is_void) for row in rows], void_map[0], void_map[1])
    voids = np.where([_is_blackest(figures) for figures in found], np.maximum(voids, BLACKEST_CHANCE), voids)
    bars = np.array([bar_of(figures, row) for figures, row in zip(found, rows, strict=True)])
    bars = np.maximum(bars, np.where(_one_of_many(found, voids), CALL_OF_MANY, 0.0))
    return [
        replace(_judged(*each), fit=float(np.clip(fit, 0.01, 1.0)))
        for *each, fit in zip(found, rows, voids.tolist(), bars.tolist(), fits, strict=True)
    ]


def times_as_likely(chance: float, times: float) -> float:
    """Return the chance of what has so many times the odds."""
    return chance * times / (1.0 + chance * (times - 1.0))


def spread(chances: Floats) -> Floats:
    """Give every label a little of every chance (``UNKNOWN_SHARE``), (N, K)."""
    return np.asarray((1.0 - UNKNOWN_SHARE) * chances + UNKNOWN_SHARE / chances.shape[1], dtype=np.float64)


def bar_of(figures: Mapping[str, float], chances: Mapping[str, float]) -> float:
    """Return the chance from which a thing of this size and look, with these chances of a kind, is called a void."""
    if not figures["is_line"] and (_fades(figures, chances) or _is_even(figures)):
        return CALL_UNLIKE
    if _holds_little(figures):
        return CALL_SMALL
    return CALL_LARGE if figures["log_area"] > np.log(LARGE_MM2) else 0.5


def _fades(figures: Mapping[str, float], chances: Mapping[str, float]) -> bool:
    """Whether a patch that would be a bark void turns dark within, or little by little, rather than at its rim."""
    dark = -figures["dark_middle"]
    if dark <= FADING_DARK or chances[Kind.BARK_VOID] < max(chances[kind] for kind in Kind if kind.is_void):
        return False
    return not figures["is_dot"] and (figures["rim_width"] > SOFT or figures["step"] < FADING * dark)


def _is_even(figures: Mapping[str, float]) -> bool:
    """Whether a patch is evenly dark all over."""
    dark = -figures["dark_middle"]
    return dark > EVEN_DARK and not figures["is_dot"] and figures["dark_spread"] < EVEN * dark


def _is_blackest(figures: Mapping[str, float]) -> bool:
    """Whether a thing is darker than any wood."""
    black = figures["dark_middle"] < BLACKEST and figures["step"] > BLACKEST_STEP
    return black and figures["at_border"] < BLACKEST_BORDER


def _one_of_many(found: Sequence[Mapping[str, float]], voids: Floats) -> NDArray[np.bool_]:
    """Tell which small things have many of their size on the slab that are about as dark and yet hardly voids."""
    size = np.array([figures["log_area"] for figures in found])
    step = np.array([figures["step"] for figures in found])
    alike = (np.abs(size - size[:, None]) < np.log(LIKE_SIZE)) & (step > LIKE_STEP * step[:, None])
    return (size < np.log(SMALL_PATCH_MM2)) & ((alike & (voids < HARDLY)).sum(axis=1) >= MANY)


def _judged(figures: Mapping[str, float], chances: Mapping[str, float], void: float, bar: float) -> Judgement:
    kinds = {kind: float(chances[kind]) for kind in Kind}
    raw = sum(p for kind, p in kinds.items() if kind.is_void)
    flat = sum(p for kind, p in kinds.items() if not kind.is_void)
    given = {kind: p / (raw + flat) for kind, p in kinds.items()}
    is_void = void >= bar
    if not is_void and chances[NOTHING] > flat and not (_dark_and_compact(figures) and _is_odd_one(figures, chances)):
        return Judgement(None, void, given)
    best = max((k for k in given if k.is_void == is_void), key=lambda k: given[k])
    return Judgement(best, void, given)


def _holds_little(figures: Mapping[str, float]) -> bool:
    if figures["is_line"]:
        return figures["log_area"] < np.log(SMALL_MM2) and figures["log_length"] < np.log(SHORT_MM)
    return figures["log_area"] < np.log(SMALL_PATCH_MM2)


def _dark_and_compact(figures: Mapping[str, float]) -> bool:
    return (
        figures["log_area"] > np.log(LEAST_FLAT_MM2)
        and figures["dark_middle"] < -FLAT_DARK
        and figures["step"] > FLAT_STEP
        and figures["log_slender"] < np.log(FLAT_SLENDER)
        and figures["solidity"] > FLAT_SOLIDITY
        and figures["odd"] > np.log1p(FLAT_SIGMAS)
    )


def _is_odd_one(figures: Mapping[str, float], chances: Mapping[str, float]) -> bool:
    """Whether a thing has few like it on the slab, or may well be something for all that."""
    return chances[NOTHING] < MOST_NOTHING or figures["alike"] <= np.log(FEW_ALIKE)


def _sums(trees: _Trees, figures: Floats) -> Floats:
    """Return the sum of each set's trees (N, sets) for figures (N, F)."""
    every, inner = np.arange(len(trees.ask)), trees.ask.shape[1]
    # Places in the flat arrays: one index for each lookup.
    rows = np.arange(len(figures))[:, None] * figures.shape[1]
    node = np.zeros((len(figures), len(every)), np.intp)
    while node[0, 0] < inner:
        at = every * inner + node
        node = 2 * node + 1 + (np.take(figures, rows + np.take(trees.ask, at)) > np.take(trees.cut, at))
    values = np.take(trees.leaf, every * trees.leaf.shape[1] + node - inner)
    return np.column_stack([values[:, trees.label == k].sum(axis=1) for k in range(int(trees.label[-1]) + 1)])


def softmax(scores: Floats) -> Floats:
    """Turn scores (N, K) into chances."""
    chances = np.exp(scores - scores.max(axis=1, keepdims=True))
    return np.asarray(chances / chances.sum(axis=1, keepdims=True), dtype=np.float64)
