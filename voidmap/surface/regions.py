"""Voids and flat things on the slab's top: found, judged, measured."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from voidmap.model import Floats, Ortho, Plane, Region, SlabFound
from voidmap.records import SLITS, Kind
from voidmap.surface.bores import bored
from voidmap.surface.candidates import Looked, look_at
from voidmap.surface.compressed import is_drawn_by_compression
from voidmap.surface.crowded import less_likely_in_crowds
from voidmap.surface.doubtful import is_stubby
from voidmap.surface.drawn_rim import line_drawn, wide_drawn
from voidmap.surface.explained import without_explained
from voidmap.surface.features import Candidate
from voidmap.surface.follow import followed
from voidmap.surface.form import by_form
from voidmap.surface.grey import less_likely_grey
from voidmap.surface.holes import without_holes
from voidmap.surface.in_line import joined_in_line
from voidmap.surface.kinds import Judgement, judge
from voidmap.surface.knot_checks import with_checks
from voidmap.surface.measure import (
    RIM_OFF_MM,
    area_interval,
    area_scale_rel,
    edge_contact_mm,
    greatest_width_px,
    rim_length,
    size_intervals,
    spine_length_px,
    walk_outline,
)
from voidmap.surface.merge import Judged, is_narrow, merged
from voidmap.surface.mouth_strip import with_mouth
from voidmap.surface.nested import WITHIN, shared
from voidmap.surface.rim import Cover
from voidmap.surface.rind_lines import without_rind_lines
from voidmap.surface.run_out import run_out
from voidmap.surface.sawn_mouths import MOUTHED, mouths_of, with_sawn_mouths, with_whole_mouths
from voidmap.surface.surroundings import without_surroundings
from voidmap.surface.swells import with_cracks_across
from voidmap.surface.through import bench_tint, through_chance
from voidmap.surface.worth_telling import worth_telling

# A thing that lies within another by more than this share is a part of it.
PART_SHARE = 0.5
# A void that fills more than this of a larger one around it is a part of it that stands out: but of the hole of a knot,
# around which the knot is dark as well, it may be the hole itself.
WHOLE_SHARE = 0.5
# A void in a larger thing that is likelier to be a void as it is (``_itself``, at least ``ITSELF``) is that void:
# the larger one is the knot, stain or shade around it. What is a smaller share of it than the first is a dark spot in a
# floor, what is more than the second the same void with another rim.
CORE_SHARE, ITSELF = (0.08, 0.6), 0.35
# A void of at least this chance is not given up for others of its own kind in it that are its darker parts, unless the
# step of the darkness at their rims is this many times its own: then they are the void, and it is the stain around. Of
# the bark voids on 79 simulated slabs around a surer one all 8 with less are the void (1.2 times at most), and none of
# 3 with more (7.5 at least); of the surer knot holes 6 of 6 are, of the others 1 of 18.
SURE = {Kind.BARK_VOID: 0.5, Kind.KNOT_HOLE: 0.95}
STEEPER = 2.5
# A bark void or knot hole fills at least this share of its convex hull (all of 275 on 93 photos of simulated slabs do,
# the least 0.58): what fills less has leaked into the wood, and what is within it, at least as surely a void and so
# much steeper at the rim, is the void: also where the leak runs over other voids, which is then no mere wood around it
# (see surroundings.py). So with a crack that has leaked into growth rings: 6 of 6 on 228 simulated slabs.
LEAKY_SOLIDITY = 0.56
# Two finds that cover this much of each other are the same thing.
SAME_SHARE = 0.7
# How much surer and larger count among voids that overlap (powers of the chance and the area) beside the fit: all are
# called voids, and what a piece of a void leaves out is resin too. With 0.25 for the area three fewer of 705 voids on
# 80 simulated slabs are found, and one more thing is falsely called.
SURER, LARGER = 0.5, 0.1
# A slender patch is taken for traced when lines run along so much of its length and cover so much of it.
TRACED_SHARE = 0.6
# A patch more slender than this (length squared over area) is better measured as a line, where one was traced.
SLENDER = 10.0
# Kinds wide enough to see the bench through.
MAY_GO_THROUGH = (Kind.KNOT_HOLE, Kind.BARK_VOID, Kind.HOLE)
# A void opens on the slab's side when it comes this near to the outline (px: the border row is not judged,
# the rim is blurred), and along at least this length.
OPENING_REACH_PX, LEAST_OPENING_MM = 5.0, 0.4


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
    looked = look_at(ortho, slab, grain_deg)
    judged = with_cracks_across(looked, judge([c.features for c in looked.candidates]))
    mouths = mouths_of(slab, ortho)
    judgements = with_sawn_mouths(looked.candidates, less_likely_grey(looked, judged, ortho), mouths)
    chosen = select(looked.candidates, judgements, ortho.mm_per_px, looked)
    kept = with_whole_mouths(chosen, mouths, slab, ortho.mm_per_px)
    if not kept:
        return ()
    bench = bench_tint(ortho, slab)
    middles = np.array([ortho.to_mm(c.cover.outline_px).mean(axis=0) for c, _ in kept])
    scale = area_scale_rel(plane, middles)
    walk = walk_outline(slab.outline_mm)
    # Out of a mouth on the slab's side the bench is seen whether the void comes out below or not.
    floors = [c.cover for c, _ in chosen]
    regions = [
        _region(c, by_form(c, j), floor, ortho, slab, walk, bench, float(rel))
        for (c, j), floor, rel in zip(kept, floors, scale, strict=True)
    ]
    seen = (r for r in without_rind_lines(regions, slab) if not is_drawn_by_compression(r, ortho))
    told = less_likely_in_crowds([r for r in seen if worth_telling(r)])
    worth = without_holes([r for r in told if worth_telling(r)], ortho.mm_per_px)
    return tuple(sorted(worth, key=lambda r: -r.area_mm2))


def select(
    candidates: Sequence[Candidate], judgements: Sequence[Judgement], mm_per_px: float, looked: Looked | None = None
) -> list[Judged]:
    """Choose what is reported among candidates that overlap, and join the pieces of one void.

    Chosen cracks are joined in line, followed to their ends and on to the edge, and the holes of knots get their whole
    rims, in the picture that they were found in, when it is given.
    """
    judged = without_explained(list(zip(candidates, judgements, strict=True)), mm_per_px, looked)
    found = _traced_best(_outlined_best([(c, j) for c, j in judged if j.kind is not None]))
    chosen = _without_parts(found if looked is None else without_surroundings(looked, found))
    long = chosen if looked is None else run_out(looked, followed(looked, joined_in_line(looked, chosen, judged)))
    drawn = [(line_drawn(c), j) for c, j in long]
    if looked is not None:
        drawn = with_checks(looked, wide_drawn(looked, bored(looked, drawn, candidates)))
    return _without_parts(_without_bridged(merged(drawn, mm_per_px)))


def _traced_best(judged: list[Judged]) -> list[Judged]:
    """Drop slender patches that were also traced as a crack's line: the line knows its width better.

    A line that looks like another kind of void is a part of the patch, its darkest.
    """
    lines = [c for c, j in judged if c.source == "line" and j.kind in SLITS]

    def doubled(found: Candidate) -> bool:
        if found.source != "patch" or found.features["log_slender"] < np.log(SLENDER):
            return False
        # A short line inside a long patch is a part of it, and says nothing of the rest.
        within = [line for line in lines if shared(line.cover, found.cover) > PART_SHARE]
        length = sum(np.exp(line.features["log_length"]) for line in within)
        area = sum(line.cover.area_px for line in within)
        own = np.exp(found.features["log_length"])
        return length > TRACED_SHARE * own and area > TRACED_SHARE * found.cover.area_px

    return [(c, j) for c, j in judged if not doubled(c)]


def _outlined_best(judged: list[Judged]) -> list[Judged]:
    """Drop compact lines that run where a patch is, void or flat: the patch knows its rim better."""
    patches = [item for item in judged if item[0].source == "patch"]

    def doubled(item: Judged) -> bool:
        return is_stubby(item) and any(min(_both(item, other)) > SAME_SHARE for other in patches)

    return [item for item in judged if not doubled(item)]


def _without_parts(judged: Sequence[Judged]) -> list[Judged]:
    """Drop what shares its place with something else.

    Of voids that overlap the one that is likeliest a void and fits best stays, of two alike the larger; but of a crack
    and a thing around it that is rather no void the crack: a knot with a check in it. A flat thing goes where a void or
    a greater flat thing is.
    """
    cracks = [c.cover for c, j in judged if j.kind in SLITS and j.void_probability >= 0.5]

    def is_around(item: Judged) -> bool:
        doubtful = item[1].is_void and item[1].void_probability < 0.5
        return doubtful and any(shared(crack, item[0].cover) > PART_SHARE for crack in cracks)

    def rank(item: Judged) -> tuple[bool, float]:
        return (not item[1].is_void, -_worth(item))

    kept: list[Judged] = []
    for item in sorted((item for item in _whole(judged) if not is_around(item)), key=rank):
        if item[1].is_void:
            free = all(max(_both(item, other)) <= PART_SHARE for other in kept)
        else:
            free = all(_both(item, other)[0] <= PART_SHARE for other in kept)
        if free:
            kept.append(item)
    return kept


def _without_bridged(judged: Sequence[Judged]) -> list[Judged]:
    """Drop compact voids that a crack was joined over: each is a place where it is wider, and no rival of it."""
    lines = [item for item in judged if item[1].is_void and is_narrow(item)]

    def bridged(item: Judged) -> bool:
        shares = (_both(item, line) for line in lines)
        return item[1].is_void and any(inside > PART_SHARE >= of_line for inside, of_line in shares)

    return [item for item in judged if is_narrow(item) or not bridged(item)]


def _whole(judged: Sequence[Judged]) -> list[Judged]:
    """Drop patches that are a part of a larger one that is likelier a void than not: a void's floor is not cut.

    What is the most part of a knot's hole is dropped only where it counts less (``_worth``). The larger one of a hole
    in a knot, a dark spot in a stain, or a crack in what has leaked from it is no void: it is dropped for its core.
    """
    patches = [(c, j) for c, j in judged if c.source == "patch" and j.is_void]
    slits = [(c, j) for c, j in judged if c.source == "line" and j.kind in SLITS]
    around = _around(patches) | {id(whole[0]) for whole in patches if any(_leaks_from(slit, whole) for slit in slits)}
    likely = [(c, j) for c, j in patches if j.void_probability >= 0.5 and id(c) not in around]

    def is_part(own: Judged, whole: Judged) -> bool:
        share = own[0].cover.area_px / whole[0].cover.area_px
        if share >= WHOLE_SHARE:
            part = whole[1].kind is not Kind.KNOT_HOLE or _worth(own) < _worth(whole)
        else:
            part = _darker_part(own, whole)
        return share < 1.0 and part and shared(own[0].cover, whole[0].cover) > WITHIN

    cut = {id(own[0]) for own in patches if any(is_part(own, whole) for whole in likely)}
    return [(c, j) for c, j in judged if id(c) not in cut | around]


def _worth(item: Judged) -> float:
    """Return what a thing counts among those that share its place: a void by chance, fit and area, else by its area."""
    found, judgement = item
    area = found.cover.area_px
    return judgement.void_probability**SURER * judgement.fit * area**LARGER if judgement.is_void else area


def _around(patches: Sequence[Judged]) -> set[int]:
    """Return the candidates (by ``id``) among voids that are rather what lies around a void in them."""
    least, most = CORE_SHARE

    def is_core(own: Judged, whole: Judged) -> bool:
        if not least <= own[0].cover.area_px / whole[0].cover.area_px <= most:
            return False
        surer = _itself(own[1]) > max(_itself(whole[1]), ITSELF) and not _darker_part(own, whole)
        return (surer or _leaks(whole, own)) and shared(own[0].cover, whole[0].cover) > WITHIN

    return {id(whole[0]) for whole in patches if any(is_core(own, whole) for own in patches)}


def _leaks_from(slit: Judged, whole: Judged) -> bool:
    """Tell whether a patch is a crack in it that has leaked."""
    return _leaks(whole, slit) and shared(slit[0].cover, whole[0].cover) > PART_SHARE


def _leaks(whole: Judged, own: Judged) -> bool:
    """Tell whether a patch is a void within it and arms that run out from it along growth rings."""
    armed = whole[1].kind in MOUTHED and whole[0].features["solidity"] < LEAKY_SOLIDITY
    surer = own[1].void_probability >= whole[1].void_probability
    return armed and surer and abs(own[0].features["step"]) > STEEPER * abs(whole[0].features["step"])


def _darker_part(own: Judged, whole: Judged) -> bool:
    """Tell whether one void within another would be a darker part of it, by their kinds and the steps at their rims."""
    kind = whole[1].kind
    alike = kind in SURE and own[1].kind is kind and whole[1].void_probability >= SURE[kind]
    return alike and abs(own[0].features["step"]) < STEEPER * abs(whole[0].features["step"])


def _itself(judgement: Judgement) -> float:
    """Say how surely a thing is a void with this very rim.

    Its chance counts twice: a doubtful one around a sure one costs a false call and the core's own as well.
    """
    return judgement.void_probability**2 * judgement.fit


def _both(one: Judged, other: Judged) -> tuple[float, float]:
    """Share of one thing in the other, and of the other in the one."""
    a, b = one[0].cover, other[0].cover
    inside = shared(a, b)
    return (inside, shared(b, a)) if inside > 0.0 else (0.0, 0.0)


def _region(
    found: Candidate,
    judgement: Judgement,
    floor: Cover,
    ortho: Ortho,
    slab: SlabFound,
    walk: Floats,
    bench: Floats | None,
    scale_rel: float,
) -> Region:
    assert judgement.kind is not None, "what is nothing is no region"
    mm, kind = ortho.mm_per_px, judgement.kind
    reach = OPENING_REACH_PX * mm + slab.edge_blur_mm
    cover = found.cover
    # A flat thing's too: its depth may tell later that it is a void, or the slab's own flank.
    opening = _opening(cover, walk, ortho, reach)
    if opening > 0.0 and kind in MOUTHED:
        cover = with_mouth(cover, slab, mm)
        opening = _opening(cover, walk, ortho, reach)
    outline = ortho.to_mm(cover.outline_px)
    area = cover.area_px * mm * mm
    traced = found.source == "line" and found.path_px is not None
    length = np.exp(found.features["log_length"]) if traced else spine_length_px(cover.mask) * mm
    rim = rim_length(outline, 3.0 * mm)
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
        area_interval_mm2=area_interval(area, rim, RIM_OFF_MM[kind], scale_rel),
        length_mm=float(length),
        width_mean_mm=float(area / length),
        width_max_mm=float(widest),
        rim_mm=rim,
        opens_on_edge=opening > 0.0,
        edge_opening_mm=opening,
        through_probability=through_chance(floor, ortho, slab, bench) if kind in MAY_GO_THROUGH else 0.0,
        measures=found.features,
        size_intervals_mm=size_intervals(
            _void_kind(judgement), float(length), float(area / length), float(widest), scale_rel
        ),
    )


def _opening(cover: Cover, walk: Floats, ortho: Ortho, reach_mm: float) -> float:
    """Return along how much of the slab's outline a thing lies, mm; 0 for a touch."""
    opening = edge_contact_mm(cover.mask, cover.corner, walk, ortho, reach_mm)
    return opening if opening > LEAST_OPENING_MM else 0.0


def _void_kind(judgement: Judgement) -> Kind:
    """Return the likeliest kind of void that a thing is, or would be: its depth may tell later that it is one."""
    if judgement.kind is not None and judgement.kind.is_void:
        return judgement.kind
    return max((kind for kind in Kind if kind.is_void), key=lambda kind: judgement.kind_chances.get(kind, 0.0))
