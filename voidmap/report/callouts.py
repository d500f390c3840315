"""Places for labels above and below the slab, in rows, so that no two meet and nothing hides the wood."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from voidmap.model import Floats
from voidmap.records import Defect, Outline

Placed = tuple[Defect, float, int]


def callouts(
    defects: Sequence[Defect], span_mm: tuple[float, float], *, middle_mm: float, wide_mm: float
) -> tuple[list[Placed], list[Placed]]:
    """Give every defect a label's place above or below the slab, in rows, so that no two labels meet.

    Returns
    -------
    above, below
        (defect, x of the label's middle in mm, row counted away from the slab), in the order of x.
    """
    sides: tuple[list[Defect], list[Defect]] = ([], [])
    for defect in defects:
        sides[0 if _middle(defect.outline_mm)[1] < middle_mm else 1].append(defect)
    return _spread(sides[0], span_mm, wide_mm), _spread(sides[1], span_mm, wide_mm)


def _spread(defects: list[Defect], span: tuple[float, float], wide: float) -> list[Placed]:
    if not defects:
        return []
    ordered = sorted(defects, key=lambda d: float(_middle(d.outline_mm)[0]))
    a_row = max(1, int((span[1] - span[0]) / wide))
    rows = -(-len(ordered) // a_row)
    placed: list[Placed] = []
    for row in range(rows):
        members = ordered[row::rows]
        xs = _apart(np.array([_middle(d.outline_mm)[0] for d in members]), wide, span)
        placed += [(d, float(x), row) for d, x in zip(members, xs, strict=True)]
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


def _middle(outline: Outline) -> Floats:
    points = np.asarray(outline)
    return np.asarray((points.min(axis=0) + points.max(axis=0)) / 2)
