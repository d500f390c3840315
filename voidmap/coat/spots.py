"""Find pinholes, craters and bubbles in a photo of a coat."""

from __future__ import annotations

from dataclasses import dataclass, fields

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.coat.candidates import DISC_RADIUS_SIGMAS, Candidates, pyramid
from voidmap.coat.classify import Judged, judge
from voidmap.coat.closer import look_closer
from voidmap.coat.features import NEAR_RINGS, OUTER_RING, features, ground_noise, ring_samples
from voidmap.coat.ground import Bytes, Grain
from voidmap.coat.near import Near
from voidmap.coat.twins import find_all
from voidmap.model import Floats

LARGEST_MM = 4.0
"""A crater wider than this is a void to fill, not a pinhole to seal."""
LEAST_NOISE = 0.5
"""Noise of a place is at least this, 8-bit grey: rounding to whole steps alone gives 0.29."""
CALLED = 0.6
"""A candidate is called a pinhole from this probability. On 141 simulated coats F1 hangs little on it: .865, .868 and
.868 on gloss, .967, .966 and .966 on haze at 0.5, 0.6 and 0.7."""
APART_PX = 5.0
"""Two pinholes nearer than this, or than the larger one's radius and a half, are one with its rim's glints."""
APART_RADII = 1.8
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
    samples = ring_samples(levels, found)
    noise = ground_noise(samples, floor=LEAST_NOISE)
    figures = features(samples, found, noise=noise, blur_px=blur_px, px_per_mm=px_per_mm)
    seen = look_closer(pixels, levels, found, figures, noise, judge(figures))
    diameter_px = 2 * DISC_RADIUS_SIGMAS * found.sigma_px * np.exp(seen.log_size)
    outer = np.abs(samples[:, :NEAR_RINGS] - np.median(samples[:, OUTER_RING], axis=1)[:, None, None])
    shown = np.where(found.polarity == 0, outer.max(axis=(1, 2)), outer[:, 0, 0])
    return Search(found, seen, diameter_px, shown / noise)


def _apart(found: Candidates, diameter_px: Floats, probability: Floats) -> NDArray[np.int64]:
    """Return the indices of candidates that stand for a pinhole of their own, best first."""
    places = np.column_stack([found.x_px, found.y_px])
    reach = np.maximum(APART_PX, APART_RADII * diameter_px / 2)
    near = Near(places)
    free = np.ones(len(found), bool)
    kept = []
    for i in np.argsort(-probability, kind="stable"):
        if free[i]:
            kept.append(i)
            free[near.around(places[i, 0], places[i, 1], reach[i])] = False
    return _without_glints(np.asarray(kept, dtype=np.int64), places, diameter_px, probability, found.polarity)


def _without_glints(
    kept: NDArray[np.int64],
    places: Floats,
    diameter_px: Floats,
    probability: Floats,
    polarity: NDArray[np.int64],
) -> NDArray[np.int64]:
    """Leave out bright spots that lie on the rim of a dark one, or of a pair of glints."""
    dark = kept[polarity[kept] <= 0]
    bright = kept[polarity[kept] > 0]
    near = Near(places[bright])
    glints = {
        int(bright[j])
        for i in dark
        for j in near.around(places[i, 0], places[i, 1], RIM_RADII * diameter_px[i] / 2)
        if probability[bright[j]] <= probability[i] + GLINT_MARGIN
    }
    return np.asarray([k for k in kept if int(k) not in glints], dtype=np.int64)
