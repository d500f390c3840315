"""Tell a void from the wood around it: a patch that is a void and wood gives way to the void alone.

A patch's border may run far out from the void in it, along rings, around a whole field of wood, or around the knot that
a hole is in. A void is dark in many places, however the light falls on its floor; wood around a void is dark in none.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from voidmap.records import SLITS
from voidmap.surface.candidates import Looked
from voidmap.surface.features import Candidate
from voidmap.surface.kinds import FADING_DARK, Judgement
from voidmap.surface.merge import Judged
from voidmap.surface.mosaic import Bools
from voidmap.surface.nested import WITHIN, shared
from voidmap.surface.odd import disc
from voidmap.surface.rim import Cover

# Nine tenths of what is left of a patch around a dark void in it are less than half as far from the sound wood (natural
# log of brightness, darker or lighter) as the void's middle: then it is wood, or the knot around a hole. On 252 photos
# of 92 simulated slabs this takes out 61 patches for a void in them that fits better by more than 0.1 (intersection
# over union), 6 as good or on no void, and none that fits better itself (at 0.55 of the distance 76, 11 and 5).
AS_FAR, MOST = 0.5, 0.9
# A void's blurred rim and its wall, so wide, are left out of that.
WALL_MM = 1.0
# What is left is looked at when it makes this share of the patch; with less they are two rims of one void. A void that
# is a smaller share of it than the second may be a shade in its floor.
LEAST_LEFT, LEAST_CORE = 0.2, 0.08
# A patch may be a void's plain surroundings whatever the void's share of it and its kind when the void is so many times
# as surely one (odds). Then less tells: a floor in its own shades is nearly as plain as wood about its darkest spot.
# What is left of it lies within this of the sound wood (natural log). All 4 patches that go by that on 156 simulated
# slabs are fields of wood around cracks; with half the void's darkness here too a lit void would go for a pit in it.
MUCH_SURER, PLAIN = 5.0, 0.35


def without_surroundings(looked: Looked, judged: Sequence[Judged]) -> list[Judged]:
    """Return what was judged without the patches that are a void, at least as surely one, and wood around it."""
    voids = [(c, j) for c, j in judged if j.is_void]
    cores = [(c, j) for c, j in voids if c.features["dark_middle"] < -FADING_DARK]
    patches = [(c, j) for c, j in voids if c.source == "patch"]

    def is_around(whole: Judged, core: Judged) -> bool:
        far = _as_far(whole, core)
        if far is None or shared(core[0].cover, whole[0].cover) <= WITHIN:
            return False
        return _is_wood(_left(whole[0].cover, core[0].cover, looked), whole[0], far, looked)

    around = {id(whole[0]) for whole in patches if any(is_around(whole, core) for core in cores)}
    return [item for item in judged if id(item[0]) not in around]


def _as_far(whole: Judged, core: Judged) -> float | None:
    """Return how far from the sound wood a patch may lie around a void in it; None where it is no such pair."""
    share = core[0].cover.area_px / whole[0].cover.area_px
    far = -AS_FAR * core[0].features["dark_middle"]
    if share >= 1.0 or core[1].void_probability < whole[1].void_probability:
        return None
    # What is thin is faint wherever it is thinner: the darkest part of a crack is not all of it.
    if core[0].source == "patch" and core[1].kind not in SLITS and share > LEAST_CORE:
        return far
    return min(far, PLAIN) if _much_surer(core[1], whole[1]) else None


def _much_surer(core: Judgement, whole: Judgement) -> bool:
    own, other = core.void_probability, whole.void_probability
    return own * (1.0 - other) >= MUCH_SURER * other * (1.0 - own)


def _left(whole: Cover, core: Cover, looked: Looked) -> Bools:
    """Return what a patch leaves around another's wall, on the patch's box."""
    reach = max(1, round(WALL_MM / looked.evened.mm_per_px))
    wall = cv2.dilate(np.pad(core.mask, reach).view(np.uint8), disc(2 * reach + 1)).view(np.bool_)
    left = whole.mask.copy()
    x, y = (core.corner[i] - reach - whole.corner[i] for i in (0, 1))
    part = left[max(0, y) : max(0, y + wall.shape[0]), max(0, x) : max(0, x + wall.shape[1])]
    part &= ~wall[max(0, -y) :, max(0, -x) :][: part.shape[0], : part.shape[1]]
    return left


def _is_wood(left: Bools, whole: Candidate, far: float, looked: Looked) -> bool:
    """Tell whether what is left of a patch lies no farther than ``far`` from the sound wood nearly everywhere."""
    if np.count_nonzero(left) < LEAST_LEFT * whole.cover.area_px:
        return False
    x, y = (whole.cover.corner[i] - looked.corner[i] for i in (0, 1))
    dark = looked.evened.dark[max(0, y) : y + left.shape[0], max(0, x) : x + left.shape[1]]
    values = dark[left[max(0, -y) :, max(0, -x) :][: dark.shape[0], : dark.shape[1]]]
    near = cv2.inRange(values, -far, far)
    return bool(cv2.countNonZero(near) > MOST * len(values))
