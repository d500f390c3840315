"""Boards that lie otherwise to each other in one photo than in another: one of them was moved between the two."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from voidmap.errors import ScaleError
from voidmap.model import Floats
from voidmap.records import BoardPlace
from voidmap.scale.boards import board_name

MOVED_MM, MOVED_REL = 4.0, 0.005
"""Two boards were moved to each other when their places in two photos, each solved alone, differ by more than this, and
this share of how far they lie apart: one photo of two boards tells a length within 0.3 % (``benchmarks/scale.py``)."""
FLAT_DEG = 0.5
"""That counts where each photo alone has all boards lie flat: what lies on another plane shifts from photo to photo."""


def refuse_moved(files: Sequence[str], places: Sequence[Sequence[BoardPlace]]) -> None:
    """Refuse photos between which a board was moved.

    Parameters
    ----------
    files
        The photos' names.
    places
        Of each photo its boards' places, in a frame of its own.

    Raises
    ------
    ScaleError
        When two photos show two boards otherwise to each other.
    """
    for (first, here), (other, there) in combinations(zip(files, places, strict=True), 2):
        if max((p.tilt_deg for p in (*here, *there)), default=0.0) > FLAT_DEG:
            continue
        for one, two in combinations(sorted({p.number for p in here} & {p.number for p in there}), 2):
            before, after = _apart(here, one, two), _apart(there, one, two)
            away = float(np.hypot(*(after - before)))
            if away > MOVED_MM + MOVED_REL * float(np.hypot(*before)):
                raise ScaleError(
                    f"{board_name(one)} and {board_name(two)} lie {away:.0f} mm otherwise to each other in {other} "
                    f"than in {first}: one of them was moved",
                    "photograph again without moving a board, or leave that photo out",
                )


def _apart(places: Sequence[BoardPlace], one: int, two: int) -> Floats:
    """Return where the second board lies (2,) mm as the first one sees it."""
    base, other = (next(p for p in places if p.number == number) for number in (one, two))
    turn = np.radians(base.angle_deg)
    x, y = other.x_mm - base.x_mm, other.y_mm - base.y_mm
    return np.array([x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)])
