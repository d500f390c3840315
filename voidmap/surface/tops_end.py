"""Where the top ends across the band: wood, then perhaps its side (bark, shade), then perhaps shadow, then bench.

Every column of a row of the band is one of these stuffs, in this order from within. How well each look fits
each stuff is learned from the band itself, stretch by stretch; borders lie rather on steps of colour, and the
end of the top moves little from row to row. The best of all such readings is found exactly (dynamic
programming over a chain, as in Geiger et al., 1995), and how sure it is comes with it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from voidmap.model import Floats
from voidmap.surface.band import ACROSS_MM, ALONG_MM, Band
from voidmap.surface.chain import course_costs
from voidmap.surface.quantiles import medians
from voidmap.surface.sapwood import SAP_TRUST, TINT_SAME

Bools = NDArray[np.bool_]
F32 = NDArray[np.float32]
Ints = NDArray[np.intp]

# Wood is learned from what lies this far within the rough outline, bench from what lies this far outside it;
# once the end is known, from what lies 4 mm within both.
WITHIN_MM, BEYOND_MM, AGAIN_MM = 10.0, 25.0, 4.0
# Fewer px say nothing of a stuff.
LEAST_KNOWN = 50
# Looks are counted in bins of these sizes (log units) over these ranges, in stretches of this length.
TONE_BIN, TONE_FROM, TONES = 0.12, 2.4, 27
TINT_BIN, RED_FROM, BLUE_FROM, TINTS = 0.07, -0.6, -1.0, 22
ROUGH_BIN, ROUGH_FROM, ROUGHS = 0.35, -4.7, 13
STRETCH_MM = 150.0
# Weight of the stretch's own looks against those of all the edge.
OWN = 0.6
# A look as common as this percentile of a stuff's own looks is wholly typical of it; none is less than LEAST.
TYPICAL_PERCENTILE, LEAST = 20.0, 0.02
# How typical any look is of the side, whose bark and shade may be anything, and of shadow, where the tint is the
# bench's.
SIDE, SHADOW = 0.15, 0.5
# What is paler than the wood around by this much (log units) is sapwood, seen nowhere else, as soon as bark or
# shade, and sooner as its tint is the wood's and not the bench's.
PALER = 0.1
# A shadow is darker than the bench, by this much at most (log units); other tones cost it this many nats.
DARKEST, NOT_SHADE = 1.4, 2.0
# Texture counts half: it is read over a width in which two stuffs mix at their border.
TEXTURE_WEIGHT = 0.5
# What the rough outline is worth, nats per px; what a px can say at most; what a mm across says of its neighbours.
ROUGH_NATS, MOST_NATS, PER_MM = 0.2, 4.0, 0.35
# A clear step at the end of the top is worth this many nats a row, half of it at the end of its side; a side or a
# shadow must be worth this many.
STEP_NATS, EXTRA_NATS = 2.5, 0.8
# A thing that lies on the bench has at least this much bench between it and the slab: what touches can't be told
# from bark.
THING_GAP_MM = 5.0
# Cost of 1 mm of jog between rows, nats.
JOG_NATS = 0.67


# Doubt of the edge has one cause over this far along it.
ALIKE_MM = 100.0
# What parallax says of a px counts so much against its looks: windows share their evidence with their neighbours.
HEIGHT_WEIGHT = 2.0
# The rough outline is good to this much. Where it and the end of the top lie further apart, one of two clear readings
# is wrong: half of what lies between is 1 sigma of doubt.
ROUGH_MM = 5.0


@dataclass(frozen=True, eq=False)
class TopsEnd:
    """Offsets (rows,) mm of the end of the top and of its side; ``doubt_mm`` (rows,) 1 sigma of the first."""

    top_mm: Floats
    side_mm: Floats
    doubt_mm: Floats


@dataclass(frozen=True, eq=False)
class _Bins:
    """Each px's bin of colour, tint and roughness along and across, and its stretch of the edge."""

    colour: Ints
    tint: Ints
    along: Ints
    across: Ints
    stretch: Ints
    stretches: int


def find_tops_end(band: Band, wood: Bools, bench: Bools) -> TopsEnd:
    """Find where the top ends in each row of the band.

    Parameters
    ----------
    band
        The band along the rough outline.
    wood, bench
        (rows, columns) px that are surely one or the other.

    Returns
    -------
    TopsEnd
    """
    bins = _bins(band)
    bench_looks = _typical(bins, bench)
    top = np.zeros(len(band.tone), dtype=np.intp)
    last: Ints = top
    costs = np.zeros((1, 1), dtype=np.float32)
    for again in (False, True):
        if again:
            nearest = ndimage.minimum_filter1d(top, 2 * band.rows_of(6.0) + 1, mode="wrap")
            columns = np.arange(band.tone.shape[1])
            wood = band.seen & band.slab & (columns[None] < nearest[:, None] - AGAIN_MM / ACROSS_MM)
        own, last = _readings(band, _fits(band, bins, _typical(bins, wood), bench_looks, wood, bench))
        costs = course_costs(own, JOG_NATS * ACROSS_MM)
        top = np.argmin(costs, axis=1)
    rows = np.arange(len(top))
    at = (np.arange(costs.shape[1]) - 0.5) * ACROSS_MM + band.offsets_mm[0]
    chance = np.exp(-costs)
    chance /= chance.sum(axis=1, keepdims=True)
    doubt = np.sqrt((chance * (at[None] - at[top][:, None]) ** 2).sum(axis=1))
    return TopsEnd(at[top], at[last[rows, top]], np.asarray(doubt, dtype=np.float64))


