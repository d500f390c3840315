"""Marks are grey: a thin dark line whose colour is no shade's is less likely a crack.

What light reaches the inside of a crack has met wood on its way, which takes most of the blue: the shade in it is
warmer than the wood beside, the more light is missing. Graphite, and the stain of iron, darken the other way, toward a
grey: of warm wood they take more red than blue. In one px that is lost in noise; along a line it is not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats, Ortho
from voidmap.surface.candidates import Looked
from voidmap.surface.features import Candidate
from voidmap.surface.follow import as_line, path_of
from voidmap.surface.kinds import Judgement, bar_of, times_as_likely
from voidmap.surface.merge import Judged
from voidmap.surface.sample import colours_at, marked_at

# Things up to this wide in the mean are asked, if they are voids with this chance at least.
WIDEST_MM, LEAST_CHANCE = 3.0, 0.2
# The light missing is added up from the middle to so far on both sides, against what lies from there to so far: the
# colours of a compressed photo run over a millimetre.
WITHIN_MM, BESIDE_MM, STEP_MM = 2.0, (2.3, 4.5), 0.25
# The way's direction is taken over so many px to both sides of a place.
TANGENT_PX = 8
# Stray light, grey levels of 255: black has a logarithm.
STRAY = 4.0
# How a line's colour varies along it is told by pieces of this length, three at least.
PIECE_MM, LEAST_PIECES = 4.0, 3
# Less light than this (natural log times mm) has no colour.
LEAST_TAKEN = 0.02
# What a line takes of red more than of blue, over what it takes of green, makes it the less likely a void: by odds of
# exp(15 x), no further than x is 0.3, and less where x is uncertain (half at 0.1). Of 2,973 thin lines with even odds
# and more on 224 photos of simulated slabs 28 of 147 that are none no longer have them, and 6 of 2,826 cracks; of 1,723
# on 68 photos of other renderers 13 of 85, and 1 of 1,638. (Of cracks x is -0.2 at the median, and 0.01 at nine in ten;
# of what is none 0.03 and 0.02 at the median.)
STEEPNESS, MOST, UNCERTAIN = 15.0, 0.3, 0.1


def less_likely_grey(looked: Looked, judgements: Sequence[Judgement], ortho: Ortho) -> list[Judgement]:
    """Return how each candidate is judged, thin lines that are greyer than shade as less likely voids.

    Thin things that lie along such a line are pieces of it, and as much less likely.

    Parameters
    ----------
    looked
        The candidates.
    judgements
        How each candidate is judged by its look.
    ortho
        The slab's top seen square-on, the picture that the candidates were found in.
    """
    items = list(zip(looked.candidates, judgements, strict=True))
    thin = [_is_thin(item, ortho.mm_per_px) for item in items]
    lines = [as_line(item) if is_thin else None for item, is_thin in zip(items, thin, strict=True)]
    paths = [None if line is None else path_of(line[0]) for line in lines]
    nats = np.array([0.0 if path is None else _against(path, looked, ortho) for path in paths])
    for path, against in [(path, each) for path, each in zip(paths, nats, strict=True) if path is not None and each]:
        along = _that_lie_along(path, looked.candidates, WITHIN_MM / ortho.mm_per_px)
        nats = np.where(along & thin, np.maximum(nats, against), nats)
    return [_less_likely(item, each) if each else item[1] for item, each in zip(items, nats.tolist(), strict=True)]


def _is_thin(item: Judged, mm_per_px: float) -> bool:
    found, judgement = item
    length_mm = float(np.exp(found.features["log_length"]))
    may_be = judgement.void_probability >= LEAST_CHANCE
    return may_be and found.cover.area_px * mm_per_px**2 <= WIDEST_MM * length_mm


def _that_lie_along(path_px: Floats, found: Sequence[Candidate], reach_px: float) -> NDArray[np.bool_]:
    """Tell which things' rims lie all of them so near to a line (N, 2) px, (M,)."""
    from scipy.spatial import cKDTree

    tree, low, high = cKDTree(path_px), path_px.min(axis=0) - reach_px, path_px.max(axis=0) + reach_px

    def lies(rim_px: Floats) -> bool:
        if (rim_px.min(axis=0) < low).any() or (rim_px.max(axis=0) > high).any():
            return False
        return float(np.max(tree.query(rim_px)[0])) <= reach_px

    return np.array([lies(each.cover.outline_px) for each in found])


def _against(path_px: Floats, looked: Looked, ortho: Ortho) -> float:
    """Return by how much a line's colour speaks against a void, natural log of odds."""
    colour = _greyness(path_px, looked, ortho)
    if colour is None:
        return 0.0
    grey, error = colour
    return STEEPNESS * min(max(grey, 0.0), MOST) / (1.0 + (error / UNCERTAIN) ** 2)


def _less_likely(item: Judged, nats: float) -> Judgement:
    found, judgement = item
    chance = times_as_likely(judgement.void_probability, float(np.exp(-nats)))
    bar = bar_of(found.features, {str(kind): p for kind, p in judgement.kind_chances.items()})
    fallen = judgement.is_void and chance < bar
    return replace(judgement, kind=None if fallen else judgement.kind, void_probability=chance)


def _greyness(path_px: Floats, looked: Looked, ortho: Ortho) -> tuple[float, float] | None:
    """Return what a line (N, 2) px takes of red more than of blue, over what it takes of green, and its error.

    None for what is hardly darker than the wood beside it, or is in view along less than three pieces.
    """
    taken = _taken(path_px, looked, ortho)
    count = int(len(taken) * ortho.mm_per_px / PIECE_MM)
    if count < LEAST_PIECES:
        return None
    blue, green, red = np.array([piece.mean(axis=0) for piece in np.array_split(taken, count)]).T
    if green.mean() < LEAST_TAKEN:
        return None
    every = (red - blue).sum() / green.sum()
    # Each piece left out once (the jackknife, B. Efron, The Annals of Statistics 7, 1979).
    without = ((red - blue).sum() - (red - blue)) / np.maximum(green.sum() - green, LEAST_TAKEN)
    error = np.sqrt((count - 1) / count * ((without - without.mean()) ** 2).sum())
    return float(every), float(error)


def _taken(path_px: Floats, looked: Looked, ortho: Ortho) -> Floats:
    """Return the light missing across a line at each px of its way that is in view, (N, 3) B, G, R, log times mm."""
    mm = ortho.mm_per_px
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path_px, axis=0).T))])
    way = np.arange(0.0, along[-1], 1.0)
    places, ahead, behind = (
        np.column_stack([np.interp(way + by, along, path_px[:, k]) for k in (0, 1)])
        for by in (0, TANGENT_PX, -TANGENT_PX)
    )
    tangent = (ahead - behind) / np.maximum(np.hypot(*(ahead - behind).T), 1e-9)[:, None]
    across_mm = np.arange(-BESIDE_MM[1], BESIDE_MM[1] + 1e-9, STEP_MM)
    points = places[:, None] + (across_mm / mm)[:, None] * np.column_stack([-tangent[:, 1], tangent[:, 0]])[:, None]
    seen = marked_at(looked.evened.seen, points - looked.corner)
    whole = points[seen.all(axis=1)]
    if not len(whole):
        return np.empty((0, 3))
    light = np.log(colours_at(ortho, whole) + STRAY)
    beside = np.median(light[:, np.abs(across_mm) >= BESIDE_MM[0]], axis=1)
    return np.asarray((beside[:, None] - light[:, np.abs(across_mm) <= WITHIN_MM]).sum(axis=1) * STEP_MM)
