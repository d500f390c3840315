"""Lines that follow a live edge all their way: the seam of bark and wood, seen on the top.

A crack runs along the grain or across it from the pith outward, and where the stem's own edge bends it runs on. What
keeps to within a finger's width of a live edge over its whole length is the edge's own figure: bark, the dark line of
the last ring, a step in the rind.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from voidmap.model import Region, SlabFound
from voidmap.records import SLITS, Kind

# So much of a line's outline lies this near to the slab's outline, and so much of what is nearest is a live edge.
NEAR_MM, MOSTLY = 11.0, 0.9
# Of 10 cracks and seams called on 80 photos of simulated slabs that do, one is one.
CHANCE = 0.1


def without_rind_lines(regions: Sequence[Region], slab: SlabFound) -> list[Region]:
    """Return the regions, cracks that follow a live edge all their way as the flat things that they are."""
    live = np.array([kind == "live" for kind in slab.edge_kinds])
    if not live.any():
        return list(regions)
    from scipy.spatial import cKDTree

    edge = cKDTree(slab.outline_mm)

    def follows(region: Region) -> bool:
        if region.kind not in SLITS:
            return False
        away, nearest = edge.query(region.outline_mm)
        return bool(np.quantile(away, MOSTLY) < NEAR_MM and live[nearest].mean() > MOSTLY)

    return [_flat(region) if follows(region) else region for region in regions]


def _flat(region: Region) -> Region:
    chances = dict.fromkeys(region.kind_chances, 0.0) | {region.kind: CHANCE, Kind.STAIN: 1.0 - CHANCE}
    return replace(region, kind=Kind.STAIN, void_probability=CHANCE, kind_chances=chances)
