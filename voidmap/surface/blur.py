"""How blurred the picture is, from edges known to be sharp."""

from __future__ import annotations

import cv2
import numpy as np

from voidmap.model import Ortho, SlabFound

# Blur (1 sigma, px) of a well-focused phone photo after its own sharpening and one interpolation, taken when
# the picture shows no printed edge: common practice, no source.
USUAL_BLUR_PX = 0.9
# A printed edge changes the grey value by at least this many steps within a few pixels.
LEAST_STEP = 80.0


def edge_blur_px(ortho: Ortho, slab: SlabFound) -> float:
    """Return the blur (1 sigma, px) of the printed black and white edges on the boards in view.

    A straight edge of step S blurred by a Gaussian has the greatest slope S / (sqrt(2 pi) sigma).
    """
    columns, rows = np.nonzero(slab.covered.any(axis=0))[0], np.nonzero(slab.covered.any(axis=1))[0]
    if not len(columns):
        return USUAL_BLUR_PX
    box = (slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1))
    grey = cv2.cvtColor(np.ascontiguousarray(ortho.pixels[box]), cv2.COLOR_BGR2GRAY)
    inner = cv2.erode(slab.covered[box].astype(np.uint8), np.ones((15, 15), np.uint8)).astype(bool)
    window = np.ones((9, 9), np.uint8)
    step = cv2.subtract(cv2.dilate(grey, window), cv2.erode(grey, window)).astype(np.float32)
    across = cv2.filter2D(grey, cv2.CV_32F, np.array([[-0.5, 0, 0.5]], np.float32))
    down = cv2.filter2D(grey, cv2.CV_32F, np.array([[-0.5], [0], [0.5]], np.float32))
    slope = cv2.magnitude(across, down)
    crest = inner & (step > LEAST_STEP) & (slope > 0.08 * step)
    crest &= slope >= cv2.dilate(slope, np.ones((3, 3), np.uint8))
    if crest.sum() < 100:
        return USUAL_BLUR_PX
    # The central difference itself blurs like a box two pixels wide.
    square = (step[crest] / (np.sqrt(2.0 * np.pi) * slope[crest])) ** 2 - 1.0 / 3.0
    return float(np.sqrt(np.clip(np.median(square), 0.3**2, 4.0**2)))
