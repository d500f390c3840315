"""The slab's top: its outline, what covers it, its voids and its flat things."""

from voidmap.surface.edge_bays import bay_regions
from voidmap.surface.enlarged import enlarged
from voidmap.surface.grain import grain_direction_deg
from voidmap.surface.outline import find_slab, whole_slab
from voidmap.surface.regions import find_regions
from voidmap.surface.slab import slab_record
from voidmap.surface.uncut import refuse_rescaled
from voidmap.surface.under import hidden_parts

__all__ = [
    "bay_regions",
    "enlarged",
    "find_regions",
    "find_slab",
    "grain_direction_deg",
    "hidden_parts",
    "refuse_rescaled",
    "slab_record",
    "whole_slab",
]
