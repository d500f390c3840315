"""What follows a live edge all its way is no crack; what leaves it, or follows a sawn edge, may be."""

from __future__ import annotations

import numpy as np
import pytest

from voidmap.model import Region, SlabFound
from voidmap.records import Interval, Kind
from voidmap.surface.rind_lines import without_rind_lines

LENGTH_MM, WIDTH_MM = 400.0, 200.0


def slab() -> SlabFound:
    """A board 400 by 200 mm, its long sides live, its ends sawn, with points every 5 mm."""
    along, across = np.arange(0, LENGTH_MM, 5.0), np.arange(0, WIDTH_MM, 5.0)
    sides = [
        np.column_stack([along, np.zeros_like(along)]),
        np.column_stack([np.full_like(across, LENGTH_MM), across]),
        np.column_stack([LENGTH_MM - along, np.full_like(along, WIDTH_MM)]),
        np.column_stack([np.zeros_like(across), WIDTH_MM - across]),
    ]
    kinds = [kind for side, kind in zip(sides, ("live", "sawn") * 2, strict=True) for _ in side]
    bare = np.ones((4, 4), bool)
    return SlabFound(bare, ~bare, np.vstack(sides), tuple(kinds), 0.1, leaves_frame=False)


def crack(first: tuple[float, float], last: tuple[float, float], kind: Kind = Kind.CRACK) -> Region:
    path = np.linspace(first, last, 60)
    outline = np.vstack([path - 0.5, path[::-1] + 0.5])
    sizes = (50.0, Interval(40.0, 60.0), 80.0, 1.0, 1.0, 160.0)
    return Region(np.ones((2, 2), bool), (0, 0), outline, kind, 0.8, {kind: 0.8}, *sizes, False, 0.0, 0.0, {})


@pytest.mark.parametrize(
    ("region", "stays"),
    [
        (crack((100, 5), (180, 8)), False),
        (crack((100, 5), (180, 30)), True),
        (crack((394, 60), (396, 140)), True),
        (crack((100, 5), (180, 8), Kind.BARK_VOID), True),
    ],
    ids=["along a live edge", "away from it", "along a sawn end", "bark"],
)
def test_a_line_along_a_live_edge_is_no_crack(region: Region, stays: bool) -> None:
    (told,) = without_rind_lines([region], slab())
    assert told.kind is (region.kind if stays else Kind.STAIN)
    assert stays == (told.void_probability > 0.5)
    assert sum(told.kind_chances.values()) == pytest.approx(0.8 if stays else 1.0)
