"""What the next sensible step of a job is, read off what its folder holds."""

from __future__ import annotations

from pathlib import Path

from voidmap.files import Job
from voidmap.records import FillPlan, Intake, Verdict


def next_step(folder: Path) -> str:
    """Return the next step of the job in a folder, with the command for it."""
    job = Job(folder)
    coats = job.coat_numbers()
    if not job.has(Intake) and not coats:
        return (
            "No job in this folder yet. Print boards (voidmap boards --paper letter --out boards.pdf), lay two or "
            "more on the slab, photograph it from three places, then: voidmap intake JOB PHOTO... "
            "--slab-thickness 45mm\nTo see a whole job first: voidmap demo\nAll commands: voidmap --help"
        )
    if job.has(Intake) and not job.has(FillPlan) and not coats:
        return "The slab is mapped. Measure the depths that matter (voidmap probe .), then plan: voidmap fill ."
    if not coats:
        return "The plan stands in fill.json. Fill, sand flush, seal, then photograph: voidmap coat . PHOTO --number 1"
    if not job.has(Verdict) or job.read(Verdict).coat < coats[-1]:
        return f"Coat {coats[-1]} is counted. Ask what to do next: voidmap verdict ."
    return _after(job.read(Verdict), coats[-1])


def _after(verdict: Verdict, coat: int) -> str:
    if verdict.decision == "seal_again":
        return f"Seal again, then photograph: voidmap coat . PHOTO --number {coat + 1}"
    if verdict.decision == "spot_fill":
        return f"Spot-fill the sites in the sheet (voidmap sheet .), then: voidmap coat . PHOTO --number {coat + 1}"
    if verdict.decision == "reshoot":
        return f"Photograph coat {coat} again as the sheet says, then: voidmap coat . PHOTO --number {coat}"
    return "Ready for the flood coat. Hand the record over: voidmap sheet ."
