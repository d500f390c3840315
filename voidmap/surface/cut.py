"""Tell the slab from the bench at a coarse scale: patches cut apart where the edges are.

Patches near the boards are slab for certain; the rest is decided by a minimum cut (Boykov and Jolly, 2001),
in which a patch is drawn toward the side it looks like, as far as it looks like either, and the border
between the sides is cheap only along visible edges. The photo's border leans to bench, but gives way where
no edge stands against it: a slab may leave the photo. Both sides' looks are learned anew after each cut.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, sparse
from scipy.sparse.csgraph import breadth_first_order, maximum_flow
from scipy.spatial import cKDTree

from voidmap.model import Floats
from voidmap.shade import SHADE_TINT, less_sky
from voidmap.surface.falloff import TO_SIGMA, curves_over, fall_of_light
from voidmap.surface.patches import COLOUR, Bools, Coarse, along_grain
from voidmap.surface.sapwood import SAP_TRUST, TINT_SAME, as_sapwood, paler_than_both

F32 = NDArray[np.float32]

# Least scatter of a look between neighbours of one stuff (log units; detail and grain vary more).
LEAST_SCATTER = np.array([0.02, 0.01, 0.01, 0.10, 0.10])
# A look is typical of a side up to about this many times the distance that its own patches have.
TYPICAL = 1.2
# A look that is this untypical of both sides says nothing.
UNKNOWN = 0.2
# The bench is seen all along the photo's border, the slab only around the boards: a look that is typical of
# neither is rather the slab's. Share of UNKNOWN for the bench.
BENCH_KNOWN = 0.95
# So many patches stand for all of a side, and a look is held against so many nearest ones of them. Where the slab
# fills the photo its rare looks (knots, voids) count, so that all patches stand for it.
FEW, ALL = (800, 8), (1_000_000, 16)
# Columns of looks that are judged together.
TONE = slice(0, 3)
TEXTURE = slice(3, 5)
# A patch that gets less than three quarters of the bench's light (log units of the 8-bit picture) and has its colour
# may be bench in the slab's shadow: how far that is believed. Sapwood may be a little darker than the bench.
SHADE_LEAST, SHADE_TRUST = 0.15, 0.3
# Near the slab some of the shade's light comes from the slab's side: its tint leans to the wood's by up to this share.
FROM_SIDE = 0.2
# Weight of a coarse px's look against the cost of cutting 1 px where there is no edge.
LOOK_WEIGHT = 0.12
# Cost of giving a px of the photo's border to the slab, against cutting 1 px where there is no edge.
BORDER_WEIGHT = 0.6
# The bench is first learned from a band of this many coarse px along the photo's border.
BORDER_PX = 16
# Where the slab fills the photo, bench is looked for within this share of its sides from the border,
# and a look less typical of the slab than this speaks for bench.
STRIP_SHARE = 0.15
STRIP_UNLIKE = 0.1
STRIP_UNKNOWN = 0.05
# Where patches whose tone is this untypical of the slab (12 times its own scatter: no wood is) run along this share of
# a shorter side of the photo, as a knot does not, bench starts as those alone: on the dark, texture is the 8-bit
# picture's own noise, and what starts from it hangs on half a grey step.
OTHER, OTHER_SHARE = float(np.exp(-0.5 * 12.0**2)), 0.5
# A patch at the photo's border is first taken for bench when it is less typical of the slab than this; the
# stricter figure holds where it leaves at least this share of the border. Of wood's own patches a quarter are less
# typical than the last: where it leaves no half of the border, none of it is known to be bench.
UNLIKE, UNLIKE_SHARE = (0.02, 0.1, 0.5), (0.15, 0.15, 0.5)
# Patches around a sheet are not learned from when they are this typical of the photo's border (the sheet may
# hang over the slab's edge), unless that leaves less than this share of them (the slab reaches the border).
OFF_BENCH = 0.3
OFF_BENCH_SHARE = 0.4
# Nor when their tint lies as near to the bench's as that of so many per cent of it, or as a shade's may, and this many
# times nearer than to the wood's.
USUAL_TINTS, TINT_NEARER = 95, 4.0
# A patch is learned from when its look speaks this much (log ratio) for the side that it is on.
AGREES = -1.0
# A patch is paper when this much of it lies on a sheet and it is no darker than the sheet's brightest by more than this
# (log units; the pattern's black is .8 below).
WITHIN, PAPER_EVEN = 0.95, 0.15
# Share of the photo's border that must have the wood's texture, and its tint, for the slab to fill the photo. Heart
# and sap of one tree differ in tint by less than this (log units).
FILLS_SHARE, TREE_TINT = 0.6, 0.3
# Slab and bench differ in some look by this many of its scatters at least: wood cut along its own cracks and figure
# differs by up to 2 or so from the rest of it, most benches of nearly the wood's look by 3.4 and more (one by 2.0).
TOLD_APART = 3.0
# That is asked where more than this share of the slab's line runs within so many coarse px of the photo's border: where
# the slab lies clear of it, what closes around the boards is the slab.
RUNS_OUT, FRAME_PX = 0.1, 6
# An outline with more than this share of its length where no edge is visible is no outline.
MOST_BARE = 0.33
# What parallax says of a patch counts so much against its looks.
HEIGHT_WEIGHT = 3.0
# Rounds at most: a cut that changes no more than this share of the patches is the last. Strips that are cut short of it
# hang on half a grey step.
ROUNDS, STRIP_ROUNDS = 4, 12
SETTLED = 0.002
CAPACITY = 1000.0
CERTAIN = 1e5


def cut_apart(
    coarse: Coarse, certain: Bools, around: Bools, ignore: Bools, nats: F32 | None = None
) -> tuple[Bools, float, Floats]:
    """Label every coarse px slab or bench.

    Parameters
    ----------
    coarse
        The picture in patches.
    certain
        (h, w) px that are slab for certain (under the boards' patterns).
    around
        (h, w) px around the sheets: slab, unless a sheet hangs over the slab's edge.
    ignore
        (h, w) px whose look says nothing of the slab (sheets lying on it).
    nats
        (h, w) by which parallax makes the top likelier than the bench.

    Returns
    -------
    mask
        (h, w) bool, True on the slab.
    bare
        Share of the line between slab and bench where no edge is visible, 0 (all on edges) to 1; 1 also where no
        bench is seen, or what is called bench looks as the slab does.
    tone
        (n,) log brightness of each patch with the fall of the light over the picture taken out.
    """
    seed = coarse.mean(certain) > 0.5
    hidden = coarse.mean(ignore) > 0.3
    outside = coarse.mean(~coarse.valid) > 0.5
    frame = coarse.mean(_frame(coarse.valid)) * coarse.sizes
    looks = along_grain(coarse, around & ~ignore)
    touching = coarse.mean(_near_border(coarse.valid, 2)) > 0.5
    learned = ~hidden & ~touching
    slab = (coarse.mean(around) > 0.5) & learned
    bench = (coarse.mean(_near_border(coarse.valid, BORDER_PX)) > 0.5) & ~slab & learned
    tone, paper, curves = looks[:, 0].copy(), _paper(coarse, ignore), curves_over(coarse)
    looks[:, 0] = tone - fall_of_light(curves, tone, [paper, slab, bench])
    slab, bench = _seeds(coarse, looks, slab, bench)
    if bench.sum() <= FEW[1]:
        return np.ones_like(coarse.valid), 1.0, looks[:, 0]
    heights = 0.0 if nats is None else HEIGHT_WEIGHT * coarse.mean(nats)
    side = seed
    for turn in range(ROUNDS):
        looks[:, 0] = tone - fall_of_light(curves, tone, [paper, slab, bench])
        before, ratio = side, _look_ratio(coarse, looks, slab, bench, first=turn == 0) + heights
        ratio[hidden | outside] = 0.0
        side = _min_cut(coarse, LOOK_WEIGHT * ratio * coarse.sizes - BORDER_WEIGHT * frame, seed)
        if (side != before).sum() <= SETTLED * len(side):
            break
        slab, bench = side & learned & (ratio > AGREES), ~side & learned & (ratio < -AGREES)
    mask, bare = np.asarray(side[coarse.labels]), _bare_share(coarse, side, outside)
    seen = ~hidden & ~outside
    if _at_border(mask, coarse.valid) > RUNS_OUT and _told_apart(looks, side & seen, ~side & seen) < TOLD_APART:
        bare = 1.0
    return mask, bare, looks[:, 0]


def cut_off_strips(coarse: Coarse, slab_seeds: Bools, ignore: Bools) -> tuple[Bools, float]:
    """Label every coarse px where the slab fills most of the photo: only strips at its border may be bench.

    The slab's look is learned from the middle of the photo; what is unlike it, and parted from it by an
    edge, is bench.

    Parameters
    ----------
    coarse, slab_seeds, ignore
        As for ``cut_apart``.

    Returns
    -------
    mask, bare
        As for ``cut_apart``; ``bare`` is 0 when all of the photo is slab.
    """
    seed = coarse.mean(slab_seeds) > 0.5
    outside = coarse.mean(~coarse.valid) > 0.5
    hidden = coarse.mean(ignore) > 0.3
    looks = along_grain(coarse, slab_seeds & ~ignore)
    deep = [round(STRIP_SHARE * side) for side in coarse.valid.shape]
    strip = coarse.mean(_near_border(coarse.valid, *deep)) > 0.5
    slab = (~strip | seed) & ~hidden & ~outside
    around = strip & ~hidden & ~outside
    if not around.any():
        return np.ones_like(coarse.valid), 0.0
    # Without a sheet nothing is known to be slab: what the picture is of may have any tint.
    alike = _one_tint(looks, seed & ~hidden & ~outside, around) | ~hidden.any()
    typical = [_typical(coarse, looks[:, c], LEAST_SCATTER[c], slab, ALL) for c in (TONE, TEXTURE)]
    ratio = np.sum([np.log((t + STRIP_UNKNOWN) / STRIP_UNLIKE) for t in typical], axis=0)
    other = _along_a_side(coarse, (typical[0] < OTHER) & around)
    if other.any():
        ratio = np.where(other, 2 * np.log(STRIP_UNKNOWN / STRIP_UNLIKE), np.maximum(ratio, 0.0))
    gain = np.where(hidden | outside, 0.0, LOOK_WEIGHT * ratio * coarse.sizes)
    side = _min_cut(coarse, gain, seed)
    for _ in range(STRIP_ROUNDS):
        bench = ~side & ~outside & ~hidden
        if bench.sum() <= ALL[1]:
            return np.ones_like(coarse.valid), 0.0 if alike.mean() > FILLS_SHARE else 1.0
        ratio = _look_ratio(coarse, looks, side & ~hidden & ~outside, bench, ALL)
        gain = np.where(hidden | outside, 0.0, LOOK_WEIGHT * ratio * coarse.sizes)
        before, side = side, _min_cut(coarse, gain, seed)
        if (side != before).sum() <= SETTLED * len(side):
            break
    bare, seen = _bare_share(coarse, side, outside), ~hidden & ~outside
    one = bare > MOST_BARE or _told_apart(looks, side & seen, ~side & seen) < TOLD_APART
    if one and (alike & (typical[1][around] > STRIP_UNLIKE)).mean() > FILLS_SHARE:
        return np.ones_like(coarse.valid), 0.0
    return np.asarray(side[coarse.labels]), bare


def _seeds(coarse: Coarse, looks: Floats, around: Bools, border: Bools) -> tuple[Bools, Bools]:
    """Return the patches around the sheets that are first taken for slab, and those of the border for bench."""
    bench = border & _unlike(_typical_in_all(coarse, looks, around), border)
    off_bench = around & (_typical_in_all(coarse, looks, border) < OFF_BENCH) & ~bench_by_tint(looks, bench, around)
    slab = off_bench if off_bench.sum() >= max(OFF_BENCH_SHARE * around.sum(), FEW[1] + 1) else around
    return slab, border & _unlike(_typical_in_all(coarse, looks, slab), border)


def bench_by_tint(looks: Floats, bench: Bools, wood: Bools) -> Bools:
    """Return the patches (n,) whose tint is the bench's, and far nearer to it than to the wood's.

    In the shade beside the slab a bench keeps its tint, not its tone. ``looks`` (n, 5) are log units, as named in
    ``LOOKS``; ``bench`` and ``wood`` (n,) what is taken for either.
    """
    if not (bench.any() and wood.any()):
        return np.zeros(len(looks), dtype=bool)
    tint = looks[:, COLOUR] / LEAST_SCATTER[COLOUR]
    far = [np.linalg.norm(tint - np.median(tint[known], axis=0), axis=1) for known in (bench, wood)]
    usual = max(float(np.percentile(far[0][bench], USUAL_TINTS)), SHADE_TINT / LEAST_SCATTER[COLOUR].max())
    return np.asarray(far[0] < np.minimum(far[1] / TINT_NEARER, usual))


def _along_a_side(coarse: Coarse, chosen: Bools) -> Bools:
    """Return those of the chosen patches that hang together along a good part of a side of the photo."""
    pieces, count = ndimage.label(chosen[coarse.labels])
    at_border = np.bincount(pieces[_frame(coarse.valid)], minlength=count + 1)
    long = at_border >= OTHER_SHARE * min(coarse.valid.shape)
    long[0] = False
    return np.asarray(coarse.mean(long[pieces]) > 0.5)


def _one_tint(looks: Floats, wood: Bools, around: Bools) -> Bools:
    """Return which of the patches around may be of the same tree as the wood, by their tint."""
    usual = np.median(looks[wood if wood.any() else around][:, COLOUR], axis=0)
    return np.asarray(np.abs(looks[around][:, COLOUR] - usual).max(axis=1) < TREE_TINT)


def _at_border(mask: Bools, valid: Bools) -> float:
    """Return the share of a mask's line that runs along the photo's border."""
    line = _frame(mask & valid)
    return float((line & _near_border(valid, FRAME_PX)).sum() / max(1, line.sum()))


def _told_apart(looks: Floats, slab: Bools, bench: Bools) -> float:
    """Return by how many of their scatters the two differ in the look that tells them best."""
    if min(slab.sum(), bench.sum()) <= FEW[1]:
        return 0.0
    usual = [np.median(looks[known], axis=0) for known in (slab, bench)]
    off = [np.median(np.abs(looks[known] - u), axis=0) for known, u in zip((slab, bench), usual, strict=True)]
    scatter = TO_SIGMA * np.hypot(*off) / np.sqrt(2.0) + LEAST_SCATTER
    return float((np.abs(usual[0] - usual[1]) / scatter).max())


def _bare_share(coarse: Coarse, side: Bools, outside: Bools) -> float:
    a, b = coarse.pairs.T
    line = (side[a] != side[b]) & ~outside[a] & ~outside[b]
    if not line.any():
        return 1.0
    return float(coarse.links[line].sum() / coarse.lengths[line].sum())


def _paper(coarse: Coarse, sheets: Bools) -> Bools:
    """Return the patches of bare paper: the brightest of each sheet."""
    tone = coarse.looks[:, 0]
    pieces, count = ndimage.label(sheets)
    white: Bools = np.zeros(len(tone), dtype=bool)
    for k in range(1, count + 1):
        inside = coarse.mean(pieces == k) > WITHIN
        if inside.any():
            white |= inside & (tone > np.percentile(tone[inside], 90) - PAPER_EVEN)
    return white


def _frame(valid: Bools) -> Bools:
    """Return the px of the photo's border."""
    around = np.pad(valid, 1)
    inside = around[:-2, 1:-1] & around[2:, 1:-1] & around[1:-1, :-2] & around[1:-1, 2:]
    return np.asarray(valid & ~inside)


def _near_border(valid: Bools, rows: int, columns: int | None = None) -> Bools:
    """Return the px at most so many rows or columns from the photo's border, and all beyond it."""
    kernel = np.ones((2 * rows + 1, 2 * (rows if columns is None else columns) + 1), np.uint8)
    inside = cv2.erode(valid.astype(np.uint8), kernel, borderType=cv2.BORDER_CONSTANT, borderValue=0)
    return np.asarray(inside == 0)


def _look_ratio(
    coarse: Coarse,
    looks: Floats,
    slab: Bools,
    bench: Bools,
    stand: tuple[int, int] = FEW,
    *,
    first: bool = False,
) -> Floats:
    """Log ratio of how typical each patch's look is of slab and of bench; near 0 when it is of neither.

    Tone and texture are judged apart and added up: sapwood has another tone than the heartwood around a
    board, but the same grain; a shadow has another tone than the bench, but the same texture. At ``first``, when no
    sapwood is learned yet, what is paler than both sides and has no bench's tone is no bench for being as smooth.
    """
    total = np.zeros(len(looks))
    if min(slab.sum(), bench.sum()) <= stand[1]:
        return total
    shade, saps = _as_shade(coarse, looks, slab, bench, stand), as_sapwood(looks, slab, bench, stand)
    tone, texture = (
        [_typical(coarse, looks[:, columns], LEAST_SCATTER[columns], known, stand) for known in (slab, bench)]
        for columns in (TONE, TEXTURE)
    )
    if first:
        pale = paler_than_both(looks, slab, bench)
        texture[1] *= np.where(pale, np.minimum(tone[1] / UNKNOWN, 1.0), 1.0)
    for typical, sap in zip((tone, texture), saps, strict=True):
        as_slab, as_bench = np.maximum(typical[0], SAP_TRUST * sap), np.maximum(typical[1], SHADE_TRUST * shade)
        total += np.log((as_slab + UNKNOWN) / (as_bench + UNKNOWN * BENCH_KNOWN))
    return total


def _as_shade(coarse: Coarse, looks: Floats, slab: Bools, bench: Bools, stand: tuple[int, int]) -> Floats:
    """How typical each darker look's tint is of bench in the shade, 0 to 1."""
    tint = looks[:, COLOUR]
    usual = np.median(tint[bench], axis=0)
    as_lit = usual + less_sky(tint - usual)
    wood = np.median(tint[slab], axis=0) - usual
    side = np.clip((as_lit - usual) @ wood / max(float(wood @ wood), TINT_SAME**2), 0.0, FROM_SIDE)
    as_lit = np.where(bench[:, None], tint, as_lit - side[:, None] * wood)
    typical = _typical(coarse, as_lit, np.maximum(LEAST_SCATTER[COLOUR], SHADE_TINT), bench, stand)
    return np.where(looks[:, 0] < np.median(looks[bench, 0]) - SHADE_LEAST, typical, 0.0)


def _unlike(typical: Floats, band: Bools) -> Bools:
    """Return the patches that look so unlike the slab that the band along the border has enough of them."""
    for most, share in zip(UNLIKE, UNLIKE_SHARE, strict=True):
        if (typical < most)[band].sum() >= share * band.sum():
            return typical < most
    return np.zeros_like(band)


def _typical_in_all(coarse: Coarse, looks: Floats, known: Bools) -> Floats:
    """How typical each look is of the known patches in tone and in texture both."""
    if known.sum() <= FEW[1]:
        return np.zeros(len(looks))
    parts = [_typical(coarse, looks[:, c], LEAST_SCATTER[c], known) for c in (TONE, TEXTURE)]
    return np.minimum(*parts)


def _typical(coarse: Coarse, looks: Floats, least: Floats, known: Bools, stand: tuple[int, int] = FEW) -> Floats:
    """How typical each look is of the known patches, 0 to 1, on the scale of their own scatter."""
    a, b = coarse.pairs.T
    both = known[a] & known[b]
    jumps = np.abs(looks[a[both]] - looks[b[both]])
    scatter = np.maximum(np.median(jumps, axis=0) if len(jumps) else 0.0, least)
    most, nearest = stand
    own = np.flatnonzero(known)
    own = own[:: max(1, len(own) // most)]
    # One more than is asked for: the nearest to one of their own is itself.
    scaled = looks / scatter
    near = np.asarray(cKDTree(scaled[own]).query(scaled, k=nearest + 1, workers=-1)[0])
    usual = np.median(near[own, 1:].mean(axis=1))
    near = near[:, :-1].mean(axis=1)
    return np.asarray(np.exp(-0.5 * (near / (TYPICAL * max(usual, 0.5))) ** 2), dtype=np.float64)


def _min_cut(coarse: Coarse, gain: Floats, seed: Bools) -> Bools:
    """Return the patches on the slab's side of the cheapest cut; ``gain`` draws a patch to the slab."""
    count = len(gain)
    source, sink = count, count + 1
    to_source = np.where(seed, CERTAIN, np.maximum(gain, 0.0))
    to_sink = np.where(seed, 0.0, np.maximum(-gain, 0.0))
    a, b = coarse.pairs.T
    every = np.arange(count)
    start = np.concatenate([a, b, np.full(count, source), every])
    end = np.concatenate([b, a, every, np.full(count, sink)])
    capacity = np.round(np.concatenate([coarse.links, coarse.links, to_source, to_sink]) * CAPACITY).astype(np.int32)
    keep = capacity > 0
    graph = sparse.csr_array((capacity[keep], (start[keep], end[keep])), shape=(count + 2, count + 2))
    left = sparse.csr_array(graph - maximum_flow(graph, source, sink).flow)
    left.data[:] = np.maximum(left.data, 0)
    left.eliminate_zeros()
    side: NDArray[np.bool_] = np.zeros(count + 2, dtype=bool)
    side[breadth_first_order(left, source, return_predecessors=False)] = True
    return side[:count]
