"""Voids and flat things on the slab's top: found, judged, measured."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from voidmap.model import Floats, Ortho, Plane, Region, SlabFound
from voidmap.records import Kind
from voidmap.surface.candidates import find_candidates
from voidmap.surface.features import Candidate
from voidmap.surface.kinds import Judgement, judge
from voidmap.surface.lines import LEAST_LENGTH_MM
from voidmap.surface.measure import (
    area_interval,
    area_scale_rel,
    edge_contact_mm,
    greatest_width_px,
    rim_length,
    spine_length_px,
    walk_outline,
)
from voidmap.surface.merge import merged
from voidmap.surface.odd import INNER_SHARE
from voidmap.surface.through import bench_tint, through_chance

# A thing that lies within another by more than this share is a part of it.
PART_SHARE = 0.5
# A slender patch is taken for traced when lines run along so much of its length.
TRACED_SHARE = 0.6
# A patch within a patch is the void itself when its chance is greater by this.
SURER = 0.15
# A patch more slender than this (length squared over area) is better measured as a line, where one was traced.
SLENDER = 10.0
# A thing less slender than this is no crack (a disc has 1.3).
COMPACT = 4.0
# A flat fleck smaller than this (a square of 3.5 mm) asks for nothing at the bench: it is not reported.
LEAST_STAIN_MM2 = 12.0
# A hole smaller than this (0.8 mm across) is a pore or a resin canal: the seal coat closes it or shows it as a pinhole.
LEAST_HOLE_MM2 = 0.5
# Kinds wide enough to see the bench through.
MAY_GO_THROUGH = (Kind.KNOT_HOLE, Kind.BARK_VOID, Kind.HOLE)
# A void opens on the slab's side when it comes this near to the outline (px: the border row is not judged,
# the rim is blurred), and along at least this length.
OPENING_REACH_PX, LEAST_OPENING_MM = 5.0, 0.4
# Doubt of a rim's place, 1 sigma, as a share of the width over which the rim rises; never below 0.15 px.
RIM_DOUBT_SHARE, LEAST_RIM_DOUBT_PX = 0.15, 0.15


def find_regions(
    ortho: Ortho, slab: SlabFound, plane: Plane | None = None, *, grain_deg: float | None = None
) -> tuple[Region, ...]:
    """Find voids and flat things on the slab's top.

    Parameters
    ----------
    ortho
        The slab's top seen square-on.
    slab
        Where the top is, and what of it is covered.
    plane
        The plane that the picture was made with; its draws carry the scale's doubt into the areas.
        ``None`` leaves the scale without doubt.
    grain_deg
        Direction of the grain (see ``grain_direction_deg``), found out when not given.

    Returns
    -------
    tuple of Region
        Voids and flat things, greatest first; empty when the top is sound.
    """
    candidates = find_candidates(ortho, slab, grain_deg)
    judged = zip(candidates, judge([c.features for c in candidates]), strict=True)
    traced = _surest(_traced_best([(c, j) for c, j in judged if j.kind is not None]))
    kept = _without_parts(merged(_without_parts(traced), ortho.mm_per_px))
    if not kept:
        return ()
    bench = bench_tint(ortho, slab)
    middles = np.array([ortho.to_mm(c.cover.outline_px).mean(axis=0) for c, _ in kept])
    scale = area_scale_rel(plane, middles)
    walk = walk_outline(slab.outline_mm)
    regions = [_region(c, j, ortho, slab, walk, bench, float(rel)) for (c, j), rel in zip(kept, scale, strict=True)]
    return tuple(sorted((r for r in regions if _worth(r)), key=lambda r: -r.area_mm2))


def _worth(region: Region) -> bool:
    """Tell whether a thing asks for anything at the bench."""
    if region.kind is Kind.STAIN:
        return region.area_mm2 >= LEAST_STAIN_MM2
    if region.kind in (Kind.CRACK, Kind.SEAM_GAP):
        return region.length_mm >= LEAST_LENGTH_MM
    return region.area_mm2 >= LEAST_HOLE_MM2


def _traced_best(judged: list[tuple[Candidate, Judgement]]) -> list[tuple[Candidate, Judgement]]:
    """Drop slender patches that were also traced as a line: the line knows its width better."""
    lines = [c for c, j in judged if c.source == "line" and j.is_void]

    def doubled(found: Candidate) -> bool:
        if found.source != "patch" or found.features["log_slender"] < np.log(SLENDER):
            return False
        # A short line inside a long patch is a part of it, and says nothing of the rest.
        within = [np.exp(line.features["log_length"]) for line in lines if _shared(line, found) > PART_SHARE]
        return sum(within) > TRACED_SHARE * np.exp(found.features["log_length"])

    return [(c, j) for c, j in judged if not doubled(c)]


def _surest(judged: list[tuple[Candidate, Judgement]]) -> list[tuple[Candidate, Judgement]]:
    """Drop a patch taken for a void around a patch that is one far more surely: the knot around a hole."""

    def outdone(found: Candidate, judgement: Judgement) -> bool:
        return found.source == "patch" and any(
            other.source == "patch"
            and rival.void_probability > judgement.void_probability + SURER
            and INNER_SHARE * found.cover.area_px < other.cover.area_px < found.cover.area_px
            and _shared(other, found) > PART_SHARE
            for other, rival in judged
            if rival.is_void
        )

    return [(c, j) for c, j in judged if not (j.is_void and outdone(c, j))]


def _without_parts(judged: Sequence[tuple[Candidate, Judgement]]) -> list[tuple[Candidate, Judgement]]:
    """Drop what is a part of something else: voids win over flat things, great over small."""

    def rank(item: tuple[Candidate, Judgement]) -> tuple[bool, float]:
        return (not item[1].is_void, -item[0].cover.area_px)

    kept: list[tuple[Candidate, Judgement]] = []
    for item in sorted(judged, key=rank):
        void = item[1].is_void
        rivals = [other for other in kept if other[1].is_void or not void]
        if all(_shared(item[0], other[0]) <= PART_SHARE for other in rivals):
            kept.append(item)
    return kept


def _shared(one: Candidate, other: Candidate) -> float:
    """Share of one thing's mask that lies in another's."""
    (ax, ay), (bx, by) = one.cover.corner, other.cover.corner
    a, b = one.cover.mask, other.cover.mask
    left, top = max(ax, bx), max(ay, by)
    right, bottom = min(ax + a.shape[1], bx + b.shape[1]), min(ay + a.shape[0], by + b.shape[0])
    if right <= left or bottom <= top:
        return 0.0
    both = a[top - ay : bottom - ay, left - ax : right - ax] & b[top - by : bottom - by, left - bx : right - bx]
    return float(both.sum() / max(1, a.sum()))


def _kind_by_form(found: Candidate, judgement: Judgement) -> Kind:
    """Return the kind; what is compact and shorter than any crack is a hole."""
    assert judgement.kind is not None
    short = found.features["log_length"] < np.log(LEAST_LENGTH_MM)
    compact = found.features["log_slender"] < np.log(COMPACT)
    return Kind.HOLE if short and compact and judgement.kind in (Kind.CRACK, Kind.SEAM_GAP) else judgement.kind


def _region(
    found: Candidate,
    judgement: Judgement,
    ortho: Ortho,
    slab: SlabFound,
    walk: Floats,
    bench: Floats | None,
    scale_rel: float,
) -> Region:
    mm, cover, kind = ortho.mm_per_px, found.cover, _kind_by_form(found, judgement)
    outline = ortho.to_mm(cover.outline_px)
    area = cover.area_px * mm * mm
    traced = found.source == "line" and found.path_px is not None
    length = np.exp(found.features["log_length"]) if traced else spine_length_px(cover.mask) * mm
    rim = rim_length(outline, 3.0 * mm)
    rise = found.features["rim_width_mm"]
    doubt = max(RIM_DOUBT_SHARE * rise, LEAST_RIM_DOUBT_PX * mm)
    opening = 0.0
    if judgement.is_void:
        reach = OPENING_REACH_PX * mm + slab.edge_blur_mm
        opening = edge_contact_mm(cover.mask, cover.corner, walk, ortho, reach)
        opening = opening if opening > LEAST_OPENING_MM else 0.0
    widest = found.width_max_px or greatest_width_px(cover.mask)
    widest = max(widest * mm, area / length)
    return Region(
        mask=cover.mask,
        corner=cover.corner,
        outline_mm=outline,
        kind=kind,
        void_probability=judgement.void_probability,
        kind_chances=dict(judgement.kind_chances),
        area_mm2=area,
        area_interval_mm2=area_interval(area, rim, doubt, scale_rel),
        length_mm=float(length),
        width_mean_mm=float(area / length),
        width_max_mm=float(widest),
        rim_mm=rim,
        opens_on_edge=opening > 0.0,
        edge_opening_mm=opening,
        through_probability=through_chance(cover, ortho, slab, bench) if kind in MAY_GO_THROUGH else 0.0,
        measures=found.features,
    )
