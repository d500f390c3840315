"""Join what several photos of one coat show: a pinhole lost in one photo's glare is seen in another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from voidmap.model import Floats
from voidmap.statistics import chapman

SAME_MM = 0.8
"""Two photos that were solved together place a pinhole within some tenths of a millimetre of each other."""
FEWEST_SHARED = 7
"""Chapman's estimate is nearly without bias from seven shared finds (D. Robson, H. Regier, 1964)."""


@dataclass(frozen=True, eq=False)
class Joined:
    """``chosen`` (N, 2) int: photo and index of each pinhole's best view; the capture-recapture total and its error."""

    chosen: np.ndarray[tuple[int, ...], np.dtype[np.int64]]
    total: float | None
    error: float | None


def join(places_mm: Sequence[Floats], strength: Sequence[Floats]) -> Joined:
    """Join the pinholes of several photos.

    Parameters
    ----------
    places_mm
        For each photo (N, 2) mm, all in one frame.
    strength
        For each photo (N,): where a pinhole is in several photos, the strongest view stands for it.

    Returns
    -------
    Joined
        The total (Chapman 1951) is of the first two photos; None when they share too few.
    """
    from scipy.spatial import KDTree

    photo = np.concatenate([np.full(len(p), k) for k, p in enumerate(places_mm)])
    index = np.concatenate([np.arange(len(p)) for p in places_mm])
    places = np.concatenate([np.asarray(p, dtype=np.float64).reshape(-1, 2) for p in places_mm])
    free = np.ones(len(places), bool)
    chosen = []
    near = KDTree(places).query_ball_point(places, SAME_MM) if len(places) else []
    for i in np.argsort(-np.concatenate(list(strength)), kind="stable"):
        if not free[i]:
            continue
        chosen.append((int(photo[i]), int(index[i])))
        # One pinhole has one view in a photo: neighbours in its own photo stay pinholes of their own.
        free[[j for j in near[i] if photo[j] != photo[i]]] = False
        free[i] = False
    out = np.asarray(sorted(chosen), dtype=np.int64).reshape(-1, 2)
    total, error = _recaptured(places_mm)
    return Joined(out, total, error)


def _recaptured(places_mm: Sequence[Floats]) -> tuple[float | None, float | None]:
    from scipy.spatial import KDTree

    if len(places_mm) < 2 or min(len(places_mm[0]), len(places_mm[1])) == 0:
        return None, None
    away, which = KDTree(places_mm[1]).query(places_mm[0], distance_upper_bound=SAME_MM)
    shared = len(set(np.asarray(which)[np.isfinite(away)].tolist()))
    if shared < FEWEST_SHARED:
        return None, None
    return chapman(len(places_mm[0]), len(places_mm[1]), shared)
