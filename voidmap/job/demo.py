"""The demo: the whole job, from intake to the sheet, on photos of an ash reception-desk top."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from voidmap.errors import InputError, JobError
from voidmap.records import CoatRecord, FillPlan, Intake, Verdict

STEPS = ("intake", "fill plan", "coat 1", "coat 2", "coat 3", "verdict", "sheet")
PHOTOS = Path(__file__).parents[2] / "demo_images"
SLAB_THICKNESS_MM = 45.0
"""Of the demo's slab, as its maker would have measured it."""
USUAL_NAME = "voidmap-demo"


@dataclass(frozen=True)
class Demo:
    """What the demo made."""

    folder: Path
    sheet: Path
    intake: Intake
    plan: FillPlan
    coats: tuple[CoatRecord, ...]
    verdicts: tuple[Verdict, ...]

    def as_json(self) -> dict[str, Any]:
        """Return where things are and the main figures."""
        return {
            "schema": "voidmap/demo/1",
            "job": str(self.folder),
            "sheet": str(self.sheet),
            "void_count": self.intake.totals.void_count,
            "volume_ml": self.intake.totals.volume_ml,
            "volume_interval_ml": list(self.intake.totals.volume_interval_ml),
            "mix_ml": self.plan.mix_ml,
            "batches": len(self.plan.batches),
            "counts": [coat.count for coat in self.coats],
            "decisions": [verdict.decision for verdict in self.verdicts],
        }


def run_demo(out: Path | None, step: Callable[[str], None]) -> Demo:
    """Run the whole job on the demo photos.

    Parameters
    ----------
    out
        A new folder for the job; without one, the first free of voidmap-demo, voidmap-demo-2, ...
    step
        Called with each step's name when it begins.

    Raises
    ------
    InputError
        When the demo photos are not there.
    JobError
        When ``out`` holds something already.
    """
    from voidmap.job.coat import CoatOptions, inspect
    from voidmap.job.fill import plan_fill
    from voidmap.job.intake import IntakeOptions, take_in
    from voidmap.job.sheet import write_sheet
    from voidmap.job.verdict import decide

    folder = _new_folder(out)
    step(STEPS[0])
    photos = _photos("desk-[abc].jpg")
    record = take_in(folder, photos, IntakeOptions(thickness_mm=SLAB_THICKNESS_MM), lambda _: None)
    step(STEPS[1])
    plan = plan_fill(folder)
    coats, verdicts = [], []
    for number, photo in enumerate(_photos("coat-[123].jpg"), start=1):
        step(f"coat {number}")
        coats.append(inspect(folder, [photo], CoatOptions(number=number), lambda _: None))
        verdicts.append(decide(folder))
    step(STEPS[-1])
    sheet = write_sheet(folder)
    return Demo(folder, sheet, record, plan, tuple(coats), tuple(verdicts))


def demo_text(done: Demo) -> str:
    """Return the demo's short summary."""
    from voidmap import shown

    totals = done.intake.totals
    flat = len(done.intake.defects) - totals.void_count
    lines = [
        "An ash reception-desk top with a copper-tinted fill, from three photos:",
        f"  {totals.void_count} voids and {flat} flat {'thing' if flat == 1 else 'things'} (knots, stains)",
        f"  voids hold {shown.volume_with(totals.volume_ml, totals.volume_interval_ml)}",
        f"  mix {shown.volume(done.plan.mix_ml)} in {len(done.plan.batches)} batches",
    ]
    for coat, verdict in zip(done.coats, done.verdicts, strict=True):
        lo, hi = coat.count_interval
        lines.append(
            f"  after coat {coat.number}: {coat.count} pinholes seen, {lo:.0f} to {hi:.0f} are there: "
            f"{verdict.decision.replace('_', ' ')} ({shown.call_right(verdict.confidence)})"
        )
    lines += ["", f"The job sheet to read, correct and hand over: {done.sheet}", f"All results: {done.folder}"]
    return "\n".join(lines)


def _new_folder(out: Path | None) -> Path:
    if out is None:
        tries = (Path(USUAL_NAME if n == 1 else f"{USUAL_NAME}-{n}") for n in range(1, 1000))
        return next(folder for folder in tries if not folder.exists())
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise JobError(f"{out} holds something already", "name a new folder for the demo")
    return out


def _photos(pattern: str) -> list[Path]:
    found = sorted(PHOTOS.glob(pattern))
    if not found:
        raise InputError(
            f"the demo photos are not in {PHOTOS}", "install from the project's folder with pip install -e ."
        )
    return found
