"""The slab's top: its outline, what covers it, its voids and its flat things."""

from voidmap.surface.covered import runs_under
from voidmap.surface.edge_bays import bay_regions
from voidmap.surface.grain import grain_direction_deg
from voidmap.surface.outline import find_slab, whole_slab
from voidmap.surface.regions import find_regions
from voidmap.surface.slab import slab_record

__all__ = ["bay_regions", "find_regions", "find_slab", "grain_direction_deg", "runs_under", "slab_record", "whole_slab"]
