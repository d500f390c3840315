"""What a thing's form alone says of its kind."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from voidmap.records import Kind
from voidmap.surface.features import Candidate
from voidmap.surface.kinds import Judgement
from voidmap.surface.lines import LEAST_LENGTH_MM, WIDEST_MM

# A thing less slender than this (length squared over area; a disc has 1.3) is no crack.
COMPACT = 4.0
_SLITS = (Kind.CRACK, Kind.SEAM_GAP)


def by_form(found: Candidate, judgement: Judgement) -> Judgement:
    """Return a judgement in which no crack is compact and short (it is a hole), or wider than cracks are.

    What is wider in the mean than the widest crack that is measured as one is the likeliest of the other voids.
    """
    if judgement.kind not in _SLITS:
        return judgement
    length, area = (float(np.exp(found.features[name])) for name in ("log_length", "log_area"))
    if length < LEAST_LENGTH_MM and found.features["log_slender"] < np.log(COMPACT):
        return replace(judgement, kind=Kind.HOLE)
    if area > WIDEST_MM * length:
        return _no_slit(judgement)
    return judgement


def _no_slit(judgement: Judgement) -> Judgement:
    """Give the chances of cracks and seams to the other voids, each in its share."""
    chances = dict(judgement.kind_chances)
    others = {kind: p for kind, p in chances.items() if kind.is_void and kind not in _SLITS}
    total = sum(others.values())
    if total <= 0.0:
        return judgement
    more = 1.0 + sum(chances.get(kind, 0.0) for kind in _SLITS) / total
    chances |= {kind: p * more for kind, p in others.items()} | dict.fromkeys(_SLITS, 0.0)
    return replace(judgement, kind=max(others, key=lambda kind: others[kind]), kind_chances=chances)
