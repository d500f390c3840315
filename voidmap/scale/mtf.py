"""Sharpness from a slanted edge: the MTF by oversampling the edge, after the method of ISO 12233.

Every pixel near a straight edge is put in order by its distance from the edge, in quarter-pixel bins; the
slope of that profile is the line spread, and its spectrum the MTF. (Method as generally described; the
standard's own text was not at hand.)
"""

from __future__ import annotations

from functools import cache
from math import erf
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats

BINS_PER_PX = 4
LEAST_CROSSING_PX = 1.0
"""An edge must cross at least one pixel row or column, or its profile is seen at one phase only."""
LEAST_CONTRAST = 0.04
"""Step of an edge, as a share of full scale, below which noise would be taken for sharpness."""
GAUSSIAN_MTF50 = 0.187391
"""MTF50 of a Gaussian blur times its sigma: sqrt(ln 2 / 2) / pi."""
_CHUNKS = 8
_SIZE = 4096


def edge_mtf50(picture: NDArray[np.floating], start_px: Floats, end_px: Floats, reach_px: float) -> float | None:
    """Return the MTF50 across one straight edge, cycles per pixel.

    Parameters
    ----------
    picture
        (H, W) light, linear, 0 to 1.
    start_px, end_px
        Ends of the edge, (2,) px; a pixel or so off is mended.
    reach_px
        How far to either side the picture is flat.

    Returns
    -------
    float or None
        None when the edge is too short, too square to the pixels, too faint or outside the picture.
    """
    along = end_px - start_px
    length = float(np.hypot(*along))
    if length < 12 or min(abs(along)) * 0.84 < LEAST_CROSSING_PX:
        return None
    profile = _profile(picture, start_px, along / length, length, reach_px)
    if profile is None:
        return None
    return _mtf50(profile)


def true_mtf50(seen: Floats, reach_px: float, neighbour_px: float, neighbour_share: float) -> Floats:
    """Return what MTF50 of a blur looks like ``seen`` when another dark edge lies near on the light side.

    In a small picture that edge's blur reaches into the profile and makes it look sharper than it is; the blur
    is taken for Gaussian, the pixel's own box in it.

    Parameters
    ----------
    seen
        MTF50 as found, cycles per px.
    reach_px
        As it was given to ``edge_mtf50``.
    neighbour_px, neighbour_share
        How far the other edge lies, and along what share of this one.
    """
    # Blurs of a fifth of the reach and less are seen as they are.
    sigmas = np.geomspace(0.2 * reach_px, 0.9 * reach_px, 16)
    across = (np.arange(int(2 * reach_px * BINS_PER_PX)) + 0.5) / BINS_PER_PX - reach_px
    looks = [_mtf50(_step(across / s) - neighbour_share * _step((across - neighbour_px) / s)) for s in sigmas]
    known = [(look, GAUSSIAN_MTF50 / s) for look, s in zip(looks, sigmas, strict=True) if look is not None]
    if not known:
        return seen
    look, true = np.array(known[::-1]).T
    # Below the blurriest that can be told apart the ratio stays.
    ratio = np.interp(seen, np.maximum.accumulate(look), true / look, right=1.0)
    return np.asarray(seen * np.minimum(ratio, 1.0))


def _step(across: Floats) -> Floats:
    """Return a step blurred by a Gaussian of one sigma."""
    return np.array([0.5 + 0.5 * erf(x / 2**0.5) for x in across])


def _profile(picture: NDArray[np.floating], start: Floats, unit: Floats, length: float, reach: float) -> Floats | None:
    """Edge spread in quarter-pixel bins from -reach to +reach."""
    low = np.floor(np.minimum(start, start + unit * length) - reach).astype(int)
    high = np.ceil(np.maximum(start, start + unit * length) + reach).astype(int) + 1
    if np.any(low < 0) or high[0] > picture.shape[1] or high[1] > picture.shape[0]:
        return None
    patch = picture[low[1] : high[1], low[0] : high[0]]
    row, column = np.mgrid[low[1] : high[1], low[0] : high[0]]
    dx, dy = column - start[0], row - start[1]
    forward, across = dx * unit[0] + dy * unit[1], dy * unit[0] - dx * unit[1]
    # The ends of an edge are other edges' business.
    inside = (forward > 0.08 * length) & (forward < 0.92 * length) & (np.abs(across) < reach)
    forward, across, value = forward[inside], across[inside], patch[inside].astype(np.float64)
    if len(value) < 100:
        return None
    far = np.abs(across) > 0.6 * reach
    step = value[far & (across > 0)].mean() - value[far & (across < 0)].mean()
    if abs(step) < LEAST_CONTRAST:
        return None
    mended = _mend(forward, across, value, length, reach)
    return None if mended is None or not np.all(np.isfinite(mended)) else _binned(mended, value, reach)


