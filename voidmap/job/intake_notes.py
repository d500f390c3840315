"""The notes of an intake: what its figures rest on, and what they leave out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Protocol

from voidmap.job.lamp import lamp_note
from voidmap.records import Defect

if TYPE_CHECKING:
    from voidmap.depth.lamplight import LampLight
    from voidmap.model import Ortho, Photo, Plane, SlabFound

BESIDE_EDGE = "may be a void that opens on the side, or the slab's own edge: look"
"""A bay's note, by which it is known again."""


class Found(Protocol):
    """What of the things found the notes speak of."""

    @property
    def ortho(self) -> Ortho:
        """The picture laid square-on."""

    @property
    def slab(self) -> SlabFound:
        """The slab in it."""

    @property
    def light(self) -> LampLight | None:
        """The lamp, where one photo is by it."""


def _hidden_notes(found: Found, defects: Sequence[Defect]) -> tuple[str, ...]:
    """Name the voids of which a board or a peg may hide a part."""
    import numpy as np

    from voidmap import surface

    covered = found.slab.covered
    under = [d.id for d in defects if d.is_void and surface.runs_under(found.ortho, covered, np.array(d.outline_mm))]
    if not under:
        return ()
    reach = "reaches" if len(under) == 1 else "reach"
    cover = "a board" if found.light is None else "a board or a peg"
    return (
        f"{', '.join(under)} {reach} {cover}: what may go on under it is in no figure; move it and take the photo "
        "again.",
    )


def _bay_notes(defects: Sequence[Defect], photos: int) -> tuple[str, ...]:
    """Name the bays beside the outline that may be voids."""
    bays = [d for d in defects if d.note == BESIDE_EDGE]
    if not bays:
        return ()
    told = ", ".join(f"{d.id} ({d.void_probability:.0%})" for d in bays)
    verb = "is a bay" if len(bays) == 1 else "are bays"
    return (
        f"{told} {verb} beside the outline: a void that opens on the side (by that chance), or the slab's own edge. "
        f"Look, and set the kind to bark void if it is one{'; photos from other places tell too' * (photos == 1)}.",
    )


def assumptions(
    photos: Sequence[Photo], planes: Sequence[Plane], found: Found, defects: Sequence[Defect], *, thick: bool
) -> tuple[str, ...]:
    """Say in sentences what an intake's figures rest on, and what they leave out.

    Parameters
    ----------
    photos, planes
        The photos by daylight, and the planes of all.
    found
        What they show.
    defects
        The defects as recorded.
    thick
        Whether the slab's thickness is known.
    """
    from voidmap.scale import beside_notes

    light = found.light
    notes = [*beside_notes(found.slab, planes), *_hidden_notes(found, defects), *_bay_notes(defects, len(photos))]
    if light is not None:
        shown = sum(any(e.source == "shadow" for e in d.depth.estimates) for d in defects if d.depth is not None)
        notes.append(lamp_note(light, shown))
    if found.slab.beside_mm2 > 0:
        share = found.slab.beside_mm2 / (float(found.slab.mask.sum()) * found.ortho.mm_per_px**2)
        notes.append(
            "Beside the outline lies a strip that has not the bench's tint: if it is sapwood, the slab is larger by "
            f"{share:.1%} (the area's interval holds both). Photos from two other places, or a cloth of another "
            "colour under the slab, tell."
        )
    if found.slab.leaves_frame:
        notes.append("The slab leaves the photo: area, edge and voids are of the part in view.")
    if not thick:
        notes.append("No slab thickness was given: depths of holes that go through are a guess; give --slab-thickness.")
    if len(photos) == 1 and light is None and planes[0].reference != "mm_per_px":
        notes.append(
            "One photo shows no depth: depths are typical ranges until you probe, or add photos from other places."
        )
    return tuple(notes)
