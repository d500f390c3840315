"""Correct: the user's own corrections are kept with the job, and what depends on them is worked out again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from voidmap.corrections import Action, Correction, about_defect, apply_all, from_json, load, merged, save, thickness_of
from voidmap.corrections.keep import group_of
from voidmap.errors import ValueRefused
from voidmap.files import MEASURED, Job, read_json
from voidmap.records import FillPlan, Intake, Kind


@dataclass(frozen=True)
class Typed:
    """Corrections as typed on the command line; each text is ``ID`` or ``ID=VALUE``."""

    drop: tuple[str, ...] = ()
    kind: tuple[str, ...] = ()
    depth: tuple[str, ...] = ()
    through: tuple[str, ...] = ()
    note: tuple[str, ...] = ()
    thickness_mm: float | None = None


def correct(folder: Path, file: Path | None, typed: Typed) -> Intake:
    """Take corrections, rewrite ``intake.json``, and plan the fill again when there was a plan.

    Parameters
    ----------
    folder
        The job folder.
    file
        A ``corrections.json`` that the job sheet saved; may be none.
    typed
        Corrections typed on the command line.

    Returns
    -------
    Intake
        As measured, with all corrections applied.

    Raises
    ------
    InputError
        When the job has no intake, the file is damaged, or a value can't be right.
    """
    job = Job(folder)
    measured, shown = job.read(Intake, name=MEASURED), job.read(Intake)
    kept = load(job)
    new = _from_typed(shown, typed)
    if file is not None:
        kept = merged(kept, *from_json(read_json(file), str(file)).groups)
    if new:
        kept = merged(kept, group_of(shown, new))
    if file is None and not new:
        raise ValueRefused(
            "nothing was given to correct", "give the sheet's corrections.json, or --drop, --kind, --depth"
        )
    applied = apply_all(measured, kept)
    save(job, kept)
    job.write(applied.intake)
    if job.has(FillPlan):
        _plan_again(job, applied.intake)
    return applied.intake


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


def _from_typed(shown: Intake, typed: Typed) -> Sequence[Correction]:
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
