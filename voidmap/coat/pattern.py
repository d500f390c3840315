"""Where the pinholes sit, against chance: repeated, at rims, along the grain, or scattered.

Every claim is tested against places thrown at random into the *inspected* area (a permutation test), so that a
glare bar or a board in view can't fake a pattern.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from voidmap import shown
from voidmap.coat.track import same_place_sigma, sites_of
from voidmap.records import CoatRecord, Defect, Outline, Pattern
from voidmap.statistics import ripley_k

Floats = NDArray[np.float64]

RIM_REACH_MM = 4.0
"""A pinhole this near to a rim is fed by it: the depth to which a sawn rim's torn fibres and bark reach."""
GRAIN_HALF_ANGLE_DEG = 8.0
"""Neighbours within this angle of the grain count as lying along it (a pore wanders about so much)."""
GRAIN_REACH_MM = 30.0
"""Vessels of ring-porous woods run open for some centimetres: pinholes on one vessel lie so near together."""
BUNCH_MM = 10.0
"""Pinholes fed by one soft place, or by one spot of wax or silicone, lie within a fingertip of each other."""
SIGNIFICANT = 0.01
"""A pattern is called only when chance would show it in fewer than one case in a hundred."""
THROWS = 400
"""Random sets for each test: the smallest chance that they can state is 1/401, well under SIGNIFICANT."""
GATE_SIGMAS = 3.0
"""A repeat by chance is one within this many sigmas (an axis) of an old site."""
NAMED = 3
"""So many of the rims that feed most are named."""
FEWEST = 6
"""With fewer pinholes than this no pattern can be told."""

