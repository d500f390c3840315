"""Take out what a flat thing explains: one within it that runs together with the figure, or one around it."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from voidmap.surface.candidates import Looked
from voidmap.surface.contour import border_of
from voidmap.surface.features import Candidate
from voidmap.surface.kinds import Judgement
from voidmap.surface.merge import Judged
from voidmap.surface.nested import WITHIN, shared

# A patch stands out, and looks like a void, because of a thing within it that fills this share of it ...
MOST_PART = 0.5
# ... and is a void itself with this chance at most. Of the patches called voids on 97 simulated slabs this takes out 17
# of 71 false ones (1,800 mm² each) and none of 415 true ones; on 40 photos of another renderer 5 of 16, and 0 of 205.
# At 0.3 it takes out 3 more of the former, and a knot hole that lies in a ring of dark wood is near to going.
SURELY_FLAT = 0.2
# A spot on a dark knot or stain is dark, and looks like a void, because the knot is: it is a void of its own only where
# it is darker still, by this natural log against the middle of what lies around it; a line, which blur lifts, by less.
# What is around it is another rim of it when not this many times larger, and what is likelier a void than this may well
# be one. Of the false calls on 60 simulated slabs this takes out 33 of 73, and 2 of 430 voids found with them. A dot is
# measured against what lies right around it: where its own rim is the steeper, the fainter thing (the stain of the
# fungus that comes with a beetle) does not make it dark. Of 25 dots on 92 photos of simulated slabs that this would
# take out, 10 of the 11 with steeper rims are voids, and 4 of the 14 others are small cracks in dark knots.
DARKER, LINE_DARKER, PART_OF, FLAT = 0.4, 0.2, 3.0, 0.4
# What a stain or knot shows of lines are its own bands, wider than this: of 54 called lines on 228 photos of simulated
# slabs that this would take out, 6 of the 7 finer ones are cracks in faintly darker wood, and 8 of the 47 wider ones.
FINE_MM = 1.6
# Paper and tape are cut straight: what is so wide (mm), brighter than the wood and nearly convex (its area against its
# hull's), and whose hull fills its smallest rectangle, or four of its corners the hull, to this share, is a sheet. A
# torn rim is not convex, and an ellipse fills pi / 4 of its rectangle and 2 / pi of itself with four corners. Of 161
# bright patches on 92 photos of simulated slabs no true void is more convex than 0.885, or fills more than 0.82. (From
# 0.92 down to 0.9 one strip of tape of 100 other photos is told, whose patch had leaked, and nothing else differs.)
CONVEX, STRAIGHT, PAPER_MM = 0.9, 0.85, 8.0
# Corners are looked for by steps of this share of the hull's length.
CORNER_STEP = 0.01
# A patch with such a sheet in it is two things from this share on: a candidate of its own, or in the picture what is so
# much brighter than the wood (natural log) once flecks of less than so many px are gone. Of 50 patches called voids on
# 92 photos of simulated slabs whose bright part is 8 mm wide, all 27 with a sheet of this share in them are none.
SHEET_PART, BRIGHT, FLECK_PX = 0.25, 0.1, 5


def without_explained(judged: Sequence[Judged], mm_per_px: float, looked: Looked | None = None) -> list[Judged]:
    """Return the candidates without the called voids that a flat thing explains, or that are or hold sheets.

    What is taken out is nothing of its own: the flat thing stays, and so does a void beside it. What is on a sheet is
    print. Sheets that are no candidates are looked for in the picture, when it is given.
    """
    judged = _without_parts_of_flat(judged)
    patches = [(c, j) for c, j in judged if c.source == "patch"]
    sheets = [c for c, _ in patches if _is_sheet(c, mm_per_px)]
    hulls = [cv2.convexHull(c.cover.outline_px.astype(np.float32)) for c in sheets]
    flat = [c for c, j in patches if j.void_probability <= SURELY_FLAT and not any(c is sheet for sheet in sheets)]
    parts = [*((c, SHEET_PART) for c in sheets), *((c, MOST_PART) for c in flat)]

    def explained(found: Candidate, judgement: Judgement) -> bool:
        # What is on paper is print.
        if any(c is not found and _on_sheet(found, hull) for c, hull in zip(sheets, hulls, strict=True)):
            return True
        if found.source != "patch" or not judgement.is_void:
            return False
        area = found.cover.area_px
        held = any(
            least * area <= part.cover.area_px < area and shared(part.cover, found.cover) > WITHIN
            for part, least in parts
        )
        return held or any(found is sheet for sheet in sheets) or (looked is not None and _holds_sheet(found, looked))

    return [(c, j) for c, j in judged if not explained(c, j)]


def _without_parts_of_flat(judged: Sequence[Judged]) -> list[Judged]:
    """Return the candidates without the called voids that are hardly darker than a flat thing that they lie on."""
    flat = [c for c, j in judged if c.source == "patch" and j.void_probability < FLAT]
    corners = np.array([_box(c) for c in flat]).reshape(-1, 4)
    area, dark, step = np.array([(c.cover.area_px, _dark(c), c.features["step"]) for c in flat]).reshape(-1, 3).T

    def is_part(found: Candidate, judgement: Judgement) -> bool:
        if not judgement.is_void or _is_fine(found):
            return False
        left, top, right, bottom = _box(found)
        meets = (corners[:, 0] < right) & (corners[:, 2] > left) & (corners[:, 1] < bottom) & (corners[:, 3] > top)
        darker = LINE_DARKER if found.source == "line" else DARKER
        meets &= (area >= PART_OF * found.cover.area_px) & (dark - _dark(found) < darker)
        if found.source == "dot":
            meets &= step >= found.features["step"]
        return any(shared(found.cover, flat[k].cover) > WITHIN for k in np.flatnonzero(meets))

    return [(c, j) for c, j in judged if not is_part(c, j)]


def _is_fine(found: Candidate) -> bool:
    """Tell whether a line is so narrow (its mean width) that it is no band of a stain."""
    return found.source == "line" and found.features["log_area"] - found.features["log_length"] < np.log(FINE_MM)


def _dark(found: Candidate) -> float:
    return found.features["dark_middle"]


def _box(found: Candidate) -> tuple[int, int, int, int]:
    (left, top), (height, width) = found.cover.corner, found.cover.mask.shape
    return left, top, left + width, top + height


def _is_sheet(found: Candidate, mm_per_px: float) -> bool:
    """Tell whether a patch is a sheet of paper or a strip of tape by its straight sides and its brightness."""
    return found.features["dark_middle"] > 0.0 and _cut_straight(found.cover.outline_px, mm_per_px)


def _on_sheet(found: Candidate, hull: np.ndarray) -> bool:
    """Tell whether a thing lies within a sheet's hull (N, 1, 2) px: print that reaches the rim bites into it."""
    own = found.cover.mask
    inside = np.zeros(own.shape, np.uint8)
    cv2.fillConvexPoly(inside, np.rint(hull - found.cover.corner).astype(np.int32), 1)
    return bool((inside[own] > 0).mean() > WITHIN)


