"""Verdict: the coats of a job become a decision."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from voidmap.errors import ValueRefused
from voidmap.files import Job
from voidmap.job.coat_voids import defects_on
from voidmap.records import Verdict


def decide(
    folder: Path,
    *,
    finish: str = "client",
    allowed: int | None = None,
    smallest_mm: float | None = None,
    by_hand: int | None = None,
    coat_price: float | None = None,
    defect_price: float | None = None,
) -> Verdict:
    """Decide what to do after the newest coat of a job, and write ``verdict.json``.

    Parameters
    ----------
    folder
        The job folder.
    finish
        client, shop or own.
    allowed, smallest_mm, by_hand
        The user's own numbers in place of the finish's.
    coat_price, defect_price
        Prices, in one currency; both or neither.

    Raises
    ------
    ValueRefused
        When there is no such finish, or the numbers contradict each other.
    JobError
        When the job has no coat.
    """
    from voidmap.coat.verdict import FINISHES, verdict

    if finish not in FINISHES:
        raise ValueRefused(f"there is no finish called {finish}", f"say one of {', '.join(FINISHES)}")
    usual = FINISHES[finish]
    agreed = replace(
        usual,
        allowed=usual.allowed if allowed is None else allowed,
        smallest_mm=usual.smallest_mm if smallest_mm is None else smallest_mm,
        by_hand=usual.by_hand if by_hand is None else by_hand,
    )
    job = Job(folder)
    coats = job.coats()
    known = defects_on(job, coats)
    defects = () if known is None else known[0]
    record = verdict(coats, finish=agreed, defects=defects, coat_price=coat_price, defect_price=defect_price)
    asked = {
        "allowed": allowed,
        "smallest_mm": smallest_mm,
        "by_hand": by_hand,
        "coat_price": coat_price,
        "defect_price": defect_price,
    }
    record = replace(record, inputs={name: value for name, value in asked.items() if value is not None})
    job.write(record)
    return record


def decide_again(folder: Path) -> Verdict:
    """Decide once more as the user asked before, on what the job holds now."""
    before = Job(folder).read(Verdict)
    return decide(folder, finish=before.finish, **before.inputs)