def _mend(forward: Floats, across: Floats, value: Floats, length: float, reach: float) -> Floats | None:
    """Distances from the edge as it truly runs: the middle of the step in each of eight pieces, and a line."""
    chunk = np.minimum((forward / length * _CHUNKS).astype(int), _CHUNKS - 1)
    number, way = (np.bincount(chunk, weight, _CHUNKS) for weight in (None, forward))
    (highs, high), (lows, low) = (
        (np.bincount(chunk[side], minlength=_CHUNKS), np.bincount(chunk[side], value[side], _CHUNKS))
        for side in (across > 0.6 * reach, across < -0.6 * reach)
    )
    count = int(2 * reach * BINS_PER_PX)
    cell = np.floor((across + reach) * BINS_PER_PX).astype(int)
    good = (cell >= 0) & (cell < count)
    cell = chunk[good] * count + cell[good]
    total, filled = (np.bincount(cell, w, _CHUNKS * count).reshape(_CHUNKS, count) for w in (value[good], None))
    places, middles = [], []
    for c in np.flatnonzero(number >= 20):
        if highs[c] == 0 or lows[c] == 0:
            return None
        top, bottom = high[c] / highs[c], low[c] / lows[c]
        if abs(top - bottom) < LEAST_CONTRAST:
            continue
        # For a step at m the mean of (share - 1/2) over a symmetric reach is -m / (2 reach) ... times two.
        share = (_between(total[c], filled[c]).mean() - bottom) / (top - bottom)
        middles.append(reach - float(share) * 2 * reach)
        places.append(way[c] / number[c])
    if len(places) < 4:
        return None
    slope, offset = np.polyfit(places, middles, 1)
    return np.asarray(across - (offset + slope * forward))


def _binned(across: Floats, value: Floats, reach: float) -> Floats | None:
    """Means in quarter-pixel bins; None where the edge runs so far off that none of it is in reach."""
    count = int(2 * reach * BINS_PER_PX)
    index = np.floor((across + reach) * BINS_PER_PX).astype(int)
    good = (index >= 0) & (index < count)
    if not good.any():
        return None
    return _between(np.bincount(index[good], value[good], count), np.bincount(index[good], minlength=count))


def _between(total: NDArray[Any], number: NDArray[Any]) -> Floats:
    """Return the bins' means; those of empty bins lie between their neighbours'."""
    filled = np.flatnonzero(number)
    return np.interp(np.arange(len(total)), filled, total[filled] / number[filled])


def _mtf50(profile: Floats) -> float | None:
    spread = np.diff(profile)
    spread = spread * np.sign(spread.sum())
    middle = float(np.sum(np.arange(len(spread)) * np.maximum(spread, 0)) / np.sum(np.maximum(spread, 0)))
    half = min(middle, len(spread) - 1 - middle)
    if half < 2 * BINS_PER_PX:
        return None
    distance = (np.arange(len(spread)) - middle) / half
    # Flat over the inner half, tapered outside: a window that falls from the middle would sharpen a soft edge.
    window = 0.5 + 0.5 * np.cos(np.pi * np.clip(2 * np.abs(distance) - 1, 0, 1))
    spectrum = np.abs(np.fft.rfft(spread * window, _SIZE))
    frequency, box = _boxes()
    mtf = spectrum / spectrum[0] / box
    below = np.flatnonzero(mtf < 0.5)
    if len(below) == 0 or below[0] == 0:
        return None
    i = int(below[0])
    share = (mtf[i - 1] - 0.5) / (mtf[i - 1] - mtf[i])
    return float(frequency[i - 1] + share * (frequency[i] - frequency[i - 1]))


@cache
def _boxes() -> tuple[Floats, Floats]:
    """Frequencies of the spectrum, and what the bins and the difference of neighbours take from it.

    Both are boxes a quarter pixel wide.
    """
    frequency = np.fft.rfftfreq(_SIZE, 1 / BINS_PER_PX)
    return np.asarray(frequency), np.asarray(np.maximum(np.sinc(frequency / BINS_PER_PX) ** 2, 1e-3))
