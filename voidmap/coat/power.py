"""What this photo could show: plant pinholes of known size, look for them with the very detector, count.

What is planted need not look like this coat's pinholes: fainter, bolder. Those found in the photo and those planted
that were found tell how their contrasts compare at the same size; each plant weighs as much as pinholes of its
contrast are more frequent here (importance weights). That a contrast is missed more often cuts both alike.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.coat.ground import Bytes
from voidmap.coat.inspected import SHRINK, View
from voidmap.coat.plant import Plant, places_apart, plant
from voidmap.coat.pod import Fit, fit_hit_miss, size_bound
from voidmap.coat.spots import Spots
from voidmap.errors import ValueRefused
from voidmap.model import Floats
from voidmap.records import Power

PLANTS = 480
"""MIL-HDBK-1823A 4.5.2 asks for 60 hit/miss targets or more, and finds 120 clearly better; with four times that the
1 sigma of d90 is some 6 %."""
SMALLEST_RATIO, LARGEST_RATIO = 0.3, 2.6
"""Sizes run evenly (as the handbook advises) between these multiples of the size that matters."""
LEAST_APART_MM = 3.0
"""Plants keep this distance from each other and from all that was found, so that each stands for itself."""
HIT_PX = 3.0
"""A plant is found when a spot is called within this distance, or half its radius, of its centre."""
LOOKED_RADII = 2.0
"""Plants are looked for within this many radii, and ``HIT_PX``, of their places."""
CONTRAST_BINS = 4
"""Contrasts are compared in quarters of the planted ones."""
PRIOR_FOUND = 12.0
"""Found pinholes that the plants' own contrasts weigh as much as: a coat with few says little about them."""
DISC_SHARE, RING_SHARE = 0.5, 2.2
"""Contrast is read from the middle out to this share of the radius, against a ring of this many radii."""
CURVE_POINTS = 25


@dataclass(frozen=True, eq=False)
class Study:
    """The outcome: planted diameters (N,) mm, hits (N,), found diameters (N,) mm (NaN where missed), the fit."""

    diameter_mm: Floats
    hit: NDArray[np.bool_]
    found_mm: Floats
    fit: Fit | None
    power: Power


def power_study(
    pixels: Bytes,
    view: View,
    spots: Spots,
    find: Callable[[Bytes, Bytes], Spots],
    rng: np.random.Generator,
    *,
    smallest_mm: float,
    px_per_mm: float,
    blur_px: float,
    sanded: bool,
    plants: int = PLANTS,
) -> Study:
    """Measure the probability of detection over size in one photo.

    Parameters
    ----------
    pixels
        The photo, (H, W, 3) uint8 B, G, R.
    view
        Where its surface is seen.
    spots
        What was found in it (nothing is planted near).
    find
        The detector: takes a grey picture and where to look, both (H, W) uint8, and returns its spots.
    rng
        Draws places and looks.
    smallest_mm
        The size that matters; planted sizes spread around it.
    px_per_mm, blur_px, sanded
        The photo's scale, blur and surface.
    plants
        How many to plant.

    Returns
    -------
    Study
        With fewer plants when there is no room for all.
    """
    places = _places(view, spots, plants, LEAST_APART_MM * px_per_mm, rng)
    sizes_mm = np.linspace(SMALLEST_RATIO * smallest_mm, LARGEST_RATIO * smallest_mm, max(len(places), 2))
    sizes_mm = rng.permutation(sizes_mm)[: len(places)]
    planted = [Plant(float(x), float(y), float(d * px_per_mm)) for (x, y), d in zip(places, sizes_mm, strict=True)]
    picture = _grey(plant(pixels, planted, rng, sanded=sanded, blur_px=blur_px))
    near = np.zeros(picture.shape, np.uint8)
    for one in planted:
        reach = int(np.ceil(HIT_PX + LOOKED_RADII * one.diameter_px / 2))
        cv2.circle(near, (round(one.x_px), round(one.y_px)), reach, 255, -1)
    hit, found_mm = _hits(places, sizes_mm, find(picture, near), px_per_mm)
    own = _contrast(_grey(pixels), spots.places_px, spots.diameter_px)
    drawn = _contrast(picture, places, sizes_mm * px_per_mm)
    weight = _weights(sizes_mm, drawn, hit, spots.diameter_px / px_per_mm, own, spots.probability)
    return _study(sizes_mm, hit, found_mm, weight)


