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
class Seen:
    """One photo of the coat, looked through."""

    photo: Photo
    plane: Plane
    view: View
    spots: Spots
    px_per_mm: float
    grain_px: tuple[tuple[float, float], tuple[float, float]] | None
    """Two places along the grain, photo px."""


@dataclass(frozen=True)
class Looked(Seen):
    """The same with what the photo could have shown."""

    study: Study


def look(
    photo: Photo, plane: Plane, record: PhotoRecord, *, sanded: bool, smallest_mm: float, whole: bool
) -> tuple[Seen, Callable[[], Looked]]:
    """Find the pinholes in one photo; what is returned beside works out what it could show.

    Parameters
    ----------
    photo, plane, record
        The photo, its plane, and its quality.
    sanded, smallest_mm
        The coat's surface, and the smallest pinhole that matters.
    whole
        Whether the surface fills the frame (else its outline is looked for).
    """
    import cv2
    import numpy as np

    from voidmap.coat import blur, ground, inspected, power, prior, spots, width

    slab_px, sheets_px = _surroundings(photo, plane, whole=whole)
    grey = np.asarray(cv2.cvtColor(np.ascontiguousarray(photo.pixels), cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    view = inspected.view_of(photo, plane, slab_px=slab_px, sheets_px=sheets_px)
    px_per_mm = view.px_per_mm
    blur_px = blur.of_sharpness(record.quality.sharpness)
    where = view.full_look(photo.pixels.shape)

    def find(picture: Any, look: Any = where) -> Search:
        return spots.search(picture, look, px_per_mm=px_per_mm, blur_px=blur_px)

    found = find(grey).spots()
    told = prior.among_others(width.with_half_level(grey, found, sanded=sanded))
    seen = Seen(photo, plane, view, told, px_per_mm, ground.along_grain(grey, where))

    def looked() -> Looked:
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
        return Looked(**vars(seen), study=study)

    return seen, looked


def _surroundings(photo: Photo, plane: Plane, *, whole: bool) -> tuple[Floats | None, tuple[Floats, ...]]:
    """Return the slab's outline in photo px (None: it fills the frame) and the outlines of the boards' sheets."""
    from voidmap.coat import surround

    sheets = surround.sheets_px(photo.pixels, plane)
    return (None if whole else surround.surface_px(photo.pixels, sheets)), sheets
