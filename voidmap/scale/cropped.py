"""Photos that were cropped: the lens's axis meets them off the middle, and Exif's focal length is the whole photo's."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from voidmap.model import Floats, Photo, Plane

SAVED_SIDES = (4 / 3, 3 / 2, 16 / 9, 18 / 9, 18.5 / 9, 19 / 9, 19.5 / 9, 20 / 9, 21 / 9)
"""Long side over short side of photos as cameras save them: the sensor's own 4:3 or 3:2, films' 16:9, phones' screens
(common practice, no source). Squares and 5:4 are what prints are cut to."""
SIDES_REL = 0.008
"""Sensors have whole blocks of pixels: 4928 x 3264 is 0.7 % off 3:2."""
CENTRE_SD = 0.14
"""Doubt of where the lens's axis meets a cropped photo, as a share of its long side: of crops that keep half to all of
a side, any share alike and anywhere, the mean square of (1 - k) / k times a place from -1/2 to 1/2."""
FOCAL_LOG, FOCAL_SD = 0.31, 0.2
"""Mean and spread of the logarithm of the whole side over what such crops keep."""

OFF_AXIS_REL = 0.02
"""Share of the long side by which the axis lies off the middle from which a photo was cropped: a stabiliser leaves a
fifth of it (``priors.CENTRE_SD``)."""


def looks_cropped(width_px: int, height_px: int) -> bool:
    """Whether a photo's sides are in no proportion that cameras save."""
    sides = max(width_px, height_px) / min(width_px, height_px)
    return bool(np.min(np.abs(np.log(sides / np.array(SAVED_SIDES)))) > SIDES_REL)


def if_cropped(mean: Floats, covariance: Floats) -> tuple[Floats, Floats]:
    """Return mean (8,) and covariance (8, 8) of a lens (``layout.LENS_TERMS``), were its photo cropped.

    Parameters
    ----------
    mean, covariance
        What the photo's size and Exif say of the lens, the axis in the picture's middle.
    """
    long_side = _long_side(mean)
    mean, covariance = mean.copy(), covariance.copy()
    mean[0] += FOCAL_LOG
    covariance[0, 0] += FOCAL_SD**2
    covariance[[1, 2], [1, 2]] += (CENTRE_SD * long_side) ** 2
    return mean, covariance


def cropped_notes(photos: Sequence[Photo], planes: Sequence[Plane]) -> tuple[str, ...]:
    """Return a note for each photo that its own sides, or its boards, show to be cropped."""
    return tuple(
        f"{photo.file} looks cropped: {why}. That is allowed for, which leaves lengths less sure: give photos as the "
        "camera saved them."
        for photo, plane in zip(photos, planes, strict=True)
        if (why := _why_cropped(plane))
    )


def _why_cropped(plane: Plane) -> str:
    if plane.reference == "mm_per_px" or plane.lens.source == "file":
        return ""
    width, height = plane.size_px
    long_side = max(width, height)
    if looks_cropped(width, height):
        return f"no camera saves sides of {long_side / min(width, height):.2f} to 1"
    off = max(abs(plane.lens.cx - (width - 1) / 2), abs(plane.lens.cy - (height - 1) / 2)) / long_side
    return f"the lens's axis meets it {off:.0%} of its length off its middle" if off > OFF_AXIS_REL else ""


def _long_side(mean: Floats) -> float:
    return 2 * float(mean[1:3].max()) + 1
