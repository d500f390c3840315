"""Places for labels above and below a picture, in rows, so that no two meet and nothing hides the wood."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from voidmap.model import Floats
from voidmap.records import Defect, Outline, Point

Placed = tuple[Defect, float, int]
Label = tuple[int, float, int]


def callouts(
    defects: Sequence[Defect], span_mm: tuple[float, float], *, middle_mm: float, wide_mm: float
) -> tuple[list[Placed], list[Placed]]:
    """Give every defect a label's place above or below the slab, in rows, so that no two labels meet.

    Returns
    -------
    above, below
        (defect, x of the label's middle in mm, row counted away from the slab), in the order of x.
    """
    places = [middle(d.outline_mm) for d in defects]
    above, below = labels(places, span_mm, middle_mm=middle_mm, wide_mm=wide_mm)
    return [(defects[i], x, row) for i, x, row in above], [(defects[i], x, row) for i, x, row in below]


def labels(
    places_mm: Sequence[Point], span_mm: tuple[float, float], *, middle_mm: float, wide_mm: float
) -> tuple[list[Label], list[Label]]:
    """Like :func:`callouts` for places (x, y) mm: (index, x of the label's middle, row) above and below."""
    sides: tuple[list[int], list[int]] = ([], [])
    for index, place in enumerate(places_mm):
        sides[0 if place[1] < middle_mm else 1].append(index)
    above, below = (_spread(side, places_mm, span_mm, wide_mm) for side in sides)
    return above, below


def _spread(side: list[int], places: Sequence[Point], span: tuple[float, float], wide: float) -> list[Label]:
    if not side:
        return []
    ordered = sorted(side, key=lambda i: places[i][0])
    a_row = max(1, int((span[1] - span[0]) / wide))
    rows = -(-len(ordered) // a_row)
    placed: list[Label] = []
    for row in range(rows):
        members = ordered[row::rows]
        xs = _apart(np.array([places[i][0] for i in members]), wide, span)
        placed += [(i, float(x), row) for i, x in zip(members, xs, strict=True)]
    return sorted(placed, key=lambda p: p[1])


def _apart(wanted: Floats, wide: float, span: tuple[float, float]) -> Floats:
    """Move sorted places as little as possible (least squares) so that they are ``wide`` apart and in the span."""
    steps = np.arange(len(wanted)) * wide
    blocks: list[list[float]] = []
    for value in wanted - steps:
        blocks.append([float(value), 1.0])
        while len(blocks) > 1 and blocks[-2][0] > blocks[-1][0]:
            value2, weight2 = blocks.pop()
            value1, weight1 = blocks.pop()
            weight = weight1 + weight2
            blocks.append([(value1 * weight1 + value2 * weight2) / weight, weight])
    flat = np.concatenate([np.full(int(weight), value) for value, weight in blocks])
    low, high = span[0] + wide / 2, span[1] - wide / 2 - steps[-1]
    return np.asarray(np.clip(flat, low, max(low, high)) + steps)


def middle(outline: Outline) -> Point:
    """Return the middle of an outline's extent."""
    points = np.asarray(outline)
    x, y = (points.min(axis=0) + points.max(axis=0)) / 2
    return float(x), float(y)
