"""The user's own corrections: kept apart from what was measured, tied to places on the slab.

``intake.json`` is ``measured.json`` with ``corrections.json`` applied. A correction names a place on the
slab (not a number of a defect), together with the slab's outline as it was measured then; on a new intake of
the same slab the old outline is laid onto the new one and the correction goes along. One that finds no place
any more is reported and kept. A coat's count is kept in the same way: ``coat-N.json`` is
``measured-coat-N.json`` with the user's marks on it.
"""

from voidmap.corrections.apply import Applied, apply, apply_all
from voidmap.corrections.coats import apply_to_coat
from voidmap.corrections.keep import carry_over, load, merged, save
from voidmap.corrections.nouns import Action, Correction, Corrections, Group, from_json, to_json
from voidmap.corrections.place import place_in
from voidmap.corrections.say import about_defect, lint_at_site, thickness_of

__all__ = [
    "Action",
    "Applied",
    "Correction",
    "Corrections",
    "Group",
    "about_defect",
    "apply",
    "apply_all",
    "apply_to_coat",
    "carry_over",
    "from_json",
    "lint_at_site",
    "load",
    "merged",
    "place_in",
    "save",
    "thickness_of",
    "to_json",
]
