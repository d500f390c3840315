"""Correct: the user's own corrections are kept with the job, and what depends on them is worked out again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from voidmap.corrections import (
    Action,
    Correction,
    Corrections,
    Group,
    about_defect,
    apply_all,
    from_json,
    lint_at_site,
    load,
    merged,
    save,
    thickness_of,
)
from voidmap.corrections.keep import group_of
from voidmap.errors import JobError, ValueRefused
from voidmap.files import MEASURED, Job, read_json
from voidmap.records import CoatRecord, FillPlan, Intake, Kind, Verdict


@dataclass(frozen=True)
class Typed:
    """Corrections as typed: each text is ``ID`` or ``ID=VALUE``; of lint ``SITE`` or ``SITE@COAT``."""

    drop: tuple[str, ...] = ()
    kind: tuple[str, ...] = ()
    depth: tuple[str, ...] = ()
    through: tuple[str, ...] = ()
    note: tuple[str, ...] = ()
    lint: tuple[str, ...] = ()
    thickness_mm: float | None = None


@dataclass(frozen=True)
class Corrected:
    """What the job holds after corrections; what was not touched is there as well, unchanged.

    ``again`` names what was worked out again, in the order of the work.
    """

    intake: Intake | None
    coats: tuple[CoatRecord, ...]
    verdict: Verdict | None
    again: tuple[str, ...]


def correct(folder: Path, file: Path | None, typed: Typed) -> Corrected:
    """Take corrections, and work out again what depends on them and nothing else.

    A correction of the map reaches the fill plan and the verdict, where the job has them; a mark on a coat
    reaches that coat's count, the tracking of later coats, and the verdict.

    Parameters
    ----------
    folder
        The job folder.
    file
        A ``corrections.json`` that the job sheet saved; may be none.
    typed
        Corrections typed on the command line.

    Raises
    ------
    InputError
        When the job holds nothing to correct, the file is damaged, or a value can't be right.
    """
    from voidmap.job.marks import apply_marks, write_marked

    job = Job(folder)
    if not folder.is_dir():
        raise JobError(f"there is no job folder {folder}", "run voidmap intake first, or check the name")
    kept = load(job)
    new = _from_typed(job, typed)
    if file is not None:
        kept = merged(kept, *from_json(read_json(file), str(file)).groups)
    if file is None and not new:
        raise ValueRefused(
            "nothing was given to correct", "give the sheet's corrections.json, or --drop, --kind, --depth"
        )
    kept = merged(kept, *new)
    intake = _corrected_intake(job, kept)
    marked = apply_marks(job, kept)
    save(job, kept)
    again = [*_write_intake(job, intake), *write_marked(job, marked)]
    verdict = job.read(Verdict) if job.has(Verdict) else None
    if again and again != ["notes"] and verdict is not None:
        from voidmap.job.verdict import decide_again

        verdict = decide_again(folder)
        again.append("verdict")
    return Corrected(intake, job.coats(), verdict, tuple(again))


def _corrected_intake(job: Job, kept: Corrections) -> Intake | None:
    if not job.has(Intake):
        if any(_about_map(item) for item in kept.items):
            raise JobError(f"the job {job.folder} has no map to correct", "run voidmap intake first")
        return None
    return apply_all(job.read(Intake, name=MEASURED), kept).intake


def _about_map(item: Correction) -> bool:
    return item.action not in (Action.PINHOLE, Action.NOT_PINHOLE, Action.FORGET)


def _write_intake(job: Job, intake: Intake | None) -> list[str]:
    """Write a corrected intake when it changed, and plan the fill again when figures changed and there is a plan."""
    if intake is None:
        return []
    there = job.read(Intake)
    if intake == there:
        return []
    job.write(intake)
    if _figures(intake) == _figures(there):
        return ["notes"]
    if not job.has(FillPlan):
        return ["map"]
    _plan_again(job, intake)
    return ["map", "fill plan"]


def _figures(intake: Intake) -> Intake:
    """Return an intake without the remarks on it: what plans and verdicts are made from."""
    bare = tuple(replace(d, note="", from_user=()) for d in intake.defects)
    return replace(intake, defects=bare, notes=())


def _plan_again(job: Job, intake: Intake) -> None:
    """Plan the fill as the user asked for it before; a choice of method for a void that is gone goes with it."""
    from voidmap.job.fill import plan_fill

    wanted = job.read(FillPlan).inputs
    names = {"overfill_mm", "temperature_c", "seal_coats", "scale_step", "most_lifts", "coat_every_h", "start_h"}
    there = {d.id for d in intake.defects}
    plan_fill(
        job.folder,
        **{name: value for name, value in wanted.items() if name in names},
        **({"chance": wanted["chance_short"]} if "chance_short" in wanted else {}),
        methods={defect: method for defect, method in wanted.get("methods", {}).items() if defect in there},
    )


def _from_typed(job: Job, typed: Typed) -> tuple[Group, ...]:
    groups = []
    if typed.lint:
        groups += [_lint(job, text) for text in typed.lint]
    if any((typed.drop, typed.kind, typed.depth, typed.through, typed.note, typed.thickness_mm)):
        shown = job.read(Intake)
        groups.append(group_of(shown, _about_defects(shown, typed)))
    return tuple(groups)


def _lint(job: Job, text: str) -> Group:
    site, sign, coat = text.partition("@")
    numbers = job.coat_numbers()
    if not numbers:
        raise JobError(f"the job {job.folder} has no coat yet", "run voidmap coat first")
    if sign and (not coat.strip().isdigit() or int(coat) not in numbers):
        raise ValueRefused(f"there is no coat {coat.strip()} in this job", f"say one of {', '.join(map(str, numbers))}")
    record = job.read(CoatRecord, number=int(coat) if sign else numbers[-1])
    return Group(record.frame_outline_mm, (lint_at_site(record, site),))


def _about_defects(shown: Intake, typed: Typed) -> Sequence[Correction]:
    from voidmap import units

    found = [about_defect(shown, text, Action.DROP) for text in typed.drop]
    found += [about_defect(shown, i, Action.KIND, kind=_kind(v)) for i, v in map(_pair, typed.kind)]
    found += [
        about_defect(shown, i, Action.DEPTH, depth_mm=units.parse_length_mm(v)) for i, v in map(_pair, typed.depth)
    ]
    found += [about_defect(shown, text, Action.THROUGH, through=True) for text in typed.through]
    found += [about_defect(shown, i, Action.NOTE, note=v) for i, v in map(_pair, typed.note)]
    if typed.thickness_mm is not None:
        found.append(thickness_of(typed.thickness_mm))
    return found


def _pair(text: str) -> tuple[str, str]:
    name, sign, value = text.partition("=")
    if not sign or not name.strip() or not value.strip():
        raise ValueRefused(f"{text} can't be understood", "write the defect and its value, as in D03=crack")
    return name.strip(), value.strip()


def _kind(text: str) -> Kind:
    try:
        return Kind(text.lower())
    except ValueError as error:
        raise ValueRefused(f"there is no kind {text}", f"say one of {', '.join(Kind)}") from error
