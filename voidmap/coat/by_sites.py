"""A coat's photo laid by the sites that are open still, where the wood alone has misled.

On plain, sanded wood a picture can slide along the grain, and settle a millimetre off and stretched. Sites that kept
open then all lie off their places, by what one affine map takes away: it is looked for, and believed only when many
more pinholes lie on sites by it than without.
"""

from __future__ import annotations

from dataclasses import replace
from math import comb

import cv2
import numpy as np

from voidmap.coat.align import Alignment
from voidmap.coat.near import nearest, pairs_within
from voidmap.model import Floats

FARTHEST_MM = 2.5
"""A picture that the wood has laid is not farther off than this."""
ON_MM = 0.4
"""A pinhole lies on a site within this: two readings of one place (0.1 mm an axis and more), and a small bend."""
LEAST_ON = 6
"""So many pinholes at least must lie on sites by it."""
MORE, SHARE_MORE = 4, 0.3
"""By so many, and by this share, more pinholes must lie on sites than without."""
BY_CHANCE = 1e-5
"""An affine map goes through any three pairs of a pinhole and a site. It is believed when so few of all such maps are
expected to have so many others on them where all lie at random (440 random coats: .0009 once, else .5 and more).
"""
TRIES, CONFIDENCE = 5000, 0.999
OUTLIER_MM = 0.15
"""Pinholes farther from their sites count less (Cauchy)."""
HELD_MM = 1.0
"""1 sigma of what the map changes at the bending's reach: where no site tells, the wood is believed."""
ROUNDS = 8


def laid_by_sites(alignment: Alignment, places_mm: Floats, sites_mm: Floats) -> Alignment:
    """Return an alignment that lays pinholes onto sites where that lays many more of them; else the same.

    Parameters
    ----------
    alignment
        What the wood says.
    places_mm
        The pinholes (N, 2), new picture's frame.
    sites_mm
        All earlier sites (M, 2), reference frame.
    """
    if not np.isfinite(alignment.rms_mm) or len(places_mm) < LEAST_ON or len(sites_mm) < LEAST_ON:
        return alignment
    bend = alignment.bend
    here = bend(places_mm)
    i, j, _ = pairs_within(here, sites_mm, FARTHEST_MM)
    if len(np.unique(i)) < LEAST_ON:
        return alignment
    _, told = cv2.estimateAffine2D(
        sites_mm[j], here[i], method=cv2.RANSAC, ransacReprojThreshold=ON_MM, maxIters=TRIES, confidence=CONFIDENCE
    )
    on = np.flatnonzero(np.asarray(told).ravel() > 0) if told is not None else np.zeros(0, np.int64)
    before = int((nearest(sites_mm, here)[0] <= ON_MM).sum())
    after = len(np.unique(i[on]))
    enough = after >= max(LEAST_ON, before + MORE, (1 + SHARE_MORE) * before)
    if not enough or _by_chance(after, len(i)) > BY_CHANCE:
        return alignment
    first = bend.powers(np.concatenate([sites_mm[j[on]], here]))[:, :3]
    change, rms_mm = _fitted(first[: len(on)], here[i[on]] - sites_mm[j[on]], first[len(on) :])
    terms = bend.terms_mm.copy()
    terms[:3] += change
    return replace(alignment, bend=replace(bend, terms_mm=terms), rms_mm=rms_mm)


def _by_chance(on: int, pairs: int) -> float:
    """Return how many affine maps through three of so many random pairs are expected to have ``on`` of them on them."""
    from scipy.special import bdtrc

    return comb(pairs, 3) * float(bdtrc(on - 4, pairs - 3, (ON_MM / FARTHEST_MM) ** 2))


def _fitted(first: Floats, off_mm: Floats, over: Floats) -> tuple[Floats, float]:
    """Fit the terms (3, 2) of an affine map to what pinholes lie off (N, 2), robustly.

    Returned with by what distance a place may be off (1 sigma): what is left of the pinholes, and the doubt of the map
    over all places (M, 3), also far from any site.
    """
    held = np.diag([0.0, 1.0, 1.0]) * (OUTLIER_MM / HELD_MM) ** 2
    weight = np.ones(len(first))
    for _ in range(ROUNDS):
        told = first.T * weight
        normal = told @ first + held + 1e-9 * np.eye(3)
        change = np.linalg.solve(normal, told @ off_mm)
        left = np.hypot(*(off_mm - first @ change).T)
        weight = 1 / (1 + (left / OUTLIER_MM) ** 2)
    left_mm2 = float(np.mean(left**2))
    doubt = float(np.einsum("ni,ij,nj->n", over, np.linalg.inv(normal), over).mean())
    return np.asarray(change, dtype=np.float64), float(np.sqrt(left_mm2 * (1 + doubt)))
