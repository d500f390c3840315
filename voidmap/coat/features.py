"""What a candidate looks like: brightness on rings around it, turned into the grain's frame.

Every figure is scaled by the spot's own size and contrast, so that one classifier serves all scales, woods and
lights; the contrast over noise and the size in pixels stand beside them.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from voidmap.coat.candidates import Candidates, Level
from voidmap.coat.ground import Floats32
from voidmap.coat.samples import about
from voidmap.model import Floats

RINGS_SIGMAS = (0.0, 0.8, 1.6, 2.4, 3.2, 4.2, 5.4, 7.0, 9.0)
"""Radii of the rings in units of the candidate's smoothing: the disc reaches to 1.4, a rim's glints to about 4,
a thread or an edge beyond."""
OUTER_RING = 4
"""The ring whose median is the spot's surroundings."""
SAMPLE_SIGMA = 0.6
"""Smoothing before sampling, px of the level: half the noise for 0.1 px of blur more."""
SPOKES = 16
WAVES = (1, 2, 4)
"""Angular waves kept: 1 an edge, 2 a line through, 4 two lines."""
CLIPPED = 250.0
"""8-bit grey from which a place counts as clipped."""
NEAR_RINGS = 5
"""Rings out to 3.2 smoothings: a pinhole's own pit and rim; the largest contrast there scales the samples."""
LEAST_CONTRAST = 3.0
"""In multiples of the noise: less is not scaled up."""
MOST_PLAIN = 2.0
"""Scaled samples are cut to this: a lamp's edge beyond says no more for being brighter."""
PLAIN = len(RINGS_SIGMAS) * SPOKES
"""Number of figures that are samples, at the end."""

MOST_ROWS = 30_000
"""Candidates read at a time: OpenCV's remap takes 32,767 rows."""

_TURN = np.arange(SPOKES) * (2 * np.pi / SPOKES)
_OFFSETS = np.stack([np.outer(RINGS_SIGMAS, way(_TURN)).ravel() for way in (np.cos, np.sin)]).astype(np.float32)
_WAVES = np.concatenate([way(np.outer(_TURN, WAVES)) / SPOKES for way in (np.cos, np.sin)], axis=1).astype(np.float32)


def smoothed(levels: tuple[Level, ...]) -> tuple[Level, ...]:
    """Return the pyramid as rings are read from it."""
    return tuple(
        replace(level, picture=np.asarray(cv2.GaussianBlur(level.picture, (0, 0), SAMPLE_SIGMA), dtype=np.uint8))
        for level in levels
    )


def ring_samples(smooth: tuple[Level, ...], found: Candidates) -> Floats32:
    """Sample rings around each candidate in a pyramid that is ``smoothed``.

    Returns
    -------
    (N, rings, spokes) array
        8-bit grey; spoke 0 points along the grain.
    """
    out = np.zeros((len(found), len(RINGS_SIGMAS), SPOKES), np.float32)
    for number, level in enumerate(smooth):
        mine = np.flatnonzero(found.level == number)
        for first in range(0, len(mine), MOST_ROWS):
            lot = mine[first : first + MOST_ROWS]
            read = about(level.picture, level.step_px, level.grain, found[lot], _OFFSETS)
            out[lot] = read.reshape(len(lot), len(RINGS_SIGMAS), SPOKES)
    return out


def surroundings(samples: Floats32) -> Floats32:
    """Return the grey (N,) of what lies around each candidate: its outer ring's median."""
    ring = np.sort(samples[:, OUTER_RING], axis=1)
    return np.asarray((ring[:, SPOKES // 2 - 1] + ring[:, SPOKES // 2]) / 2, dtype=np.float32)


def features(samples: Floats32, found: Candidates, *, noise: Floats, blur_px: float, px_per_mm: float) -> Floats32:
    """Turn ring samples (N, rings, spokes) into figures (N, F).

    Parameters
    ----------
    samples
        From ``ring_samples``.
    found
        The candidates.
    noise
        (N,) standard deviation of the ground around each candidate, 8-bit grey.
    blur_px
        The photo's own blur (1 sigma), px.
    px_per_mm
        Photo pixels in a millimetre of the surface.

    Returns
    -------
    (N, F) array
        First figures that sum each ring up, then (``PLAIN`` of them) every sample itself, over the largest near the
        middle.
    """
    outer = surroundings(samples)
    contrast = samples[:, 0, 0] - outer
    near = samples[:, :NEAR_RINGS].reshape(len(samples), -1)
    far_off = np.maximum(near.max(axis=1, initial=0) - outer, outer - near.min(axis=1, initial=255))
    largest = np.maximum(far_off, LEAST_CONTRAST * noise).astype(np.float32)
    scale = np.maximum(np.abs(contrast), noise).astype(np.float32)
    ordered = np.sort(samples[:, 1:], axis=2)
    middle = (ordered[:, :, SPOKES // 2 - 1] + ordered[:, :, SPOKES // 2]) / 2
    levels = [(part - outer[:, None]) / scale[:, None] for part in (middle, ordered[:, :, 1], ordered[:, :, -2])]
    waves = (samples[:, 1:].reshape(-1, SPOKES) @ _WAVES).reshape(len(samples), -1, 2, len(WAVES))
    waves /= scale[:, None, None, None]
    size = np.sqrt(np.square(waves).sum(axis=2))
    rest = [
        found.polarity,
        np.log(found.strength),
        np.log(np.abs(contrast) / noise + 0.1),
        np.log(found.sigma_px),
        np.log(found.sigma_px / blur_px),
        contrast / np.maximum(outer, 8.0),
        outer / 255.0,
        (samples >= CLIPPED).mean(axis=(1, 2)),
        np.log(noise),
        np.log(largest / noise),
        np.log(found.sigma_px / px_per_mm),
    ]
    parts = [*levels, *np.moveaxis(size, 2, 0), waves[:, :, 0, 1], np.column_stack(rest).astype(np.float32)]
    summed = np.concatenate(parts, axis=1)
    out = np.empty((len(samples), summed.shape[1] + PLAIN), np.float32)
    np.clip(summed, -8.0, 8.0, out=out[:, :-PLAIN])
    plain = out[:, -PLAIN:]
    np.subtract(samples.reshape(len(samples), -1), outer[:, None], out=plain)
    plain /= largest[:, None]
    np.clip(plain, -MOST_PLAIN, MOST_PLAIN, out=plain)
    return out


def ground_noise(samples: Floats32, *, floor: float) -> Floats:
    """Noise (N,) of the ground around each candidate: the spread along the outer rings, robustly."""
    outer = samples[:, OUTER_RING + 1 :, :]
    step = np.empty_like(outer)
    np.subtract(outer[:, :, 1:], outer[:, :, :-1], out=step[:, :, :-1])
    np.subtract(outer[:, :, 0], outer[:, :, -1], out=step[:, :, -1])
    flat = np.abs(step, out=step).reshape(len(samples), -1)
    half = flat.shape[1] // 2
    flat.partition(half, axis=1)
    middle = (flat[:, :half].max(axis=1, initial=0) + flat[:, half]) / 2
    return np.asarray(np.maximum(middle / (0.6745 * np.sqrt(2)), floor), dtype=np.float64)
