"""Whether a photo of a coat serves, or should be taken again."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from voidmap.records import CoatRecord

LEAST_SPOT_PX = 3.0
"""A spot under three pixels across is not evidence."""
LEAST_SHOWN = 0.9
"""Nine of ten of all that matter are shown: the usual share of a detection study."""
LEAST_OF_SIZE = 0.8
"""And of the smallest that matter four of five: a coat whose finds are large ones shows nine of ten of their like. On
87 simulated coats this parts those that show nine of ten in truth from the others best at .75 and .8 (.87 right)."""
USUAL_RATIO = 1.25
"""The smallest pinholes that matter are about this many times the smallest size that does: of this size most
must be shown, and one of it is reckoned in where a share is told: a coat with none found has some size too."""


def chance_shown(curve: Sequence[tuple[float, float]], diameters_mm: Sequence[float]) -> NDArray[np.float64]:
    """Return the chance (N,) that a photo shows pinholes of these diameters (mm), by its curve; 1 without a curve."""
    if not curve:
        return np.ones(len(diameters_mm))
    known = np.array(curve)
    return np.asarray(np.interp(np.asarray(diameters_mm, dtype=np.float64), known[:, 0], known[:, 1]), dtype=np.float64)


def shown_share(record: CoatRecord, smallest_mm: float) -> float | None:
    """Return the share of the pinholes of ``smallest_mm`` and over that the photo shows; None when not known.

    Each pinhole found stands for 1 / (its size's chance to be found) that are there (D. Horvitz, D. Thompson, 1952).
    """
    if not record.power.curve:
        whole = record.power.planted > 0 and record.power.found == record.power.planted
        return 1.0 if whole else None
    sizes = [p.diameter_mm for p in record.pinholes if p.diameter_mm >= smallest_mm]
    chance = chance_shown(record.power.curve, [*sizes, USUAL_RATIO * smallest_mm])
    return float(len(chance) / (1 / np.maximum(chance, 1e-3)).sum())


def why_again(record: CoatRecord, smallest_mm: float) -> tuple[str, ...]:
    """Say why a coat should be photographed again, one sentence each; empty when the photo serves."""
    if record.inspected_area_mm2 <= 0:
        return ("Nothing of the surface is seen: move the lamp and the board, and take the photo again.",)
    needed = f"{smallest_mm:g} mm"
    if smallest_mm / record.mm_per_px < LEAST_SPOT_PX:
        closer = LEAST_SPOT_PX * record.mm_per_px / smallest_mm
        return (f"A pinhole of {needed} is too small in this photo: go {closer:.1f} times nearer and take it again.",)
    share = shown_share(record, smallest_mm)
    usual = float(chance_shown(record.power.curve, [USUAL_RATIO * smallest_mm])[0])
    if share is not None and share >= LEAST_SHOWN and usual >= LEAST_OF_SIZE:
        return ()
    shown = "an unknown share" if share is None else f"about {share:.0%}"
    return (
        f"This photo shows {shown} of the pinholes of {needed} and over: {_cure(record.power.d90_mm, smallest_mm)}",
    )


def _cure(d90_mm: float | None, smallest_mm: float) -> str:
    if d90_mm is not None and d90_mm > USUAL_RATIO * smallest_mm:
        return (
            f"nine of ten from {d90_mm:.2f} mm on. Go {d90_mm / smallest_mm:.1f} times nearer, hold the camera still "
            "and in focus, and take it again."
        )
    return (
        "some are missed whatever their size, by rims and where no lamp strikes them. Light from a low side, hold the "
        "camera still and in focus, and take it again; a second photo with the lamp on another side, given together "
        "with it, shows more."
    )
