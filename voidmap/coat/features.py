"""What a candidate looks like: brightness on rings around it, turned into the grain's frame.

Every figure is scaled by the spot's own size and contrast, so that one classifier serves all scales, woods and
lights; the contrast over noise and the size in pixels stand beside them.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.coat.candidates import Candidates, Level
from voidmap.coat.ground import Floats32
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

_WAVES = np.exp(-2j * np.pi * np.outer(np.arange(SPOKES), WAVES) / SPOKES) / SPOKES


def ring_samples(levels: tuple[Level, ...], found: Candidates) -> Floats32:
    """Sample rings around each candidate.

    Returns
    -------
    (N, rings, spokes) array
        8-bit grey; spoke 0 points along the grain.
    """
    turn = np.arange(SPOKES) * (2 * np.pi / SPOKES)
    out = np.zeros((len(found), len(RINGS_SIGMAS), SPOKES), np.float32)
    for number, level in enumerate(levels):
        mine = np.flatnonzero(found.level == number)
        if len(mine) == 0:
            continue
        height, width = level.picture.shape
        x = (found.x_px[mine] - (level.step_px - 1) / 2) / level.step_px
        y = (found.y_px[mine] - (level.step_px - 1) / 2) / level.step_px
        sigma = found.sigma_px[mine] / level.step_px
        rows, columns = level.grain.angle_rad.shape
        row = np.clip((y / height * rows).astype(int), 0, rows - 1)
        column = np.clip((x / width * columns).astype(int), 0, columns - 1)
        angle = level.grain.angle_rad[row, column][:, None] + turn
        radius = sigma[:, None] * np.asarray(RINGS_SIGMAS)
        at_x = x[:, None, None] + radius[:, :, None] * np.cos(angle)[:, None, :]
        at_y = y[:, None, None] + radius[:, :, None] * np.sin(angle)[:, None, :]
        shape = (len(mine), -1)
        smooth = cv2.GaussianBlur(level.picture, (0, 0), SAMPLE_SIGMA)
        grey = cv2.remap(
            smooth,
            at_x.reshape(shape).astype(np.float32),
            at_y.reshape(shape).astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REFLECT_101,
        )
        out[mine] = np.asarray(grey).reshape(len(mine), len(RINGS_SIGMAS), SPOKES)
    return out


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
    outer = np.median(samples[:, OUTER_RING], axis=1)
    away = samples - outer[:, None, None]
    contrast = away[:, 0, 0]
    largest = np.maximum(np.abs(away[:, :NEAR_RINGS]).max(axis=(1, 2)), LEAST_CONTRAST * noise)
    ring = away[:, 1:] / np.maximum(np.abs(contrast), noise)[:, None, None]
    ordered = np.sort(ring, axis=2)
    waves = ring @ _WAVES
    size = np.abs(waves)
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
    middle = (ordered[:, :, SPOKES // 2 - 1] + ordered[:, :, SPOKES // 2]) / 2
    parts = [middle, ordered[:, :, 1], ordered[:, :, -2], *np.moveaxis(size, 2, 0), waves[:, :, 1].real]
    summed = np.clip(np.concatenate([*parts, np.column_stack(rest)], axis=1), -8.0, 8.0)
    plain = np.clip(away / largest[:, None, None], -MOST_PLAIN, MOST_PLAIN).reshape(len(samples), -1)
    return np.concatenate([summed, plain], axis=1).astype(np.float32)


def ground_noise(samples: Floats32, *, floor: float) -> Floats:
    """Noise (N,) of the ground around each candidate: the spread along the outer rings, robustly."""
    outer = samples[:, OUTER_RING + 1 :, :]
    step: NDArray[np.float64] = np.abs(np.diff(outer, axis=2, append=outer[:, :, :1]))
    return np.maximum(np.median(step, axis=(1, 2)) / (0.6745 * np.sqrt(2)), floor)
