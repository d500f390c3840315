"""Results as a few lines for the terminal."""

from __future__ import annotations

from pathlib import Path

from voidmap import shown, units
from voidmap.records import Defect, Intake, PhotoRecord
from voidmap.report.look import LOOKS, SOURCES

LONGEST_TABLE = 30
"""Rows that still fit a screen; the rest is in the sheet."""


def intake_text(record: Intake, job: Path) -> str:
    """Return the map of a slab as a short table."""
    slab = record.slab
    lines = [
        f"Slab top {shown.area_with(slab.area_mm2, slab.area_interval_mm2)}, edge {shown.length(slab.edge_mm)}",
        f"Scale from {record.scale.reference}: lengths across the slab to ±{record.scale.length_interval_rel:.2%}",
        *map(photo_line, record.photos),
        "",
        f"{'id':4s} {'what':11s} {'void?':>5s} {'area':>10s} {'length':>10s} {'width':>9s} {'mean depth':>21s} "
        f"{'volume':>24s}",
    ]
    lines += [_row(defect) for defect in record.defects[:LONGEST_TABLE]]
    if len(record.defects) > LONGEST_TABLE:
        lines.append(f"... and {len(record.defects) - LONGEST_TABLE} more in intake.json")
    lines += ["", shown.voids_hold(record.totals)]
    lines += [f"Note: {note}" for note in record.notes]
    lines.append(f"Next: voidmap probe {job}, then voidmap fill {job}; look at it: voidmap sheet {job}")
    return "\n".join(lines)


def photo_line(photo: PhotoRecord) -> str:
    """Return how good a photo is, from what size it shows defects, and what limits it."""
    quality = photo.quality
    least = quality.smallest_defect_mm
    shows = "" if least is None else f", shows what is {_length(least, fine=True)} across or more"
    # What asks for another photo is said at the end.
    limits = "".join(f" {reason}" for reason in quality.reasons) if quality.verdict == "usable" else ""
    return f"{photo.file}: {quality.verdict}{shows}.{limits}"


def _row(defect: Defect) -> str:
    depth = defect.depth
    deep = f"{_length(depth.mean_mm, fine=True)} {SOURCES.get(depth.source, depth.source)}" if depth else ""
    volume = _volume(defect) if defect.is_void else "flat"
    marks = "".join((" edge" if defect.opens_on_edge else "", " through" if defect.through else ""))
    return (
        f"{defect.id:4s} {LOOKS[defect.kind].word:11s} {defect.void_probability:5.2f} {_area(defect.area_mm2):>10s} "
        f"{_length(defect.length_mm):>10s} {_length(defect.width_mean_mm, fine=True):>9s} {deep:>21s} "
        f"{volume:>24s}{marks}"
    )


def _length(mm: float, *, fine: bool = False) -> str:
    """Return a length in one unit, so that a column stays narrow."""
    if shown.is_shop():
        words = units.shop_length(mm, 32 if fine else 16)
        return words.replace("under ", "<")
    return f"{mm:.1f} mm" if fine else f"{mm:.0f} mm"


def _area(mm2: float) -> str:
    if not shown.is_shop():
        return f"{mm2:.0f} mm²"
    return units.shop_area(mm2) if mm2 >= 0.01 * units.MM2_PER_IN2 else "<0.01 in²"


def _volume(defect: Defect) -> str:
    """Return what a void holds, with its interval, in one unit."""
    each = 1.0 / units.ML_PER_FL_OZ if shown.is_shop() else 1.0
    value, lo, hi = (v * each for v in (defect.volume_ml, *defect.volume_interval_ml))
    digits = 1 if value >= 10 else 2 if value >= 0.1 else 3
    digits = digits if shown.is_shop() else max(0, digits - 1)
    return f"{value:.{digits}f} {'fl oz' if shown.is_shop() else 'ml'}, {lo:.{digits}f} to {hi:.{digits}f}"
