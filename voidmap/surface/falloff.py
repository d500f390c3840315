"""How the light falls off over the picture: a smooth field that all stuffs in it share.

A window at one side, a near lamp and the lens's own fall-off make the same wood twice as bright at one end as at the
other; the bench and the boards' paper beside it are brighter by the same factor. So each stuff has a level of its
own, and all have one field on top of it: a plane and a curve, fitted so that what fits them badly (shadows, another
stuff) counts for little (bisquare weights, A. E. Beaton and J. W. Tukey, Technometrics 16, 1974).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from voidmap.model import Floats
from voidmap.surface.patches import Bools, Coarse

# A patch this many scatters off counts for nothing: 95 % of the efficiency of least squares where all is normal.
BISQUARE = 4.685
# From the median of absolute residuals to a normal scatter.
TO_SIGMA = 1.4826
# Patches beside each other share their planks, stains and shadows: so many of them tell as much as one alone.
ALIKE_PATCHES = 50.0
# By how much the light usually differs over half the picture's longer side (1 sigma, log units of the 8-bit picture).
USUAL_FALL = 0.3
# The tone of one stuff scatters no less than this (log units).
LEAST_SCATTER = 0.02
# The weights have settled after so many rounds.
ROUNDS = 12


def curves_over(coarse: Coarse) -> Floats:
    """Return the field's shapes at each patch, (n, 5): x, y, x^2, x y, y^2, -1 to 1 over the picture's longer side."""
    height, width = coarse.labels.shape
    row, column = np.indices(coarse.labels.shape, dtype=np.float32)
    half = max(height, width) / 2.0
    x, y = coarse.mean(column - width / 2.0) / half, coarse.mean(row - height / 2.0) / half
    return np.column_stack([x, y, x * x, x * y, y * y])


def fall_of_light(curves: Floats, tone: Floats, stuffs: Sequence[Bools]) -> Floats:
    """Return how much brighter each patch is lit than the middle of the picture.

    Parameters
    ----------
    curves
        (n, k) the field's shapes at each patch.
    tone
        (n,) log brightness of each patch.
    stuffs
        (n,) masks of patches that are of one stuff each (paper, wood, bench). A stuff of few patches says nothing.

    Returns
    -------
    (n,) array
        Log units; 0 where no stuff is known.
    """
    known = [np.flatnonzero(stuff) for stuff in stuffs if stuff.sum() >= ALIKE_PATCHES]
    if not known:
        return np.zeros_like(tone)
    rows = np.concatenate(known)
    stuff = np.repeat(np.arange(len(known)), [len(k) for k in known])
    system = np.hstack([np.eye(len(known))[stuff], curves[rows]])
    prior = np.diag(np.repeat([0.0, 1.0 / USUAL_FALL**2], [len(known), curves.shape[1]]))
    left = tone[rows] - np.array([np.median(tone[k]) for k in known])[stuff]
    for _ in range(ROUNDS):
        scatter = TO_SIGMA * np.array([np.median(np.abs(left[stuff == k])) for k in range(len(known))])
        scatter = np.maximum(scatter, LEAST_SCATTER)[stuff]
        weight = np.maximum(1.0 - (left / (BISQUARE * scatter)) ** 2, 0.0) ** 2 / (ALIKE_PATCHES * scatter**2)
        weighted = system.T * weight
        found = np.linalg.solve(weighted @ system + prior, weighted @ tone[rows])
        left = tone[rows] - system @ found
    return np.asarray(curves @ found[len(known) :])
