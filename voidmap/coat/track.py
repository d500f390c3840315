"""Follow pinholes from coat to coat: the same place keeps its site number for the life of the job."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from voidmap.model import Floats
from voidmap.records import ClosedSite, CoatRecord, Pinhole

GATE_SIGMAS = 3.0
"""A site may lie this many residuals (1 sigma in each direction) from where it was."""
LEAST_GATE_MM = 0.6
"""Never less than this: two readings of a pinhole's centre differ by a few tenths of a millimetre."""


@dataclass(frozen=True)
class Tracked:
    """The coat's pinholes with site and state, and the earlier sites that are gone or were not seen."""

    pinholes: tuple[Pinhole, ...]
    closed: tuple[ClosedSite, ...]


def track(
    pinholes: Sequence[Pinhole],
    earlier: Sequence[CoatRecord],
    *,
    residual_mm: float,
    is_seen: Callable[[Floats], np.ndarray],
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
    """
    from scipy.optimize import linear_sum_assignment
    from scipy.spatial.distance import cdist

    sites: dict[str, tuple[float, float]] = {}
    open_sites: set[str] = set()
    for record in earlier:
        for p in record.pinholes:
            sites[p.site] = (p.x_mm, p.y_mm)
            open_sites.add(p.site)
        open_sites -= {c.site for c in record.closed if c.seen}
    gate = max(LEAST_GATE_MM, GATE_SIGMAS * residual_mm)
    names = sorted(sites)
    here = np.array([(p.x_mm, p.y_mm) for p in pinholes]).reshape(-1, 2)
    there = np.array([sites[n] for n in names]).reshape(-1, 2)
    matched: dict[int, str] = {}
    if len(here) and len(there):
        distance = cdist(here, there)
        rows, columns = linear_sum_assignment(np.minimum(distance, gate))
        near = distance[rows, columns] < gate
        matched = {int(i): names[int(j)] for i, j in zip(rows[near], columns[near], strict=True)}
    number = max((int(n[1:]) for n in names), default=0)
    out = []
    for i, p in enumerate(pinholes):
        if i in matched:
            out.append(replace(p, site=matched[i], state="kept"))
        else:
            number += 1
            out.append(replace(p, site=f"S{number:03d}", state="new"))
    gone = [n for n in sorted(open_sites) if n not in set(matched.values())]
    places = np.array([sites[n] for n in gone]).reshape(-1, 2)
    seen = is_seen(places) if gone else np.zeros(0, bool)
    closed = tuple(
        ClosedSite(n, float(x), float(y), seen=bool(s)) for n, (x, y), s in zip(gone, places, seen, strict=True)
    )
    return Tracked(tuple(out), closed)