def bench_beyond(far_mm: F32, seen: Bools) -> Bools:
    """Tell which px of the band are surely bench, (rows, columns), by how far they lie outside of the rough outline.

    Where the photo shows nothing as far out as ``BEYOND_MM``, the outer half of what it shows has to do.
    """
    bench = seen & (far_mm > BEYOND_MM)
    if bench.sum() >= LEAST_KNOWN:
        return bench
    farthest = np.where(seen, far_mm, np.float32(0)).max(axis=1, keepdims=True)
    return np.asarray(seen & (far_mm > np.maximum(AGAIN_MM, 0.5 * farthest)))


def rough_end(band: Band) -> Floats:
    """Return where the rough outline ends in each row, (rows,) mm."""
    return np.asarray(band.offsets_mm[0] + (band.slab.sum(axis=1) - 0.5) * ACROSS_MM, dtype=np.float64)


def disputed_mm2(band: Band, top_mm: Floats) -> float:
    """Return the 1-sigma doubt of the area where the rough outline and the end of the top (rows,) mm lie apart.

    One of the two read a shadow, bark or sapwood wrongly, and all along the edge alike.
    """
    apart = np.abs(top_mm - rough_end(band))
    return float(apart[apart > ROUGH_MM].sum() * ALONG_MM / 2.0)


def area_doubt_mm2(doubt_mm: Floats) -> float:
    """Return the 1-sigma doubt of the area beside an edge whose place is doubtful by so much in each row.

    Within ``ALIKE_MM`` along the edge the doubt has one cause (a strip of bark, a shadow); stretches further apart
    are wrong each on their own.
    """
    rows = max(1, round(ALIKE_MM / ALONG_MM))
    starts = np.arange(0, len(doubt_mm), rows)
    return float(np.sqrt((np.add.reduceat(doubt_mm * ALONG_MM, starts) ** 2).sum()))


def tint_bins(band: Band) -> Ints:
    """Return each px's bin of tint, (rows, columns), 0 to ``TINTS`` squared."""
    red, blue = (_binned(band.tint[..., k], start, TINT_BIN, TINTS) for k, start in ((0, RED_FROM), (1, BLUE_FROM)))
    return red * TINTS + blue


