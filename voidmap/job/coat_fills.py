"""Take filled holes that the intake knows out of what a coat's photos show as pinholes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from voidmap.files import Job
from voidmap.job.coat_voids import defects_on
from voidmap.records import CoatRecord, Defect

if TYPE_CHECKING:
    from voidmap.coat.align import Alignment
    from voidmap.job.coat_look import Seen

LIKE_A_HOLE_MM = 0.8
"""Worm holes begin at about this width (common practice, no source): without an intake a dark spot of this size and
more may be a filled one."""
UNKNOWN = (
    "No intake that this coat lies on tells where the wood had holes: a round one filled flush can look like a pinhole "
    "of its size. Marks set that right (voidmap correct)."
)


def without_fills(
    job: Job, looked: Sequence[Seen], alignments: Sequence[Alignment], earlier: Sequence[CoatRecord]
) -> tuple[tuple[Seen, ...], tuple[str, ...]]:
    """Leave out spots that are filled holes, and say how many and why.

    Parameters
    ----------
    job
        The job, with its intake if it has one.
    looked, alignments
        The coat's photos, looked through, and how each one's frame is carried into the job's.
    earlier
        The earlier coats: theirs is the frame of the intake that the first of them was laid onto, if it was.

    Returns
    -------
    tuple
        The photos with the pinholes that stay, and notes.
    """
    laid = earlier or (alignments[0].rms_mm is not None and alignments[0].rms_mm != float("inf"))
    known = defects_on(job, earlier) if laid else None
    if known is None:
        return tuple(looked), (UNKNOWN,) if any(_has_dark(one) for one in looked) else ()
    voids = [d for d in known[0] if d.is_void]
    out, gone = [], 0
    for one, alignment in zip(looked, alignments, strict=True):
        kept = _pinholes_of(one, alignment, voids, known[1])
        gone += len(one.spots) - len(kept.spots)
        out.append(kept)
    return tuple(out), (_taken_out(gone),) if gone else ()


def _has_dark(one: Seen) -> bool:
    wide = one.spots.diameter_px >= LIKE_A_HOLE_MM * one.px_per_mm
    return bool((wide & (one.spots.polarity < 0)).any())


def _pinholes_of(one: Seen, alignment: Alignment, voids: Sequence[Defect], off_mm: float) -> Seen:
    import numpy as np

    from voidmap.coat import fills

    outlines = [one.plane.to_px(alignment.bend.back(np.array(d.outline_mm, dtype=np.float64))) for d in voids]
    tint = fills.tint_of(one.photo.pixels, outlines)
    if tint is None or len(one.spots) == 0:
        return one
    laid_mm = alignment.rms_mm if np.isfinite(alignment.rms_mm) else 0.0
    off_px = np.hypot(laid_mm, off_mm) * one.px_per_mm
    spots = one.spots
    is_fill = fills.are_fills(
        one.photo.pixels, spots.places_px, spots.diameter_px, outlines, tint, off_px=float(off_px)
    )
    return replace(one, spots=spots[~is_fill])


def _taken_out(count: int) -> str:
    if count == 1:
        return (
            "1 spot is not counted: on the place of a hole that the intake knows, as large and of the fill's colour, "
            "it is the fill."
        )
    return (
        f"{count} spots are not counted: on the places of holes that the intake knows, as large and of the fill's "
        "colour, they are the fills."
    )
