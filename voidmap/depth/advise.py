"""Which voids to probe next: the readings that narrow the total most, and what each would leave."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from voidmap.depth.fuse import combine, fuse
from voidmap.depth.probe import expected_reading_mm, probe_dots, probe_estimate
from voidmap.depth.volume import volumes
from voidmap.records import Defect, Interval, ProbeAdvice, Reading

READINGS = 3
"""Readings to name: more than a few are not taken."""
SURE = 0.95
"""A thing that is a void with this chance is taken for one."""
LEAST_GAIN = 0.995
"""A reading that leaves more than this of the interval's width is not worth taking."""
CANDIDATES = 8
"""Voids that are tried in full at each step: those with the largest own doubt in ml."""


def advise(
    defects: Sequence[Defect], *, scale_rel: float, thickness_mm: float | None, count: int = READINGS
) -> ProbeAdvice:
    """Name the readings of greatest depth that narrow the total's interval most, greedily.

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
        own = next(d for d in after if d.id == defect.id)
        readings.append(
            Reading(defect.id, expected_reading_mm(defect), interval, own.volume_interval_ml, probe_dots(defect))
        )
        now, left = after, interval
    clashes = tuple(f"{d.id}: {d.depth.disagreement}" for d in defects if d.depth and d.depth.disagreement)
    return ProbeAdvice(total_ml, start, tuple(readings), disagreements=clashes)


def _candidates(defects: Sequence[Defect], taken: set[str]) -> list[Defect]:
    """Voids whose own depth is most in doubt, in ml; those whose greatest depth was read are done."""

    def doubt(defect: Defect) -> float:
        assert defect.depth is not None, "voids have depths"
        return defect.volume_ml * combine(defect.depth.estimates).sd

    open_ones = [d for d in defects if d.is_void and d.depth and d.depth.estimates and d.id not in taken]
    open_ones = [d for d in open_ones if d.depth and d.depth.source != "through" and not _read(d)]
    return sorted(open_ones, key=doubt, reverse=True)[:CANDIDATES]


def _read(defect: Defect) -> bool:
    """Whether a void's greatest depth was read, whatever weighs most in what is known of it."""
    return defect.depth is not None and any(e.greatest_read for e in defect.depth.estimates)


def _probed(
    defects: Sequence[Defect], defect: Defect, *, scale_rel: float, thickness_mm: float | None
) -> tuple[tuple[Defect, ...], Interval, float]:
    """Pretend a reading of the expected depth; return the defects, the total's interval then and its expected width.

    The width allows for the chance that the gauge finds no void there, which is then dropped.
    """
    assert defect.depth is not None, "candidates have depths"
    reading = probe_estimate(defect, expected_reading_mm(defect), thickness_mm=thickness_mm)
    known = fuse((*defect.depth.estimates, reading), thickness_mm=thickness_mm)
    # Whoever probes it sees whether it is a void at all.
    sure = replace(defect, depth=known, void_probability=1.0)
    after, totals = volumes([sure if d.id == defect.id else d for d in defects], scale_rel=scale_rel)
    left = totals.volume_interval_ml
    width, chance = left.hi - left.lo, defect.void_probability
    if chance < SURE:
        _, without = volumes([d for d in defects if d.id != defect.id], scale_rel=scale_rel)
        width = chance * width + (1 - chance) * (without.volume_interval_ml.hi - without.volume_interval_ml.lo)
    return after, left, width