def stretches_of(band: Band) -> tuple[Ints, int]:
    """Return each row's stretch of the edge, (rows, 1), and how many there are."""
    rows = len(band.tone)
    stretches = max(4, round(rows * ALONG_MM / STRETCH_MM))
    return (np.arange(rows) * stretches // rows)[:, None], stretches


def _binned(values: F32, start: float, size: float, count: int) -> Ints:
    return np.clip((values - start) / size, 0, count - 1).astype(np.intp)


def _bins(band: Band) -> _Bins:
    tint = tint_bins(band)
    return _Bins(
        _binned(band.tone, TONE_FROM, TONE_BIN, TONES) * TINTS * TINTS + tint,
        tint,
        _binned(band.along, ROUGH_FROM, ROUGH_BIN, ROUGHS),
        _binned(band.across, ROUGH_FROM, ROUGH_BIN, ROUGHS),
        *stretches_of(band),
    )


def _typical(bins: _Bins, known: Bools) -> tuple[F32, F32, F32]:
    """How typical (log) each px's colour, tint and texture is of the known ones; 0 is wholly."""
    square = (TINTS, TINTS)
    colour = _how_common(bins, bins.colour, (TONES, *square), known)
    tint = _how_common(bins, bins.tint, square, known)
    along, across = (_how_common(bins, key, (ROUGHS,), known) for key in (bins.along, bins.across))
    return colour, tint, along + across


def _how_common(bins: _Bins, keys: Ints, shape: tuple[int, ...], known: Bools) -> F32:
    size = int(np.prod(shape))
    count = np.bincount((bins.stretch * size + keys)[known], minlength=bins.stretches * size)
    spread = (0.0, *([0.85] * len(shape)))
    table = ndimage.gaussian_filter(count.astype(np.float32).reshape(bins.stretches, *shape), spread, mode="nearest")
    table = table.reshape(bins.stretches, size)
    whole = table.sum(axis=0)
    table = ndimage.gaussian_filter1d(table, 0.8, axis=0, mode="wrap")
    own = table / np.maximum(table.sum(axis=1, keepdims=True), 1e-9)
    share = (OWN * own + (1 - OWN) * whole / max(float(whole.sum()), 1e-9))[bins.stretch, keys]
    usual = float(np.percentile(share[known][::5], TYPICAL_PERCENTILE)) if known.sum() >= LEAST_KNOWN else 1.0
    return np.asarray(np.log(np.clip(share / max(usual, 1e-12), LEAST, 1.0)), dtype=np.float32)


def _fits(
    band: Band,
    bins: _Bins,
    wood: tuple[F32, F32, F32],
    bench: tuple[F32, F32, F32],
    known_wood: Bools,
    known_bench: Bools,
) -> F32:
    """Nats by which each px fits wood, side, shadow and bench, (4, rows, columns)."""
    darker = band.tone - _usual(band.tone, band, known_bench)
    off = np.where((darker > 0.0) | (darker < -DARKEST), np.float32(-NOT_SHADE), np.float32(0.0))
    as_wood = wood[0] + TEXTURE_WEIGHT * wood[2] + np.where(band.slab, np.float32(ROUGH_NATS), np.float32(0.0))
    as_wood = np.maximum(as_wood, _as_sap(band, known_wood, known_bench))
    shadow = np.log(SHADOW) + bench[1] + TEXTURE_WEIGHT * bench[2] + off
    as_bench = bench[0] + TEXTURE_WEIGHT * bench[2]
    fits = np.stack([as_wood, np.full_like(as_wood, np.log(SIDE)), shadow, as_bench])
    if band.clear is not None:
        top, low = (np.float32(HEIGHT_WEIGHT) * np.maximum(sign * band.clear, 0.0) for sign in (1, -1))
        fits -= np.stack([low, top + low, top, top])
    fits = np.maximum(fits, fits.max(axis=0) - MOST_NATS)
    return np.asarray(fits * (band.seen * np.float32(PER_MM * ACROSS_MM)), dtype=np.float32)


def _as_sap(band: Band, wood: Bools, bench: Bools) -> F32:
    """Log of how typical each px is of sapwood: paler than the wood, and as its tint is the wood's, not the bench's."""
    far = [
        sum(np.square(band.tint[..., k] - _usual(band.tint[..., k], band, known)) for k in range(2)) + TINT_SAME**2
        for known in (wood, bench)
    ]
    like_wood = far[1] / (far[0] + far[1])
    paler = band.tone - _usual(band.tone, band, wood) > PALER
    return np.where(paler, np.log(SIDE + SAP_TRUST * like_wood), np.log(LEAST * LEAST)).astype(np.float32)


def _usual(looks: F32, band: Band, known: Bools) -> Floats:
    """Median look of the known px of each row (rows, 1), made up from neighbouring rows where a row has none."""
    rows = np.arange(len(known))
    there = known.any(axis=1)
    if not there.any():
        return np.full((len(known), 1), np.log(255.0))
    filled = np.interp(rows, rows[there], medians(looks[there], known[there])[0])
    return np.asarray(ndimage.median_filter(filled, min(len(rows), band.rows_of(150.0)) | 1, mode="wrap")[:, None])


def _readings(band: Band, fits: F32) -> tuple[F32, Ints]:
    """Cost of the top's end at each border (rows, columns + 1), and the border where its side then ends."""
    total = np.zeros((4, fits.shape[1], fits.shape[2] + 1), dtype=np.float32)
    np.cumsum(-fits, axis=2, out=total[:, :, 1:])
    wood, side, shadow, bench = total
    only_bench = _with_things(bench, side)
    beyond = np.minimum(only_bench, _least_outward(shadow + only_bench) - shadow + EXTRA_NATS)
    ends = side + beyond - 0.5 * STEP_NATS * band.step
    best = _least_outward(ends)
    with_side = best - side + EXTRA_NATS
    columns = np.arange(ends.shape[1])
    last = np.where(ends <= best, columns, ends.shape[1] - 1)
    last = np.minimum.accumulate(last[:, ::-1], axis=1)[:, ::-1]
    last = np.where(with_side < beyond, last, columns)
    return wood + np.minimum(with_side, beyond) - STEP_NATS * band.step, last


def _with_things(bench: F32, thing: F32) -> F32:
    """Cost of bench from each border outward, on which one thing may lie where bench is seen before it.

    A thing is anything, like the slab's side; without it a pencil on the bench would be taken for the end of the
    slab's side, and the bench before it for the side.
    """
    plain = bench[:, -1:] - bench
    thing_on = _least_outward(thing + plain) - thing + EXTRA_NATS
    gap = round(THING_GAP_MM / ACROSS_MM)
    later = _least_outward(bench + thing_on)
    after_bench = np.full_like(bench, np.inf)
    after_bench[:, :-gap] = later[:, gap:] - bench[:, :-gap]
    return np.minimum(plain, after_bench)


def _least_outward(costs: F32) -> F32:
    return np.minimum.accumulate(costs[:, ::-1], axis=1)[:, ::-1]
