"""A crack's width from the light across it, finer than the picture's blur.

A crack of width w and contrast C, blurred by a Gaussian of known sigma, has the peak C erf(w / (2 sqrt 2
sigma)) and the integral C w. Their ratio gives the width whatever the contrast. It loses its grip below about
one and a half sigma, where only the integral is left: the width then lies between what a black crack would
need and what the ratio allows.
"""

from __future__ import annotations

import cv2
import numpy as np

from voidmap.model import Floats
from voidmap.surface.mosaic import Floats32

# Samples across the path, a pixel's share apart.
SAMPLE_PX = 0.5
# No crack is darker than this share of the wood's light: stray light and the lens fill the rest.
BLACKEST = 0.95
# A crack wider than this many sigmas of the blur shows both of its rims.
RESOLVED = 4.0
# The ratio takes a crack for a box. Walls that slope make the half level lie inside the rim, and the ratio still
# further; from so many to so many sigmas the width at the half level takes over, of which blur adds no more than what
# such walls hide (a wedge 4 sigmas wide at its mouth is 3 sigmas wide at half, and 2.2 by the ratio).
TAKES_OVER = (2.4, 3.2)


def profiles(dark: Floats32, path: Floats, half_px: float, along_px: float) -> Floats:
    """Sample light missing across a path, (stations, samples), each centred and averaged along the path.

    ``dark`` (h, w) is the light missing (0: as bright as the wood beside; 1: black), ``path`` (N, 2) runs in
    its pixels.
    """
    step = np.hypot(*np.diff(path, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(step)])
    stations = np.arange(0.0, along[-1] + 1e-9, 1.0)
    points = np.column_stack([np.interp(stations, along, path[:, k]) for k in (0, 1)])
    reach = 4
    ahead = np.minimum(np.arange(len(points)) + reach, len(points) - 1)
    behind = np.maximum(np.arange(len(points)) - reach, 0)
    tangent = points[ahead] - points[behind]
    tangent = tangent / np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    offsets = np.arange(-half_px, half_px + 1e-9, SAMPLE_PX)
    x = points[:, 0, None] - tangent[:, 1, None] * offsets
    y = points[:, 1, None] + tangent[:, 0, None] * offsets
    rows = _sampled(dark, x, y)
    near = np.exp(-0.5 * (offsets / (0.35 * half_px)) ** 2)
    weight = np.maximum(rows, 0.0) ** 2 * near
    centre = (weight * offsets).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-9)
    centre = np.clip(centre, -0.5 * half_px, 0.5 * half_px)
    x, y = x - tangent[:, 1, None] * centre[:, None], y + tangent[:, 0, None] * centre[:, None]
    rows = _sampled(dark, x, y)
    return np.asarray(cv2.blur(rows, (1, 2 * int(along_px / 2) + 1), borderType=cv2.BORDER_REFLECT))


def _sampled(dark: Floats32, x: Floats, y: Floats) -> Floats:
    limit = 16_000  # OpenCV's remap takes at most 32767 rows
    parts = [
        cv2.remap(
            dark,
            x[k : k + limit].astype(np.float32),
            y[k : k + limit].astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        for k in range(0, len(x), limit)
    ]
    return np.vstack(parts).astype(np.float64)


def widths_px(rows: Floats, blur_px: float) -> tuple[Floats, Floats]:
    """Return each station's width, and the width at half of its peak, both px."""
    peak = rows.max(axis=1)
    half = rows > 0.5 * peak[:, None]
    middle = rows.shape[1] // 2
    left = np.cumprod(half[:, middle::-1], axis=1).sum(axis=1)
    right = np.cumprod(half[:, middle:], axis=1).sum(axis=1)
    beyond = _past(rows, middle - left + 1, -1, peak) + _past(rows, middle + right - 1, 1, peak)
    at_half = (np.maximum(left + right - 2, 0) + beyond) * SAMPLE_PX
    # The integral is taken over the crack and its blurred flanks only, so that the wood's own figure beside
    # the crack adds nothing.
    offsets = np.abs(np.arange(rows.shape[1]) - middle) * SAMPLE_PX
    flank = offsets[None, :] <= (0.5 * at_half + 2.0 * blur_px)[:, None]
    integral = np.maximum((rows * flank).sum(axis=1) * SAMPLE_PX, 0.0)
    ratio = integral / np.maximum(peak, 1e-6)
    width = np.interp(ratio, *_ratio_curve(blur_px))
    least = integral / BLACKEST
    narrow = np.maximum(width, np.minimum(least, at_half))
    # A crack much wider than the blur shows its true rim at half its peak.
    return np.where(at_half > RESOLVED * blur_px, at_half, np.minimum(narrow, at_half)), at_half


def rim_widths_px(narrow: Floats, at_half: Floats, blur_px: float) -> Floats:
    """Return each station's width from rim to rim, px, from those that ``widths_px`` returns."""
    least, most = TAKES_OVER
    wide = np.clip((at_half / blur_px - least) / (most - least), 0.0, 1.0)
    return np.asarray(narrow + wide * (at_half - narrow))


def _past(rows: Floats, last: Floats, way: int, peak: Floats) -> Floats:
    """Count samples from the last one above half of the peak to where the profile crosses it."""
    station = np.arange(len(rows))
    above = rows[station, np.clip(last, 0, rows.shape[1] - 1).astype(int)]
    below = rows[station, np.clip(last + way, 0, rows.shape[1] - 1).astype(int)]
    return np.asarray(np.clip((above - 0.5 * peak) / np.maximum(above - below, 1e-9), 0.0, 1.0))


def _ratio_curve(blur_px: float) -> tuple[Floats, Floats]:
    """Integral over peak for widths from nothing up, as (ratio, width)."""
    from scipy.special import erf

    width = np.concatenate([[1e-3], np.geomspace(0.05, 200.0, 200)]) * blur_px
    return width / erf(width / (2.0 * np.sqrt(2.0) * blur_px)), width
