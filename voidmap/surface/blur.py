"""How blurred the picture is, from edges known to be sharp."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.model import Ortho, SlabFound
from voidmap.surface.mosaic import Bools, Floats32

# Blur (1 sigma, px) of a well-focused phone photo after its own sharpening and one interpolation, taken when
# the picture shows no printed edge: common practice, no source.
USUAL_BLUR_PX = 0.9
# A printed edge changes the grey value by at least this many steps within a few pixels.
LEAST_STEP = 80.0
# Rows looked at at once, and those around them that the windows below reach: boards lie far apart, and what is between
# them is neither held nor looked at.
STRIP_ROWS, HALO_PX = 128, 8


def edge_blur_px(ortho: Ortho, slab: SlabFound) -> float:
    """Return the blur (1 sigma, px) of the printed black and white edges on the boards in view.

    A straight edge of step S blurred by a Gaussian has the greatest slope S / (sqrt(2 pi) sigma).
    """
    columns, rows = np.nonzero(slab.covered.any(axis=0))[0], np.nonzero(slab.covered.any(axis=1))[0]
    if not len(columns):
        return USUAL_BLUR_PX
    box = (slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1))
    pixels, covered = ortho.pixels[box], slab.covered[box]
    strips = [_crests(pixels, covered, top) for top in range(0, len(covered), STRIP_ROWS)]
    step, slope = (np.concatenate(values) for values in zip(*strips, strict=True))
    if len(step) < 100:
        return USUAL_BLUR_PX
    # The central difference itself blurs like a box two pixels wide.
    square = (step / (np.sqrt(2.0 * np.pi) * slope)) ** 2 - 1.0 / 3.0
    return float(np.sqrt(np.clip(np.median(square), 0.3**2, 4.0**2)))


def _crests(pixels: NDArray[np.uint8], covered: Bools, top: int) -> tuple[Floats32, Floats32]:
    """Return the steps and the slopes (N,) at the crests of the printed edges in a strip of rows from ``top`` on."""
    height, end = len(covered), min(len(covered), top + STRIP_ROWS)
    low, high = max(0, top - HALO_PX), min(height, end + HALO_PX)
    drawn = np.flatnonzero(covered[top:end].any(axis=0))
    if not len(drawn):
        return np.empty(0, np.float32), np.empty(0, np.float32)
    columns = slice(max(0, int(drawn[0]) - HALO_PX), int(drawn[-1]) + 1 + HALO_PX)
    grey = cv2.cvtColor(np.ascontiguousarray(pixels[low:high, columns]), cv2.COLOR_BGR2GRAY)
    inner = cv2.erode(covered[low:high, columns].astype(np.uint8), np.ones((15, 15), np.uint8)).astype(bool)
    window = np.ones((9, 9), np.uint8)
    step = cv2.subtract(cv2.dilate(grey, window), cv2.erode(grey, window)).astype(np.float32)
    across = cv2.filter2D(grey, cv2.CV_32F, np.array([[-0.5, 0, 0.5]], np.float32))
    down = cv2.filter2D(grey, cv2.CV_32F, np.array([[-0.5], [0], [0.5]], np.float32))
    # OpenCV's magnitude is off by a unit in the last place here and there, which parts the equals of wide crests.
    slope = np.sqrt(across * across + down * down)
    crest = inner & (step > LEAST_STEP) & (slope > 0.08 * step)
    crest &= slope >= cv2.dilate(slope, np.ones((3, 3), np.uint8))
    own = slice(top - low, end - low)
    return step[own][crest[own]], slope[own][crest[own]]
