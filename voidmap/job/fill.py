"""Fill: a mapped slab and its resin become a plan."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from voidmap.errors import InputError
from voidmap.files import RESIN, Job, read_text, write_text
from voidmap.records import FillPlan, Intake


def plan_fill(
    folder: Path,
    *,
    overfill_mm: float | None = None,
    temperature_c: float | None = None,
    chance: float = 0.05,
    scale_step: str = "1g",
    seal_coats: int | None = None,
    methods: Mapping[str, str] | None = None,
    most_lifts: int | None = None,
    coat_every_h: float | None = None,
    start_h: float = 8.0,
) -> FillPlan:
    """Plan the fill of a job's slab, and write ``fill.json``; a missing ``resin.toml`` is written first.

    The inputs are those of :func:`voidmap.fill.plan`.

    Raises
    ------
    JobError
        When the slab has not been mapped.
    InputError
        When ``resin.toml`` or an input can't be used.
    """
    from voidmap.fill.plan import OVERFILL_MM, plan
    from voidmap.fill.resin import read_resin
    from voidmap.fill.values import write_template

    job = Job(folder)
    intake = job.read(Intake)
    if not job.path(RESIN).exists():
        write_text(job.path(RESIN), write_template())
    record = plan(
        intake,
        read_resin(read_text(job.path(RESIN))),
        overfill_mm=OVERFILL_MM if overfill_mm is None else overfill_mm,
        temperature_c=temperature_c,
        chance=chance,
        scale_step=scale_step,
        seal_coats=seal_coats,
        methods=methods,
        most_lifts=most_lifts,
        coat_every_h=coat_every_h,
        start_h=start_h,
    )
    job.write(record)
    return record


def write_csv(record: FillPlan, place: Path) -> None:
    """Write the batches as a table, a row a pour."""
    from voidmap.fill.text import fill_csv

    write_text(_a_file(place), fill_csv(record))


def write_page(record: FillPlan, place: Path, *, title: str) -> None:
    """Write the plan as one printable page."""
    from voidmap.fill.page import fill_page

    write_text(_a_file(place), fill_page(record, title=title))


def _a_file(place: Path) -> Path:
    if place.is_dir():
        raise InputError(f"{place} is a folder", "name a file to write")
    return place
