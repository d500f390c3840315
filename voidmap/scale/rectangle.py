"""The plane from one rectangle of known sides: a sheet, a card, or four points picked by hand."""

from __future__ import annotations

import numpy as np

from voidmap.model import Floats, Photo, Plane
from voidmap.records import Lens
from voidmap.scale.layout import SHAPE_TERMS, Priors
from voidmap.scale.looks import point_look
from voidmap.scale.priors import FILE_REFOCUS_SD, FLAT_SD_MM, lens_priors
from voidmap.scale.solve import planes_of
from voidmap.scale.start import fit_looks


def plane_from_rectangle(
    photo: Photo,
    corners_px: Floats,
    sides_mm: tuple[float, float],
    *,
    side_sd_mm: tuple[float, float],
    corner_sd_px: float,
    reference: str,
    lens: Lens | None = None,
    height_mm: float = 0.0,
) -> Plane:
    """Return the plane of a rectangle that lies on the slab's top.

    Parameters
    ----------
    photo
        The photo.
    corners_px
        (4, 2) in order round the rectangle, the first side first; the frame's origin is the first corner, x runs
        along the first side. A set that runs the other way round is turned about.
    sides_mm, side_sd_mm
        First and second side and their doubt.
    corner_sd_px
        Doubt of a corner, px.
    reference
        The name kept with the plane.
    lens
        A lens from a lens file.
    height_mm
        How far its face lies above the top.
    """
    width, height = sides_mm
    board_mm = np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])
    ahead = np.roll(corners_px, -1, axis=0)
    # Seen from above with y down, the order must be clockwise on the screen.
    if np.sum(corners_px[:, 0] * ahead[:, 1] - ahead[:, 0] * corners_px[:, 1]) < 0:
        corners_px = corners_px[[1, 0, 3, 2]]
    camera_of, mean, covariance, aspect = lens_priors([photo], lens)
    shape_mean = np.zeros(SHAPE_TERMS)
    shape_mean[0] = -height_mm
    priors = Priors(
        lens_mean=mean,
        lens_cov=covariance,
        aspect=aspect,
        stretch_mean=np.zeros(2),
        stretch_cov=np.diag((np.array(side_sd_mm) / np.array(sides_mm)) ** 2),
        refocus_sd=FILE_REFOCUS_SD,
        shape_mean=shape_mean,
        shape_sd=FLAT_SD_MM,
        least_sigma_px=corner_sd_px,
    )
    looks = [point_look(0, 0, board_mm, corners_px)]
    fit = fit_looks(looks, camera_of, priors, [photo.file])
    source = "photo" if lens is None else "file"
    size = (photo.width_px, photo.height_px)
    return planes_of(fit, looks, [0], [size], priors, source=source, reference=reference, outline_mm=board_mm)[0]
