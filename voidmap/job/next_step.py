"""What the next sensible step of a job is, read off what its folder holds."""

from __future__ import annotations

from pathlib import Path

from voidmap.files import Job
from voidmap.records import FillPlan, Intake, Verdict


def next_step(folder: Path, name: str = ".") -> str:
    """Return the next step of the job in a folder, with the command for it; ``name`` is how the folder is called."""
    job = Job(folder)
    coats = job.coat_numbers()
    if not job.has(Intake) and not coats:
        return (
            "No job in this folder yet. Print boards (voidmap boards --paper letter --out boards.pdf) and the page on "
            "how to photograph (voidmap guide --out guide.pdf), photograph the slab from three places, then: voidmap "
            "intake JOB PHOTO... --slab-thickness 45mm\nTo see a whole job first: voidmap demo\n"
            "All commands: voidmap --help"
        )
    if not coats:
        return _before_coats(job, name)
    if not job.has(Verdict) or job.read(Verdict).coat < coats[-1]:
        return f"Coat {coats[-1]} is counted. Ask what to do after it: voidmap verdict {name}"
    return _after(job.read(Verdict), coats[-1], name)


def _before_coats(job: Job, name: str) -> str:
    record = job.read(Intake)
    if job.has(FillPlan):
        return (
            "The plan stands. Prepare, fill, sand flush, seal, then photograph the cured coat: "
            f"voidmap coat {name} PHOTO --number 1"
        )
    guessed = sum(d.is_void and d.depth is not None and d.depth.source == "prior" for d in record.defects)
    probe = (
        f"The depth of {guessed} of {record.totals.void_count} voids is only a typical range; voidmap probe {name} "
        "names the few worth measuring. "
        if guessed
        else ""
    )
    return (
        f"The slab is mapped. Look at it and correct it (voidmap sheet {name}). {probe}Put your resin's data sheet "
        f"into resin.toml, then plan: voidmap fill {name}"
    )


def _after(verdict: Verdict, coat: int, name: str) -> str:
    if verdict.decision == "seal_again":
        return f"Seal again, then photograph the cured coat: voidmap coat {name} PHOTO --number {coat + 1}"
    if verdict.decision == "spot_fill":
        return (
            f"Spot-fill the sites listed in the sheet (voidmap sheet {name}), photograph again, then: "
            f"voidmap coat {name} PHOTO --number {coat + 1}"
        )
    if verdict.decision == "reshoot":
        return f"Photograph coat {coat} again as the verdict says, then: voidmap coat {name} PHOTO --number {coat}"
    return f"Ready for the flood coat. Hand over the record: voidmap sheet {name} --no-costs"
