"""Follow pinholes from coat to coat: the same place keeps its site number for the life of the job.

A pinhole lies where a site was when that is likelier than a new pinhole by chance so near: the gate grows with the
doubt of both places and shrinks with the density. Within it the whole assignment is the likeliest one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import permutations

import numpy as np
from numpy.typing import NDArray

from voidmap.coat.again import chance_shown
from voidmap.coat.near import pairs_within
from voidmap.model import Floats
from voidmap.records import ClosedSite, CoatRecord, Pinhole

LEAST_SIGMA_MM = 0.1
"""Two readings of one pinhole's centre differ by this at least (1 sigma an axis): its rim's glints move with the lamp,
and so does the pit against the film's surface when it is seen from elsewhere."""
CENTRE_PX = 0.5
"""1 sigma an axis of a pinhole's centre in one photo, px."""
CENTRE_RADII = 0.25
"""The same in a pinhole's radii: a large crater's deepest shade or brightest glint may lie off its middle."""
STAYS = {"open": 0.35, "unseen": 0.35, "closed": 0.05}
"""Prior chance that a site is seen again: one coat closes about two of three (a coat that removes 73 to 86 %, less
chance; common practice, no source); one that closed seldom opens again."""
FARTHEST_SIGMAS = 6.0
"""Pairs farther apart are not looked at."""
UNCERTAIN = 0.9
"""A pinhole whose best reading (kept or new) has a lower chance than this is called uncertain."""
CLOSED_ENOUGH = 0.5
"""A site not found again is called closed when the photo would have shown it with at least this chance."""
LARGEST_EXACT = 400
"""Groups of near pinholes and sites up to this size are assigned exactly; larger ones (hundreds closer together than
their doubt) nearest first."""
MOST_TRIED = 5
"""Groups up to this size have 120 ways to be assigned at most: trying them is sooner done than loading SciPy."""


@dataclass(frozen=True)
class Tracked:
    """The coat's pinholes with site and state, and the earlier sites that are gone or were not seen."""

    pinholes: tuple[Pinhole, ...]
    closed: tuple[ClosedSite, ...]


@dataclass(frozen=True)
class Site:
    """A site as it stood last: its place, its last diameter, and whether it is open, closed or was not seen."""

    name: str
    x_mm: float
    y_mm: float
    diameter_mm: float
    standing: str


def sites_of(records: Sequence[CoatRecord]) -> tuple[Site, ...]:
    """Return all sites of a job's coats, each at its mean place, in the order of their numbers."""
    places: dict[str, list[tuple[float, float]]] = {}
    size: dict[str, float] = {}
    standing: dict[str, str] = {}
    for record in records:
        for p in record.pinholes:
            places.setdefault(p.site, []).append((p.x_mm, p.y_mm))
            size[p.site] = p.diameter_mm
            standing[p.site] = "open"
        for gone in record.closed:
            if gone.site in standing:
                standing[gone.site] = "closed" if gone.seen else "unseen"
    middle = {name: np.mean(seen, axis=0) for name, seen in places.items()}
    return tuple(
        Site(name, float(middle[name][0]), float(middle[name][1]), size[name], standing[name])
        for name in sorted(places, key=lambda n: int(n[1:]))
    )


