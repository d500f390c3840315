"""Scale: from photos with a reference in view to the plane of the slab's top, in millimetres."""

from voidmap.scale.camera import length_interval_rel, to_mm_draws
from voidmap.scale.cropped import cropped_notes
from voidmap.scale.faults import beside_notes, plane_notes, refuse_beside
from voidmap.scale.given import plane_from_mm_per_px
from voidmap.scale.lens import lens_for_photo
from voidmap.scale.mosaic import is_long_top, mosaic
from voidmap.scale.points import plane_from_points
from voidmap.scale.quality import assess_quality
from voidmap.scale.rectify import footprint_mm, rectify
from voidmap.scale.solve import solve_planes

__all__ = [
    "assess_quality",
    "beside_notes",
    "cropped_notes",
    "footprint_mm",
    "is_long_top",
    "length_interval_rel",
    "lens_for_photo",
    "mosaic",
    "plane_from_mm_per_px",
    "plane_from_points",
    "plane_notes",
    "rectify",
    "refuse_beside",
    "solve_planes",
    "to_mm_draws",
]
