"""Marks are grey: a thin dark line whose colour is no shade's is less likely a crack.

What light reaches the inside of a crack has met wood on its way, which takes most of the blue: the shade in it is
warmer than the wood beside, the more light is missing. Graphite, and the stain of iron, darken the other way, toward a
grey: of warm wood they take more red than blue. In one px that is lost in noise; along a line it is not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from voidmap.model import Floats, Ortho
from voidmap.surface.candidates import Looked
from voidmap.surface.follow import as_line, path_of
from voidmap.surface.kinds import Judgement, bar_of, times_as_likely
from voidmap.surface.merge import Judged
from voidmap.surface.sample import colours_at

# Lines from this long on, up to this wide in the mean, are asked, if they are voids with this chance at least.
LEAST_MM, WIDEST_MM, LEAST_CHANCE = 12.0, 3.0, 0.2
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

    Parameters
    ----------
    looked
        The candidates.
    judgements
        How each candidate is judged by its look.
    ortho
        The slab's top seen square-on, the picture that the candidates were found in.
    """
    items = zip(looked.candidates, judgements, strict=True)
    return [_by_colour(item, looked, ortho) for item in items]


def _by_colour(item: Judged, looked: Looked, ortho: Ortho) -> Judgement:
    found, judgement = item
    length_mm = float(np.exp(found.features["log_length"]))
    thin = found.cover.area_px * ortho.mm_per_px**2 <= WIDEST_MM * length_mm
    if judgement.void_probability < LEAST_CHANCE or length_mm < LEAST_MM or not thin:
        return judgement
    line = as_line(item)
    colour = None if line is None else _greyness(path_of(line[0]), looked, ortho)
    if colour is None:
        return judgement
    grey, error = colour
    nats = STEEPNESS * min(max(grey, 0.0), MOST) / (1.0 + (error / UNCERTAIN) ** 2)
    chance = times_as_likely(judgement.void_probability, float(np.exp(-nats)))
    bar = bar_of(found.features, {str(kind): p for kind, p in judgement.kind_chances.items()})
    called = judgement.is_void and chance < bar
    return replace(judgement, kind=None if called else judgement.kind, void_probability=chance)


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
    column, row = np.round(points - looked.corner).astype(int).transpose(2, 0, 1)
    height, width = looked.evened.seen.shape
    inside = (column >= 0) & (column < width) & (row >= 0) & (row < height)
    seen = inside & looked.evened.seen[np.clip(row, 0, height - 1), np.clip(column, 0, width - 1)]
    whole = points[seen.all(axis=1)]
    if not len(whole):
        return np.empty((0, 3))
    light = np.log(colours_at(ortho, whole) + STRAY)
    beside = np.median(light[:, np.abs(across_mm) >= BESIDE_MM[0]], axis=1)
    return np.asarray((beside[:, None] - light[:, np.abs(across_mm) <= WITHIN_MM]).sum(axis=1) * STEP_MM)
