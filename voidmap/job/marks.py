"""Keep a coat as measured apart from the user's marks on it, and work the marked coats out again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from voidmap.corrections import Corrections, apply_to_coat, load
from voidmap.corrections.keep import frame_of
from voidmap.files import Job
from voidmap.records import CoatRecord, Intake, Outline


def carry_over(job: Job, measured: CoatRecord, earlier: Sequence[CoatRecord]) -> CoatRecord:
    """Keep a new count of a coat as measured, and write it with the marks that the user made on that coat.

    Raises
    ------
    InputError
        When ``corrections.json`` is damaged.
    """
    measured = replace(measured, frame_outline_mm=_frame(job, measured, earlier))
    record = apply_to_coat(measured, load(job), earlier)
    job.write(measured, name=measured_name(measured.number))
    job.write(record)
    return record


def apply_marks(job: Job, kept: Corrections) -> tuple[CoatRecord, ...]:
    """Apply marks to a job's coats, and return those that came out otherwise than they stand; nothing is written."""
    earlier: list[CoatRecord] = []
    changed: list[CoatRecord] = []
    for there in job.coats():
        name = measured_name(there.number)
        measured = job.read(CoatRecord, name=name) if job.path(name).is_file() else there
        record = apply_to_coat(measured, kept, earlier, retrack=bool(changed))
        if record != there:
            changed.append(record)
        earlier.append(record)
    return tuple(changed)


def measured_name(number: int) -> str:
    """Return the name of the file that keeps a coat as it was measured."""
    return f"measured-coat-{number}.json"


def _frame(job: Job, measured: CoatRecord, earlier: Sequence[CoatRecord]) -> Outline:
    """Return the slab's outline in the frame of a coat's places; empty when that frame is the coat's own."""
    if earlier:
        return earlier[-1].frame_outline_mm
    if job.has(Intake) and measured.align_rms_mm is not None:
        return frame_of(job.read(Intake))
    return ()


def write_marked(job: Job, records: Sequence[CoatRecord]) -> list[str]:
    """Write coats whose marks changed, each kept as measured first, and name them."""
    for record in records:
        if not job.path(measured_name(record.number)).is_file():
            job.write(job.read(CoatRecord, number=record.number), name=measured_name(record.number))
        job.write(record)
    return [f"coat {record.number}" for record in records]
