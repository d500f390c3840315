"""Which voids to probe next, and which flat things may be voids: the readings that narrow the total most."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from voidmap.depth.fuse import combine, fuse
from voidmap.depth.prior import prior_estimate
from voidmap.depth.probe import expected_reading_mm, probe_dots, probe_estimate
from voidmap.depth.volume import CHANCE_THAT_COUNTS, IF_VOID, volumes
from voidmap.records import Defect, Interval, ProbeAdvice, Reading

READINGS = 3
"""Readings to name: more than a few are not taken."""
SURE, LIKELIER = 0.95, 0.5
"""A thing that is a void with the first chance is taken for one; with the second it is likelier one than none."""
LEAST_GAIN = 0.995
"""A reading that leaves more than this of the interval's width is not worth taking."""
LEAST_LOOK = 0.9
"""A look at a flat thing is named when it is expected to leave less than this of the interval's width."""
CANDIDATES = 8
"""Tried in full: so many voids, those with the largest own doubt in ml, and flat things, by expected volume."""


def advise(
    defects: Sequence[Defect], *, scale_rel: float, thickness_mm: float | None, count: int = READINGS
) -> ProbeAdvice:
    """Name the readings of greatest depth that narrow the total's interval most, greedily, and what to look at.

    A flat thing that may be a void after all is worth a look, which asks for no gauge, where that leaves the total
    open.

    Parameters
    ----------
    defects
        As the intake has them.
    scale_rel
        Half-width of the 95 % interval of a length, as a share of it.
    thickness_mm
        The slab's thickness.
    count
        Readings to name at most.

    Returns
    -------
    ProbeAdvice
        Without ``recorded``.
    """
    now, totals = volumes(defects, scale_rel=scale_rel)
    total_ml, start = totals.volume_ml, totals.volume_interval_ml
    readings: list[Reading] = []
    left = start
    while len(readings) < count:
        taken = {r.defect for r in readings}
        tried = [(d, *_probed(now, d, scale_rel=scale_rel, thickness_mm=thickness_mm)) for d in _candidates(now, taken)]
        if not tried:
            break
        defect, after, interval, _ = min(tried, key=lambda t: t[3])
        if interval.hi - interval.lo >= (left.hi - left.lo) * LEAST_GAIN:
            break
        readings.append(_reading(defect, after, interval))
        now, left = after, interval
    clashes = tuple(f"{d.id}: {d.depth.disagreement}" for d in defects if d.depth and d.depth.disagreement)
    looks = _looks(defects, start, scale_rel=scale_rel, thickness_mm=thickness_mm)
    return ProbeAdvice(total_ml, start, tuple(readings), disagreements=clashes, looks=looks)


def _looks(
    defects: Sequence[Defect], start: Interval, *, scale_rel: float, thickness_mm: float | None
) -> tuple[Reading, ...]:
    """Name the flat things whose being voids or none leaves most of the total's interval open, each on its own."""
    maybe = [v for d in defects if (v := _if_void(d, thickness_mm)) is not None]
    maybe.sort(key=lambda d: d.void_probability * d.area_mm2 * (d.depth.mean_mm if d.depth else 0.0), reverse=True)
    told = []
    for defect in maybe[:CANDIDATES]:
        after, interval, width = _probed(defects, defect, scale_rel=scale_rel, thickness_mm=thickness_mm)
        if width < (start.hi - start.lo) * LEAST_LOOK:
            told.append((width, _reading(defect, after, interval)))
    return tuple(reading for _, reading in sorted(told, key=lambda t: t[0])[:READINGS])


def _reading(defect: Defect, after: Sequence[Defect], interval: Interval) -> Reading:
    own = next((d.volume_interval_ml for d in after if d.id == defect.id), Interval(0.0, 0.0))
    dots, chance = probe_dots(defect), round(defect.void_probability, 3)
    return Reading(defect.id, expected_reading_mm(defect), interval, own, dots, chance)


def _candidates(defects: Sequence[Defect], taken: set[str]) -> list[Defect]:
    """Voids whose own depth is most in doubt, in ml; those whose greatest depth was read are done."""

    def doubt(defect: Defect) -> float:
        assert defect.depth is not None, "voids have depths"
        return defect.volume_ml * combine(defect.depth.estimates).sd

    open_ones = [d for d in defects if d.is_void and d.depth and d.depth.estimates and d.id not in taken]
    open_ones = [d for d in open_ones if d.depth and d.depth.source != "through" and not _read(d)]
    return sorted(open_ones, key=doubt, reverse=True)[:CANDIDATES]


def _if_void(defect: Defect, thickness_mm: float | None) -> Defect | None:
    """Return what a flat thing would be were it a void; None where it is one, or hardly can be."""
    if defect.is_void or defect.void_probability < CHANCE_THAT_COUNTS or defect.area_mm2 <= 0:
        return None
    kind = IF_VOID.get(defect.kind, defect.kind)
    known = defect.depth.estimates if defect.depth is not None else ()
    if not known:
        edge = defect.opens_on_edge
        known = (prior_estimate(kind, area_mm2=defect.area_mm2, thickness_mm=thickness_mm, opens_on_edge=edge),)
    return replace(defect, kind=kind, is_void=True, depth=fuse(known, thickness_mm=thickness_mm))


def _read(defect: Defect) -> bool:
    """Whether a void's greatest depth was read, whatever weighs most in what is known of it."""
    return defect.depth is not None and any(e.greatest_read for e in defect.depth.estimates)


def _probed(
    defects: Sequence[Defect], defect: Defect, *, scale_rel: float, thickness_mm: float | None
) -> tuple[tuple[Defect, ...], Interval, float]:
    """Pretend a reading of what is likelier; return the defects, the total's interval then and its expected width.

    That is the expected depth or, of what is hardly a void, none: then it is dropped. The width allows for both.
    """
    assert defect.depth is not None, "candidates have depths"
    reading = probe_estimate(defect, expected_reading_mm(defect), thickness_mm=thickness_mm)
    known = fuse((*defect.depth.estimates, reading), thickness_mm=thickness_mm)
    # Whoever probes it sees whether it is a void at all.
    sure = replace(defect, depth=known, void_probability=1.0)
    after, totals = volumes([sure if d.id == defect.id else d for d in defects], scale_rel=scale_rel)
    left, chance = totals.volume_interval_ml, defect.void_probability
    width = left.hi - left.lo
    if chance >= SURE:
        return after, left, width
    others, without = volumes([d for d in defects if d.id != defect.id], scale_rel=scale_rel)
    dropped = without.volume_interval_ml
    width = chance * width + (1 - chance) * (dropped.hi - dropped.lo)
    return (after, left, width) if chance >= LIKELIER else (others, dropped, width)
