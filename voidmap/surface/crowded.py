"""Many doubtful small things on one slab are its own figure: then each of them is the less likely a void.

A phone that evens out tones place by place, or sharpens much, lifts pores and rings until they look as dark as holes
and checks. In one of them nothing tells; how many are doubtful does. A slab with many worm holes has many that are
sure, and may have some more that are not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from voidmap.model import Region
from voidmap.records import Kind
from voidmap.surface.kinds import bar_of, times_as_likely

# Smaller things (a square centimetre) are counted.
SMALL_MM2 = 100.0
# Doubtful from the first chance on, sure from the second.
DOUBTFUL, SURE = 0.3, 0.9
# So many may be doubtful, and so many more for each that is sure: of 216 photos of simulated slabs 7 have more; of 80
# of them whose tones were evened out place by place (contrast-limited histograms of 8 by 8 tiles, limit 2) 62.
FEW, FOR_EACH_SURE = 4.0, 0.5
# The odds of a small and of a larger thing are divided by this power of how many times as many there are, which makes
# the chances on those 80 photos come true: of the small things with 0.7 and more 449 of 1,900 are voids, of those that
# still have it 192 of 264. Of 1,143 such voids on the 216 it takes 6. (Counted with a model of kinds that had not been
# grown on such photos; the one that has doubts fewer.)
POWER_SMALL, POWER_LARGE = 2.3, 1.0


def less_likely_in_crowds(regions: Sequence[Region]) -> list[Region]:
    """Return regions, less likely to be voids where many small ones are doubtful; what is one no longer is flat.

    Parameters
    ----------
    regions
        All that is told of one slab.
    """
    small = [r.void_probability for r in regions if r.area_mm2 < SMALL_MM2]
    doubtful, sure = sum(DOUBTFUL <= p < SURE for p in small), sum(p >= SURE for p in small)
    times = doubtful / (FEW + FOR_EACH_SURE * sure)
    return list(regions) if times <= 1.0 else [_less_likely(r, times) for r in regions]


def _less_likely(region: Region, times: float) -> Region:
    power = POWER_SMALL if region.area_mm2 < SMALL_MM2 else POWER_LARGE
    chance = times_as_likely(region.void_probability, times**-power)
    kind, chances = region.kind, {str(k): p for k, p in region.kind_chances.items()}
    if kind.is_void and chance < bar_of(region.measures, chances):
        flats = {k: p for k, p in region.kind_chances.items() if not k.is_void}
        kind = max(flats, key=lambda k: flats[k], default=Kind.STAIN)
    return replace(region, kind=kind, void_probability=chance, crowd=times)
