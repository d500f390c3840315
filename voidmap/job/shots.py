"""The shots stage: a slab, a lens file and a smallest defect become a plan of photos."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from voidmap.errors import JobError, ScaleError, ValueRefused
from voidmap.files import read_json, write_text

if TYPE_CHECKING:
    from voidmap.records import ShotPlan


def plan(slab: str, smallest: str, lens_file: Path, *, aperture: float | None = None, out: Path | None) -> ShotPlan:
    """Plan the photos, and draw the plan into an SVG file when ``out`` is given.

    Raises
    ------
    ValueRefused
        When a size can't be read or can't be right, or ``out`` is no ``.svg``.
    ScaleError
        When the lens file is none.
    """
    from voidmap import units
    from voidmap.records import LensFile
    from voidmap.scale.shots import plan_shots
    from voidmap.schemas import from_json

    if out is not None and out.suffix.lower() != ".svg":
        raise ValueRefused(
            f"the plan is drawn as SVG, and {out.name} is not named so", "give --out a name like plan.svg"
        )
    sides = slab.replace("×", "x").split("x")
    if len(sides) != 2:
        raise ValueRefused(f"the slab size '{slab}' can't be read", "give length x width, as in 3.2mx0.6m")
    length, width = sorted((units.parse_length_mm(side) for side in sides), reverse=True)
    try:
        lens = from_json(LensFile, read_json(lens_file), str(lens_file))
    except JobError as error:
        raise ScaleError(f"{lens_file} is not a lens file", "make one with voidmap lens") from error
    made = plan_shots(length, width, units.parse_length_mm(smallest), lens, aperture=aperture)
    if out is not None:
        write_text(out, made.svg)
    return made


def _shared(plan: ShotPlan) -> str:
    """Say what share of a frame neighbours have in common, along and across."""
    words = [f"{plan.overlap:.0%} along"] if plan.columns > 1 else []
    if plan.rows > 1:
        step = plan.shots[plan.columns].y_mm - plan.shots[0].y_mm
        words.append(f"{1 - step / plan.frame_mm[1]:.0%} across")
    return f"; neighbours share {' and '.join(words)}" if words else ""


def shots_text(plan: ShotPlan) -> str:
    """Return the plan as a short table."""
    lines = [
        f"Hold the lens {plan.height_mm:.0f} mm above the top ({plan.mm_per_px:.3f} mm in a pixel, three pixels across "
        f"{plan.smallest_mm:g} mm).",
        f"{len(plan.shots)} photo{'s' if len(plan.shots) > 1 else ''}: {plan.columns} along, {plan.rows} across; a "
        f"frame shows {plan.frame_mm[0]:.0f} mm along and {plan.frame_mm[1]:.0f} mm across{_shared(plan)}.",
    ]
    if plan.depth_of_field_mm:
        near, far = plan.depth_of_field_mm
        lines.append(f"Sharp from {near:.0f} to {far:.0f} mm from the lens.")
    lines.append("photo  middle x mm  middle y mm  boards in view")
    lines += [f"{s.number:5d}  {s.x_mm:11.0f}  {s.y_mm:11.0f}  {' '.join(s.boards) or '-'}" for s in plan.shots]
    lines.append("board  corner x mm  corner y mm")
    lines += [f"{chr(ord('A') + b.number):>5s}  {b.x_mm:11.0f}  {b.y_mm:11.0f}" for b in plan.boards]
    return "\n".join([*lines, *plan.notes])
