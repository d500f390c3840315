"""What the photos of a coat could show: plant pinholes of known size, look with the very detector, count.

What is planted looks as optics lets expect (``plant``), under many settings of the lamps, lies where pinholes come up
(anywhere, and at rims of fills), and counts by how plainly the photo's own finds stand out (``alike``). Planting their
like alone would say that all are found: only those are known that were.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.coat.alike import Looks, weights
from voidmap.coat.near import Near, nearest
from voidmap.coat.pit import Pit
from voidmap.coat.plant import Plant, plant, shape_of
from voidmap.coat.planting import Shot, all_places, at_rim
from voidmap.coat.pod import Fit, fit_with_ceiling, size_bound
from voidmap.coat.spots import CALLED, Spots
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
HIT_PX = 3.0
"""A plant is found when a spot is called within this distance, or its radius, of its centre."""
LOOKED_RADII = 2.0
"""Plants are looked for within this many radii, and ``HIT_PX``, of their places."""
SAME_MM = 1.0
"""Finds of two photos nearer than this are one pinhole: pinholes stand apart by more, as a rule."""
CURVE_POINTS = 25
DOUBTS_95 = 1.645
"""One-sided 95 % of a normal."""
LEAST_TOLD = 0.002
"""Places of less chance than this are told apart no further."""
LOOK_SPREAD_GLOSS, LOOK_SPREAD_SANDED = 0.35, 0.2
"""How far (1 sigma; logarithm of a ratio over one standard deviation of the detector's log odds) true pinholes may show
more or less plainly than planted ones, before the photo's finds tell. On gloss that hangs on the lamps, on haze
little. On 96 simulated coats of gloss what true ones do is told better at .35 than at .5 (log likelihood of a pinhole
found or not -.554 to -.565) and promised alike (1,846 and 1,826 finds, there are 1,742)."""
DOUBT_GLOSS, DOUBT_SANDED = 0.5, 0.25
"""Doubt (1 sigma, log odds) about the curve that more plants would not take away: scatter of the measured curves about
the stated ones on simulated coats of development seeds. On gloss the least at which the counts' intervals hold (91 of
96, as at .6; at .4 88), on haze less changes no more (90 to 92 of 93 from .1 to .4)."""


@dataclass(frozen=True, eq=False)
class Study:
    """The outcome: planted diameters (N,) mm, hits (N,), found diameters (N,) mm (NaN where missed), the fit."""

    diameter_mm: Floats
    hit: NDArray[np.bool_]
    found_mm: Floats
    fit: Fit | None
    power: Power


def power_study(
    shots: Sequence[Shot], rng: np.random.Generator, *, smallest_mm: float, sanded: bool, plants: int = PLANTS
) -> Study:
    """Measure the probability of detection over size in the photos of one coat: of being found in one at least.

    Parameters
    ----------
    shots
        The photos. The same pinholes are planted at the same places of the surface into each that sees them there,
        every photo under its own lamps.
    rng
        Draws places, shapes and lamps.
    smallest_mm
        The size that matters; planted sizes spread around it.
    sanded
        Whether the surface is sanded haze (else gloss).
    plants
        How many to plant.

    Returns
    -------
    Study
        With fewer plants when there is no room for all.
    """
    spread, doubt = (LOOK_SPREAD_SANDED, DOUBT_SANDED) if sanded else (LOOK_SPREAD_GLOSS, DOUBT_GLOSS)
    places_mm, kinds = all_places(shots, plants, rng, sanded=sanded)
    sizes_mm = np.linspace(SMALLEST_RATIO * smallest_mm, LARGEST_RATIO * smallest_mm, max(len(kinds), 2))
    sizes_mm = rng.permutation(sizes_mm)[: len(kinds)]
    shapes = [shape_of(rng, kind, sanded=sanded) for kind in kinds]
    hit, chance = np.zeros(len(kinds), bool), np.full(len(kinds), LEAST_TOLD)
    found_mm, rim = np.full(len(kinds), np.nan), np.zeros(len(kinds))
    for shot in shots:
        places = shot.to_px(places_mm)
        here = np.flatnonzero(shot.view.is_seen(places))
        told = _told(shot, places[here], sizes_mm[here], [shapes[i] for i in here], rng, sanded=sanded)
        better = told.chance > chance[here]
        found_mm[here] = np.where(told.hit & (better | ~hit[here]), told.found_mm, found_mm[here])
        hit[here] |= told.hit
        chance[here] = np.maximum(chance[here], told.chance)
        rim[here] = np.maximum(rim[here], at_rim(shot, places[here], sanded=sanded))
    weight = weights(_own(shots, sanded=sanded), Looks(chance, found_mm, rim), hit, spread)
    return _study(sizes_mm, hit, found_mm, weight, doubt)


@dataclass(frozen=True, eq=False)
class _Told:
    hit: NDArray[np.bool_]
    found_mm: Floats
    chance: Floats


def _told(
    shot: Shot, places: Floats, sizes_mm: Floats, shapes: Sequence[Pit], rng: np.random.Generator, *, sanded: bool
) -> _Told:
    """Plant into one photo at places (N, 2) px, look there with its detector, and say what was found."""
    planted = [
        Plant(float(x), float(y), float(d * shot.px_per_mm), shape, (float(u), float(v)))
        for (x, y), d, shape, (u, v) in zip(places, sizes_mm, shapes, shot.sights(places), strict=True)
    ]
    picture = plant(shot.pixels, planted, rng, sanded=sanded, blur_px=shot.blur_px, settings=SETTINGS)
    near = np.zeros(picture.shape[:2], np.uint8)
    for one in planted:
        reach = int(np.ceil(HIT_PX + LOOKED_RADII * one.diameter_px / 2))
        cv2.circle(near, (round(one.x_px), round(one.y_px)), reach, 255, -1)
    searched = shot.find(picture, near)
    hit, found_mm = _hits(places, sizes_mm, searched.spots(CALLED), shot.px_per_mm)
    return _Told(hit, found_mm, _chances(places, sizes_mm, searched.spots(LEAST_TOLD), shot.px_per_mm))


def _own(shots: Sequence[Shot], *, sanded: bool) -> Looks:
    """Return how the photos' own finds show, each pinhole once, as its plainest view tells."""
    looks = Looks(
        np.concatenate([shot.spots.probability for shot in shots]),
        np.concatenate([shot.spots.diameter_px / shot.px_per_mm for shot in shots]),
        np.concatenate([at_rim(shot, shot.spots.places_px, sanded=sanded) for shot in shots]),
    )
    if len(shots) == 1 or len(looks.chance) == 0:
        return looks
    places_mm = np.concatenate([shot.to_mm(shot.spots.places_px) for shot in shots])
    near, free, kept = Near(places_mm), np.ones(len(places_mm), bool), []
    for i in np.argsort(-looks.chance, kind="stable"):
        if free[i]:
            kept.append(i)
            free[near.around(places_mm[i, 0], places_mm[i, 1], SAME_MM)] = False
    return looks[np.array(kept)]


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
