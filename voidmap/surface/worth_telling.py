"""What of the things found is told: what asks for something at the bench, and is neither the slab's edge nor tape."""

from __future__ import annotations

import numpy as np

from voidmap.model import Region
from voidmap.records import SLITS, Kind
from voidmap.surface.kinds import FLAT_SIGMAS

# A flat fleck smaller than this (a square of 3.5 mm) asks for nothing at the bench: it is not reported, nor is a stain
# that is smaller than the second (8 mm across) and a void with less than the third (of those told on 133 simulated
# slabs one in six lay on a true stain, of which the least has 131 mm²), ...
LEAST_TOLD_MM2, LEAST_STAIN_MM2, STAIN_MAY_BE_VOID = 12.0, 50.0, 0.05
# ... unless it is so likely a void all the same (of such, half are one: 97 simulated slabs) and not smaller than this:
# it is worth a look, and photos from other places may tell.
MAY_BE_VOID, LEAST_DOUBT_MM2 = 0.3, 4.0
# A flat thing so much bluer than the wood, and so much less red (natural logs, as the figures of that name), is tape or
# paint: of 6,295 stains and 3,171 sound knots on 190 simulated slabs, whatever a camera has made of them, the bluest
# stain has .31 and the least red one -.24, and of the knots all but one in a thousand less than .3. Unless it may be a
# void with this chance: through a hole the tape below is seen.
TAPE_BLUE, TAPE_RED, TAPE_SEEN_THROUGH = 0.35, -0.25, 0.1
# A hole smaller than this (0.8 mm across) is a pore or a resin canal: the seal coat closes it or shows it as a pinhole.
LEAST_HOLE_MM2 = 0.5
# A crack shorter than this is a streak of pores: of 33 called cracks from 3.4 to 5.9 mm long on 164 photos of simulated
# slabs one is none, on 68 photos of other renderers 21 of 21 from 2 to 4.4 mm.
LEAST_SLIT_MM = 4.5
# A line narrower on average than this (paper) is a row of pores in which hardly any light is missing: of the lines
# called cracks on 75 photos (from 0.2 to 0.7 mm a pixel) 269 of 270 true ones are wider than 0.24 mm, and 4 of 33 false
# ones narrower than 0.08 mm.
LEAST_WIDTH_MM = 0.1
# A crack or an open seam has wood on both sides: what follows the outline over more than this share of its length is
# the slab's own edge (three such "seams" on 15 real boards are none; of 97 simulated slabs no crack comes near it).
BESIDE_EDGE_SHARE = 0.8


def worth_telling(region: Region) -> bool:
    """Tell whether a thing asks for anything at the bench, and is neither the slab's own edge nor tape on it."""
    if not region.kind.is_void:
        if _is_tape(region):
            return False
        if region.void_probability >= MAY_BE_VOID:
            return region.area_mm2 >= LEAST_DOUBT_MM2
        stands_out = region.measures.get("odd", np.inf) > np.log1p(FLAT_SIGMAS)
        return region.area_mm2 >= _least_told_mm2(region) and bool(stands_out)
    if region.kind in SLITS:
        told = region.length_mm >= LEAST_SLIT_MM and region.area_mm2 >= LEAST_WIDTH_MM * region.length_mm
        return told and region.edge_opening_mm <= BESIDE_EDGE_SHARE * region.length_mm
    return region.area_mm2 >= LEAST_HOLE_MM2


def _least_told_mm2(region: Region) -> float:
    """Return from what area a flat thing that is hardly a void is reported."""
    mere_stain = region.kind is Kind.STAIN and region.void_probability < STAIN_MAY_BE_VOID
    return LEAST_STAIN_MM2 if mere_stain else LEAST_TOLD_MM2


def _is_tape(region: Region) -> bool:
    """Tell whether a flat thing has a colour that is no wood's."""
    blue, red = (region.measures.get(name, 0.0) for name in ("blue", "red"))
    return region.void_probability < TAPE_SEEN_THROUGH and blue > TAPE_BLUE and red < TAPE_RED