def track(
    pinholes: Sequence[Pinhole],
    earlier: Sequence[CoatRecord],
    *,
    residual_mm: float,
    is_seen: Callable[[Floats], NDArray[np.bool_]],
    mm_per_px: float | None = None,
    curve: Sequence[tuple[float, float]] = (),
    area_mm2: float | None = None,
) -> Tracked:
    """Match a coat's pinholes to the sites of the earlier coats.

    Parameters
    ----------
    pinholes
        Of the new coat, slab frame, without site or state.
    earlier
        The earlier coats, in order.
    residual_mm
        What the alignment with them left (rms).
    is_seen
        Tells for places (N, 2) slab mm whether this coat's photos show them.
    mm_per_px
        Size of this coat's pixels; taken from the newest earlier coat when not given.
    curve
        Chance to find a pinhole over its diameter (mm, chance), of this coat: a site too small for it counts as not
        seen. Without one all are held to be found.
    area_mm2
        Area in which the pinholes lie; their bounding box when not given.
    """
    sites = sites_of(earlier)
    pixel_mm = mm_per_px if mm_per_px is not None else (earlier[-1].mm_per_px if earlier else 0.0)
    here = np.array([(p.x_mm, p.y_mm) for p in pinholes]).reshape(-1, 2)
    there = np.array([(s.x_mm, s.y_mm) for s in sites]).reshape(-1, 2)
    sigma = same_place_sigma(residual_mm, pixel_mm, np.array([p.diameter_mm for p in pinholes]))
    density = len(pinholes) / (area_mm2 or _box_mm2(here, there))
    stays = np.array([STAYS[s.standing] for s in sites])
    matched, chance = assign(here, there, sigma, stays, density)
    number = max((int(s.name[1:]) for s in sites), default=0)
    out = []
    for p, j, likely in zip(pinholes, matched, chance, strict=True):
        state = "kept" if j >= 0 else "new"
        if j < 0:
            number += 1
        site = sites[j].name if j >= 0 else f"S{number:03d}"
        out.append(replace(p, site=site, state=state if likely >= UNCERTAIN else "uncertain"))
    used = set(matched[matched >= 0].tolist())
    gone = [s for k, s in enumerate(sites) if k not in used and s.standing != "closed"]
    seen = is_seen(np.array([(s.x_mm, s.y_mm) for s in gone]).reshape(-1, 2)) if gone else np.zeros(0, bool)
    shown = chance_shown(curve, [s.diameter_mm for s in gone]) >= CLOSED_ENOUGH
    closed = tuple(
        ClosedSite(s.name, s.x_mm, s.y_mm, seen=bool(a and b), in_view=bool(a))
        for s, a, b in zip(gone, seen, shown, strict=True)
    )
    return Tracked(tuple(out), closed)


def same_place_sigma(residual_mm: float, mm_per_px: float, diameter_mm: Floats) -> Floats:
    """Return the 1-sigma distance an axis (N,) mm between two readings of pinholes of these diameters (N,) mm."""
    own = np.hypot(CENTRE_PX * mm_per_px, CENTRE_RADII * np.asarray(diameter_mm) / 2)
    # Two readings; the residual is a distance, over both axes.
    return np.asarray(np.sqrt(LEAST_SIGMA_MM**2 + 2 * own**2 + residual_mm**2 / 2), dtype=np.float64)


def assign(
    here: Floats, there: Floats, sigma: Floats, stays: Floats, density: float
) -> tuple[NDArray[np.int64], Floats]:
    """Assign places to sites, the whole as likely as can be.

    Parameters
    ----------
    here, there
        Places (N, 2) and sites (M, 2), mm.
    sigma
        (N,) 1-sigma distance an axis of a place from its site, mm.
    stays
        (M,) prior chance that a site is seen again.
    density
        Pinholes per mm2 that would be there by chance.

    Returns
    -------
    tuple
        The site (N,) of each place, -1 for none, and the chance (N,) that this is the right reading.
    """
    matched = np.full(len(here), -1, dtype=np.int64)
    if len(here) == 0 or len(there) == 0:
        return matched, np.ones(len(here))
    reach = FARTHEST_SIGMAS * float(sigma.max())
    i, j, away = pairs_within(here, there, reach)
    gain = (
        np.log(stays[j] / (1 - stays[j])) - np.log(2 * np.pi * sigma[i] ** 2 * density) - 0.5 * (away / sigma[i]) ** 2
    )
    odds = np.bincount(i, weights=np.exp(np.minimum(gain, 50.0)), minlength=len(here))
    good = gain > 0
    i, j, gain = i[good], j[good], gain[good]
    chosen = _likeliest(i, j, gain, len(here), len(there))
    matched[i[chosen]] = j[chosen]
    own = np.zeros(len(here))
    own[i[chosen]] = np.exp(np.minimum(gain[chosen], 50.0))
    chance = np.where(matched >= 0, own, 1.0) / (1.0 + odds)
    return matched, np.asarray(chance, dtype=np.float64)


