"""Make corrections from what a user says of a defect by its number."""

from __future__ import annotations

from typing import Any

from voidmap.corrections.nouns import Action, Correction
from voidmap.corrections.place import place_in
from voidmap.errors import ValueRefused
from voidmap.records import CoatRecord, Intake


def about_defect(intake: Intake, defect_id: str, action: Action, **values: Any) -> Correction:
    """Return a correction of one defect, tied to its place on the slab.

    Parameters
    ----------
    intake
        The intake that the user looks at (``intake.json``, corrections applied).
    defect_id
        The defect's id in it; capitals don't matter.
    action, values
        What is corrected, and the fields of :class:`Correction` that it needs.

    Raises
    ------
    ValueRefused
        When the slab has no such defect, or a value can't be right.
    """
    wanted = defect_id.strip().upper()
    for defect in intake.defects:
        if defect.id.upper() == wanted:
            depth = values.get("depth_mm")
            thickness = intake.slab.thickness_mm
            if depth is not None and thickness is not None and depth > thickness * 1.02:
                raise ValueRefused(
                    f"{defect.id} can't be {depth:g} mm deep in a slab {thickness:g} mm thick",
                    "check the reading, or correct the thickness first with --thickness",
                )
            return Correction(action=action, place_mm=place_in(defect), defect=defect.id, **values)
    names = ", ".join(d.id for d in intake.defects[:12]) + (" and more" if len(intake.defects) > 12 else "")
    raise ValueRefused(
        f"there is no defect {defect_id} in this job",
        f"name one of {names}" if names else "the slab has none; run voidmap sheet and draw it",
    )


def lint_at_site(record: CoatRecord, site: str) -> Correction:
    """Return the correction that takes a site's pinhole out of a coat, tied to its place on the slab.

    Raises
    ------
    ValueRefused
        When the coat has no pinhole at that site.
    """
    wanted = site.strip().upper()
    for p in record.pinholes:
        if p.site.upper() == wanted:
            place = (p.x_mm, p.y_mm)
            return Correction(Action.NOT_PINHOLE, place, p.site, coat=record.number, note="lint")
    raise ValueRefused(
        f"coat {record.number} has no pinhole at {site}", "name a site of its list, as in S012, or tap it in the sheet"
    )


def thickness_of(thickness_mm: float) -> Correction:
    """Return the correction that sets the slab's thickness.

    Raises
    ------
    ValueRefused
        When it can't be right.
    """
    return Correction(action=Action.THICKNESS, thickness_mm=thickness_mm)
