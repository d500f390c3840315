"""What the intake found, in the frame that a job's coats lie in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from voidmap.corrections.keep import frame_of
from voidmap.corrections.place import STAY, Rigid, lay_over
from voidmap.files import Job
from voidmap.records import CoatRecord, Defect, Intake


def defects_on(job: Job, coats: Sequence[CoatRecord]) -> tuple[tuple[Defect, ...], float] | None:
    """Return the intake's defects in the coats' frame, and how far they may be off (rms, mm).

    The coats keep the frame of the intake that the first of them was laid onto. After a new intake the slab's outline
    carries the one into the other.

    Parameters
    ----------
    job
        The job.
    coats
        Its coats; none: the frame is the intake's.

    Returns
    -------
    tuple or None
        None without an intake, and when the coats' places are not tied to it.
    """
    if not job.has(Intake):
        return None
    intake = job.read(Intake)
    lay = _lay(intake, coats[-1]) if coats else STAY
    if lay is None:
        return None
    if lay is STAY:
        return intake.defects, 0.0
    return tuple(replace(d, outline_mm=lay.outline(d.outline_mm)) for d in intake.defects), lay.misfit_mm


def _lay(intake: Intake, coat: CoatRecord) -> Rigid | None:
    frame = frame_of(intake)
    if coat.frame_outline_mm == frame:
        return STAY
    return lay_over(frame, coat.frame_outline_mm) if coat.frame_outline_mm else None
