"""Where a photo is out of focus: fine detail against coarser detail, place by place.

Blur takes fine detail first. The sharpest places of the same photo tell what the ratio is in focus; a place with a
small share of it shows no pinholes. Where the surface has no detail at all nothing can be told, and the places around
decide.
"""

from __future__ import annotations

import cv2
import numpy as np

from voidmap.coat.ground import Bytes, Floats32

HALF = 2
"""The picture is halved first: a blur that hides pinholes is two pixels and more."""
FINE, COARSE = 1.0, 3.0
"""Fine detail goes with a smoothing of 1 px (1 sigma, halved picture), coarser detail with one of 3 px."""
REACH_PX = 20.0
"""Detail is read over this distance (1 sigma, px of the halved picture): some hundred independent places."""
SHARPEST = 0.75
"""Quantile of the ratio over the surface that stands for "in focus"."""
LEAST_RATIO = 0.2
"""Share of that ratio under which a place is out of focus: a Gaussian blur of 2 to 3 px leaves about so much of it, and
hides half of the contrast of a pinhole of 5 to 7 px. Wood, pores and resin in focus seldom differ by so much."""
SMALLEST = 11
"""Smaller places (on the grid of 16 px) are plain wood; what is out of focus takes a part of a photo."""
LEAST_DETAIL = 1.0
"""Coarser detail under this (8-bit grey, rms) tells nothing."""


def out_of_focus(grey: Bytes, look: Bytes, size: tuple[int, int]) -> Bytes:
    """Return a mask of ``size`` (w, h), 255 where the photo is out of focus.

    Parameters
    ----------
    grey
        (H, W) uint8, the photo.
    look
        (h, w) uint8 of any size, non-zero where its surface is.
    size
        Of the mask wanted.
    """
    half = (grey.shape[1] // HALF, grey.shape[0] // HALF)
    picture = cv2.resize(grey, half, interpolation=cv2.INTER_AREA).astype(np.float32)
    soft = cv2.GaussianBlur(picture, (0, 0), FINE)
    # What the finer smoothing leaves fits on a grid of half as many pixels.
    quarter = (half[0] // 2, half[1] // 2)
    softer = cv2.resize(soft, quarter, interpolation=cv2.INTER_AREA)
    coarse = cv2.subtract(softer, cv2.GaussianBlur(softer, (0, 0), COARSE / 2))
    fine = cv2.subtract(picture, soft, dst=picture)
    fine = cv2.resize(cv2.multiply(fine, fine, dst=fine), quarter, interpolation=cv2.INTER_AREA)
    on = (cv2.resize(look, quarter, interpolation=cv2.INTER_NEAREST) > 0).astype(np.float32)
    # Means over the surrounding surface, on a grid as coarse as they are smooth.
    small = (max(1, half[0] // 8), max(1, half[1] // 8))
    share = np.maximum(_mean(on, small), 1e-3)
    fine_power, coarse_power = _mean(fine * on, small) / share, _mean(coarse * coarse * on, small) / share
    told = (share > 0.3) & (coarse_power > LEAST_DETAIL**2)
    if not told.any():
        return np.zeros(size[::-1], np.uint8)
    noise = float(np.quantile(fine_power[told], 0.01))
    ratio = np.maximum(fine_power - noise, 0.0) / np.maximum(coarse_power, 1e-6)
    limit = LEAST_RATIO * float(np.quantile(ratio[told], SHARPEST))
    # Places without detail take what the told ones around them say.
    weight = cv2.GaussianBlur(told.astype(np.float32), (0, 0), 4.0)
    spread = cv2.GaussianBlur(np.where(told, ratio < limit, 0).astype(np.float32), (0, 0), 4.0)
    blurred = np.where(told, ratio < limit, spread > 0.5 * np.maximum(weight, 1e-3))
    mask = np.where(blurred, 255, 0).astype(np.uint8)
    opened = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((SMALLEST, SMALLEST), np.uint8))
    return np.asarray(cv2.resize(opened, size, interpolation=cv2.INTER_NEAREST), dtype=np.uint8)


def _mean(field: Floats32, size: tuple[int, int]) -> Floats32:
    small = cv2.resize(field, size, interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.GaussianBlur(small, (0, 0), REACH_PX / 8), dtype=np.float32)
