"""How many pinholes there are, given how many were called: misses and false calls both counted in."""

from __future__ import annotations

import numpy as np

from voidmap.coat.again import USUAL_RATIO
from voidmap.coat.pod import Fit
from voidmap.model import Floats
from voidmap.records import Interval
from voidmap.statistics import equal_tailed

DRAWS = 4000
STRANGE_SURFACE = 1.0
"""Doubt (1 sigma, log odds) that all spots of a photo share about the classifier: this wood, coat and lamp are not
those that it was trained on."""
LEAST_CHANCE = 0.05
"""A size found more rarely than this says nothing about how many there are."""


def count_interval(
    probability: Floats,
    diameter_mm: Floats,
    fit: Fit | None,
    rng: np.random.Generator,
    *,
    smallest_mm: float,
    known: int = 0,
) -> Interval:
    """Return the 95 % interval of the number of pinholes of at least ``smallest_mm``.

    Parameters
    ----------
    probability, diameter_mm
        (N,) of the called spots: chance that each is a pinhole, and its diameter.
    fit
        The photo's curve of detection; its parameters' covariance is carried. None when no curve could be told:
        misses are then left out.
    rng
        Draws the simulation.
    smallest_mm
        The size that matters.
    known
        Pinholes beside the called ones that the user saw: the detector missed at least so many.

    Notes
    -----
    Each called spot is true with its probability, give or take a doubt that they all share. For each true one of a
    size found with chance p, the number
    missed of the same size is negative binomial (misses before as many finds); zero found still leaves room, by
    the Jeffreys half a find at the smallest size.
    """
    logit = np.log(np.clip(probability, 1e-6, 1 - 1e-6) / np.clip(1 - probability, 1e-6, 1 - 1e-6))
    shared = rng.normal(0.0, STRANGE_SURFACE, (DRAWS, 1))
    true = rng.random((DRAWS, len(probability))) < 1 / (1 + np.exp(-(logit[None, :] + shared)))
    if fit is None:
        return _whole(equal_tailed(true.sum(axis=1).astype(np.float64) + known))
    matters = diameter_mm >= smallest_mm
    sizes = np.append(np.maximum(diameter_mm, smallest_mm), USUAL_RATIO * smallest_mm)
    chance = np.clip(fit.drawn_chances(sizes, rng, DRAWS), LEAST_CHANCE, 1.0)
    missed = np.where(true & matters, rng.negative_binomial(1, chance[:, :-1]), 0).sum(axis=1)
    unseen = rng.negative_binomial(0.5, chance[:, -1])
    more = np.maximum(missed + unseen, known)
    return _whole(equal_tailed((true.sum(axis=1) + more).astype(np.float64)))


def _whole(interval: Interval) -> Interval:
    return Interval(float(np.floor(interval.lo)), float(np.ceil(interval.hi)))
