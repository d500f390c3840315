"""Voids with more of their floor than their looks show: measured anew, joined where they turn out to be one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from voidmap.model import Ortho, Plane, Region
from voidmap.records import Kind
from voidmap.surface.measure import (
    RIM_OFF_MM,
    area_interval,
    area_scale_rel,
    greatest_width_px,
    rim_length,
    size_intervals,
    spine_length_px,
)
from voidmap.surface.mosaic import Bools
from voidmap.surface.nested import shared
from voidmap.surface.odd import disc
from voidmap.surface.rim import Cover, cover_of

# What lies within an enlarged void by more than this share is a part of it.
PART_SHARE = 0.5
# Voids whose floors may be one.
OPEN = (Kind.BARK_VOID, Kind.KNOT_HOLE)
# The rim is smoothed by this (px, 1 sigma), and gaps up to twice the second (px) between a void and its piece closed.
SMOOTH_PX, GAP_PX = 1.0, 3


@dataclass(frozen=True, eq=False)
class Piece:
    """A piece of a void's floor: ``mask`` (h, w) bool on the Ortho, whose first pixel is (column, row) = ``corner``."""

    mask: Bools
    corner: tuple[int, int]


def enlarged(
    regions: Sequence[Region], pieces: Sequence[Piece | None], ortho: Ortho, plane: Plane | None = None
) -> tuple[Region, ...]:
    """Return the regions, voids with the pieces of floor that belong to them.

    Parameters
    ----------
    regions
        Found in ``ortho``.
    pieces
        One a region: more of its floor, or None.
    ortho
        The slab's top seen square-on.
    plane
        The plane that the picture was made with; ``None`` leaves the scale without doubt.

    Returns
    -------
    tuple of Region
        The same ones where no void has a piece. Voids with an open floor that share a piece are one, of the largest's
        kind; what is now a part of a larger void is left out.
    """
    groups = _groups(regions, pieces)
    whole = [_whole([regions[k] for k in group], [pieces[k] for k in group], ortho, plane) for group in groups]
    rest = [r for r in regions if not any(shared(r, w) > PART_SHARE for w in whole)]
    return tuple(sorted([*rest, *whole], key=lambda r: -r.area_mm2)) if whole else tuple(regions)


def _groups(regions: Sequence[Region], pieces: Sequence[Piece | None]) -> list[list[int]]:
    """Group the regions that pieces make one, largest first; regions without a part in any piece are in none."""
    group = list(range(len(regions)))
    touched = set()
    for k, piece in enumerate(pieces):
        if piece is None:
            continue
        touched.add(k)
        for other, region in enumerate(regions):
            if region.kind in OPEN and not region.beside_edge and shared(piece, region) > 0.0:
                touched.add(other)
                old, new = group[other], group[k]
                group = [new if g == old else g for g in group]
    by_area = sorted(touched, key=lambda k: -regions[k].area_mm2)
    return [[k for k in by_area if group[k] == g] for g in dict.fromkeys(group[k] for k in by_area)]


def _whole(regions: Sequence[Region], pieces: Sequence[Piece | None], ortho: Ortho, plane: Plane | None) -> Region:
    """Join regions and their pieces to one void, of the first region's kind."""
    first, mm = regions[0], ortho.mm_per_px
    cover = _joined(first, [*regions[1:], *(piece for piece in pieces if piece is not None)])
    if cover is None:
        return first
    outline = ortho.to_mm(cover.outline_px)
    scale = float(area_scale_rel(plane, outline.mean(axis=0, keepdims=True))[0])
    area, rim = cover.area_px * mm * mm, rim_length(outline, 3.0 * mm)
    length = spine_length_px(cover.mask) * mm
    widest = max(greatest_width_px(cover.mask) * mm, area / length)
    return replace(
        first,
        mask=cover.mask,
        corner=cover.corner,
        outline_mm=outline,
        area_mm2=area,
        area_interval_mm2=area_interval(area, rim, RIM_OFF_MM[first.kind], scale),
        length_mm=length,
        width_mean_mm=area / length,
        width_max_mm=widest,
        rim_mm=rim,
        opens_on_edge=any(r.opens_on_edge for r in regions),
        edge_opening_mm=sum(r.edge_opening_mm for r in regions),
        through_probability=max(r.through_probability for r in regions),
        size_intervals_mm=size_intervals(first.kind, length, area / length, widest, scale),
    )


def _joined(first: Region, others: Sequence[Piece | Region]) -> Cover | None:
    """Draw the rim around a void and what hangs together with it, the gaps between closed."""
    frame, parts = 2 * GAP_PX, [first, *others]
    left, top = (min(part.corner[k] for part in parts) - frame for k in (0, 1))
    right, bottom = (max(part.corner[k] + part.mask.shape[1 - k] for part in parts) + frame for k in (0, 1))
    drawn = np.zeros((bottom - top, right - left), np.uint8)
    own = np.zeros(drawn.shape, np.bool_)
    for part in parts:
        (x, y), (rows, columns) = part.corner, part.mask.shape
        drawn[y - top : y - top + rows, x - left : x - left + columns][part.mask] = 1
        if part is first:
            own[:] = drawn > 0
    closed = cv2.morphologyEx(drawn, cv2.MORPH_CLOSE, disc(frame + 1))
    share = np.asarray(cv2.GaussianBlur(closed.astype(np.float32), (0, 0), SMOOTH_PX), np.float32)
    return cover_of(share, (left, top), own)
