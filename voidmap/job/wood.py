"""Whether an intake's photos show one wood, its boards not moved between them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from voidmap.model import Photo, Plane, SlabFound


def wood_notes(slab: SlabFound, photos: Sequence[Photo], planes: Sequence[Plane]) -> tuple[str, ...]:
    """Return notes of photos that show other wood; of one photo, and of those along a long top, nothing is asked.

    Raises
    ------
    ScaleError
        When boards were moved between the photos, or lie off the wood.
    """
    from voidmap import scale

    if len(photos) < 2 or scale.is_long_top(planes):
        return ()
    from voidmap.depth.same_wood import check_wood

    return check_wood(slab, photos, planes)
