"""How the pinholes of this very photo look: cut out, to be planted elsewhere in it, smaller.

A photo's own pinholes carry its lamps, its film and its blur, which no drawn look can know. A pinhole keeps its
shape when it is made smaller; its picture is then blurred again, so that the whole has the photo's blur. Donors
larger than what is planted are seen nearly whatever they look like, so that borrowing downward in size takes little
of the bias of looking only at what was found.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from voidmap.coat.ground import Bytes, Floats32
from voidmap.coat.spots import Spots
from voidmap.model import Floats

RIM = 1.7
"""A pinhole and its rim's glints reach to about this many radii."""
FADE = 2.4
"""Its picture is faded out to nothing at this many radii: beyond is ground."""
LEAST_SCALE, LARGEST_SCALE = 0.35, 1.15
"""A donor is planted at this share of its size to this: enlarging would enlarge the photo's blur as well."""
STRAY_GROUND = 2.5
"""A donor whose ground varies more than this many times the median donor's lies on an edge or in a knot."""
PRIOR_DONORS = 4.0
"""The drawn looks weigh as much as this many donors: with fewer, the photo's own say little about the spread."""
LEAST_DRAWN = 0.05
"""Share of drawn looks, however many donors there are: the looks too faint to be found at any size."""
SUREST = 0.9
"""Only what is as likely a pinhole as this is planted: lint planted and missed again would count as pinholes missed."""
WHITE = 252.0
"""8-bit grey of a lamp's glint."""


@dataclass(frozen=True, eq=False)
class Donor:
    """A pinhole cut out: diameter in photo px, and (h, w) share of light taken away (< 0) or added (> 0)."""

    diameter_px: float
    change: Floats32


@dataclass(frozen=True, eq=False)
class Donors:
    """The photo's own looks, their diameters (N,) px, their chances to be pinholes (N,), and the photo's blur, px."""

    all: tuple[Donor, ...]
    diameter_px: Floats
    weight: Floats
    blur_px: float

    def draw(self, diameter_px: float, rng: np.random.Generator) -> Donor | None:
        """Draw a donor for a pinhole of a size; None when it is better drawn from scratch."""
        scale = diameter_px / self.diameter_px
        weight = np.where((scale >= LEAST_SCALE) & (scale <= LARGEST_SCALE), self.weight, 0.0)
        total = float(weight.sum())
        drawn = max(LEAST_DRAWN, PRIOR_DONORS / (PRIOR_DONORS + total))
        if rng.random() < drawn:
            return None
        return self.all[int(rng.choice(len(self.all), p=weight / total))]

    def planted(self, donor: Donor, diameter_px: float, away_px: tuple[float, float], half: int) -> Floats32:
        """Return the change (2 half + 1, 2 half + 1) of a donor made ``diameter_px`` wide.

        ``away_px`` is the pinhole's centre from the middle of the patch (x, y).
        """
        scale = diameter_px / donor.diameter_px
        blur = self.blur_px * float(np.sqrt(max(0.0, 1 - scale**2)))
        middle = donor.change.shape[0] // 2
        change = donor.change
        if scale < 1:  # smooth before sampling coarser, to the blur that is wanted after
            change = cv2.GaussianBlur(change, (0, 0), max(blur, 0.3) / scale)
        side = 2 * half + 1
        move = np.array(
            [[scale, 0, half + away_px[0] - scale * middle], [0, scale, half + away_px[1] - scale * middle]]
        )
        return np.asarray(cv2.warpAffine(change, move, (side, side), flags=cv2.INTER_LINEAR), dtype=np.float32)


def given(patch: Bytes, change: Floats32) -> Bytes:
    """Return a patch (h, w, 3) with a donor's change (h, w) laid over."""
    grey = patch.astype(np.float32)
    shaded = grey * (1 + np.minimum(change, 0))[..., None]
    lit = shaded + np.maximum(change, 0)[..., None] * np.maximum(WHITE - shaded, 0.0)
    return np.asarray(np.clip(np.round(lit), 0, 255), dtype=np.uint8)


def donors_of(grey: Bytes, spots: Spots, blur_px: float) -> Donors:
    """Cut the found pinholes out of a photo's grey picture (H, W)."""
    cut = [_cut(grey, x, y, d, blur_px) for x, y, d in zip(spots.x_px, spots.y_px, spots.diameter_px, strict=True)]
    rough = np.array([np.inf if c is None else c[1] for c in cut])
    known = np.isfinite(rough)
    usual = float(np.median(rough[known])) if known.any() else 0.0
    chosen = [(c[0], float(p)) for c, p in zip(cut, spots.probability, strict=True)
              if c is not None and c[1] <= STRAY_GROUND * usual and p >= SUREST]  # fmt: skip
    return Donors(
        tuple(d for d, _ in chosen),
        np.array([d.diameter_px for d, _ in chosen], dtype=np.float64),
        np.array([p for _, p in chosen], dtype=np.float64),
        blur_px,
    )


def _cut(grey: Bytes, x: float, y: float, diameter_px: float, blur_px: float) -> tuple[Donor, float] | None:
    """Return a donor and how much its ground varies (grey); None where the frame's border cuts it."""
    inner, outer = RIM * diameter_px / 2 + blur_px, FADE * diameter_px / 2 + 2 * blur_px
    half = int(np.ceil(outer)) + 2
    if min(x, y) < half + 1 or x > grey.shape[1] - half - 2 or y > grey.shape[0] - half - 2:
        return None
    patch = cv2.getRectSubPix(grey, (2 * half + 1, 2 * half + 1), (float(x), float(y))).astype(np.float32)
    axis = np.arange(-half, half + 1)
    radius = np.hypot(axis[None, :], axis[:, None])
    ring = patch[(radius >= inner) & (radius <= outer + 1)]
    ground = float(np.median(ring))
    change = np.where(patch < ground, (patch - ground) / max(ground, 1.0), (patch - ground) / max(WHITE - ground, 1.0))
    fade = np.clip((outer - radius) / max(outer - inner, 1e-6), 0, 1)
    return Donor(float(diameter_px), (change * fade).astype(np.float32)), float(np.median(np.abs(ring - ground)))
