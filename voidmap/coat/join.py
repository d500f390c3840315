"""Join what several photos of one coat show: a pinhole lost in one photo's glare is seen in another."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voidmap.coat.track import assign
from voidmap.model import Floats
from voidmap.statistics import chapman

SAME_AGAIN = 0.8
"""Prior chance that a pinhole of one photo is found in another that shows its place."""
FEWEST_SHARED = 7
"""Chapman's estimate is nearly without bias from seven shared finds (D. Robson, H. Regier, 1964)."""


@dataclass(frozen=True, eq=False)
class Joined:
    """The pinholes of several photos, each once.

    ``chosen`` (N, 2) int: photo and index of each pinhole's best view. ``counts``: of the places that the first two
    photos both show, how many the first found, the second, and both. ``total`` and ``error``: how many are there by
    capture and recapture (Chapman 1951) and the standard error; None when too few are shared.
    """

    chosen: NDArray[np.int64]
    counts: tuple[int, int, int]
    total: float | None
    error: float | None


def join(
    places_mm: Sequence[Floats],
    strength: Sequence[Floats],
    sigma_mm: Sequence[Floats],
    is_seen: Sequence[Callable[[Floats], NDArray[np.bool_]]],
    *,
    area_mm2: float,
) -> Joined:
    """Join the pinholes of several photos.

    Parameters
    ----------
    places_mm
        For each photo (N, 2) mm, all in one frame.
    strength
        For each photo (N,): where a pinhole is in several photos, the strongest view stands for it.
    sigma_mm
        For each photo (N,): 1-sigma distance an axis between its reading of a pinhole and another photo's.
    is_seen
        For each photo, whether it shows places (N, 2) mm.
    area_mm2
        Area in which they lie.
    """
    best: list[tuple[int, int]] = []
    places = np.zeros((0, 2))
    for k, own in enumerate(places_mm):
        match = _matched(own, places, sigma_mm[k], area_mm2)
        fresh: list[tuple[int, int]] = []
        for i, j in enumerate(match):
            if j < 0:
                fresh.append((k, i))
            elif strength[k][i] > strength[best[j][0]][best[j][1]]:
                best[j] = (k, i)
        best += fresh
        places = np.array([places_mm[a][b] for a, b in best]).reshape(-1, 2)
    counts, total, error = (0, 0, 0), None, None
    if len(places_mm) > 1:
        counts = _recaptured(places_mm, sigma_mm, is_seen, area_mm2)
        if counts[2] >= FEWEST_SHARED:
            total, error = chapman(*counts)
    return Joined(np.asarray(sorted(best), dtype=np.int64).reshape(-1, 2), counts, total, error)


def _matched(here: Floats, there: Floats, sigma_mm: Floats, area_mm2: float) -> NDArray[np.int64]:
    return assign(here, there, sigma_mm, np.full(len(there), SAME_AGAIN), max(len(here), 1) / area_mm2)[0]


def _recaptured(
    places_mm: Sequence[Floats],
    sigma_mm: Sequence[Floats],
    is_seen: Sequence[Callable[[Floats], NDArray[np.bool_]]],
    area_mm2: float,
) -> tuple[int, int, int]:
    """Count the finds of the first two photos where both look: of the first, of the second, of both."""
    in_second = np.asarray(is_seen[1](places_mm[0]), dtype=bool)
    in_first = np.asarray(is_seen[0](places_mm[1]), dtype=bool)
    match = _matched(places_mm[0][in_second], places_mm[1][in_first], sigma_mm[0][in_second], area_mm2)
    return int(in_second.sum()), int(in_first.sum()), int((match >= 0).sum())
