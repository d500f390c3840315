"""Lay the photos of a coat into the job's slab frame, and draw the picture that the job keeps of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from voidmap.errors import JobError, ScaleError
from voidmap.files import Job
from voidmap.records import CoatRecord, Intake

if TYPE_CHECKING:
    from voidmap.coat.align import Alignment, Bend
    from voidmap.coat.sheets import Sheet
    from voidmap.job.coat_look import Shown
    from voidmap.model import Floats, Ortho

PICTURE_SIDE_PX = 2600
"""The square-on picture kept with the job is worked out at this size."""


def place(
    job: Job, looked: Sequence[Shown], earlier: Sequence[CoatRecord], number: int, *, together: bool
) -> tuple[tuple[Alignment, ...], tuple[str, ...]]:
    """Find how each photo's own frame is carried into the job's slab frame.

    Parameters
    ----------
    job
        The job, with the pictures kept of earlier coats or of the intake.
    looked
        The coat's photos.
    earlier
        The earlier coats.
    number
        This coat's number.
    together
        Whether the photos' planes share one frame: boards tie them.

    Returns
    -------
    tuple
        An alignment a photo (its ``rms_mm`` infinite when there was nothing to be laid onto), and notes.

    Raises
    ------
    JobError
        When no photo shows the wood of the earlier coats.
    ScaleError
        When a photo can't be tied to the others.
    """
    from voidmap.coat import align

    # A first coat that is photographed again is laid onto its own earlier picture: the job's frame stays.
    alone = "intake" if job.has(Intake) else f"coat-{number}"
    names = [f"coat-{c.number}" for c in reversed(earlier)][:2] or [alone]
    references = [sheet for name in names if (sheet := _kept(job, name)) is not None]
    own = [_own_sheet(one) for one in looked] if references or len(looked) > 1 else []
    laid: list[Alignment | None] = [_laid(sheet, references) for sheet in own] if references else [None] * len(looked)
    first = next((k for k, a in enumerate(laid) if a is not None), None)
    notes: tuple[str, ...] = ()
    if first is None:
        if earlier and references:
            raise JobError(
                f"{looked[0].photo.file} isn't recognised as the wood of coat {earlier[-1].number} of this job",
                "photograph the same part with the board where it lay then, or start another job folder",
            )
        if job.has(Intake):
            notes = ("The coat could not be laid onto the intake photo: its frame is its own board's.",)
        first, laid[0] = 0, align.unmoved(align.Move())
    known = laid[first]
    assert known is not None
    for k, one in enumerate(looked):
        if laid[k] is None:
            laid[k] = _tied(own, looked, laid, k, known if together else None)
        if laid[k] is None:
            raise ScaleError(
                f"{one.photo.file} can't be laid onto {looked[first].photo.file}",
                "let photos of one coat overlap by a third, or leave the boards where they are between them",
            )
    return tuple(a for a in laid if a is not None), notes


def picture(looked: Sequence[Shown], bends: Sequence[Bend]) -> Ortho:
    """Draw the coat's photos square-on in the slab frame; where they overlap the earlier one is drawn."""
    import cv2
    import numpy as np

    from voidmap.coat.sheets import smooth_map
    from voidmap.model import Ortho

    rims = [bend(one.plane.to_mm(_rim(one))) for one, bend in zip(looked, bends, strict=True)]
    (x0, y0), (x1, y1) = np.min([r.min(axis=0) for r in rims], axis=0), np.max([r.max(axis=0) for r in rims], axis=0)
    finest = 1 / max(one.px_per_mm for one in looked)
    step = float(max(finest, max(x1 - x0, y1 - y0) / (PICTURE_SIDE_PX - 1)))
    size = (int((x1 - x0) / step) + 1, int((y1 - y0) / step) + 1)
    pixels: Any = np.zeros((size[1], size[0], 3), np.uint8)
    valid: Any = np.zeros((size[1], size[0]), np.uint8)
    for one, bend in zip(looked, bends, strict=True):
        at_x, at_y = smooth_map(_to_photo(one, bend, np.array([x0, y0]), step), size)
        width, height = one.plane.size_px
        inside = cv2.bitwise_and(cv2.inRange(at_x, 0.0, width - 1.0), cv2.inRange(at_y, 0.0, height - 1.0))
        inside = cv2.bitwise_and(inside, cv2.bitwise_not(valid))
        # To a 32nd of a pixel, as it is drawn either way, the map is read in half of the time.
        whole, part = cv2.convertMaps(at_x, at_y, cv2.CV_16SC2)
        drawn = cv2.remap(one.photo.pixels, whole, part, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
        cv2.copyTo(drawn, inside, pixels)
        valid = cv2.bitwise_or(valid, inside)
    return Ortho(pixels, valid > 0, float(x0), float(y0), step)


def _to_photo(one: Shown, bend: Bend, corner_mm: Floats, step_mm: float) -> Callable[[Floats], Floats]:
    return lambda px: one.plane.to_px(bend.back(px * step_mm + corner_mm))


def _rim(one: Shown) -> Floats:
    import numpy as np

    width, height = one.plane.size_px
    across, down = np.linspace(0, width - 1, 9), np.linspace(0, height - 1, 9)
    return np.array([(x, y) for x in across for y in down])


def _kept(job: Job, name: str) -> Sheet | None:
    from voidmap.coat.sheets import ready
    from voidmap.job.pictures import kept_picture

    ortho = kept_picture(job, name)
    return None if ortho is None else ready(ortho)


def _own_sheet(one: Shown, bend: Bend | None = None) -> Sheet:
    """Lay a photo square-on as coarsely as pictures are compared, in its own frame or carried into another."""
    import cv2
    import numpy as np

    from voidmap.coat.align import laid
    from voidmap.coat.sheets import WORK_MM, ready, shrunk, smooth_map
    from voidmap.model import Ortho
    from voidmap.scale import footprint_mm

    times = max(1, int(WORK_MM * one.px_per_mm))
    small = shrunk(cv2.cvtColor(np.ascontiguousarray(one.photo.pixels), cv2.COLOR_BGR2GRAY), times)
    x0, y0, x1, y1 = footprint_mm(one.plane)
    corner, size = np.array([x0, y0]), (int((x1 - x0) / WORK_MM) + 1, int((y1 - y0) / WORK_MM) + 1)

    def to_small(px: Floats) -> Floats:
        return np.asarray((one.plane.to_px(px * WORK_MM + corner) + 0.5) / times - 0.5, dtype=np.float64)

    at_x, at_y = smooth_map(to_small, size)
    height, width = small.shape[:2]
    valid = (at_x >= 0) & (at_y >= 0) & (at_x <= width - 1) & (at_y <= height - 1)
    grey = cv2.remap(small, at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    ortho = Ortho(np.asarray(cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR), dtype=np.uint8), valid, x0, y0, WORK_MM)
    hidden = tuple(one.plane.to_mm(s) for s in one.view.sheets_px)
    if bend is None:
        return ready(ortho, hidden_mm=hidden)
    return ready(laid(ortho, bend), hidden_mm=tuple(bend(h) for h in hidden))


def _laid(sheet: Sheet, references: Sequence[Sheet]) -> Alignment | None:
    from voidmap.coat import align

    for reference in references:
        tried = align.align(sheet, reference, guess=align.Move())
        if tried.same_wood:
            return tried
    return None


def _tied(
    own: Sequence[Sheet],
    looked: Sequence[Shown],
    laid: Sequence[Alignment | None],
    k: int,
    by_boards: Alignment | None,
) -> Alignment | None:
    """Lay a photo onto those of the same coat that have their place; failing that, trust the boards."""
    done = [(one, a) for one, a in zip(looked, laid, strict=True) if a is not None]
    found = _laid(own[k], [_own_sheet(one, a.bend) for one, a in done])
    if found is None:
        return by_boards
    import numpy as np

    before = max(a.rms_mm if np.isfinite(a.rms_mm) else 0.0 for _, a in done)
    return replace(found, rms_mm=float(np.hypot(found.rms_mm, before)))
