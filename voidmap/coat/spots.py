"""Find pinholes, craters and bubbles in a photo of a coat."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.coat.apart import rivals
from voidmap.coat.candidates import Candidates, Level, diameter_px, pyramid
from voidmap.coat.classify import Judged, judge
from voidmap.coat.closer import look_closer
from voidmap.coat.features import NEAR_RINGS, PLAIN, features, ground_noise, ring_samples, smoothed, surroundings
from voidmap.coat.ground import Bytes, Floats32, Grain
from voidmap.coat.near import pairs_within
from voidmap.coat.twins import find_all
from voidmap.model import Floats

LARGEST_MM = 4.0
"""A crater wider than this is a void to fill, not a pinhole to seal."""
AT_ONCE, AT_A_TIME = 1024, 2
"""Candidates are judged by their rings in lots of so many, whose samples stay near the processor, two at a time."""
LEAST_NOISE = 0.5
"""Noise of a place is at least this, 8-bit grey: rounding to whole steps alone gives 0.29."""
CALLED = 0.6
"""A candidate is called a pinhole from this probability. On 165 simulated coats F1 hangs little on it: .873, .877 and
.876 on gloss, .965, .966 and .966 on haze at 0.4, 0.5 and 0.6."""
RIM_RADII = 3.2
"""A raised rim mirrors a lamp out to about this many radii of its pit: a bright spot there is a glint of the pit."""
GLINT_MARGIN = 0.15
"""A bright spot stands beside a dark one when it is more likely a pinhole by more than this: dust in a pit."""


@dataclass(frozen=True, eq=False)
class Spots:
    """Pinholes (N,): centre and diameter in photo px, signal over noise, probability, polarity.

    ``polarity`` is -1 for a dark spot, +1 for a bright one, 0 for a pair of glints; ``diameter_rel`` is the 1-sigma
    error of the diameter's logarithm.
    """

    x_px: Floats
    y_px: Floats
    diameter_px: Floats
    diameter_rel: Floats
    score: Floats
    probability: Floats
    polarity: NDArray[np.int64]

    def __len__(self) -> int:
        """Return the number of spots."""
        return len(self.x_px)

    def __getitem__(self, chosen: NDArray[np.bool_] | NDArray[np.int64]) -> Spots:
        """Return some of the spots."""
        return Spots(**{f.name: getattr(self, f.name)[chosen] for f in fields(self)})

    @property
    def places_px(self) -> Floats:
        """Centres, (N, 2) photo px."""
        return np.column_stack([self.x_px, self.y_px])


@dataclass(frozen=True, eq=False)
class Search:
    """All candidates of a picture (N,), judged: with their diameters in px and the contrast over noise."""

    found: Candidates
    seen: Judged
    diameter_px: Floats
    score: Floats

    def spots(self, least_probability: float = CALLED) -> Spots:
        """Return those that are pinholes with at least this probability, strongest first."""
        likely = np.flatnonzero(self.seen.probability >= least_probability)
        keep = likely[_apart(self.found[likely], self.diameter_px[likely], self.seen.probability[likely])]
        chosen = self.found[keep]
        return Spots(
            x_px=chosen.x_px,
            y_px=chosen.y_px,
            diameter_px=self.diameter_px[keep],
            diameter_rel=self.seen.size_rel[keep],
            score=self.score[keep],
            probability=self.seen.probability[keep],
            polarity=chosen.polarity,
        )


def find_spots(
    pixels: Bytes, look: Bytes, *, px_per_mm: float, blur_px: float, largest_mm: float = LARGEST_MM
) -> Spots:
    """Find all pinholes in a picture, strongest first; empty when there is none. Parameters as for ``search``."""
    return search(pixels, look, px_per_mm=px_per_mm, blur_px=blur_px, largest_mm=largest_mm).spots()


def search(
    pixels: Bytes,
    look: Bytes,
    *,
    px_per_mm: float,
    blur_px: float,
    largest_mm: float = LARGEST_MM,
    grain: Grain | None = None,
) -> Search:
    """Judge all places in a picture that might be pinholes.

    Parameters
    ----------
    pixels
        (H, W, 3) uint8 B, G, R, photo frame; or (H, W) uint8 grey, whose colour then tells nothing.
    look
        (H, W) uint8, non-zero where to look.
    px_per_mm
        Photo pixels in a millimetre of the surface.
    blur_px
        The photo's blur (1 sigma), px.
    largest_mm
        Spots wider than this are not looked for.
    grain
        The wood's grain where it is known; else it is looked for.
    """
    grey = np.asarray(pixels if pixels.ndim == 2 else cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    levels = pyramid(grey, largest_mm * px_per_mm, grain)
    found = find_all(levels, look)
    if len(found) == 0:
        nothing = np.zeros(0)
        return Search(found, Judged(nothing, nothing, nothing), nothing, nothing)
    by_rings = _by_rings(levels, found, blur_px=blur_px, px_per_mm=px_per_mm)
    seen = look_closer(pixels, levels, found, by_rings.figures, by_rings.noise, by_rings.seen)
    return Search(found, seen, diameter_px(found, seen.log_size), by_rings.score)


@dataclass(frozen=True, eq=False)
class _ByRings:
    """What rings tell of candidates (N,): the figures that sum them up, the noise around, the call, the contrast."""

    figures: Floats32
    noise: Floats
    seen: Judged
    score: Floats


def _by_rings(levels: tuple[Level, ...], found: Candidates, *, blur_px: float, px_per_mm: float) -> _ByRings:
    smooth = smoothed(levels)

    def told(lot: NDArray[np.int64]) -> tuple[Floats32, Floats, Judged, Floats]:
        some = found[lot]
        samples = ring_samples(smooth, some)
        noise = ground_noise(samples, floor=LEAST_NOISE)
        figures = features(samples, some, noise=noise, blur_px=blur_px, px_per_mm=px_per_mm)
        away = np.abs(samples[:, :NEAR_RINGS] - surroundings(samples)[:, None, None])
        shown = np.where(some.polarity == 0, away.max(axis=(1, 2)), away[:, 0, 0])
        return figures[:, :-PLAIN], noise, judge(figures), shown / noise

    order = np.argsort(found.level, kind="stable")
    lots = [order[first : first + AT_ONCE] for first in range(0, len(order), AT_ONCE)]
    with ThreadPoolExecutor(AT_A_TIME) as workers:
        figures, noise, seen, score = zip(*workers.map(told, lots), strict=True)
    back = np.argsort(order, kind="stable")
    judged = Judged(*(np.concatenate([getattr(part, f.name) for part in seen])[back] for f in fields(Judged)))
    return _ByRings(np.concatenate(figures)[back], np.concatenate(noise)[back], judged, np.concatenate(score)[back])


def _apart(found: Candidates, diameter_px: Floats, probability: Floats) -> NDArray[np.int64]:
    """Return the indices of candidates that stand for a pinhole of their own, best first."""
    places = np.column_stack([found.x_px, found.y_px])
    free = np.ones(len(found), bool)
    for better, other in zip(*rivals(places, diameter_px, probability), strict=True):
        free[other] &= not free[better]
    kept = np.argsort(-probability, kind="stable")
    kept = kept[free[kept]]
    return _without_glints(kept, places, diameter_px, probability, found.polarity)


def _without_glints(
    kept: NDArray[np.int64],
    places: Floats,
    diameter_px: Floats,
    probability: Floats,
    polarity: NDArray[np.int64],
) -> NDArray[np.int64]:
    """Leave out bright spots that lie on the rim of a dark one, or of a pair of glints."""
    dark, bright = kept[polarity[kept] <= 0], kept[polarity[kept] > 0]
    i, j, _ = pairs_within(places[dark], places[bright], RIM_RADII * diameter_px[dark] / 2)
    glint = probability[bright[j]] <= probability[dark[i]] + GLINT_MARGIN
    stands = np.ones(len(places), bool)
    stands[bright[j[glint]]] = False
    return kept[stands[kept]]
