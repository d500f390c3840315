"""What this photo could show: plant pinholes of known size, look for them with the very detector, count.

What is planted looks as optics lets expect (``plant``), under many settings of the lamps, lies where pinholes come up
(anywhere, and at rims of fills), and counts by how plainly the photo's own finds stand out (``alike``). Planting their
like alone would say that all are found: only those are known that were.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.coat.alike import weights
from voidmap.coat.ground import Bytes
from voidmap.coat.inspected import SHRINK, View
from voidmap.coat.near import Near, nearest
from voidmap.coat.plant import KINDS, SHARES, Plant, places_apart, plant
from voidmap.coat.pod import Fit, fit_with_ceiling, size_bound
from voidmap.coat.rims import rim_strength
from voidmap.coat.spots import CALLED, Search, Spots
from voidmap.errors import ValueRefused
from voidmap.model import Floats
from voidmap.records import Power

PLANTS = 480
"""MIL-HDBK-1823A 4.5.2 asks for 60 hit/miss targets or more, and finds 120 clearly better; with four times that the
1 sigma of d90 is some 6 %."""
SETTINGS = 24
"""Settings of the lamps that the plants are spread over: where the lamps of this photo hang is not known."""
SMALLEST_RATIO, LARGEST_RATIO = 0.3, 2.6
"""Sizes run evenly (as the handbook advises) between these multiples of the size that matters."""
LEAST_APART_MM = 3.0
"""Plants keep this distance from each other and from all that was found, so that each stands for itself."""
HIT_PX = 3.0
"""A plant is found when a spot is called within this distance, or its radius, of its centre."""
LOOKED_RADII = 2.0
"""Plants are looked for within this many radii, and ``HIT_PX``, of their places."""
CURVE_POINTS = 25
DOUBTS_95 = 1.645
"""One-sided 95 % of a normal."""
LEAST_TOLD = 0.002
"""Places of less chance than this are told apart no further."""
LOOK_SPREAD_GLOSS, LOOK_SPREAD_SANDED = 0.7, 0.2
"""How far (1 sigma; logarithm of a ratio over one standard deviation of the detector's log odds) true pinholes may show
more or less plainly than planted ones, before the photo's finds tell. On gloss that hangs on the lamps, on haze
little."""
DOUBT_GLOSS, DOUBT_SANDED = 0.7, 0.4
"""Doubt (1 sigma, log odds) about the curve that more plants would not take away: scatter of the measured curves about
the stated ones on simulated coats of development seeds (45 photos)."""


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
    find: Callable[[Bytes, Bytes], Search],
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
        The detector: takes a grey picture and where to look, both (H, W) uint8, and judges all there.
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
    spread, doubt = (LOOK_SPREAD_SANDED, DOUBT_SANDED) if sanded else (LOOK_SPREAD_GLOSS, DOUBT_GLOSS)
    places, kinds = _places(pixels, view, spots, plants, px_per_mm, rng)
    sizes_mm = np.linspace(SMALLEST_RATIO * smallest_mm, LARGEST_RATIO * smallest_mm, max(len(places), 2))
    sizes_mm = rng.permutation(sizes_mm)[: len(places)]
    planted = [
        Plant(float(x), float(y), float(d * px_per_mm), kind)
        for (x, y), d, kind in zip(places, sizes_mm, kinds, strict=True)
    ]
    picture = _grey(plant(pixels, planted, rng, sanded=sanded, blur_px=blur_px, settings=SETTINGS))
    near = np.zeros(picture.shape, np.uint8)
    for one in planted:
        reach = int(np.ceil(HIT_PX + LOOKED_RADII * one.diameter_px / 2))
        cv2.circle(near, (round(one.x_px), round(one.y_px)), reach, 255, -1)
    searched = find(picture, near)
    hit, found_mm = _hits(places, sizes_mm, searched.spots(CALLED), px_per_mm)
    chance = _chances(places, sizes_mm, searched.spots(LEAST_TOLD), px_per_mm)
    weight = weights(spots.probability, spots.diameter_px / px_per_mm, chance, found_mm, hit, spread)
    return _study(sizes_mm, hit, found_mm, weight, doubt)


def _grey(pixels: Bytes) -> Bytes:
    return np.asarray(cv2.cvtColor(np.ascontiguousarray(pixels), cv2.COLOR_BGR2GRAY), dtype=np.uint8)


def _places(
    pixels: Bytes, view: View, spots: Spots, count: int, px_per_mm: float, rng: np.random.Generator
) -> tuple[Floats, Sequence[str]]:
    """Draw where to plant, (N, 2) px, and what feeds each: those fed by rims lie at rims, where there are any."""
    taken = (spots.places_px + 0.5) / SHRINK - 0.5
    apart = LEAST_APART_MM * px_per_mm / SHRINK
    rims = rim_strength(pixels, px_per_mm, SHRINK, view.seen)
    at_rims = places_apart(rims, round(SHARES[0] * count), apart, rng, taken_px=taken)
    taken = np.concatenate([taken, at_rims])
    anywhere = places_apart(view.seen, count - len(at_rims), apart, rng, taken_px=taken)
    others = np.array(SHARES[1:]) / sum(SHARES[1:])
    kinds = [KINDS[0]] * len(at_rims) + list(rng.choice(KINDS[1:], len(anywhere), p=others))
    return (np.concatenate([at_rims, anywhere]) + 0.5) * SHRINK - 0.5, kinds


def _chances(places: Floats, sizes_mm: Floats, told: Spots, px_per_mm: float) -> Floats:
    """Return the chance (N,) of a pinhole that the detector gives each place: its best spot's there."""
    near = Near(told.places_px)
    best = np.full(len(places), LEAST_TOLD)
    for i, (x, y) in enumerate(places):
        there = near.around(x, y, max(HIT_PX, sizes_mm[i] * px_per_mm / 2))
        best[i] = max(LEAST_TOLD, told.probability[there].max(initial=0.0))
    return best


def _hits(places: Floats, sizes_mm: Floats, found: Spots, px_per_mm: float) -> tuple[NDArray[np.bool_], Floats]:
    if len(found) == 0 or len(places) == 0:
        return np.zeros(len(places), bool), np.full(len(places), np.nan)
    away, which = nearest(found.places_px, places)
    hit = away <= np.maximum(HIT_PX, sizes_mm * px_per_mm / 2)
    return hit, np.where(hit, found.diameter_px[which] / px_per_mm, np.nan)


def _study(sizes_mm: Floats, hit: NDArray[np.bool_], found_mm: Floats, weight: Floats, doubt: float) -> Study:
    planted, count = len(sizes_mm), int(hit.sum())
    try:
        fit = replace(fit_with_ceiling(sizes_mm, hit, weights=weight), doubt=doubt)
    except ValueRefused:
        return Study(sizes_mm, hit, found_mm, None, Power(None, None, None, planted, count))
    if fit.slope <= 0:
        return Study(sizes_mm, hit, found_mm, None, Power(None, None, None, planted, count))
    # The handbook's bound, at the chance that is nine of ten still when the doubt goes against it.
    sure = 1 / (1 + np.exp(-(np.log(9) + DOUBTS_95 * doubt)))
    bound = size_bound(sizes_mm, hit, fit, chance=float(sure), weights=weight)
    at = np.linspace(float(sizes_mm.min()), float(sizes_mm.max()), CURVE_POINTS)
    curve = tuple((round(float(d), 4), round(float(p), 4)) for d, p in zip(at, fit.chance(at), strict=True))
    # Beyond the planted sizes nothing was tried: what depends on it is not stated.
    d50, d90, most = (v if v <= sizes_mm.max() else None for v in (fit.size_at(0.5), fit.size_at(0.9), bound))
    power = Power(
        d50_mm=d50,
        d90_mm=d90,
        d90_95_mm=most,
        planted=planted,
        found=count,
        curve=curve,
    )
    return Study(sizes_mm, hit, found_mm, fit, power)
