"""Look one photo of a coat through: what it shows, its pinholes, and what it could have shown."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from voidmap.coat.inspected import View
    from voidmap.coat.power import Study
    from voidmap.coat.spots import Search, Spots
    from voidmap.model import Floats, Photo, Plane
    from voidmap.records import PhotoRecord

SEED = 20240
"""Of the planted pinholes: the same photo gives the same figures."""


@dataclass(frozen=True)
class Looked:
    """One photo of the coat, looked through."""

    photo: Photo
    plane: Plane
    view: View
    spots: Spots
    study: Study
    px_per_mm: float
    grain_px: tuple[tuple[float, float], tuple[float, float]] | None
    """Two places along the grain, photo px."""


def look(
    photo: Photo,
    plane: Plane,
    record: PhotoRecord,
    *,
    sanded: bool,
    smallest_mm: float,
    whole: bool,
    planting: Callable[[], None],
) -> Looked:
    """Find the pinholes in one photo, and what it could show.

    Parameters
    ----------
    photo, plane, record
        The photo, its plane, and its quality.
    sanded, smallest_mm
        The coat's surface, and the smallest pinhole that matters.
    whole
        Whether the surface fills the frame (else its outline is looked for).
    planting
        Called when the search is done and the study of what the photo could show begins.
    """
    import cv2
    import numpy as np

    from voidmap.coat import blur, ground, inspected, power, spots, width

    slab_px, sheets_px = _surroundings(photo, plane, whole=whole)
    grey = np.asarray(cv2.cvtColor(np.ascontiguousarray(photo.pixels), cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    view = inspected.view_of(photo, plane, slab_px=slab_px, sheets_px=sheets_px)
    px_per_mm = view.px_per_mm
    blur_px = blur.of_sharpness(record.quality.sharpness)
    where = view.full_look(photo.pixels.shape)

    def find(picture: Any, look: Any = where) -> Search:
        return spots.search(picture, look, px_per_mm=px_per_mm, blur_px=blur_px)

    found = find(grey).spots()
    planting()
    study = power.power_study(
        photo.pixels,
        view,
        found,
        find,
        np.random.default_rng(SEED),
        smallest_mm=smallest_mm,
        px_per_mm=px_per_mm,
        blur_px=blur_px,
        sanded=sanded,
    )
    found = width.with_half_level(grey, found, sanded=sanded)
    return Looked(photo, plane, view, found, study, px_per_mm, ground.along_grain(grey, where))


def _surroundings(photo: Photo, plane: Plane, *, whole: bool) -> tuple[Floats | None, tuple[Floats, ...]]:
    """Return the slab's outline in photo px (None: it fills the frame) and the outlines of the boards' sheets."""
    from voidmap.coat import surround

    sheets = surround.sheets_px(photo.pixels, plane)
    return (None if whole else surround.surface_px(photo.pixels, sheets)), sheets
