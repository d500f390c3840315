"""What a thing's form alone says of its kind."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from voidmap.records import SLITS, Kind
from voidmap.surface.features import Candidate
from voidmap.surface.kinds import FLAT_SLENDER, Judgement
from voidmap.surface.lines import LEAST_LENGTH_MM, WIDEST_MM

# A thing less slender than this (length squared over area; a disc has 1.3) is no crack.
COMPACT = 4.0
# No beetle's or worm's hole is wider than this (common practice, no source): what is larger than such a disc is a
# knot's hole or a bark void.
WIDEST_HOLE_MM = 12.0
# A knot's hole and a bark void are at least a disc 4 mm across (common practice, no source): a twig's hole that is as
# small as a beetle's is told from it by nothing, and is filled alike. Of 135 knots' holes on 100 simulated slabs 2 %
# are smaller, of 354 worms' holes 95 %. Nor are they slits: along them they are wider than this in the mean.
LEAST_KNOT_HOLE_MM2, WIDEST_SLIT_MM = np.pi / 4 * 4.0**2, 2.0
# A branch crosses the grain; what soaks into wood, grows or splits in it goes along the grain (common practice, no
# source). A compact thing that reaches this many times as far across the grain as along it is a knot, or its hole: on
# 40 simulated slabs, whose knots all lie along the grain, none of 110 cracks and of 25 stains does.
ACROSS = 1.3
# A sawn end crosses the grain too: what has more than this share of its surroundings beyond the slab's edge (or under a
# sheet) lies along it. (The knots of 15 real boards have up to .19, pieces of shade along sawn ends from .31 on.)
BESIDE_EDGE = 0.25


def by_form(found: Candidate, judgement: Judgement) -> Judgement:
    """Return a judgement in which nothing is larger or smaller than its kind, and no crack compact and short (a hole).

    What lies across the grain as only a branch does is a knot or its hole. The chance of a kind that is never of that
    size goes to the other voids, each in its share.
    """
    length, area = (float(np.exp(found.features[name])) for name in ("log_length", "log_area"))
    other: tuple[Kind, ...] = SLITS if area > WIDEST_MM * length else ()
    other += (Kind.HOLE,) if area > np.pi / 4 * WIDEST_HOLE_MM**2 else ()
    small = area < max(LEAST_KNOT_HOLE_MM2, WIDEST_SLIT_MM * length)
    other += (Kind.KNOT_HOLE, Kind.BARK_VOID) if small else ()
    formed = _without(judgement, other)
    if lies_across(found.features):
        if formed.kind is Kind.STAIN:
            return _named(formed, Kind.SOUND_KNOT)
        if formed.kind is Kind.CRACK and _drawn_mm2(found) > max(LEAST_KNOT_HOLE_MM2, WIDEST_SLIT_MM * length):
            return _named(formed, Kind.KNOT_HOLE)
    if formed.kind in SLITS and length < LEAST_LENGTH_MM and found.features["log_slender"] < np.log(COMPACT):
        return replace(formed, kind=Kind.HOLE)
    return formed


def lies_across(figures: Mapping[str, float]) -> bool:
    """Tell whether a compact thing amid the wood reaches farther across the grain than along it, as a branch does."""
    turn, major = math.radians(figures["off_grain"]), math.exp(figures["log_axes"])
    along = math.hypot(major * math.cos(turn), math.sin(turn))
    across = math.hypot(major * math.sin(turn), math.cos(turn))
    compact, free = figures["log_slender"] < math.log(FLAT_SLENDER), figures["at_border"] < BESIDE_EDGE
    return compact and free and across > ACROSS * along


def _drawn_mm2(found: Candidate) -> float:
    """Return a thing's area as it is drawn in the end; its figures are those that it was judged by."""
    return float(np.exp(found.features["log_area"] - found.features["log_area_px"]) * found.cover.area_px)


def _named(judgement: Judgement, kind: Kind) -> Judgement:
    """Give a thing another kind, and the chance of the kind that it had."""
    assert judgement.kind is not None, "what is nothing has no name"
    chances = dict(judgement.kind_chances)
    chances[kind] = chances.get(kind, 0.0) + chances[judgement.kind]
    chances[judgement.kind] = 0.0
    return replace(judgement, kind=kind, kind_chances=chances)


def _without(judgement: Judgement, never: tuple[Kind, ...]) -> Judgement:
    """Give the chances of kinds that are never of that size to the other voids."""
    chances = dict(judgement.kind_chances)
    others = {kind: p for kind, p in chances.items() if kind.is_void and kind not in never}
    total = sum(others.values())
    if not never or total <= 0.0:
        return judgement
    more = 1.0 + sum(chances.get(kind, 0.0) for kind in never) / total
    chances |= {kind: p * more for kind, p in others.items()} | dict.fromkeys(never, 0.0)
    kind = max(others, key=lambda kind: others[kind]) if judgement.kind in never else judgement.kind
    return replace(judgement, kind=kind, kind_chances=chances)
