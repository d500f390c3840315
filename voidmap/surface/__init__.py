"""The slab's top: its outline, what covers it, its voids and its flat things."""

from voidmap.surface.grain import grain_direction_deg
from voidmap.surface.regions import find_regions

__all__ = ["find_regions", "grain_direction_deg"]
