"""What all records share: intervals, points, outlines, kinds."""

from __future__ import annotations

from enum import StrEnum
from typing import Any, NamedTuple


class Interval(NamedTuple):
    """A 95 % interval, in the unit of the value it belongs to."""

    lo: float
    hi: float


Point = tuple[float, float]
Outline = tuple[Point, ...]

RULES: dict[str, Any] = {"use_attribute_docstrings": True, "extra": "forbid"}


class Kind(StrEnum):
    """What a finisher calls the thing."""

    CRACK = "crack"
    KNOT_HOLE = "knot_hole"
    BARK_VOID = "bark_void"
    HOLE = "hole"
    SEAM_GAP = "seam_gap"
    SOUND_KNOT = "sound_knot"
    STAIN = "stain"

    @property
    def is_void(self) -> bool:
        """Whether resin would sink into it."""
        return self not in (Kind.SOUND_KNOT, Kind.STAIN)


SLITS = (Kind.CRACK, Kind.SEAM_GAP)
"""Kinds that are long and narrow."""