def _likeliest(i: NDArray[np.int64], j: NDArray[np.int64], gain: Floats, rows: int, columns: int) -> NDArray[np.int64]:
    """Return the pairs of the one-to-one assignment of greatest gain, group by group of connected places."""
    if len(i) == 0:
        return np.zeros(0, np.int64)
    # Most places have one site near, and it has no other: nothing to choose.
    alone = (np.bincount(i, minlength=rows)[i] == 1) & (np.bincount(j, minlength=columns)[j] == 1)
    lone = np.flatnonzero(alone)
    if alone.all():
        return lone
    rest = np.flatnonzero(~alone)
    return np.concatenate([lone, rest[_grouped(i[rest], j[rest], gain[rest], rows, columns)]])


def _grouped(i: NDArray[np.int64], j: NDArray[np.int64], gain: Floats, rows: int, columns: int) -> NDArray[np.int64]:
    group = _groups(i, j, rows, columns)
    order = np.argsort(group, kind="stable")
    starts = np.flatnonzero(np.diff(group[order], prepend=-1))
    out: list[int] = []
    for first, last in zip(starts, [*starts[1:], len(order)], strict=True):
        pairs = order[first:last]
        if len(np.unique(i[pairs])) == 1 or len(np.unique(j[pairs])) == 1:
            out.append(int(pairs[np.argmax(gain[pairs])]))
        else:
            out += _exact(i[pairs], j[pairs], gain[pairs], pairs)
    return np.asarray(out, dtype=np.int64)


def _groups(i: NDArray[np.int64], j: NDArray[np.int64], rows: int, columns: int) -> NDArray[np.int64]:
    """Name each pair's group: pairs that share a place or a site, or are linked by pairs that do."""
    name = np.arange(len(i))
    while True:
        of_place, of_site = np.full(rows, len(i)), np.full(columns, len(i))
        np.minimum.at(of_place, i, name)
        np.minimum.at(of_site, j, name)
        least = np.minimum(of_place[i], of_site[j])
        if (least == name).all():
            return name
        name = least


def _exact(i: NDArray[np.int64], j: NDArray[np.int64], gain: Floats, pairs: NDArray[np.int64]) -> list[int]:
    """Assign one group as likely as can be: all ways tried where there are few, else by SciPy."""
    own, a = np.unique(i, return_inverse=True)
    other, b = np.unique(j, return_inverse=True)
    if max(len(own), len(other)) > LARGEST_EXACT:
        return _nearest_first(i, j, gain, pairs)
    worth = np.zeros((len(own), len(other)))
    which = np.full(worth.shape, -1)
    worth[a, b], which[a, b] = gain, pairs
    if max(worth.shape) <= MOST_TRIED:
        wide = worth if len(own) <= len(other) else worth.T
        ways = np.array(list(permutations(range(wide.shape[1]), wide.shape[0])))
        best = ways[np.argmax(wide[np.arange(len(wide)), ways].sum(axis=1))]
        taken = (which if wide is worth else which.T)[np.arange(len(wide)), best]
    else:
        from scipy.optimize import linear_sum_assignment

        taken = which[linear_sum_assignment(worth, maximize=True)]
    return [int(k) for k in taken if k >= 0]


def _nearest_first(i: NDArray[np.int64], j: NDArray[np.int64], gain: Floats, pairs: NDArray[np.int64]) -> list[int]:
    used_i: set[int] = set()
    used_j: set[int] = set()
    out = []
    for k in np.argsort(-gain, kind="stable"):
        if int(i[k]) not in used_i and int(j[k]) not in used_j:
            used_i.add(int(i[k]))
            used_j.add(int(j[k]))
            out.append(int(pairs[k]))
    return out


def _box_mm2(here: Floats, there: Floats) -> float:
    both = np.concatenate([here, there])
    if len(both) < 2:
        return 1e4
    wide, high = both.max(axis=0) - both.min(axis=0)
    return float(max(wide * high, 100.0))
