"""Probe: depth readings are kept with the job, and the next ones worth taking are named."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from voidmap.errors import ValueRefused
from voidmap.files import MEASURED, Job
from voidmap.records import Defect, Intake, Point, ProbeAdvice

if TYPE_CHECKING:
    from voidmap.corrections import Correction

_FORM = re.compile(r"^\s*(?P<id>[A-Za-z]+\d+)\s*(?:@\s*(?P<dot>\d+)\s*)?=\s*(?P<length>.+?)\s*$")


@dataclass(frozen=True)
class TypedReading:
    """A reading as typed: the greatest depth of a void, or its depth at a numbered dot (from 1)."""

    defect: str
    depth_mm: float
    dot: int | None = None


def parse_reading(text: str) -> TypedReading:
    """Read ``D03=18mm`` or ``D03@2=7mm``.

    Raises
    ------
    ValueRefused
        When it can't be read, or the depth is not above zero.
    """
    from voidmap import units

    match = _FORM.match(text)
    if match is None:
        raise ValueRefused(f"the reading {text} can't be understood", "write it as D03=18mm, or D03@2=7mm at a dot")
    length = match["length"]
    if length.startswith("-"):
        raise ValueRefused(f"the depth {length} of {match['id']} is negative", "give depths downward from the top")
    depth_mm = units.parse_length_mm(length)
    if not depth_mm > 0:
        raise ValueRefused(
            f"the depth {length} of {match['id']} is not above zero",
            f"give the reading, or drop a thing that has no depth with voidmap correct JOB --drop {match['id']}",
        )
    return TypedReading(match["id"].upper(), depth_mm, int(match["dot"]) if match["dot"] else None)


def probe(folder: Path, readings: Sequence[str] = (), *, gauge_mm: float | None = None) -> ProbeAdvice:
    """Record depth readings in a job and name the next ones worth taking.

    Parameters
    ----------
    folder
        The job folder; it must hold an intake.
    readings
        As typed; none only asks for advice.
    gauge_mm
        Standard error of the depth gauge; None for the usual one.

    Returns
    -------
    ProbeAdvice
        What was recorded and what to read next.

    Raises
    ------
    ValueRefused
        For an unknown void or dot, or a depth that can't be right; nothing is recorded then.
    JobError
        When the job holds no intake.
    """
    from voidmap import corrections, depth
    from voidmap.corrections.keep import group_of

    job = Job(folder)
    intake = job.read(Intake)
    typed = [parse_reading(text) for text in readings]
    items = [_correction(intake, reading, gauge_mm) for reading in typed]
    if items:
        kept = corrections.merged(corrections.load(job), group_of(intake, items))
        measured = job.read(Intake, name=MEASURED)
        intake = corrections.apply(measured, kept)
        corrections.save(job, kept)
        job.write(intake)
    advice = depth.advise(
        intake.defects, scale_rel=intake.scale.length_interval_rel, thickness_mm=intake.slab.thickness_mm
    )
    return replace(advice, recorded=tuple(_sentence(reading) for reading in typed))


def _correction(intake: Intake, reading: TypedReading, gauge_mm: float | None) -> Correction:
    from voidmap import corrections

    dot = None if reading.dot is None else _dot(intake, reading.defect, reading.dot)
    values = {"depth_mm": reading.depth_mm, "dot_mm": dot, "error_mm": gauge_mm}
    return corrections.about_defect(intake, reading.defect, corrections.Action.DEPTH, **values)


def _dot(intake: Intake, defect_id: str, number: int) -> Point | None:
    """Return a void's numbered dot; an unknown void is left to be refused by its name."""
    from voidmap import depth

    defect: Defect | None = next((d for d in intake.defects if d.id.upper() == defect_id), None)
    if defect is None:
        return None
    dots = depth.probe_dots(defect)
    if not 1 <= number <= len(dots):
        remedy = f"name one of 1 to {len(dots)}, or leave the dot out for the greatest depth"
        raise ValueRefused(f"{defect.id} has no dot {number}", remedy)
    return dots[number - 1]


def _sentence(reading: TypedReading) -> str:
    where = "at its deepest" if reading.dot is None else f"at dot {reading.dot}"
    return f"{reading.defect} is {reading.depth_mm:.1f} mm deep {where}."
