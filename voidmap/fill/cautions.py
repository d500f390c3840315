"""Cautions that go with a plan; each where it applies.

They defer to the makers' data sheets, local codes and licensed practice. What they rest on: epoxy's reactive
parts sensitise skin, and rubber or latex gloves protect poorly (HSE RR079); wood dust limits (NIOSH REL
1 mg/m³, OSHA PNOR 15 mg/m³ total); the rest is common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Work:
    """What the plan holds that can hurt."""

    resin: bool
    heaviest_cup_g: float
    deepest_pour_mm: float
    coats: bool
    glue: bool
    wax: bool


ALWAYS = "The makers' data sheets, local codes and licensed practice come before this plan."
SKIN = (
    "Skin: uncured resin and hardener can make you allergic for good. Nitrile gloves, changed often (latex and rubber "
    "let it through), eye protection, sleeves; wash with soap and water, never with solvent."
)
AIR = "Air: work with the doors open or an extractor running; no food, no children, no pets until it has cured."
DUST = (
    "Dust: sand cured resin only (green resin's dust still sensitises), with extraction and a fitted P100 or P3 "
    "respirator: fine wood dust harms lungs and nose, and some woods' dust can cause cancer."
)
FIRE = (
    "Fire: hang rags and gloves flat outdoors or keep them in a closed metal can; dust and scrapings are fuel; "
    "extinguisher at hand."
)
FLAME = (
    "Torch or heat gun for bubbles: keep it 6 to 8 in (15 to 20 cm) off and moving, a second a place; never near "
    "solvent, wet alcohol or their rags and cans, never on a dam's tape, and not where the data sheet forbids it."
)


def cautions_for(work: Work) -> tuple[str, ...]:
    """Return the cautions for a plan, the ones for the first task first."""
    said: list[str] = [ALWAYS]
    if work.resin or work.coats:
        said += [SKIN, AIR]
    if work.resin:
        said.append(
            f"Heat: the heaviest cup holds {work.heaviest_cup_g:.0f} g and the deepest lift is "
            f"{work.deepest_pour_mm:.0f} mm; more in one place heats itself. A cup that gets hot or smokes: don't "
            "carry it about or breathe over it; if it can be done safely set it outdoors on bare concrete away from "
            "anything that burns, leave it, and mix afresh. Leftovers go into a flat tray, never into a full cup."
        )
    if work.resin or work.coats:
        said += [FLAME, DUST]
    elif work.glue or work.wax:
        said.append(DUST)
    if work.wax:
        said.append("Wax: the melting iron burns skin and lights solvent; keep both away from wet resin.")
    said.append(FIRE)
    return tuple(said)
