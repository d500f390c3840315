"""Scale: from photos with a reference in view to the plane of the slab's top, in millimetres."""

from voidmap.scale.camera import length_interval_rel, to_mm_draws
from voidmap.scale.given import plane_from_mm_per_px
from voidmap.scale.quality import assess_quality
from voidmap.scale.rectify import footprint_mm, rectify
from voidmap.scale.solve import solve_planes

__all__ = [
    "assess_quality",
    "footprint_mm",
    "length_interval_rel",
    "plane_from_mm_per_px",
    "rectify",
    "solve_planes",
    "to_mm_draws",
]
