"""Find the slab's top in a square-on picture."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from voidmap.errors import CantTell
from voidmap.model import Bay, Floats, Ortho, SlabFound
from voidmap.surface import edges
from voidmap.surface.band import ALONG_MM, Band, clear_of_edges, lay_band
from voidmap.surface.bare_edge import bare_share
from voidmap.surface.bays import bridge_bays
from voidmap.surface.beside import odd_beside
from voidmap.surface.covered import fill_polygons, find_sheets
from voidmap.surface.cut import MOST_BARE, cut_apart, cut_off_strips
from voidmap.surface.measure import Z95
from voidmap.surface.patches import Coarse, break_up
from voidmap.surface.runs_on import Mouth
from voidmap.surface.tongues import TONGUE_HALF_MM, TONGUE_LONG_MM, without_tongues
from voidmap.surface.tops_end import WITHIN_MM, area_doubt_mm2, bench_beyond, disputed_mm2, find_tops_end

Bools = NDArray[np.bool_]
Ints = NDArray[np.intp]
F32 = NDArray[np.float32]
Heights = Callable[[Ortho], F32 | None]

# The top is known to be around a board: a ring this wide around its sheet.
RING_MM = 12.0
# The slab's edge is looked for this far beside a sheet, to be drawn on under it.
BESIDE_MM = 12.0
# Bark and shadow are this much darker (log units) than the darkest twentieth of the wood around the boards.
RIND_DARKER = 0.25
# No more of it is cut away than the band along the outline reaches back over: dark wood there is found again.
RIND_DEEP_MM = 50.0
# The outermost coarse px of a photo, half filled and blurred, are no evidence of an edge.
BORDER_GAP_PX = 4
# A slab that is not seen whole fills at least this share of the photo.
LEAST_FILLED = 0.6
# Where less than the first share of an outline is in view (of a slab that crosses the photo both long edges are: more),
# and more than the second of that shows no edge, the slab may fill the photo: it does when no strip of bench along the
# border is told from the rest, but for corners that smoothing cuts off. Of 39 close views of simulated slabs whose
# outline runs out of the photo and is so bare all of the photo is nearer to the truth in 38.
LEAST_IN_VIEW, FILLING_BARE, ALL_FILLED = 0.5, 0.1, 0.99
# A board's pattern lies on the slab: an outline that leaves out more than this share of it is wrong. Of 94 simulated
# slabs photographed whole none leaves out a thirtieth; of 151 close views nine that did not look bare left out more,
# and eight of them were off by a tenth of the top in view, or nearly so, and more.
MOST_OUTSIDE = 0.1
# Stuffs are told apart in a picture of this many mm per px, but no smaller than this many px.
REDUCED_MM_PER_PX, LEAST_REDUCED_PX = 1.0, 1100
# The outline that they give may be off by this much.
SEARCH_MM = 2.5


def whole_slab(ortho: Ortho) -> SlabFound:
    """Take all that the photo shows as the slab's top (the user said so).

    Parameters
    ----------
    ortho
        The square-on picture.

    Returns
    -------
    SlabFound
        It leaves the frame on every side; no edge is in view.
    """
    outline = edges.contour_px(ortho.valid)
    outline_mm = ortho.to_mm(edges.resample(outline, 10.0))
    return SlabFound(
        mask=ortho.valid,
        covered=np.zeros_like(ortho.valid),
        outline_mm=outline_mm,
        edge_kinds=("cut",) * len(outline_mm),
        edge_blur_mm=0.0,
        leaves_frame=True,
    )


def find_slab(ortho: Ortho, patterns_mm: Sequence[Floats], heights: Heights | None = None) -> SlabFound:
    """Find the slab's top: its outline, what lies on it, and the kinds of its edge.

    Parameters
    ----------
    ortho
        The square-on picture.
    patterns_mm
        Corners (4, 2), mm in the slab frame, of each scale board's pattern. Empty when the picture came
        with its scale: the slab is then looked for in the middle.
    heights
        What tells, in a square-on picture of the same place, by how many nats (h, w) the top is likelier than the
        bench (None: it can't), from other photos.

    Returns
    -------
    SlabFound
        All of the photo where the slab fills it.

    Raises
    ------
    CantTell
        When the slab can't be told from the bench.
    """
    sheets = find_sheets(ortho, patterns_mm)
    small = _reduced(ortho)
    coarse = break_up(small)
    hidden = _fill(coarse, small, sheets)
    ring = _grow(hidden, coarse_px(RING_MM, small, coarse)) if len(sheets) else _middle(coarse)
    known = _fill(coarse, small, patterns_mm) if len(sheets) else ring
    nats = heights(small) if heights is not None else None
    ring, paper = ring & coarse.valid, _grow(hidden, 1)
    rind_deep = coarse_px(RIND_DEEP_MM, small, coarse)
    rough = _rough(coarse, known & coarse.valid, ring, paper, _shrunk(nats, small, coarse), rind_deep)
    beside = coarse_px(BESIDE_MM, small, coarse)
    for sheet in sheets:
        rough = _under_sheet(rough, _fill(coarse, small, [sheet]), known, beside) & coarse.valid
    rough = _up_to_border(rough, coarse.valid)
    half, reach = coarse_px(TONGUE_HALF_MM, small, coarse), coarse_px(TONGUE_LONG_MM, small, coarse)
    rough = without_tongues(rough, coarse.valid, half, reach)
    edge = _settled(small, rough, hidden, nats)
    if nats is None and _fills_rather(small, coarse, edge, _fill(coarse, small, patterns_mm), ring, paper):
        return replace(whole_slab(ortho), covered=fill_polygons(ortho, sheets) & ortho.valid)
    search_px = SEARCH_MM / ortho.mm_per_px
    outline_mm, cut, blur_mm = edges.refine(
        ortho, ortho.to_px(edge.line_mm), search_px=search_px, held=edge.held, sawn=edge.sawn
    )
    mask = fill_polygons(ortho, [outline_mm]) & ortho.valid
    return SlabFound(
        mask=mask,
        covered=fill_polygons(ortho, sheets) & mask,
        outline_mm=outline_mm,
        edge_kinds=edges.kinds_of_edge(outline_mm, cut),
        edge_blur_mm=blur_mm,
        leaves_frame=bool(cut.any()),
        area_doubt_mm2=edge.doubt_mm2,
        bays=edge.bays,
        beside_mm2=edge.beside_mm2,
        mouths_mm=edge.mouths_mm,
    )


def _reduced(ortho: Ortho) -> Ortho:
    """Return the picture reduced to the scale at which stuffs are told apart."""
    height, width = ortho.valid.shape
    shrink = min(1.0, max(ortho.mm_per_px / REDUCED_MM_PER_PX, LEAST_REDUCED_PX / max(height, width)))
    size = (round(width * shrink), round(height * shrink))
    pixels = np.asarray(cv2.resize(ortho.pixels, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    seen = cv2.resize(ortho.valid.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    valid = cv2.erode(seen, np.ones((3, 3), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=1) > 0
    start = 0.5 * ortho.mm_per_px * (1 / shrink - 1)
    return Ortho(pixels, valid, ortho.x0_mm + start, ortho.y0_mm + start, ortho.mm_per_px / shrink)


def _shrunk(nats: F32 | None, small: Ortho, coarse: Coarse) -> F32 | None:
    """Return what parallax clearly says, in the coarse picture."""
    if nats is None:
        return None
    size = coarse.valid.shape[::-1]
    clear = cv2.resize(clear_of_edges(nats, small.mm_per_px), size, interpolation=cv2.INTER_AREA)
    return np.asarray(clear, dtype=np.float32)


@dataclass(frozen=True, eq=False)
class _Edge:
    """The top's outline (N, 2) mm, to about 1 mm, and what of ``SlabFound`` goes with it.

    ``held`` (N,) is True where it bridges bays, ``sawn`` (N,) where it does so on a saw's line.
    """

    line_mm: Floats
    held: Bools
    sawn: Bools
    doubt_mm2: float
    bays: tuple[Bay, ...]
    beside_mm2: float
    mouths_mm: tuple[Floats, ...]


def _settled(small: Ortho, rough: Bools, hidden: Bools, nats: F32 | None) -> _Edge:
    size = small.valid.shape[::-1]
    slab, sheets = (cv2.resize(m.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0 for m in (rough, hidden))
    band = lay_band(small, slab, sheets, nats)
    deep_mm, far_mm = (
        np.asarray(cv2.distanceTransform(m.view(np.uint8), cv2.DIST_L2, 5) * small.mm_per_px) for m in (slab, ~slab)
    )
    wood = band.seen & band.at(deep_mm > WITHIN_MM)
    bench = bench_beyond(band.values(far_mm), band.seen)
    ends = find_tops_end(band, wood, bench)
    found = bridge_bays(band, ends.top_mm, ends.side_mm, band.at(small.valid))
    beside_mm2 = float(odd_beside(band, np.maximum(ends.side_mm, found.top_mm), bench).sum() * ALONG_MM)
    # What may be slab or not lies within the area's 95 % interval, all of it.
    doubts = [area_doubt_mm2(ends.doubt_mm), disputed_mm2(band, found.top_mm), found.doubt_mm2, beside_mm2 / Z95]
    return _Edge(
        line_mm=small.to_mm(_within_photo(band.points_px(found.top_mm), small.valid)),
        held=found.bridged,
        sawn=found.sawn,
        doubt_mm2=float(np.linalg.norm(doubts)),
        bays=tuple(_bay(small, band, found.top_mm, mouth) for mouth in found.undecided),
        beside_mm2=beside_mm2,
        mouths_mm=tuple(_between(small, band, m.rows, m.top_mm, m.sawn_mm) for m in found.mouths),
    )


def _within_photo(line_px: Floats, valid: Bools) -> Floats:
    """Bring the points (N, 2) of a line that lie beyond the photo back to its border: nothing is seen out there."""
    height, width = valid.shape
    column, row = np.round(line_px).astype(int).T
    inside = (column >= 0) & (column < width) & (row >= 0) & (row < height)
    inside[inside] = valid[row[inside], column[inside]]
    if inside.all() or not inside.any():
        return line_px
    border = edges.contour_px(valid)
    held = line_px.copy()
    held[~inside] = border[cKDTree(border).query(line_px[~inside])[1]]
    return held


def _bay(small: Ortho, band: Band, top_mm: Floats, mouth: Mouth) -> Bay:
    """Return the place between the top's end and the line that may run on past a mouth."""
    inner = top_mm[mouth.rows]
    outline = _between(small, band, mouth.rows, inner, np.maximum(mouth.natural_mm, inner))
    return Bay(outline, len(mouth.rows) * ALONG_MM, mouth.chance_left)


def _between(small: Ortho, band: Band, rows: Ints, inner_mm: Floats, outer_mm: Floats) -> Floats:
    """Return the closed outline (2 n, 2) mm of what lies between two lines of offsets (n,) over some rows."""
    lines = []
    for line_mm in (inner_mm, outer_mm):
        offsets = np.zeros(len(band.middle_px))
        offsets[rows] = line_mm
        lines.append(small.to_mm(band.points_px(offsets)[rows]))
    return np.vstack([lines[0], lines[1][::-1]])


def coarse_px(length_mm: float, ortho: Ortho, coarse: Coarse) -> int:
    """Return a length in whole px of the coarse picture, at least 1."""
    return max(1, round(length_mm / ortho.mm_per_px * coarse.scale))


def _rough(coarse: Coarse, known: Bools, ring: Bools, ignore: Bools, nats: F32 | None, rind_deep: int) -> Bools:
    """Return the slab's rough mask: within the photo if its outline stands on edges, else filling the photo.

    No rind is looked for deeper than ``rind_deep`` coarse px.
    """
    if ignore.any():
        mask, bare, tone = cut_apart(coarse, known, ring, ignore, nats)
        if bare <= MOST_BARE:
            piece = _one_piece(mask & coarse.valid, known)
            rind = _rind(coarse, piece & ~ignore, ring & ~ignore, tone) & _grow(~piece, rind_deep)
            return _one_piece(piece & ~rind, known)
    return _filling(coarse, ring, ignore)


def _filling(coarse: Coarse, ring: Bools, ignore: Bools) -> Bools:
    """Return the rough mask of a slab that fills the photo, but for strips of bench along its border."""
    mask, bare = cut_off_strips(coarse, ring, ignore)
    mask = _one_piece(mask & coarse.valid, ring)
    if bare > MOST_BARE or mask.sum() < LEAST_FILLED * coarse.valid.sum():
        raise _not_told_apart()
    return mask


def _share_outside(known: Bools, slab: Bools) -> float:
    """Return the share of what is known to be slab that lies outside of it."""
    return float(np.mean(~slab[known])) if known.any() else 0.0


def _fills_rather(small: Ortho, coarse: Coarse, edge: _Edge, patterns: Bools, ring: Bools, ignore: Bools) -> bool:
    """Tell whether the slab fills the photo rather than ends where it seems to; refuse what is no outline.

    Without boards nothing is known to be slab (``patterns`` is empty), and no outline can leave it out.
    """
    bare, in_view = bare_share(small, edge.line_mm)
    crossed = _share_outside(patterns & coarse.valid, _fill(coarse, small, [edge.line_mm])) > MOST_OUTSIDE
    if (bare > FILLING_BARE or crossed) and in_view < LEAST_IN_VIEW:
        mask, _ = cut_off_strips(coarse, ring, ignore)
        if mask[coarse.valid].mean() > ALL_FILLED:
            return True
    if bare > MOST_BARE or crossed:
        raise _not_told_apart()
    return False


def _not_told_apart() -> CantTell:
    return CantTell(
        "the slab can't be told from the bench it lies on",
        "put a cloth of another colour under it, or light it evenly, and take the photo again",
    )


def _rind(coarse: Coarse, slab: Bools, ring: Bools, tone: Floats) -> Bools:
    """Return dark px along the slab's line: bark on its slanting side, or a shadow, beside the top's edge."""
    light = np.asarray(tone[coarse.labels])
    if not (ring & slab).any():
        return np.zeros_like(slab)
    dark = slab & (light < np.percentile(light[ring & slab], 5) - RIND_DARKER)
    pieces, count = ndimage.label(dark)
    touching = np.unique(pieces[dark & _grow(~slab & coarse.valid, 2)])
    return np.asarray(np.isin(pieces, touching[touching > 0])) if count else dark


def _under_sheet(mask: Bools, sheet: Bools, known: Bools, beside: int) -> Bools:
    """Draw the slab's edge straight under a sheet, between the places where it comes out on both sides.

    Under a sheet the top is what its pattern (known to lie on the slab) and the slab beside the sheet span; a
    sheet inside of the slab is spanned whole.
    """
    near = np.argwhere((mask & ~sheet & _grow(sheet, beside)) | (known & sheet))
    if len(near) < 3:
        return mask | sheet
    hull = cv2.convexHull(near[:, ::-1].astype(np.int32))
    span = np.zeros(mask.shape, dtype=np.uint8)
    cv2.fillPoly(span, [hull], 1)
    return np.asarray(np.where(sheet, span > 0, mask))


def _up_to_border(mask: Bools, valid: Bools) -> Bools:
    """Carry a mask that comes within ``BORDER_GAP_PX`` of the photo's border up to the border."""
    width = 2 * BORDER_GAP_PX + 1
    inside = cv2.erode(
        valid.astype(np.uint8), np.ones((width, width), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0
    )
    return mask | (_grow(mask, BORDER_GAP_PX) & valid & (inside == 0))


def _fill(coarse: Coarse, ortho: Ortho, polygons_mm: Sequence[Floats]) -> Bools:
    mask = np.zeros(coarse.valid.shape, dtype=np.uint8)
    for polygon in polygons_mm:
        points = (ortho.to_px(polygon) + 0.5) * coarse.scale - 0.5
        cv2.fillPoly(mask, [np.round(points).astype(np.int32)], 1)
    return np.asarray(mask > 0)


def _grow(mask: Bools, radius: int) -> Bools:
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1))
    return np.asarray(cv2.dilate(mask.astype(np.uint8), kernel) > 0)


def _middle(coarse: Coarse) -> Bools:
    """Seeds where nothing is known but that the picture is of the slab: its middle third."""
    height, width = coarse.valid.shape
    mask = np.zeros((height, width), dtype=bool)
    mask[height // 3 : height - height // 3, width // 3 : width - width // 3] = True
    return mask


def _one_piece(mask: Bools, seeds: Bools) -> Bools:
    """Return the piece with most seeds, thin links to other things cut off, holes filled."""
    opened = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
    pieces, count = ndimage.label(opened)
    if count == 0:
        return np.zeros_like(mask)
    votes = np.bincount(pieces[seeds], minlength=count + 1)
    votes[0] = 0
    outside = np.pad(pieces != int(np.argmax(votes)), 1, constant_values=True)
    _, parts = cv2.connectedComponents(outside.view(np.uint8), connectivity=4)
    return np.asarray(parts != parts[0, 0])[1:-1, 1:-1]
