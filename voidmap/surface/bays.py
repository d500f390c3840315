"""Bridge the mouths of voids that open on the slab's side: the top's outline runs on along the natural edge."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from voidmap.model import Floats
from voidmap.surface.band import ACROSS_MM, ALONG_MM, MIDDLE_SMOOTH_MM, Band
from voidmap.surface.closed_line import filled, runs
from voidmap.surface.runs_on import Mouth, as_mouth
from voidmap.surface.sawn import SawnBay, sawn_bays
from voidmap.surface.tops_end import rough_end

Bools = NDArray[np.bool_]
Ints = NDArray[np.intp]

# Between the wood's end and the bench there may be a strip of bark, side or shade. It is as wide as usual where it
# is no wider than this percentile over this length; a void's floor widens it. By how much is not known beforehand:
# runs that are wider by each of these are tried.
USUAL_PERCENTILE, USUAL_OVER_MM, WIDER_MM = 20, 320.0, (1.5, 3.0, 6.0, 10.0, 15.0)
# A bay's depth goes to the wider strip to this share: less, and the bench is seen in it; more, and the strip bulges.
LEAST_FILLED, MOST_FILLED = 0.7, 1.9
# Where the photo shows nothing this far beyond the rough outline, it is the photo that ends there.
BESIDE_MM = 2.0
# In the photo's corners the rough outline lies as far beyond the end as in the median over this length.
USUAL_BESIDE_MM = 160.0
# A bay is at least this deep.
LEAST_DEPTH_MM = 2.0
# A void breaks the edge abruptly, or is deep against its mouth; a bend of the edge is neither. Pairs of the share of
# its depth that is reached within a tenth of its mouth from both ends (half an ellipse 0.6, a bend 0.2 to 0.36),
# and the least depth against the mouth that goes with it.
BREAKS = ((0.55, 0.075), (0.4, 0.12), (0.0, 0.18))
# Where hardly any bark or side is seen on either side of it, and steadily so, a strip of it is a void's rather than a
# bend's, and need not break so abruptly.
BARE_MM, BARE_UNSTEADY, BARE_BREAKS = 4.0, 0.2, ((0.3, 0.07), (0.0, 0.12))
# Its depth fills this share of a box around it (half an ellipse 0.79, a triangle 0.5).
LEAST_FULL = 0.48
# The strip beside the bay, read over this far, is steadier than this share of its depth (80th less 20th percentile).
SHOULDER_MM, UNSTEADY = 20.0, 0.35
# A live edge wanders off the straight line over a mouth by no more than this and this share of the mouth.
WANDER_MM, WANDER_SHARE = 2.0, 0.08
# A gap that is deeper than wide is a crack or a hole that runs out through the edge, whatever is seen in it, up to
# this mouth.
NARROW_MM = 60.0
# A strip whose outer line runs on is taken for a void's when likelier than not; from the lesser chance on it puts the
# area in doubt.
LIKELY, POSSIBLE = 0.5, 0.2
# Where a strip is taken for a void's, a longer run over it is the whole void rather than a part and a bend when its
# chance is this share of the shorter one's (an even bet would be 0.5; on 120 photos of 60 simulated slabs 0.5 to 0.7
# fare alike).
WHOLE_SHARE = 0.6
# What lies against the slab juts out with square shoulders, at least this high and most of it reached this soon, or
# further against its length than an edge bulges.
LONGEST_TAB_MM, TAB_HEIGHT_MM, TAB_WITHIN_MM, TAB_SHOULDER, TAB_SHARE = 220.0, 6.0, 6.0, 0.7, 0.5


@dataclass(frozen=True, eq=False)
class Bridged:
    """The natural edge: offsets ``top_mm`` (rows,), and ``bridged`` (rows,) in a bay's mouth, ``sawn`` on a saw's line.

    ``doubt_mm2`` is the area's 1-sigma doubt from strips that may be a void's or not, and ``undecided`` are those of
    them that were left out. ``mouths`` are the bridged bays of sawn edges that are wide enough to be a void's mouth.
    """

    top_mm: Floats
    bridged: Bools
    sawn: Bools
    doubt_mm2: float
    undecided: tuple[Mouth, ...]
    mouths: tuple[SawnBay, ...]


def bridge_bays(band: Band, top_mm: Floats, side_mm: Floats, in_photo: Bools | None = None) -> Bridged:
    """Carry the top's end over bays that are voids, and cut off what only lies against the slab.

    Parameters
    ----------
    band
        The band that both were found in.
    top_mm, side_mm
        (rows,) offsets of the end of the wood and of what is neither wood nor bench.
    in_photo
        (rows, columns) where the photo shows anything (None: everywhere).

    Returns
    -------
    Bridged
    """
    read = smooth_top(top_mm)
    bent = _bent(band, in_photo)
    whole = _in_corners(band, read, bent)
    top = _without_bulges(band, whole, bent)
    side_mm = np.where(top > read, top, side_mm + (top - read))
    out, bridged = top.copy(), np.zeros(len(top), dtype=bool)
    sawn = sawn_bays(band, top)
    for bay in sawn:
        out[bay.rows], bridged[bay.rows] = np.maximum(bay.sawn_mm, out[bay.rows]), True
    on_line = bridged.copy()
    strip = side_mm - top
    # Where the photo cuts the slab off there is no edge beside a bay to tell it by.
    wider = [(rows, ends) for rows, ends in wider_runs(band, strip) if not (bridged[rows].any() or bent[[*ends]].any())]
    mouths = [m for m in (as_mouth(top, side_mm, *run, band) for run in wider) if m]
    doubt_mm2, undecided = _take_likely(mouths, out, bridged)
    likely = bridged.copy()
    for rows, ends in wider:
        natural = None if likely[rows].any() else _natural(band, top, strip, rows, ends)
        if natural is not None:
            out[rows], bridged[rows] = np.maximum(natural, out[rows]), True
    for rows, ends in runs(filled(out, band.rows_of(NARROW_MM)) - out > LEAST_DEPTH_MM):
        chord = _chord(out, rows, ends)
        if (chord - out[rows]).max() >= len(rows) * ALONG_MM:
            out[rows], bridged[rows] = np.maximum(chord, out[rows]), True
    for rows, ends in runs(filled(-out, band.rows_of(LONGEST_TAB_MM)) + out > TAB_HEIGHT_MM / 2):
        chord = _chord(out, rows, ends)
        if _is_tab(band, out[rows] - chord):
            out[rows] = chord
    left = tuple(m for m in undecided if not bridged[m.rows].any())
    out = np.maximum(out, whole)
    return Bridged(out, bridged, on_line, doubt_mm2, left, tuple(bay for bay in sawn if bay.is_wide))


def _bent(band: Band, in_photo: Bools | None) -> Bools:
    """Tell rows where the photo cuts the slab off, and those beside: the band goes round the corner of edge and border.

    ``in_photo`` (rows, columns) tells where the photo shows anything (None: everywhere).
    """
    rows = len(band.tone)
    if in_photo is None:
        return np.zeros(rows, dtype=bool)
    beyond = np.round((rough_end(band) - band.offsets_mm[0] + BESIDE_MM) / ACROSS_MM).astype(int)
    outside = ~in_photo[np.arange(rows), np.clip(beyond, 0, in_photo.shape[1] - 1)]
    return np.asarray(ndimage.maximum_filter1d(outside, 2 * band.rows_of(2 * MIDDLE_SMOOTH_MM) + 1, mode="wrap"))


def _in_corners(band: Band, top_mm: Floats, bent: Bools) -> Floats:
    """Return the top's end (rows,), in the photo's corners where the rough outline has it.

    Rows fan out there, and read what lies beside them. How far the rough outline lies beyond the end next to the corner
    is taken off.
    """
    straight = np.nonzero(~bent)[0]
    if not bent.any() or not len(straight):
        return top_mm
    rough = rough_end(band)
    beyond = np.interp(np.arange(len(bent)), straight, (rough - top_mm)[straight], period=len(bent))
    usual = ndimage.median_filter(beyond, min(len(bent), band.rows_of(USUAL_BESIDE_MM)) | 1, mode="wrap")
    return np.where(bent, np.maximum(top_mm, rough - np.maximum(usual, 0.0)), top_mm)


def _without_bulges(band: Band, top_mm: Floats, bent: Bools) -> Floats:
    """Return the top's end (rows,) without what fills the photo's corners, which is no shoulder of a bay."""
    around = 2 * band.rows_of(4 * MIDDLE_SMOOTH_MM) + 1
    highest = ndimage.maximum_filter1d(np.where(bent, -np.inf, top_mm), around, mode="wrap")
    return np.where(bent & np.isfinite(highest), np.minimum(top_mm, highest), top_mm)


def smooth_top(top_mm: Floats) -> Floats:
    """Return a closed line (rows,) without its single outliers."""
    return np.asarray(ndimage.median_filter(top_mm, 3, mode="wrap"), dtype=np.float64)


def wider_runs(band: Band, strip_mm: Floats) -> list[tuple[Ints, tuple[int, int]]]:
    """Return runs of rows where a strip (rows,) is wider than usual, each once, and the rows just before and after."""
    window = min(len(strip_mm), band.rows_of(USUAL_OVER_MM)) | 1
    wider = strip_mm - ndimage.percentile_filter(strip_mm, USUAL_PERCENTILE, size=window, mode="wrap")
    return list({ends: (rows, ends) for least in WIDER_MM for rows, ends in runs(wider > least)}.values())


def _take_likely(mouths: list[Mouth], out: Floats, bridged: Bools) -> tuple[float, list[Mouth]]:
    """Carry the edge over likely mouths, in place; return the area's 1-sigma doubt, and the mouths that may be left.

    Of mouths that overlap the one counts that wins most: its area times how far it is likelier than ``LIKELY``; a
    likely one gives way to the greatest one around it that may be the whole of it.
    """
    settled, variance = bridged.copy(), 0.0
    undecided = []
    added = {id(m): float(np.maximum(m.natural_mm - out[m.rows], 0.0).sum() * ALONG_MM) for m in mouths}

    def rank(mouth: Mouth) -> tuple[bool, float]:
        area = added[id(mouth)]
        return mouth.chance < LIKELY, -area * (mouth.chance - LIKELY if mouth.chance >= LIKELY else mouth.chance)

    def whole(part: Mouth) -> Mouth:
        around = [m for m in mouths if _may_be_whole(m, part) and not settled[m.rows].any()]
        return max([part, *around], key=lambda m: added[id(m)])

    for first in sorted(mouths, key=rank):
        if first.chance < POSSIBLE or settled[first.rows].any():
            continue
        mouth = whole(first) if first.chance >= LIKELY else first
        rows = mouth.rows
        settled[rows] = True
        variance += mouth.chance * (1 - mouth.chance) * added[id(mouth)] ** 2
        if first.chance >= LIKELY:
            out[rows] = np.maximum(mouth.natural_mm, out[rows])
            bridged[rows] = True
        else:
            undecided.append(mouth)
    return float(np.sqrt(variance)), undecided


def _may_be_whole(mouth: Mouth, part: Mouth) -> bool:
    """Tell whether a mouth holds another one and may be the whole of it."""
    return mouth.chance >= WHOLE_SHARE * part.chance and bool(np.isin(part.rows, mouth.rows).all())


def _chord(line: Floats, rows: Ints, ends: tuple[int, int]) -> Floats:
    return np.linspace(line[ends[0]], line[ends[1]], len(rows) + 2)[1:-1]


def _is_tab(band: Band, height: Floats) -> bool:
    reach = band.rows_of(TAB_WITHIN_MM)
    ends = min(float(height[:reach].max()), float(height[-reach:].max()))
    juts = ends >= TAB_SHOULDER * height.max() or height.max() >= TAB_SHARE * len(height) * ALONG_MM
    return bool(height.max() >= TAB_HEIGHT_MM and juts)


def _natural(band: Band, top: Floats, strip: Floats, rows: Ints, ends: tuple[int, int]) -> Floats | None:
    """Offsets of the natural edge over a run of wider strip, or None where it is no void."""
    chord = _chord(top, rows, ends)
    dip = chord - top[rows]
    depth, mouth = float(dip.max()), len(rows) * ALONG_MM
    if depth < LEAST_DEPTH_MM:
        return None
    tenth = max(2, round(0.1 * len(rows)))
    abrupt = float(dip[:tenth].max() + dip[-tenth:].max()) / 2 / depth
    beside = np.arange(band.rows_of(SHOULDER_MM))
    strips = [strip[(ends[0] - beside) % len(strip)], strip[(ends[1] + beside) % len(strip)]]
    usual = np.linspace(np.median(strips[0]), np.median(strips[1]), len(rows))
    filled = float((strip[rows] - usual).mean()) / max(float(dip.mean()), 0.1)
    unsteady = max(float(np.subtract(*np.percentile(s, [80, 20]))) for s in strips)
    clean = max(float(np.median(s)) for s in strips) <= BARE_MM and unsteady <= BARE_UNSTEADY * depth
    breaks = BARE_BREAKS if clean else BREAKS
    if not (
        LEAST_FILLED <= filled <= MOST_FILLED
        and any(abrupt >= least and depth >= share * mouth for least, share in breaks)
        and dip.mean() >= LEAST_FULL * depth
        and unsteady <= UNSTEADY * depth
    ):
        return None
    wander = WANDER_MM + WANDER_SHARE * mouth
    natural = np.clip(top[rows] + strip[rows] - usual, chord - wander, chord + wander)
    return np.asarray(ndimage.median_filter(natural, min(len(rows), 7) | 1, mode="nearest"), dtype=np.float64)
