"""Weigh planted pinholes so that those found look like the photo's own finds.

How pinholes look (dark, mirroring a lamp, or hardly at all) is not known beforehand; it depends on what feeds them and
on where the lamps hang. A look is found with the same chance whether it was planted or not. So where a look makes up
more of the photo's own finds than of the planted finds, more of all pinholes have it, found or not, by that ratio.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.coat.ground import Bytes, Floats32
from voidmap.model import Floats

PIT_RADII, GROUND_RADII = 1.7, 2.6
"""A pinhole and its rim's glints reach to about 1.7 radii; beyond, to 2.6, is its ground."""
WHITE = 252.0
"""8-bit grey of a lamp's glint."""
EDGES = (0.12, 0.25, 0.4, 0.6, 0.8)
"""Classes of strength: share of the ground's light lost, or of the room up to white gained, blur taken off."""
CLASSES = 2 * (len(EDGES) + 1)
PRIOR_FINDS = 2.0
"""A class of looks keeps its planted share until it should have shown itself in so many finds."""


def looks(grey: Bytes, bare: Bytes | None, places_px: Floats, diameter_px: Floats, blur_px: float) -> NDArray[np.int64]:
    """Return each spot's look as a class (N,): how strong, and whether the dark or the bright stands out more.

    Parameters
    ----------
    grey
        (H, W) uint8, the photo.
    bare
        The same without the spots: the look is then read free of ground and noise; None when not known.
    places_px, diameter_px
        Centres (N, 2) photo px, diameters (N,) px.
    blur_px
        The photo's blur (1 sigma), px.
    """
    both = np.array(
        [_contrasts(grey, bare, x, y, d) for (x, y), d in zip(places_px, diameter_px, strict=True)], dtype=np.float64
    ).reshape(-1, 2)
    # A blurred disc keeps so much of its contrast at its middle.
    kept = 1 - np.exp(-((diameter_px / 2) ** 2) / (2 * blur_px**2))
    strength = both.max(axis=1, initial=0.0) / np.maximum(kept, 0.1)
    return np.asarray(np.searchsorted(EDGES, strength) + (len(EDGES) + 1) * (both[:, 1] > both[:, 0]), dtype=np.int64)


def _contrasts(grey: Bytes, bare: Bytes | None, x: float, y: float, diameter_px: float) -> tuple[float, float]:
    """Return the share of light lost at the darkest place, and of the room up to white gained at the brightest."""
    radius = max(diameter_px / 2, 1.5)
    half = int(np.ceil(GROUND_RADII * radius)) + 1
    patch = _patch(grey, x, y, half)
    axis = np.arange(-half, half + 1)
    away = np.hypot(axis[None, :], axis[:, None])
    inner, ring = away <= PIT_RADII * radius + 0.5, away > PIT_RADII * radius + 0.5
    ground = float(np.median(patch[ring & (away <= GROUND_RADII * radius + 1)]))
    change = patch - (ground if bare is None else _patch(bare, x, y, half))
    return -float(change[inner].min()) / max(ground, 8.0), float(change[inner].max()) / max(WHITE - ground, 8.0)


def _patch(grey: Bytes, x: float, y: float, half: int) -> Floats32:
    return cv2.getRectSubPix(grey, (2 * half + 1, 2 * half + 1), (float(x), float(y))).astype(np.float32)


def weights(
    own: NDArray[np.int64], sure: Floats, seen: NDArray[np.int64], planted: NDArray[np.int64], hit: NDArray[np.bool_]
) -> Floats:
    """Return how much each planted pinhole counts (N,), 1 on average.

    Parameters
    ----------
    own, sure
        Looks (M,) of the photo's own finds, and their chances to be pinholes.
    seen, planted
        Looks (N,) of the planted pinholes as the photo shows them, and free of ground and noise.
    hit
        (N,) whether each was found.
    """
    if not hit.any():
        return np.ones(len(planted))
    here = np.bincount(own, weights=sure, minlength=CLASSES)
    there = np.bincount(seen[hit], minlength=CLASSES) * (here.sum() / hit.sum())
    # The mean of a rate with a gamma prior of mean 1, of which so many finds tell.
    ratio = (here + PRIOR_FINDS) / (there + PRIOR_FINDS)
    total = np.bincount(planted[hit], weights=ratio[seen[hit]], minlength=CLASSES)
    share = (total + PRIOR_FINDS) / (np.bincount(planted[hit], minlength=CLASSES) + PRIOR_FINDS)
    out = share[planted]
    return np.asarray(out / out.mean(), dtype=np.float64)
