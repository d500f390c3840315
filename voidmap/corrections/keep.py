"""Keep the corrections in the job folder, and carry them over to a new measuring."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from voidmap.corrections import shape
from voidmap.corrections.apply import apply
from voidmap.corrections.nouns import Correction, Corrections, Group, from_json, to_json
from voidmap.corrections.place import place_in
from voidmap.files import CORRECTIONS, Job, read_json, write_json
from voidmap.records import Intake, Outline

_OUTLINE_TOLERANCE_MM = 0.2
"""The kept outline is thinned to this: far below the doubt of a measured edge."""


def load(job: Job) -> Corrections:
    """Return the job's corrections; none is an empty ``Corrections``.

    Raises
    ------
    InputError
        When the file is damaged.
    """
    path = job.path(CORRECTIONS)
    return from_json(read_json(path), str(path)) if path.exists() else Corrections()


def save(job: Job, corrections: Corrections) -> None:
    """Write the job's corrections, atomically."""
    write_json(job.path(CORRECTIONS), to_json(corrections))


def frame_of(intake: Intake) -> Outline:
    """Return the outline that stands for an intake's slab frame."""
    return shape.thinned(intake.slab.outline_mm, _OUTLINE_TOLERANCE_MM)


def group_of(intake: Intake, items: Sequence[Correction]) -> Group:
    """Return corrections made on an intake, with the frame that their places are in."""
    return Group(frame_of(intake), tuple(items), tuple(place_in(d) for d in intake.defects))


def merged(kept: Corrections, *new: Group) -> Corrections:
    """Return the kept corrections with new ones after them; one that is there already is not added twice."""
    groups = list(kept.groups)
    known = {item.key for item in kept.items}
    for group in new:
        fresh = tuple(item for item in group.items if item.key not in known)
        known.update(item.key for item in fresh)
        if not fresh:
            continue
        if groups and groups[-1].slab_outline_mm == group.slab_outline_mm:
            last = groups[-1]
            # Marks on a coat bring no places of defects; those of the map that share its frame do.
            groups[-1] = replace(last, items=(*last.items, *fresh), marks_mm=last.marks_mm or group.marks_mm)
        else:
            groups.append(replace(group, items=fresh))
    return Corrections(tuple(groups))


def carry_over(job: Job, measured: Intake) -> Intake:
    """Return a new measuring with the job's corrections applied; those that find no place are in its notes."""
    return apply(measured, load(job))
