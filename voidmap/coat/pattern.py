"""Where the pinholes sit, against chance: repeated, at rims, along the grain, or scattered.

Every claim is tested against places thrown at random into the *inspected* area (a permutation test), so that a
glare bar or a board in view can't fake a pattern.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from voidmap.records import CoatRecord, Defect, Outline, Pattern

Floats = NDArray[np.float64]

RIM_REACH_MM = 4.0
"""A pinhole this near to a rim is fed by it: the depth to which a sawn rim's torn fibres and bark reach."""
GRAIN_HALF_ANGLE_DEG = 8.0
"""Neighbours within this angle of the grain count as lying along it (a pore wanders about so much)."""
GRAIN_REACH_MM = 30.0
"""Vessels of ring-porous woods run open for some centimetres: pinholes on one vessel lie so near together."""
SIGNIFICANT = 0.01
"""A pattern is called only when chance would show it in fewer than one case in a hundred."""
THROWS = 400
"""Random sets for each test: the smallest chance that they can state is 1/401, well under SIGNIFICANT."""
FEWEST = 6
"""With fewer pinholes than this no pattern can be told."""

CURES = {
    "edge_fed": "seal that rim by brush before the next coat, and warm the wood so that it draws, not breathes",
    "along_grain": "open pores feed them: warm the wood, seal on a falling temperature, and squeegee the coat in",
    "repeat": "the same places keep drawing resin: pick them open and refill them, or touch in with a hard wax stick",
    "scattered": "chance bubbles or dust: mix slower, let the cup stand, pass heat over quickly and keep dust down",
}


def pattern_of(records: Sequence[CoatRecord], defects: Sequence[Defect], *, seed: int = 0) -> Pattern:
    """Judge the pattern of the newest coat.

    Parameters
    ----------
    records
        The coats in order; the last one is judged, the one before gives the repeats.
    defects
        The slab's defects (rims of voids and knots, slab mm); may be empty.
    seed
        Of the random sets.

    Returns
    -------
    Pattern
        With one sentence for each finding, its ratio to chance and its p-value in ``words``.
    """
    rng = np.random.default_rng(seed)
    newest = records[-1]
    places = np.array([(p.x_mm, p.y_mm) for p in newest.pinholes]).reshape(-1, 2)
    ratio, words = _repeats(records)
    if len(places) < FEWEST or not newest.inspected_mm:
        return Pattern(False, False, False, ratio, tuple(words))
    random = [throw(newest.inspected_mm, len(places), rng) for _ in range(THROWS)]
    rims = [np.asarray(d.outline_mm) for d in defects if len(d.outline_mm) > 2]
    edge_fed = along = False
    if rims:
        share, p = _against_chance(_rim_share(places, rims), [_rim_share(r, rims) for r in random])
        edge_fed = p < SIGNIFICANT
        if edge_fed:
            words.append(f"{share:.1f} times as many at rims as by chance (p = {p:.3f}): {CURES['edge_fed']}.")
    if newest.grain_deg is not None:
        grain = newest.grain_deg
        share, p = _against_chance(_grain_pairs(places, grain), [_grain_pairs(r, grain) for r in random])
        along = p < SIGNIFICANT
        if along:
            words.append(
                f"{share:.1f} times as many pairs along the grain as by chance (p = {p:.3f}): {CURES['along_grain']}."
            )
    scattered = not (edge_fed or along)
    if scattered:
        words.append(f"No pattern beyond chance: {CURES['scattered']}.")
    return Pattern(edge_fed, along, scattered, ratio, tuple(words))


def throw(outlines: Sequence[Outline], count: int, rng: np.random.Generator) -> Floats:
    """Throw ``count`` points (N, 2) mm at random into outlines (an outline inside another is a hole)."""
    from matplotlib.path import Path

    paths = [Path(np.asarray(o)) for o in outlines if len(o) > 2]
    corners = np.concatenate([p.vertices for p in paths])
    lo, hi = corners.min(axis=0), corners.max(axis=0)
    kept = np.zeros((0, 2))
    while len(kept) < count:
        trial = rng.uniform(lo, hi, size=(max(64, 4 * count), 2))
        inside = np.sum([p.contains_points(trial) for p in paths], axis=0) % 2 == 1
        kept = np.concatenate([kept, trial[inside]])
    return kept[:count]


def _repeats(records: Sequence[CoatRecord]) -> tuple[float | None, list[str]]:
    """Sites seen again, over how many would fall on old sites by chance (a Poisson test)."""
    from scipy.stats import poisson

    if len(records) < 2:
        return None, []
    old, new = records[-2], records[-1]
    kept = sum(p.state == "kept" for p in new.pinholes)
    gate_mm = 3 * max(new.align_rms_mm or 0.0, new.mm_per_px)
    area = max(new.inspected_area_mm2, 1.0)
    by_chance = len(new.pinholes) * min(1.0, len(old.pinholes) * np.pi * gate_mm**2 / area)
    ratio = kept / by_chance if by_chance > 0 else 0.0
    p = float(poisson.sf(kept - 1, by_chance))
    if kept and p < SIGNIFICANT:
        return ratio, [f"{kept} sites came back, {by_chance:.2g} would by chance (p = {p:.1g}): {CURES['repeat']}."]
    return ratio, []


def _rim_share(places: Floats, rims: Sequence[Floats]) -> float:
    from scipy.spatial import KDTree

    dense = np.concatenate([_densify(r, RIM_REACH_MM / 4) for r in rims])
    return float(np.mean(KDTree(dense).query(places)[0] <= RIM_REACH_MM))


def _densify(outline: Floats, step_mm: float) -> Floats:
    closed = np.vstack([outline, outline[:1]])
    along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    at = np.arange(0, along[-1], step_mm)
    return np.column_stack([np.interp(at, along, closed[:, i]) for i in (0, 1)])


def _grain_pairs(places: Floats, grain_deg: float) -> float:
    """Share of near pairs that lie along the grain."""
    from scipy.spatial import KDTree

    pairs = KDTree(places).query_pairs(GRAIN_REACH_MM, output_type="ndarray")
    if len(pairs) == 0:
        return 0.0
    step = places[pairs[:, 1]] - places[pairs[:, 0]]
    off = (np.degrees(np.arctan2(step[:, 1], step[:, 0])) - grain_deg + 90) % 180 - 90
    return float(np.sum(np.abs(off) <= GRAIN_HALF_ANGLE_DEG))


def _against_chance(seen: float, random: Sequence[float]) -> tuple[float, float]:
    """Ratio of what was seen to the mean of chance, and the one-sided p-value."""
    thrown = np.asarray(random)
    p = (1 + int(np.sum(thrown >= seen))) / (1 + len(thrown))
    return seen / max(float(thrown.mean()), 1e-9), p