def _grey(pixels: Bytes) -> Bytes:
    return np.asarray(cv2.cvtColor(np.ascontiguousarray(pixels), cv2.COLOR_BGR2GRAY), dtype=np.uint8)


def _places(view: View, spots: Spots, count: int, apart_px: float, rng: np.random.Generator) -> Floats:
    taken = (spots.places_px + 0.5) / SHRINK - 0.5
    cells = places_apart(view.seen, count, apart_px / SHRINK, rng, taken_px=taken)
    return np.asarray((cells + 0.5) * SHRINK - 0.5, dtype=np.float64)


def _hits(places: Floats, sizes_mm: Floats, found: Spots, px_per_mm: float) -> tuple[NDArray[np.bool_], Floats]:
    from scipy.spatial import KDTree

    if len(found) == 0 or len(places) == 0:
        return np.zeros(len(places), bool), np.full(len(places), np.nan)
    away, which = KDTree(found.places_px).query(places)
    hit = np.asarray(away) <= np.maximum(HIT_PX, sizes_mm * px_per_mm / 4)
    return hit, np.where(hit, found.diameter_px[which] / px_per_mm, np.nan)


def _contrast(grey: Bytes, places_px: Floats, diameter_px: Floats) -> Floats:
    """Return each place's contrast (N,): its middle against a ring around it, 8-bit grey, at least 0.5."""
    turn = np.arange(12) * (2 * np.pi / 12)
    around = np.column_stack([np.cos(turn), np.sin(turn)])
    shares = np.concatenate([[[0.0, 0.0]], 0.5 * DISC_SHARE * around, DISC_SHARE * around, RING_SHARE * around])
    at = (places_px[:, None, :] + diameter_px[:, None, None] / 2 * shares).astype(np.float32)
    if len(at) == 0:
        return np.zeros(0)
    read = cv2.remap(grey, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).astype(float)
    return np.asarray(np.maximum(np.abs(read[:, :-12].mean(axis=1) - np.median(read[:, -12:], axis=1)), 0.5))


def _weights(
    sizes_mm: Floats, drawn: Floats, hit: NDArray[np.bool_], own_mm: Floats, own: Floats, probability: Floats
) -> Floats:
    """Return the plants' weights (N,), mean 1, by how their contrasts compare with the photo's own pinholes'."""
    if hit.sum() < 2 * CONTRAST_BINS or len(own) == 0:
        return np.ones(len(sizes_mm))
    slope = float(np.polyfit(np.log(sizes_mm[hit]), np.log(drawn[hit]), 1)[0])
    rest = np.log(drawn) - slope * np.log(sizes_mm)
    own_rest = np.log(own) - slope * np.log(np.maximum(own_mm, 1e-3))
    edges = np.quantile(rest[hit], np.arange(1, CONTRAST_BINS) / CONTRAST_BINS)
    seen = np.bincount(np.searchsorted(edges, own_rest), weights=probability, minlength=CONTRAST_BINS)
    share = (seen + PRIOR_FOUND / CONTRAST_BINS) / (seen.sum() + PRIOR_FOUND)
    weight = share[np.searchsorted(edges, rest)]
    return np.asarray(weight / weight.mean(), dtype=np.float64)


def _study(sizes_mm: Floats, hit: NDArray[np.bool_], found_mm: Floats, weight: Floats) -> Study:
    planted, count = len(sizes_mm), int(hit.sum())
    try:
        fit = fit_hit_miss(sizes_mm, hit, weights=weight)
    except ValueRefused:
        return Study(sizes_mm, hit, found_mm, None, Power(None, None, None, planted, count))
    if fit.slope <= 0:
        return Study(sizes_mm, hit, found_mm, None, Power(None, None, None, planted, count))
    bound = size_bound(sizes_mm, hit, fit, weights=weight)
    at = np.linspace(float(sizes_mm.min()), float(sizes_mm.max()), CURVE_POINTS)
    curve = tuple((round(float(d), 4), round(float(p), 4)) for d, p in zip(at, fit.chance(at), strict=True))
    power = Power(
        d50_mm=fit.size_at(0.5),
        d90_mm=fit.size_at(0.9),
        d90_95_mm=bound if np.isfinite(bound) else None,
        planted=planted,
        found=count,
        curve=curve,
    )
    return Study(sizes_mm, hit, found_mm, fit, power)
