"""Round corners told from sharp ones in a photo: what is a card, and what a label."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats

LEAST_GAP_PX = 1.5
"""How far an arc must pass from the corner of its sides to be told from a sharp corner under a pixel of blur."""
SHARP_BY_BLUR = 0.80
"""A sharp corner blurred by sigma begins so many sigmas farther inside, along its diagonal, than its sides do: the mean
of the greater of two normals (1 / sqrt(pi)) times sqrt(2)."""
LEAST_APART_PX = 0.8
"""What must lie between a round and a sharp corner, so blurred, for them to be told apart."""
SIDE_FIT_PX = 0.6
"""Doubt of a corner from two fitted sides: paper edges are cut, not ruled, and cast a thin shadow."""
TONE = 2.2
"""Exponent from a picture's tones to light (about that of IEC 61966-2-1)."""


def has_round_corners(pixels: NDArray[np.uint8], corners: Floats, side_mm: float, radius_mm: float) -> bool:
    """Whether a rectangle's corners are as round as an arc of that radius makes them.

    Along the diagonal it begins as far inside the corner of its sides as the arc leaves.

    Parameters
    ----------
    pixels
        The photo.
    corners
        (4, 2) px in order, where the fitted sides meet.
    side_mm, radius_mm
        The first side, and the radius of the arcs.
    """
    gap_mm = (2**0.5 - 1) * radius_mm
    mm_per_px = side_mm / np.hypot(*(corners[1] - corners[0]))
    # Too small to be told from a label or a patch of grain.
    if gap_mm / mm_per_px < LEAST_GAP_PX:
        return False
    gap_px = gap_mm / mm_per_px
    middle = corners.mean(axis=0)
    inward = middle - corners
    inward /= np.linalg.norm(inward, axis=1)[:, None]
    along = np.roll(corners, -1, axis=0) - corners
    normal = np.column_stack([-along[:, 1], along[:, 0]]) / np.linalg.norm(along, axis=1)[:, None]
    places = np.concatenate([corners + along * t for t in (0.2, 0.35, 0.65, 0.8)])
    # A side fitted a little inside the card shifts the corner by more along the diagonal.
    ways = np.tile(normal * np.sign(np.sum(normal * (middle - corners), axis=1))[:, None], (4, 1))
    starts, blurs = _begins(pixels, places, ways, gap_px)
    side, blur_px = float(np.median(starts)), float(np.median(blurs))
    lean = float(np.median(np.abs(np.sum(inward * ways[:4], axis=1))))
    corner = _begins(pixels, corners, inward, gap_px)[0] - side / lean
    # A blurred arc moves toward its own middle, by half the variance over the radius.
    sharp, arc = SHARP_BY_BLUR * blur_px, gap_px + blur_px**2 * mm_per_px / (2 * radius_mm)
    if arc - sharp < LEAST_APART_PX or abs(side) > SIDE_FIT_PX:
        return False
    return bool((arc + sharp) / 2 < np.median(corner) < 2 * arc)


def _begins(pixels: NDArray[np.uint8], starts: Floats, ways: Floats, gap_px: float) -> tuple[Floats, Floats]:
    """Return how far along unit ways (N, 2) from starts (N, 2) a thing begins, and the sigma of its blur, px (N,)."""
    steps = np.arange(-4 * gap_px, 4 * gap_px + 0.25, 0.25)
    at = (starts[:, None] + steps[None, :, None] * ways[:, None]).astype(np.float32)
    profile = (cv2.remap(pixels, at[..., 0], at[..., 1], cv2.INTER_LINEAR).astype(np.float64) / 255) ** TONE
    tail = max(2, len(steps) // 8)
    out, within = profile[:, :tail].mean(axis=1), profile[:, -tail:].mean(axis=1)
    step = within - out
    share = np.einsum("nsc,nc->ns", profile - out[:, None], step) / np.maximum(np.sum(step**2, axis=1), 1e-6)[:, None]
    # The area under the share places the step, whatever its blur.
    begin = steps[-1] - 0.25 * (share.sum(axis=1) - 0.5 * (share[:, 0] + share[:, -1]))
    # Between 16 and 84 % lie two sigmas of a Gaussian.
    wide = 0.25 * np.sum(np.diff(np.clip(np.maximum.accumulate(share, axis=1), 0.16, 0.84), axis=1) > 0, axis=1)
    return np.asarray(begin, dtype=np.float64), np.asarray(wide / 2, dtype=np.float64)