def _holds_sheet(found: Candidate, looked: Looked) -> bool:
    """Tell whether a good part of a patch is a sheet in the picture."""
    evened = looked.evened
    x, y = (found.cover.corner[i] - looked.corner[i] for i in (0, 1))
    own = found.cover.mask[max(0, -y) :, max(0, -x) :]
    box = (slice(max(0, y), max(0, y) + own.shape[0]), slice(max(0, x), max(0, x) + own.shape[1]))
    bright = (evened.dark[box] > BRIGHT) & evened.seen[box]
    bright &= own[: bright.shape[0], : bright.shape[1]]
    least = SHEET_PART * found.cover.area_px
    if np.count_nonzero(bright) < least:
        return False
    solid = cv2.morphologyEx(bright.view(np.uint8), cv2.MORPH_OPEN, np.ones((FLECK_PX, FLECK_PX), np.uint8))
    _, labels, stats, _ = cv2.connectedComponentsWithStats(solid, ltype=cv2.CV_32S)
    sizes = stats[1:, cv2.CC_STAT_AREA]
    if not len(sizes) or sizes.max() < least:
        return False
    sheet = labels == 1 + int(sizes.argmax())
    # The wood's colour around the middle of a wide sheet is the sheet's own: what of it reads as wood belongs to it.
    within = np.zeros(sheet.shape, np.uint8)
    cv2.fillConvexPoly(within, np.rint(cv2.convexHull(border_of(sheet.view(np.uint8)))).astype(np.int32), 1)
    plain = (evened.dark[box] > -BRIGHT) & own[: bright.shape[0], : bright.shape[1]]
    sheet |= within.view(np.bool_) & plain
    return _cut_straight(border_of(sheet.view(np.uint8)), evened.mm_per_px)


def _cut_straight(outline_px: np.ndarray, mm_per_px: float) -> bool:
    """Tell whether what an outline (N, 2) px encloses is as wide as paper and has straight sides."""
    outline = np.asarray(outline_px, dtype=np.float32)
    hull = cv2.convexHull(outline)
    size, sides = cv2.contourArea(hull), np.array(cv2.minAreaRect(hull)[1])
    if sides.min() * mm_per_px < PAPER_MM or cv2.contourArea(outline) < CONVEX * size:
        return False
    return bool(size >= STRAIGHT * sides.prod() or _four_corners(hull) >= STRAIGHT * size)


def _four_corners(hull: np.ndarray) -> float:
    """Return the area of the four corners (or three) that tell most of a hull."""
    length, off = cv2.arcLength(hull, True), 0.0
    while len(hull) > 4:
        off += CORNER_STEP
        hull = cv2.approxPolyDP(hull, off * length, True)
    return float(cv2.contourArea(hull))
