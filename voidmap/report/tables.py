"""Results as a few lines for the terminal: shop units first, metric beside."""

from __future__ import annotations

from pathlib import Path

from voidmap import units
from voidmap.records import Defect, Intake, Interval

LONGEST_TABLE = 30
"""Rows that still fit a screen; the rest is in the sheet."""


def intake_text(record: Intake, job: Path) -> str:
    """Return the map of a slab as a short table."""
    slab, totals = record.slab, record.totals
    lo, hi = slab.area_interval_mm2
    lines = [
        f"Slab top {units.shop_area(slab.area_mm2)} ({slab.area_mm2 / 1e6:.3f} m², {lo / 1e6:.3f} to {hi / 1e6:.3f}), "
        f"edge {units.shop_length(slab.edge_mm)} ({slab.edge_mm:.0f} mm)",
        f"Scale from {record.scale.reference}: lengths across the slab to ±{record.scale.length_interval_rel:.2%}",
        "",
        f"{'id':4s} {'what':11s} {'void?':>5s} {'area':>10s} {'length':>8s} {'width':>7s} {'mean depth':>16s} "
        f"{'volume':>22s}",
    ]
    lines += [_row(defect) for defect in record.defects[:LONGEST_TABLE]]
    if len(record.defects) > LONGEST_TABLE:
        lines.append(f"... and {len(record.defects) - LONGEST_TABLE} more in intake.json")
    volume = totals.volume_interval_ml
    lines += [
        "",
        f"{totals.void_count} voids hold {units.shop_volume(totals.volume_ml)} ({_ml(totals.volume_ml, volume)})",
    ]
    lines += [f"Note: {note}" for note in record.notes]
    lines.append(f"Next: voidmap probe {job}, then voidmap fill {job}; look at it: voidmap sheet {job}")
    return "\n".join(lines)


def _row(defect: Defect) -> str:
    depth = defect.depth
    deep = f"{depth.mean_mm:.1f} mm {depth.source}" if depth else ""
    volume = _ml(defect.volume_ml, defect.volume_interval_ml) if defect.is_void else "flat"
    marks = "".join((" edge" if defect.opens_on_edge else "", " through" if defect.through else ""))
    return (
        f"{defect.id:4s} {defect.kind.value:11s} {defect.void_probability:5.2f} {defect.area_mm2:7.0f} mm² "
        f"{defect.length_mm:5.0f} mm {defect.width_mean_mm:4.1f} mm {deep:>16s} {volume:>22s}{marks}"
    )


def _ml(value: float, interval: Interval) -> str:
    digits = 0 if value >= 10 else 1 if value >= 1 else 2
    return f"{value:.{digits}f} ml, {interval.lo:.{digits}f} to {interval.hi:.{digits}f}"
