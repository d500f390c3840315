"""Where the middle of a wide dark pinhole is, by its edge all around.

A candidate's place is a peak of curvature: in a wide pit that is where the floor is darkest or a glint lies beside it,
not the middle of the opening. A circle laid by least squares through the places where the darkness has fallen to half,
spoke by spoke, finds that. Spokes that meet a glint or a pore count little (weights of the Cauchy kind).
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.coat.ground import Bytes
from voidmap.coat.spots import Spots
from voidmap.model import Floats

LEAST_PX = 7.0
"""Narrower ones have few pixels of edge, and their peak of curvature is their middle."""
SPOKES, STEPS = 24, 41
REACH = 2.0
"""The edge is looked for out to this many radii, the ground read beyond four fifths of it."""
FLOOR_STEPS, GROUND_STEPS = 6, 8
SMOOTH_PX = 0.8
ROUNDS, REWEIGHED = 3, 5
MOST_MOVE_RADII = 0.25
"""In one round."""
LEAST_DEPTH = 12.0
"""Darkness, 8-bit grey, from which the edge stands over wood's own texture."""
LEAST_SPOKES = 18
"""Three quarters of the edge must be seen."""
MOST_RAGGED = 0.1
"""Edges off the circle by more than this share of the radius (robust 1 sigma) are no round opening's. 517 dark pinholes
of simulated coats of gloss are moved: .76 px (median) and 1.8 (nine in ten) off before, .66 and 1.5 after; 48 of haze
.55 and 1.3, then .44 and 1.0; 81 in practice photos, by another renderer, .34 to .21 on gloss, .60 to .45 on haze."""

_TURN = np.arange(SPOKES) * (2 * np.pi / SPOKES)
_DESIGN = np.stack([np.ones(SPOKES), np.cos(_TURN), np.sin(_TURN)], axis=1)
_STEPS = np.linspace(0.0, REACH, STEPS)


def with_middles(grey: Bytes, spots: Spots) -> Spots:
    """Return spots, the wide dark ones moved to the middle of their edge where that is seen.

    Parameters
    ----------
    grey
        (H, W) uint8, the photo.
    spots
        What was found in it.
    """
    wide = np.flatnonzero((spots.polarity < 0) & (spots.diameter_px >= LEAST_PX))
    if len(wide) == 0:
        return spots
    radius = spots.diameter_px[wide] / 2
    places = spots.places_px[wide]
    for _ in range(ROUNDS):
        edge, shown, depth = _edges(grey, places, radius)
        moved, ragged = _circles(edge, shown)
        most = MOST_MOVE_RADII * radius[:, None]
        places = places + np.clip(moved, -most, most)
    told = (depth >= LEAST_DEPTH) & (shown.sum(axis=1) >= LEAST_SPOKES) & (ragged <= MOST_RAGGED * radius)
    x_px, y_px = spots.x_px.copy(), spots.y_px.copy()
    x_px[wide[told]], y_px[wide[told]] = places[told].T
    return replace(spots, x_px=x_px, y_px=y_px)


def _edges(grey: Bytes, places: Floats, radius: Floats) -> tuple[Floats, NDArray[np.bool_], Floats]:
    """Return how far the edge is on each spoke (N, SPOKES) px, where there is one, and the darkness (N,)."""
    seen = np.stack([_spokes(grey, place, reach) for place, reach in zip(places, radius, strict=True)])
    floor = np.median(seen[:, :, :FLOOR_STEPS], axis=(1, 2))
    ground = np.median(seen[:, :, -GROUND_STEPS:], axis=(1, 2))
    bright = seen > ((floor + ground) / 2)[:, None, None]
    # The edge is where two steps on end are brighter.
    lasting = bright[:, :, 1:] & bright[:, :, :-1]
    first = lasting.argmax(axis=2)
    return _STEPS[first] * radius[:, None], first > 0, ground - floor


def _spokes(grey: Bytes, place: Floats, radius: float) -> Floats:
    """Return the smoothed grey (SPOKES, STEPS) about a place."""
    half = int(np.ceil(REACH * radius + 4 * SMOOTH_PX)) + 1
    column, row = round(float(place[0])), round(float(place[1]))
    left, top = max(0, column - half), max(0, row - half)
    patch = cv2.GaussianBlur(grey[top : row + half + 1, left : column + half + 1], (0, 0), SMOOTH_PX)
    x = place[0] - left + radius * np.outer(np.cos(_TURN), _STEPS)
    y = place[1] - top + radius * np.outer(np.sin(_TURN), _STEPS)
    read = cv2.remap(patch, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    return np.asarray(read, dtype=np.float64)


def _circles(edge: Floats, shown: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Lay circles through edges (N, SPOKES); return how far their middles lie off (N, 2), and the edges' scatter."""
    weight = shown.astype(np.float64)
    least = 0.05 * np.median(edge, axis=1)
    for _ in range(REWEIGHED):
        normal = np.einsum("nk,ki,kj->nij", weight, _DESIGN, _DESIGN) + 1e-6 * np.eye(3)
        laid = np.linalg.solve(normal, ((weight * edge) @ _DESIGN)[..., None])[..., 0]
        off = np.abs(edge - laid @ _DESIGN.T)
        scatter = np.maximum(1.4826 * np.median(np.where(shown, off, np.inf), axis=1), np.maximum(least, 1e-3))
        weight = shown / (1 + (off / (2 * scatter[:, None])) ** 2)
    return laid[:, 1:], scatter