CURES = {
    "edge_fed": "seal that rim by brush before the next coat, and warm the wood so that it draws, not breathes",
    "along_grain": "open pores feed them: warm the wood, seal on a falling temperature, and squeegee the coat in",
    "bunched": "a soft place feeds them, or wax, silicone or sweat repels the resin: wash, sand and brush-seal there",
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
    named = [d for d in defects if len(d.outline_mm) > 2]
    edge_fed = along = False
    free: NDArray[np.bool_] = np.ones(len(places), bool)
    if named:
        at = _at_rims(places, named)
        share, p = _against_chance(at.any(axis=0).mean(), [_at_rims(r, named).any(axis=0).mean() for r in random])
        edge_fed = p < SIGNIFICANT
        if edge_fed:
            free = np.logical_not(at.any(axis=0))
            most = [named[int(k)] for k in np.argsort(-at.sum(axis=1), kind="stable")[:NAMED] if at[k].sum() > 1]
            where = ", ".join(f"{d.id} ({d.kind.value.replace('_', ' ')})" for d in most) or "several voids"
            words.append(
                f"{share:.1f} times as many at rims as by chance ({shown.p_value(p)}), most at {where}: "
                f"{CURES['edge_fed']}."
            )
    if newest.grain_deg is not None and free.sum() >= FEWEST:
        # Those that a rim feeds lie along the rim, which may run along the grain.
        grain, kept = newest.grain_deg, int(free.sum())
        share, p = _against_chance(_grain_pairs(places[free], grain), [_grain_pairs(r[:kept], grain) for r in random])
        along = p < SIGNIFICANT and _stands_out(places[free], grain)
        if along:
            words.append(
                f"{share:.1f} times as many pairs along the grain as by chance ({shown.p_value(p)}): "
                f"{CURES['along_grain']}."
            )
    bunched = False
    if not (edge_fed or along):
        area = max(newest.inspected_area_mm2, 1.0)
        share, p = _against_chance(ripley_k(places, area, BUNCH_MM), [ripley_k(r, area, BUNCH_MM) for r in random])
        bunched = p < SIGNIFICANT
        if bunched:
            words.append(
                f"{share:.1f} times as many neighbours within {BUNCH_MM:g} mm as by chance ({shown.p_value(p)}): "
                f"{CURES['bunched']}."
            )
    scattered = not (edge_fed or along or bunched)
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


def _few(count: float) -> str:
    """Return an expected count in words fit for few."""
    return f"{count:.0f}" if count >= 2.0 else f"{count:.1f}" if count >= 0.1 else "fewer than 0.1"


def _repeats(records: Sequence[CoatRecord]) -> tuple[float | None, list[str]]:
    """Sites seen again, over how many would fall on old sites by chance (a Poisson test)."""
    from scipy.stats import poisson

    if len(records) < 2:
        return None, []
    new = records[-1]
    old = [site for site in sites_of(records[:-1]) if site.standing != "closed"]
    kept = sum(p.state == "kept" and p.site in {s.name for s in old} for p in new.pinholes)
    sizes = np.array([p.diameter_mm for p in new.pinholes])
    gate_mm = GATE_SIGMAS * same_place_sigma(new.align_rms_mm or 0.0, new.mm_per_px, sizes)
    area = max(new.inspected_area_mm2, 1.0)
    by_chance = float(np.minimum(1.0, len(old) * np.pi * gate_mm**2 / area).sum())
    ratio = kept / by_chance if by_chance > 0 else 0.0
    p = float(poisson.sf(kept - 1, by_chance))
    if kept and p < SIGNIFICANT:
        return ratio, [
            f"{kept} sites came back, {_few(by_chance)} would by chance ({shown.p_value(p)}): {CURES['repeat']}."
        ]
    return ratio, []


def _at_rims(places: Floats, defects: Sequence[Defect]) -> NDArray[np.bool_]:
    """Whether each place lies at each defect's rim, (defects, places)."""
    from scipy.spatial import KDTree

    near = np.zeros((len(defects), len(places)), bool)
    for k, defect in enumerate(defects):
        rim = _densify(np.asarray(defect.outline_mm), RIM_REACH_MM / 4)
        near[k] = KDTree(rim).query(places, distance_upper_bound=RIM_REACH_MM)[0] <= RIM_REACH_MM
    return near


def _densify(outline: Floats, step_mm: float) -> Floats:
    closed = np.vstack([outline, outline[:1]])
    along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    at = np.arange(0, along[-1], step_mm)
    return np.column_stack([np.interp(at, along, closed[:, i]) for i in (0, 1)])


def _grain_pairs(places: Floats, grain_deg: float) -> float:
    """Count the near pairs that lie along the grain."""
    off = _pair_angles(places, grain_deg)
    return float(np.sum(np.abs(off) <= GRAIN_HALF_ANGLE_DEG))


def _stands_out(places: Floats, grain_deg: float) -> bool:
    """Whether more near pairs lie along the grain than along any other direction: clusters have pairs every way."""
    off = _pair_angles(places, grain_deg)
    others = np.arange(2 * GRAIN_HALF_ANGLE_DEG, 180.0 - GRAIN_HALF_ANGLE_DEG, GRAIN_HALF_ANGLE_DEG)
    away = np.abs((off[None, :] - others[:, None] + 90.0) % 180.0 - 90.0)
    return float(np.sum(np.abs(off) <= GRAIN_HALF_ANGLE_DEG)) > float(
        np.max(np.sum(away <= GRAIN_HALF_ANGLE_DEG, axis=1))
    )


def _pair_angles(places: Floats, grain_deg: float) -> Floats:
    """Return the directions of near pairs from the grain, deg in [-90, 90)."""
    from scipy.spatial import KDTree

    pairs = KDTree(places).query_pairs(GRAIN_REACH_MM, output_type="ndarray")
    step = places[pairs[:, 1]] - places[pairs[:, 0]]
    off = (np.degrees(np.arctan2(step[:, 1], step[:, 0])) - grain_deg + 90.0) % 180.0 - 90.0
    return np.asarray(off, dtype=np.float64)


def _against_chance(seen: float, random: Sequence[float]) -> tuple[float, float]:
    """Ratio of what was seen to the mean of chance, and the one-sided p-value."""
    thrown = np.asarray(random)
    p = (1 + int(np.sum(thrown >= seen))) / (1 + len(thrown))
    return seen / max(float(thrown.mean()), 1e-9), p
