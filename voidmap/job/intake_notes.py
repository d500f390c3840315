"""The notes of an intake: what its figures rest on, and what they leave out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Protocol

from voidmap import shown
from voidmap.job.lamp import lamp_note
from voidmap.job.little_light import little_light_notes
from voidmap.records import Defect

if TYPE_CHECKING:
    from voidmap.depth.lamplight import LampLight
    from voidmap.model import Ortho, Photo, Plane, Region, SlabFound

BESIDE_EDGE = "may be a void that opens on the side, or the slab's own edge: look"
"""A bay's note, by which it is known again."""
LEAST_HIDDEN = 0.005
"""A smaller share of the top that is hidden (it shows as "1 %" from here) is not worth a sentence."""
BLURRED = "Thin cracks may be missed, and pores may be told as holes."


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

    @property
    def regions(self) -> Sequence[Region]:
        """What lies on the top."""


def hidden_notes(defects: Sequence[Defect], *, pegs: bool) -> tuple[str, ...]:
    """Say how much of each void, and of all together, may lie under boards (or ``pegs`` that stand on the slab)."""
    under = [(d.id, d.hidden) for d in defects if d.is_void and d.hidden is not None]
    if not under:
        return ()
    cover, covers = ("a board or a peg", "boards and pegs") if pegs else ("a board", "boards")
    each = tuple(
        f"{name} goes on under {cover}: 0 to {shown.volume(part.volume_interval_ml.hi)} of it may lie there unseen, "
        f"{shown.volume(part.volume_ml)} expected and counted in its volume."
        for name, part in under
    )
    expected = sum(part.volume_ml for _, part in under)
    # Each void's own part ends where it does: what they exceed what is expected by adds up as independent errors do.
    more = math.hypot(*(part.volume_interval_ml.hi - part.volume_ml for _, part in under))
    return (
        *each,
        f"Up to {shown.volume(expected + more)} may lie unseen under the {covers}, of which {shown.volume(expected)} "
        "are in the total: move them and photograph again.",
    )


def covered_notes(slab: SlabFound) -> tuple[str, ...]:
    """Say how much of the top is hidden: what lies wholly there is not found, and no interval counts it."""
    share = float((slab.covered & slab.mask).sum()) / max(1.0, float(slab.mask.sum()))
    if share < LEAST_HIDDEN:
        return ()
    return (
        f"Boards and what else lies on the slab hide {share:.0%} of it: a void that lies wholly under them is in no "
        "figure here, nor in the total's interval.",
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


def crowd_notes(regions: Sequence[Region]) -> tuple[str, ...]:
    """Say that small voids may be left out where the wood's own figure looks like many of them."""
    crowd = max((r.crowd for r in regions), default=1.0)
    if crowd <= 1.0:
        return ()
    return (
        f"{crowd:.1f} times as many small things as usual look half like holes and checks here: the wood's own figure, "
        "or the photo's tones. What is doubtful is not called a void, and a small one may be among it: photograph "
        "nearer, without a filter or strong tones, and look at the slab itself.",
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
    notes = [
        *beside_notes(found.slab, planes),
        *covered_notes(found.slab),
        *hidden_notes(defects, pegs=light is not None),
        *_bay_notes(defects, len(photos)),
        *crowd_notes(found.regions),
        *little_light_notes(photos, BLURRED),
    ]
    if light is not None:
        by_shadow = sum(any(e.source == "shadow" for e in d.depth.estimates) for d in defects if d.depth is not None)
        notes.append(lamp_note(light, by_shadow))
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
    return (*notes, *one_place_notes(planes[: len(photos)]))


def one_place_notes(planes: Sequence[Plane]) -> tuple[str, ...]:
    """Say when several photos were taken from as good as one place: they show no more depth than one."""
    if len(planes) < 2:
        return ()
    from voidmap.depth.parallax import has_parallax

    if has_parallax(planes):
        return ()
    return (
        "The photos were taken from as good as one place and show no depth: depths are typical ranges until you probe, "
        "or take photos 6 to 16 in (150 to 400 mm) to either side.",
    )
