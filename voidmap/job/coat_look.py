"""Look the photos of a coat through: what each shows, its pinholes, and what all could have shown."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from voidmap.coat.bend import Bend
    from voidmap.coat.ground import Floats32
    from voidmap.coat.inspected import Pictures, View
    from voidmap.coat.power import Study
    from voidmap.coat.spots import Search, Spots
    from voidmap.model import Floats, Photo, Plane
    from voidmap.records import PhotoRecord

SEED = 20240
"""Of the planted pinholes: the same photo gives the same figures."""


@dataclass(frozen=True)
class Shown:
    """One photo of the coat, and what it shows of the surface."""

    photo: Photo
    pictures: Pictures
    plane: Plane
    view: View

    @property
    def px_per_mm(self) -> float:
        """Photo pixels in a millimetre, at the median place of the surface."""
        return self.view.px_per_mm


@dataclass(frozen=True)
class Seen(Shown):
    """One photo of the coat, looked through."""

    spots: Spots
    grain_px: tuple[tuple[float, float], tuple[float, float]] | None
    """Two places along the grain, photo px."""
    found: Spots
    """The same as ``spots``, as the detector gave them."""
    find: Callable[[Any, Any], Search]
    blur_px: float
    rims: Floats32
    """How likely each cell of the view is a fill's rim."""


def view_of(photo: Photo, pictures: Pictures, plane: Plane, *, whole: bool) -> View:
    """Work out what of the surface a photo shows; ``whole``: it fills the frame (else its outline is looked for)."""
    from voidmap.coat import inspected, surround

    sheets_px = surround.sheets_px(photo.pixels, plane)
    slab_px = None if whole else surround.surface_px(pictures.small, sheets_px)
    return inspected.view_of(pictures, plane, slab_px=slab_px, sheets_px=sheets_px)


def look(shown: Shown, record: PhotoRecord, *, sanded: bool) -> Seen:
    """Find the pinholes in one photo.

    Parameters
    ----------
    shown, record
        The photo and its quality.
    sanded
        The coat's surface.
    """
    from voidmap.coat import blur, floor, ground, middle, prior, rims, spots, width
    from voidmap.coat.inspected import SHRINK

    photo, pictures, plane, view = shown.photo, shown.pictures, shown.plane, shown.view
    px_per_mm = view.px_per_mm
    blur_px = blur.of_sharpness(record.quality.sharpness)
    where = view.full_look(photo.pixels.shape)

    # What is planted into the photo doesn't turn the wood's grain.
    def find(picture: Any, look: Any = where) -> Search:
        searched = spots.search(picture, look, px_per_mm=px_per_mm, blur_px=blur_px, grain=pictures.grain)
        return searched if sanded else floor.doubting_black(picture, searched)

    with ThreadPoolExecutor(1) as beside:
        edges = beside.submit(rims.rim_strength, pictures.small, px_per_mm, SHRINK, view.seen)
        found = find(photo.pixels).spots()
    measured = width.with_half_level(pictures.grey, found, sanded=sanded)
    told = prior.among_others(middle.with_middles(pictures.grey, measured))
    grain_px = ground.along_grain(pictures.grain, where)
    return Seen(photo, pictures, plane, view, told, grain_px, found, find, blur_px, edges.result())


def study_of(seen: Sequence[Seen], bends: Sequence[Bend], *, sanded: bool, smallest_mm: float) -> Study:
    """Work out what the photos of a coat could show together.

    Parameters
    ----------
    seen
        The photos, looked through.
    bends
        How each one's frame is carried into the frame that all share.
    sanded, smallest_mm
        The coat's surface, and the smallest pinhole that matters.
    """
    import numpy as np

    from voidmap.coat import power
    from voidmap.coat.planting import Shot

    shots = [
        Shot(
            one.photo.pixels, one.view, one.found, one.find, one.px_per_mm, one.blur_px, one.rims,
            _to_shared(one, bend), _from_shared(one, bend), one.plane.sights,
        )
        for one, bend in zip(seen, bends, strict=True)
    ]  # fmt: skip
    return power.power_study(shots, np.random.default_rng(SEED), smallest_mm=smallest_mm, sanded=sanded)


def _to_shared(one: Seen, bend: Bend) -> Callable[[Floats], Floats]:
    return lambda px: bend(one.plane.to_mm(px))


def _from_shared(one: Seen, bend: Bend) -> Callable[[Floats], Floats]:
    return lambda mm: one.plane.to_px(bend.back(mm))
