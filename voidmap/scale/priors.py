"""What is known of a phone's lens and of a printed sheet before a photo is looked at.

Every figure is common practice without a source unless it says otherwise.
"""

from __future__ import annotations

import numpy as np

from voidmap.errors import ScaleError
from voidmap.model import Floats, Photo
from voidmap.records import Lens
from voidmap.scale.bars import Bar, stretch_of
from voidmap.scale.cropped import if_cropped, looks_cropped
from voidmap.scale.layout import LENS_TERMS, SHAPE_TERMS, Priors
from voidmap.scale.turn import turn_lens

FILM_WIDTH_MM, FILM_DIAGONAL_MM = 36.0, 43.27
"""The 35 mm frame (36 x 24 mm). Exif's 35-mm focal length is defined by the diagonal (CIPA DC-008), but
cameras with a 4:3 sensor are as often written by the width; the two differ by 4 %."""
FOCAL_35MM_SD = 0.025
"""Relative doubt of a focal length from Exif: the two conventions, rounding to whole mm, refocusing."""
TYPICAL_35MM_MM, TYPICAL_35MM_SD = 27.0, 0.20
"""A phone's main camera when Exif is silent: 23 to 32 mm."""
CENTRE_SD = 0.004
"""Doubt of the lens centre as a share of the long side: phones stabilise by moving the lens, 10 to 20 px."""
K1_SD, K2_SD, TANGENTIAL_SD, K3_SD = 0.06, 0.025, 4e-4, 0.005
"""Distortion left in a phone's picture: k1 moves a corner of the frame (r² 0.8) by up to 10 % at two sigmas;
``K2_SD`` is what is left of k2 once k1 is known."""
K2_BY_K1 = -0.25
"""The second radial term works against the first: a phone's lens bends back toward the frame's corners."""
FILE_REFOCUS_SD = 0.0015
"""Refocusing a 5 mm phone lens from 0.7 to 0.9 m moves its image plane by 0.15 % (1/f = 1/u + 1/v)."""
FILE_CENTRE_SD = 0.001
"""The centre of a known lens moves with the stabiliser, as a share of the long side."""
PAPER_MM = 0.1
"""Thickness of 80 g/m² paper: the ink lies that much above the top."""
SMOOTH_PX = 0.02
"""Each smooth error of a board's picture: what Brown-Conrady terms leave of a phone's lens, and print and paper."""
FLAT_SD_MM = np.array([0.15, 0.15, 0.15, 0.10, 0.10])
"""A taped or weighted sheet on a planed top: height of its middle, tilts, bows."""


def lens_priors(photos: list[Photo], lens: Lens | None) -> tuple[list[int], Floats, Floats, Floats]:
    """Return the camera of each photo, and mean (G, 8), covariance (G, 8, 8), aspect (G,) of each camera.

    Photos of one size, one camera and one turn share a lens. A lens from a file is the first photo's.

    Raises
    ------
    ScaleError
        When there is a lens file and a photo is of another camera, size or zoom than the first.
    """
    keys = [(p.width_px, p.height_px, p.camera, p.focal_35mm_mm, p.focal_mm, p.turned_deg) for p in photos]
    cameras = list(dict.fromkeys(keys))
    means, covariances, aspects = [], [], []
    for key in cameras:
        photo = photos[keys.index(key)]
        known = None if lens is None else _as_turned(lens, photos[0], photo)
        mean, covariance, aspect = _one_lens(key[0], key[1], key[3], known)
        means.append(mean)
        covariances.append(covariance)
        aspects.append(aspect)
    return [cameras.index(k) for k in keys], np.array(means), np.array(covariances), np.array(aspects)


def _as_turned(lens: Lens, first: Photo, photo: Photo) -> Lens:
    size, turn = (first.width_px, first.height_px), photo.turned_deg - first.turned_deg
    here = (photo.width_px, photo.height_px)
    same = (first.camera, first.focal_mm) == (photo.camera, photo.focal_mm)
    if not same or here != (size[::-1] if turn % 180 else size):
        raise ScaleError(
            f"{photo.file} was not taken with the camera, size and zoom of {first.file}, which the lens file is for",
            "give photos of one camera, or leave the lens file out",
        )
    return turn_lens(lens, size, turn)


def _one_lens(
    width_px: int, height_px: int, focal_35mm_mm: float | None, lens: Lens | None
) -> tuple[Floats, Floats, float]:
    long_side = max(width_px, height_px)
    if lens is not None:
        mean = np.array(
            [np.log(lens.fx), lens.cx, lens.cy, lens.k1, lens.k2, lens.p1, lens.p2, lens.k3], dtype=np.float64
        )
        return mean, _file_covariance(lens, long_side), lens.fy / lens.fx
    focal_mm, doubt = TYPICAL_35MM_MM, TYPICAL_35MM_SD
    if focal_35mm_mm:
        focal_mm, doubt = focal_35mm_mm, FOCAL_35MM_SD
    by_width = focal_mm / FILM_WIDTH_MM * long_side
    by_diagonal = focal_mm / FILM_DIAGONAL_MM * np.hypot(width_px, height_px)
    mean = np.zeros(LENS_TERMS)
    mean[:3] = np.log(by_width * by_diagonal) / 2, (width_px - 1) / 2, (height_px - 1) / 2
    centre = CENTRE_SD * long_side
    spread = np.array([doubt, centre, centre, K1_SD, K2_SD, TANGENTIAL_SD, TANGENTIAL_SD, K3_SD])
    covariance = np.diag(spread**2)
    covariance[3, 4] = covariance[4, 3] = K2_BY_K1 * K1_SD**2
    covariance[4, 4] += (K2_BY_K1 * K1_SD) ** 2
    if looks_cropped(width_px, height_px):
        mean, covariance = if_cropped(mean, covariance)
    return mean, covariance, 1.0


def _file_covariance(lens: Lens, long_side_px: int) -> Floats:
    move = np.diag(np.array([FILE_REFOCUS_SD, *[FILE_CENTRE_SD * long_side_px] * 2, 1e-4, 1e-4, 2e-5, 2e-5, 1e-4]) ** 2)
    if not lens.covariance:
        return move
    # The file's covariance is by fx, fy, cx, cy, k1, k2, p1, p2, k3; log f is taken from fx.
    known = np.asarray(lens.covariance, dtype=np.float64)
    pick = np.zeros((LENS_TERMS, 9))
    pick[0, 0] = 1 / lens.fx
    pick[np.arange(1, 8), np.arange(2, 9)] = 1.0
    return np.asarray(pick @ known @ pick.T + move)


def board_priors(
    lens: tuple[Floats, Floats, Floats], *, bar_x_mm: Bar, bar_y_mm: Bar, board_thickness_mm: float
) -> Priors:
    """Put the lens priors together with those of the printed boards."""
    stretch_mean, stretch_cov = stretch_of(bar_x_mm, bar_y_mm)
    shape = np.zeros(SHAPE_TERMS)
    shape[0] = -max(board_thickness_mm, PAPER_MM)
    return Priors(
        lens_mean=lens[0],
        lens_cov=lens[1],
        aspect=lens[2],
        stretch_mean=stretch_mean,
        stretch_cov=stretch_cov,
        refocus_sd=FILE_REFOCUS_SD,
        shape_mean=shape,
        shape_sd=FLAT_SD_MM,
        smooth_px=SMOOTH_PX,
    )
